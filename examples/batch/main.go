// Command batch checks many jobs at once on a distributed engine, by the Go SDK of
// Apache Beam. It gives each photo the verdict that one machine gives it, and the
// statistics of all jobs together.
//
//	cd examples/batch
//	go run . -out verdicts.jsonl /jobs/velland /jobs/tallow
//	go run . -out verdicts.jsonl -parts 16 -endpoint engine:8073 /jobs/*
//
// Without an endpoint the job runs in this process, on Beam's Prism runner; with
// one, on whatever engine answers there. The jobs' folders must be at the same
// paths on all workers.
//
// The pipeline has these steps:
//
//	jobs        one element a folder
//	photos      the names of its photos, spread over all workers
//	tags        the header of each photo is read: the work that there is most of
//	group       all photos of a job, or with -parts of a part of it
//	compare     match.Check of each group, and its match.Tally
//	merge       the tallies of a job, and those of all jobs
//	judge       each photo by the merged tally of its job
//
// Without -parts, ties are weighed: which point a photo shows is told by the photos
// before and after, which needs all photos of a job in one place, so jobs are what
// is worked on side by side. With -parts the photos of one job are compared in
// several places too. Then the links are taken as they are, since no part has the
// whole walk. Either way Holm's adjustment is over the whole job, and each figure is
// what one machine gives, to the last bit. Of the photos the headers are read, not
// the pixels.
package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/apache/beam/sdks/v2/go/pkg/beam"
	_ "github.com/apache/beam/sdks/v2/go/pkg/beam/io/filesystem/local"
	"github.com/apache/beam/sdks/v2/go/pkg/beam/io/textio"
	"github.com/apache/beam/sdks/v2/go/pkg/beam/register"
	"github.com/apache/beam/sdks/v2/go/pkg/beam/runners/prism"

	"example.com/phototie/geotag"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

func init() {
	register.Function3x1(listPhotos)
	register.DoFn4x1[context.Context, string, string, func(string, reading), error](&readTags{})
	register.DoFn5x1[context.Context, string, func(*reading) bool, func(string, compared), func(string, *match.Tally), error](&compare{})
	register.Combiner1[*match.Tally](&mergeTallies{})
	register.Function4x1(judge)
	register.Function2x2(kind)
	register.Function2x2(totals)
	register.Emitter1[string]()
	register.Emitter2[string, string]()
	register.Emitter2[string, reading]()
	register.Emitter2[string, compared]()
	register.Emitter2[string, *match.Tally]()
	register.Iter1[reading]()
	register.Iter1[compared]()
	register.Iter1[*match.Tally]()
	beam.RegisterType(reflect.TypeFor[reading]())
	beam.RegisterType(reflect.TypeFor[compared]())
	beam.RegisterCoder(reflect.TypeFor[*match.Tally](), encodeTally, decodeTally)
}

func encodeTally(t *match.Tally) ([]byte, error) { return json.Marshal(t) }

func decodeTally(text []byte) (*match.Tally, error) {
	t := new(match.Tally)
	return t, json.Unmarshal(text, t)
}

// reading is one photo with what its header says.
type reading struct {
	// Order is the place of the photo in its job.
	Order    int
	Name     string
	Original string
	// Tag is a geotag.Tag as JSON; empty where Fault says why there is none.
	Tag   []byte
	Fault string
}

// compared is one photo, compared and not yet judged.
type compared struct {
	Order int
	// Result is a match.PhotoResult as JSON.
	Result []byte
}

// openings are the datasets that this worker has open, by folder: many photos come
// of each.
var openings sync.Map

type opening struct {
	once sync.Once
	job  *dataset.Dataset
	err  error
}

// opened gives the dataset of a folder for reading photos; it stays open when ctx ends.
func opened(ctx context.Context, folder string) (*dataset.Dataset, error) {
	v, _ := openings.LoadOrStore(folder, new(opening))
	o := v.(*opening)
	o.once.Do(func() { o.job, o.err = dataset.Open(context.WithoutCancel(ctx), folder, crs.OpenGrid) })
	if o.err != nil {
		return nil, fmt.Errorf("%s: %w", folder, o.err)
	}
	return o.job, nil
}

// survey opens a job with its grid, points and links.
func survey(ctx context.Context, folder string) (*dataset.Dataset, *dataset.Survey, error) {
	job, err := dataset.Open(ctx, folder, crs.OpenGrid)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", folder, err)
	}
	s, err := job.Survey(ctx)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("%s: %w", folder, err), job.Close())
	}
	return job, s, nil
}

