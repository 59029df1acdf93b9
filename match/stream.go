package match

import (
	"context"
	"errors"
	"fmt"
	"iter"

	"example.com/phototie/grid"
)

// Stream is a checked job whose photos are not held in memory. It is safe for concurrent
// use if the function that reads its photos is. The zero Stream is of no use: NewStream
// makes one.
type Stream struct {
	// Result has all that Check gives, but for the photos: Result.Photos is nil, and
	// Result.Findings has those that are about no photo; see PhotoFindings.
	Result *Result

	c     *checker
	named []Photo
	ties  ties
	read  func([]Photo) iter.Seq2[Photo, error]
	tally *Tally
}

// NewStream checks a job of any size without holding its photos. It goes through
// them once, for what they say together, and Photos goes through them again, for
// each of them with its verdict. What comes out is what Check gives.
//
// photos have the Name and the Original of each, in order. read yields the
// photos of a part of that list, read and in its order; it is called for one part
// after another. Memory grows with the names, the links, 32 bytes for each photo
// (see Tally) and the photos that are read at a time, 4,096 of them.
//
// Weighing ties takes the whole walk, and requirements on pictures all measures:
// Options.Ties.Off must be set, and Options.Requirements nil. The other errors are
// those of Check, and that read yields other photos than it was asked for.
func NewStream(ctx context.Context, proj grid.Projection, points []Point, links []Link, photos []Photo, read func([]Photo) iter.Seq2[Photo, error], opt Options) (*Stream, error) {
	if !opt.Ties.Off || opt.Requirements != nil {
		return nil, errors.New("stream: ties and requirements on pictures need all photos at once; set Ties.Off and leave Requirements out, or use Check")
	}
	c, err := newChecker(proj, points, opt)
	if err != nil {
		return nil, err
	}
	paths := make([]string, len(photos))
	for i, p := range photos {
		paths[i] = p.Name
	}
	names, err := newPhotoNames(paths)
	if err != nil {
		return nil, err
	}
	s := &Stream{c: c, named: photos, ties: sortLinks(names, links), read: read, tally: NewTally(c.unit, c.opt.Budget)}
	s.Result = &Result{Grid: proj.Grid(), Budget: c.opt.Budget, Points: c.bare(), UnmatchedLinks: s.ties.unmatched, survey: c.opt.Survey}
	over, heights, n := overTags{photos: len(photos), opt: &c.opt}, heightSet{}, 0
	err = s.parts(ctx, func(results []PhotoResult) error {
		for i := range results {
			if err := s.tally.Add(&results[i]); err != nil {
				return err
			}
			over.add(n, &results[i])
			heights.add(&results[i])
			n++
		}
		return nil
	}, func(photo, point int) {
		p := &s.Result.Points[point]
		p.Photos = append(p.Photos, photos[photo].Name)
	})
	if err != nil {
		return nil, err
	}
	s.Result.ofSet = append(over.findings(nil), heights.findings(c.unit)...)
	s.Result.Counts = s.tally.Counts()
	s.Result.Set, s.Result.SetWithoutGross = s.tally.Sets()
	s.Result.Written = s.tally.Written()
	s.Result.Quality = quality(s.Result.Set, s.Result.Written, heights.d, c.unit)
	return s, nil
}

// Photos yields the photos with their verdicts, in order, reading them again. A
// result holds until the next one. A photo that changed since it was read first,
// so that its verdict would be another, is an error, which ends the sequence.
func (s *Stream) Photos(ctx context.Context) iter.Seq2[*PhotoResult, error] {
	return func(yield func(*PhotoResult, error) bool) {
		err := s.parts(ctx, func(results []PhotoResult) error {
			for i := range results {
				if err := s.tally.Judge(&results[i]); err != nil {
					return fmt.Errorf("%w: has it changed while the job was checked?", err)
				}
				if !yield(&results[i], nil) {
					return errStop
				}
			}
			return nil
		}, func(int, int) {})
		if err != nil && !errors.Is(err, errStop) {
			yield(nil, err)
		}
	}
}

// PhotoFindings lists what is to be known about one photo of the stream.
func (s *Stream) PhotoFindings(p *PhotoResult) []Finding { return s.Result.photoFindings(p) }

// errStop ends a sequence that nobody wants more of.
var errStop = errors.New("enough")

// parts compares the photos, a part at a time.
func (s *Stream) parts(ctx context.Context, take func(results []PhotoResult) error, tied func(photo, point int)) error {
	for from := 0; from < len(s.named); from += batch {
		to := min(from+batch, len(s.named))
		results, err := s.part(ctx, s.named[from:to])
		if err != nil {
			return err
		}
		t := ties{byPhoto: s.ties.byPhoto[from:to], ambiguous: s.ties.ambiguous[from:to]}
		if err := s.c.compare(ctx, results, t, func(photo, point int) { tied(from+photo, point) }); err != nil {
			return err
		}
		if err := take(results); err != nil {
			return err
		}
	}
	return nil
}

// part reads some photos and puts them on the grid.
func (s *Stream) part(ctx context.Context, named []Photo) ([]PhotoResult, error) {
	pl := s.c.placing(ctx)
	defer pl.end()
	for p, err := range s.read(named) {
		if err != nil {
			return nil, err
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if pl.n == len(named) {
			return nil, fmt.Errorf("stream: photo %q was read and not asked for", p.Name)
		}
		if want := named[pl.n].Name; p.Name != want {
			return nil, fmt.Errorf("stream: photo %q was read in the place of %q", p.Name, want)
		}
		pl.add(p)
	}
	if pl.n < len(named) {
		return nil, fmt.Errorf("stream: photo %q was not read", named[pl.n].Name)
	}
	return pl.results()
}
