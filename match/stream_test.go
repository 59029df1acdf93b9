package match_test

import (
	"context"
	"fmt"
	"iter"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/pictures"
	"example.com/phototie/match/sim"
)

// names are photos that are not read yet.
func names(photos []match.Photo) []match.Photo {
	out := make([]match.Photo, len(photos))
	for i, p := range photos {
		out[i] = match.Photo{Name: p.Name, Original: p.Original}
	}
	return out
}

// reader reads photos that are in memory.
func reader(photos []match.Photo) func([]match.Photo) iter.Seq2[match.Photo, error] {
	at := map[string]match.Photo{}
	for _, p := range photos {
		at[p.Name] = p
	}
	return func(part []match.Photo) iter.Seq2[match.Photo, error] {
		return func(yield func(match.Photo, error) bool) {
			for _, p := range part {
				if !yield(at[p.Name], nil) {
					return
				}
			}
		}
	}
}

// What a stream gives is what Check gives, for all kinds of blunders and photos
// that are in no state to be judged; and with more photos than one part has.
func TestStreamIsCheck(t *testing.T) {
	ctx := context.Background()
	cfg := sim.Default()
	cfg.Photos, cfg.Points, cfg.Days, cfg.Cameras = 5000, 2000, 5, 2
	cfg.NoLinkShare, cfg.NoPointShare = 0.1, 0.03
	cfg.Plants = []sim.Plant{{Kind: sim.LateRun, Run: 12}, {Kind: sim.NullIsland, Rate: 0.02}, {Kind: sim.FlippedLongitude, Rate: 0.01}}
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	opt := set.Options()
	opt.Ties = match.TieOptions{Off: true}
	links := append(set.Links, match.Link{Photo: "nowhere.jpg", Point: set.Points[0].ID}, match.Link{Photo: set.Photos[3].Name, Point: "no such point"})
	want, err := match.Check(ctx, set.Projection, set.Points, links, match.All(set.Photos), opt)
	if err != nil {
		t.Fatal(err)
	}
	if want.Counts[match.Gross] == 0 || want.Counts[match.Over] == 0 || want.Counts[match.Unjudged] == 0 || len(want.UnmatchedLinks) == 0 {
		t.Fatalf("the job shows too little: %v, %d strays", want.Counts, len(want.UnmatchedLinks))
	}
	s, err := match.NewStream(ctx, set.Projection, set.Points, links, names(set.Photos), reader(set.Photos), opt)
	if err != nil {
		t.Fatal(err)
	}
	for round := range 2 {
		i := 0
		var findings []match.Finding
		for p, err := range s.Photos(ctx) {
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(*p, want.Photos[i]) {
				t.Fatalf("round %d, photo %d:\n%+v\nby Check\n%+v", round, i, *p, want.Photos[i])
			}
			findings = append(findings, s.PhotoFindings(p)...)
			i++
		}
		if i != len(want.Photos) {
			t.Fatalf("%d photos of %d", i, len(want.Photos))
		}
		if findings = append(findings, s.Result.Findings()...); !reflect.DeepEqual(findings, want.Findings()) {
			t.Errorf("%d findings, by Check %d", len(findings), len(want.Findings()))
		}
	}
	want.Photos = nil
	if !reflect.DeepEqual(s.Result, want) {
		t.Errorf("the rest differs:\n%+v\n%+v", s.Result, want)
	}
}