// listPhotos emits the photos of a job: its folder, and the place and names of each.
func listPhotos(ctx context.Context, folder string, emit func(string, string)) error {
	job, s, err := survey(ctx, folder)
	if err != nil {
		return err
	}
	for i, p := range s.Photos {
		text, err := json.Marshal(reading{Order: i, Name: p.Name, Original: p.Original})
		if err != nil {
			return err
		}
		emit(folder, string(text))
	}
	return job.Close()
}

// readTags reads the header of one photo, and says which group it goes to.
type readTags struct {
	// Parts is into how many parts a job is parted.
	Parts int
}

// group names a part of a job; the folder is all before the last colon.
func group(folder string, part int) string { return folder + ":" + strconv.Itoa(part) }

func folderOf(group string) string { return group[:strings.LastIndexByte(group, ':')] }

func (f *readTags) ProcessElement(ctx context.Context, folder, photo string, emit func(string, reading)) error {
	var r reading
	if err := json.Unmarshal([]byte(photo), &r); err != nil {
		return err
	}
	job, err := opened(ctx, folder)
	if err != nil {
		return err
	}
	p := job.ReadPhoto(r.Name)
	if p.Err != nil {
		r.Fault = p.Err.Error()
	}
	if p.Tag != nil {
		if r.Tag, err = json.Marshal(p.Tag); err != nil {
			return fmt.Errorf("%s: %w", r.Name, err)
		}
	}
	h := fnv.New32a()
	io.WriteString(h, r.Name) // it never fails
	emit(group(folder, int(h.Sum32()%uint32(f.Parts))), r)
	return nil
}

// compare checks one group of photos. Its verdicts are not the last word: those
// over the budget wait for the p-values of the other parts.
type compare struct {
	Parts int
}

func (f *compare) ProcessElement(ctx context.Context, group string, photos func(*reading) bool, emit func(string, compared), tally func(string, *match.Tally)) error {
	folder := folderOf(group)
	job, s, err := survey(ctx, folder)
	if err != nil {
		return err
	}
	defer job.Close()
	var readings []reading
	for r := (reading{}); photos(&r); r = (reading{}) {
		readings = append(readings, r)
	}
	slices.SortFunc(readings, func(a, b reading) int { return cmp.Compare(a.Order, b.Order) })
	read := make([]match.Photo, len(readings))
	for i, r := range readings {
		read[i] = match.Photo{Name: r.Name, Original: r.Original}
		if r.Fault != "" {
			read[i].Err = errors.New(r.Fault)
		}
		if len(r.Tag) > 0 {
			read[i].Tag = new(geotag.Tag)
			if err := json.Unmarshal(r.Tag, read[i].Tag); err != nil {
				return fmt.Errorf("%s: %w", r.Name, err)
			}
		}
	}
	opt := s.Options
	if f.Parts > 1 {
		opt.Ties.Off = true
	}
	res, err := match.Check(ctx, job.Projection(), s.Points, s.Links, match.All(read), opt)
	if err != nil {
		return fmt.Errorf("%s: %w", folder, err)
	}
	t := match.NewTally(res.Grid.Unit, res.Budget)
	for i := range res.Photos {
		if err := t.Add(&res.Photos[i]); err != nil {
			return err
		}
		text, err := json.Marshal(&res.Photos[i])
		if err != nil {
			return err
		}
		emit(folder, compared{Order: readings[i].Order, Result: text})
	}
	tally(folder, t)
	return nil
}

// mergeTallies is the merge of package match as Beam has it: in whatever order and
// grouping an engine likes.
type mergeTallies struct{}

func (*mergeTallies) CreateAccumulator() *match.Tally { return new(match.Tally) }

func (*mergeTallies) AddInput(into, t *match.Tally) (*match.Tally, error) {
	return into, into.Merge(t)
}

func (*mergeTallies) MergeAccumulators(a, b *match.Tally) (*match.Tally, error) {
	return a, a.Merge(b)
}

func (*mergeTallies) ExtractOutput(t *match.Tally) *match.Tally { return t }

// verdict is a line of the output.
type verdict struct {
	Job string `json:"job"`
	// Order is the place of the photo in its job, from 0.
	Order int                `json:"order"`
	Photo *match.PhotoResult `json:"photo"`
}

// judge gives the photos of a job their verdicts.
func judge(folder string, photos func(*compared) bool, merged func(**match.Tally) bool, emit func(string)) error {
	var t *match.Tally
	if !merged(&t) {
		return fmt.Errorf("%s: no tally", folder)
	}
	for c := (compared{}); photos(&c); c = (compared{}) {
		v := verdict{Job: folder, Order: c.Order, Photo: new(match.PhotoResult)}
		if err := json.Unmarshal(c.Result, v.Photo); err != nil {
			return fmt.Errorf("%s: %w", folder, err)
		}
		if err := t.Judge(v.Photo); err != nil {
			return fmt.Errorf("%s: %w", folder, err)
		}
		line, err := json.Marshal(v)
		if err != nil {
			return err
		}
		emit(string(line))
	}
	return nil
}

// total is what all jobs on grids of one unit, judged at one level, say together.
type total struct {
	Together string          `json:"together"`
	Photos   int             `json:"photos"`
	Set      *match.SetStats `json:"set,omitempty"`
}

// kind keys a job's tally by what must be the same for tallies to merge.
func kind(_ string, t *match.Tally) (string, *match.Tally) {
	return fmt.Sprintf("in %s, at %g %%, gross below %g", t.Unit().Name, 100*t.Confidence(), t.GrossLevel()), t
}

// totals words the merged tally of all jobs of a kind. The verdicts are not taken
// from it: those are the jobs' own.
func totals(key string, t *match.Tally) (string, error) {
	all, _ := t.Sets()
	line, err := json.Marshal(total{Together: key, Photos: t.Len(), Set: all})
	return string(line), err
}

// build makes the pipeline: lines of verdicts, and of totals.
func build(s beam.Scope, folders []string, parts int) (verdicts, sums beam.PCollection) {
	jobs := beam.CreateList(s, folders)
	photos := beam.Reshuffle(s, beam.ParDo(s, listPhotos, jobs))
	tags := beam.ParDo(s, &readTags{Parts: parts}, photos)
	rows, tallies := beam.ParDo2(s, &compare{Parts: parts}, beam.GroupByKey(s, tags))
	perJob := beam.CombinePerKey(s, &mergeTallies{}, tallies)
	verdicts = beam.ParDo(s, judge, beam.CoGroupByKey(s, rows, perJob))
	sums = beam.ParDo(s, totals, beam.CombinePerKey(s, &mergeTallies{}, beam.ParDo(s, kind, perJob)))
	return verdicts, sums
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	out := flag.String("out", "verdicts.jsonl", "file for the verdicts, a line of JSON a photo; the totals go to FILE.totals")
	parts := flag.Int("parts", 1, "parts that each job is compared in; with more than one, ties are not weighed")
	flag.Parse()
	beam.Init()
	if err := run(ctx, flag.Args(), *parts, *out); err != nil {
		fmt.Fprintln(os.Stderr, "batch:", err)
		os.Exit(2)
	}
}

func run(ctx context.Context, args []string, parts int, out string) error {
	if len(args) == 0 || parts < 1 {
		return errors.New("give the folders of the jobs, and at least one part")
	}
	var folders []string
	for _, f := range args {
		f, err := filepath.Abs(f)
		if err != nil {
			return err
		}
		if !slices.Contains(folders, f) {
			folders = append(folders, f)
		}
	}
	p := beam.NewPipeline()
	s := p.Root()
	verdicts, sums := build(s, folders, parts)
	textio.Write(s, out, verdicts)
	textio.Write(s, out+".totals", sums)
	if _, err := prism.Execute(ctx, p); err != nil {
		return err
	}
	return inOrder(out)
}

// inOrder sorts the lines of the verdicts by job and place: an engine has no order.
func inOrder(file string) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	type line struct {
		verdict
		text []byte
	}
	var lines []line
	for l := range bytes.Lines(text) {
		v := line{text: l}
		if err := json.Unmarshal(l, &v.verdict); err != nil {
			return err
		}
		lines = append(lines, v)
	}
	slices.SortFunc(lines, func(a, b line) int { return cmp.Or(cmp.Compare(a.Job, b.Job), cmp.Compare(a.Order, b.Order)) })
	var sorted bytes.Buffer
	for _, l := range lines {
		sorted.Write(l.text)
	}
	return os.WriteFile(file, sorted.Bytes(), 0o644)
}