func TestStreamErrors(t *testing.T) {
	ctx := context.Background()
	cfg := sim.Default()
	cfg.Photos, cfg.Points = 40, 20
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	off := set.Options()
	off.Ties = match.TieOptions{Off: true}
	required := off
	required.Requirements = &pictures.Requirements{}
	yielding := func(photos ...match.Photo) func([]match.Photo) iter.Seq2[match.Photo, error] {
		return func([]match.Photo) iter.Seq2[match.Photo, error] { return match.All(photos) }
	}
	all, want := set.Photos, names(set.Photos)
	swapped := append([]match.Photo{all[1], all[0]}, all[2:]...)
	for _, c := range []struct {
		name  string
		named []match.Photo
		read  func([]match.Photo) iter.Seq2[match.Photo, error]
		opt   match.Options
		want  string
	}{
		{"ties", want, reader(all), set.Options(), "Ties.Off"},
		{"requirements", want, reader(all), required, "Requirements"},
		{"twice", append(want[:40:40], want[0]), reader(all), off, "comes twice"},
		{"too few", want, yielding(all[:39]...), off, fmt.Sprintf("photo %q was not read", all[39].Name)},
		{"too many", want[:39], yielding(all...), off, "not asked for"},
		{"another order", want, yielding(swapped...), off, "in the place of"},
		{"failing", want, func([]match.Photo) iter.Seq2[match.Photo, error] {
			return func(yield func(match.Photo, error) bool) { yield(match.Photo{}, fmt.Errorf("the disk is gone")) }
		}, off, "the disk is gone"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := match.NewStream(ctx, set.Projection, set.Points, set.Links, c.named, c.read, c.opt)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want one that says %q", err, c.want)
			}
		})
	}
	gone, cancel := context.WithCancel(ctx)
	s, err := match.NewStream(gone, set.Projection, set.Points, set.Links, want, reader(all), off)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	for _, err := range s.Photos(gone) {
		if err == nil {
			t.Fatal("a photo after the end")
		}
	}
	// A photo that is another one by the time it is read again.
	at := *all[5].Tag
	pos := *at.Position
	read := 0
	s, err = match.NewStream(ctx, set.Projection, set.Points, set.Links, want, func(part []match.Photo) iter.Seq2[match.Photo, error] {
		if read++; read == 2 {
			all[5].Tag.Position.Lat += 1e-5
		}
		return reader(all)(part)
	}, off)
	if err != nil {
		t.Fatal(err)
	}
	err = nil
	for _, e := range s.Photos(ctx) {
		err = e
	}
	if err == nil || !strings.Contains(err.Error(), "changed while the job was checked") {
		t.Errorf("a changed photo: %v", err)
	}
	*all[5].Tag.Position = pos
}

// heap is what is held after a collection.
func heap() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// A stream holds a name and some figures for each photo, and no more: Check holds
// kilobytes.
func TestStreamHoldsLittle(t *testing.T) {
	ctx := context.Background()
	cfg := sim.Default()
	set, err := sim.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	const n = 20_000
	named, links := make([]match.Photo, n), make([]match.Link, n)
	for i := range named {
		named[i].Name = fmt.Sprintf("photos/day/IMG_%06d.jpg", i)
		links[i] = match.Link{Photo: named[i].Name, Point: set.Links[i%len(set.Links)].Point}
	}
	var peak int64
	read := func(part []match.Photo) iter.Seq2[match.Photo, error] {
		peak = max(peak, heap())
		return func(yield func(match.Photo, error) bool) {
			for i, p := range part {
				tag := *set.Photos[i%len(set.Photos)].Tag
				if !yield(match.Photo{Name: p.Name, Tag: &tag}, nil) {
					return
				}
			}
		}
	}
	before := heap()
	s, err := match.NewStream(ctx, set.Projection, set.Points, links, named, read, match.Options{Ties: match.TieOptions{Off: true}})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, err := range s.Photos(ctx) {
		if err != nil {
			t.Fatal(err)
		}
		seen++
	}
	each := float64(peak-before) / n
	t.Logf("%d photos, %.0f bytes held for each at most", seen, each)
	// Names in three maps, ties and verdicts come to some 300 bytes; the results of
	// a part and the runtime's slack are spread over all.
	if s.Result.Set == nil || s.Result.Set.N != n {
		t.Errorf("set %+v", s.Result.Set)
	}
	if seen != n || each > 900 {
		t.Errorf("%.0f bytes are held for each of %d photos", each, seen)
	}
	runtime.KeepAlive(s)
	runtime.KeepAlive(links)
}
