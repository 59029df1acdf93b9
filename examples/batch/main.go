// Command batch checks many jobs of an object store at once on a distributed engine, by
// the Go SDK of Apache Beam. What it writes of each job are the bytes that phototie check
// --out and phototie report write of the same job in a folder: verdicts with their ties
// weighed, causes, findings and the photo record.
//
//	cd examples/batch
//	go run . -from "file:///jobs?metadata=skip&no_tmp_dir=true"
//	go run . -from s3://survey?region=eu-west-1 -write "check.json check.sarif record.html" velland tallow
//
// A bucket is a URL as gocloud.dev/blob has it: s3://, gs:// and file://, with a prefix
// that ends with a slash where the jobs lie deeper (&prefix=2026/). A job is a folder of
// it, by name or all that there are. Of the job JOB the results are JOB/checked/FILE in
// the bucket -into, and JOB/checked/done.json says that they are whole. At the top of that
// bucket jobs.jsonl has a line for each job of the run, and totals.jsonl the statistics of
// all of them together. A job that can't be checked gets an error in its line and is in
// no other's way. The exit status is that of phototie check for the worst job: 0, 1 where
// findings at or above -fail-on count, 2 where a job could not be checked.
//
// A run that was ended goes on where it was: what was read of photos is kept until their
// job is done, and a job that is done is not done again, unless a file of it was changed,
// added or taken away since, or something else is asked for. No file is there in part.
//
// The pipeline has these steps:
//
//	plan    the files of a job are listed; its photos are dealt out, 64 at a time
//	read    each photo is read once, over all workers: its header, and where the settings
//	        require something of the pictures or a record shows them the whole of it
//	check   a job is checked by one worker with what was read of its photos
//	total   the tallies of all jobs are merged
//
// Which point a photo shows is told by the photos of the same camera before and after,
// but how often links are wrong is learnt from all cameras, and causes concern photos of
// several. So the job is what a worker checks, and not the walk of a camera. That takes
// memory for all photos of the job; the pictures for the record are on disk.
// README.md has what Flink and Dataflow are to be told, and what their workers need.
package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/signal"
	"path"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/apache/beam/sdks/v2/go/pkg/beam"
	"github.com/apache/beam/sdks/v2/go/pkg/beam/register"
	"github.com/apache/beam/sdks/v2/go/pkg/beam/x/beamx"
	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob"
	_ "gocloud.dev/blob/gcsblob"
	_ "gocloud.dev/blob/s3blob"
	"gocloud.dev/gcerrors"
	"golang.org/x/sync/errgroup"

	"example.com/phototie/examples/objectstore/bucketfs"
	"example.com/phototie/geotag"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/record"
	"example.com/phototie/match/report"
)

func init() {
	register.DoFn4x1[context.Context, string, func(task), func(string), error](&plan{})
	register.DoFn3x1[context.Context, task, func(string, part), error](&read{})
	register.DoFn4x1[context.Context, string, func(*part) bool, func(string), error](&check{})
	register.DoFn3x1[context.Context, int, func(*string) bool, error](&collect{})
	register.Emitter1[task]()
	register.Emitter1[string]()
	register.Emitter2[string, part]()
	register.Iter1[part]()
	register.Iter1[string]()
	beam.RegisterType(reflect.TypeFor[task]())
	beam.RegisterType(reflect.TypeFor[part]())
}

// release is the version that results name; -ldflags sets it.
var release = "batch"

// atOnce is how many headers are fetched at a time by a worker, and chunk how many
// photos are read in one go.
const (
	atOnce = 32
	chunk  = 64
)

// asked is what is to be done, the same for all jobs.
type asked struct {
	// From and Into are the URLs of the buckets.
	From, Into string
	// Files are written of each job, in the format that their names end in.
	Files    []string
	FailOn   match.Severity
	Baseline string
	Time     time.Time
	Release  string
}

// worker is what all steps have.
type worker struct {
	Asked      asked
	from, into *blob.Bucket
}

// Setup opens the buckets, by which Beam begins.
func (w *worker) Setup(ctx context.Context) (err error) {
	if w.from, err = blob.OpenBucket(context.WithoutCancel(ctx), w.Asked.From); err == nil {
		w.into, err = blob.OpenBucket(context.WithoutCancel(ctx), w.Asked.Into)
	}
	return err
}

// task is some photos of a job, the first of them From of its list. Key stands for all
// that the results of the job follow from.
type task struct {
	Job, Key string
	From     int
	Photos   []string
}

// part is what became of a task: what was read is the object At of Into.
type part struct{ Key, At, Fault string }

// result is what became of a job: done.json, and without Key and Tally its line.
type result struct {
	Job string `json:"job"`
	// Error says why it could not be checked.
	Error string `json:"error,omitempty"`
	// Failed says that findings count.
	Failed   bool                   `json:"failed"`
	Counts   map[match.Verdict]int  `json:"counts,omitempty"`
	Findings map[match.Severity]int `json:"findings,omitempty"`
	Files    []string               `json:"files,omitempty"`
	Key      string                 `json:"key,omitempty"`
	Tally    *match.Tally           `json:"tally,omitempty"`
}

// The objects of a job's results besides the files, and those of a run.
const (
	folder     = "checked"
	doneFile   = "done.json"
	readings   = ".readings/" // hidden: no photo of a job
	jobsFile   = "jobs.jsonl"
	totalsFile = "totals.jsonl"
)

func place(job, name string) string { return path.Join(job, folder) + "/" + name }

// attempt does a part of a job. What goes wrong there, a panic even, is in the way of no
// other job; err is for what ends the run.
func attempt(ctx context.Context, job string, do func() error) (fault string, err error) {
	defer func() {
		if p := recover(); p != nil {
			fault = fmt.Sprintf("%s: panic: %v", job, p)
		}
	}()
	switch err := do(); {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case err != nil:
		return err.Error(), nil
	}
	return "", nil
}

func (r result) json() string {
	text, err := json.Marshal(r)
	if err != nil { // figures that can't be
		text, _ = json.Marshal(result{Job: r.Job, Error: err.Error()})
	}
	return string(text)
}

// open opens a job where it lies.
func (w *worker) open(ctx context.Context, job string) (*dataset.Dataset, *bucketfs.FS, error) {
	files := bucketfs.New(ctx, w.from)
	sub, err := fs.Sub(files, job)
	if err != nil {
		return nil, nil, err
	}
	d, err := dataset.OpenFS(sub, nil, crs.OpenGrid)
	return d, files, err
}

// gallery is that of the record's pictures; nil where no record is asked for.
func (w *worker) gallery(ctx context.Context, d *dataset.Dataset) (*record.Gallery, error) {
	if !slices.ContainsFunc(w.Asked.Files, func(name string) bool { return records[path.Ext(name)] != nil }) {
		return nil, nil
	}
	return delivery.NewGallery(ctx, d, delivery.DrawnPictures)
}

// records are the formats of the photo record, by how its name ends.
var records = map[string]func(context.Context, io.Writer, record.Input) error{".html": record.Write, ".odt": record.WriteODT}

// key is the digest of what is asked and of how the job's files are listed.
func (w *worker) key(ctx context.Context, job string) (string, error) {
	h, what := sha256.New(), w.Asked
	what.From, what.Into, what.Time = "", "", time.Time{}
	fmt.Fprintf(h, "%+v\n", what)
	if what.Baseline != "" { // its entries run out
		fmt.Fprintln(h, baseline.DateOf(w.Asked.Time))
	}
	files, err := w.from.List(&blob.ListOptions{Prefix: job + "/"}).All(ctx)
	for o := range files {
		if !strings.HasPrefix(o.Key, place(job, "")) {
			fmt.Fprintf(h, "%q %d %d %x\n", o.Key, o.Size, o.ModTime.UnixNano(), o.MD5)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:16]), err()
}

// done is the result of a job that was done by the same key; nil where it was not. A
// result of something else is deleted, as its files are about to be.
func (w *worker) done(ctx context.Context, job, key string) (*result, error) {
	text, err := w.into.ReadAll(ctx, place(job, doneFile))
	if err != nil {
		if gcerrors.Code(err) == gcerrors.NotFound {
			err = nil
		}
		return nil, err
	}
	var was result
	if json.Unmarshal(text, &was) == nil && was.Key == key {
		return &was, nil
	}
	return nil, w.into.Delete(ctx, place(job, doneFile))
}

// plan deals out the photos of a job, or tells that it is done.
type plan struct{ worker }

func (f *plan) ProcessElement(ctx context.Context, job string, deal func(task), done func(string)) error {
	fault, err := attempt(ctx, job, func() error {
		key, err := f.key(ctx, job)
		if err != nil {
			return err
		}
		was, err := f.done(ctx, job, key)
		if err != nil {
			return err
		}
		if was != nil {
			done(was.json())
			return nil
		}
		d, _, err := f.open(ctx, job)
		if err != nil {
			return err
		}
		names, err := d.PhotoNames(ctx)
		if err != nil {
			return err
		}
		for from := 0; from == 0 || from < len(names); from += chunk {
			deal(task{job, key, from, names[from:min(len(names), from+chunk)]})
		}
		return nil
	})
	if fault != "" {
		done(result{Job: job, Error: fault}.json())
	}
	return err
}

// reading is a photo as it was read, without loss.
type reading struct {
	Name           string
	Tag            *geotag.Tag      `json:",omitempty"`
	Err, PixelsErr *fault           `json:",omitempty"`
	Pixels         *pixels.Measures `json:",omitempty"`
	Preview        []byte           `json:",omitempty"` // of Pixels, which leave it out
	Picture        *record.Picture  `json:",omitempty"`
}

// fault is an error about a photo: its words, and whether it is geotag.ErrFormat.
type fault struct {
	Text   string
	Format bool
}

func (f *fault) Error() string { return f.Text }

func (f *fault) Is(target error) bool { return f.Format && target == geotag.ErrFormat }

// faultOf is an error of reading a photo. One that says nothing about the photo is err.
func faultOf(err error) (*fault, error) {
	if err == nil || !geotag.AboutImage(err) {
		return nil, err
	}
	return &fault{err.Error(), errors.Is(err, geotag.ErrFormat)}, nil
}

func (r *reading) photo() match.Photo {
	p := match.Photo{Name: r.Name, Tag: r.Tag}
	if r.Err != nil {
		p.Err = r.Err
	}
	if r.PixelsErr != nil {
		p.PixelsErr = r.PixelsErr
	}
	if r.Pixels != nil {
		if len(r.Preview) > 0 {
			r.Pixels.Preview = new(pixels.Preview)
			copy(r.Pixels.Preview[:], r.Preview)
		}
		p.Pixels = r.Pixels
	}
	return p
}

func readingOf(p match.Photo) (r reading, err error) {
	r = reading{Name: p.Name, Tag: p.Tag}
	r.Err, err = faultOf(p.Err)
	if err == nil {
		r.PixelsErr, err = faultOf(p.PixelsErr)
	}
	if m, ok := p.Pixels.(*pixels.Measures); ok {
		r.Pixels = m
		if m.Preview != nil {
			r.Preview = m.Preview[:]
		}
	}
	return r, err
}

// read reads photos, each once, and keeps what they say where the next run finds it.
type read struct{ worker }

func (f *read) ProcessElement(ctx context.Context, t task, emit func(string, part)) (err error) {
	p := part{Key: t.Key, At: place(t.Job, fmt.Sprintf("%s%s-%09d.jsonl", readings, t.Key, t.From))}
	p.Fault, err = attempt(ctx, t.Job, func() error {
		if there, err := f.into.Exists(ctx, p.At); there || err != nil {
			return err
		}
		return f.read(ctx, t, p.At)
	})
	if err == nil {
		emit(t.Job, p)
	}
	return err
}

func (f *read) read(ctx context.Context, t task, at string) error {
	d, files, err := f.open(ctx, t.Job)
	if err != nil {
		return err
	}
	opt, limit, whole := dataset.CheckOptions{}, atOnce, d.MeasuresPixels(dataset.PixelsAuto)
	gallery, err := f.gallery(ctx, d)
	if err != nil {
		return err
	}
	if gallery != nil {
		defer gallery.Close()
		opt.See, whole = gallery.See, true
	}
	if whole {
		limit = runtime.GOMAXPROCS(0)
	}
	one := d.Reader(ctx, opt)
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(limit)
	out := make([]reading, len(t.Photos))
	for i, name := range t.Photos {
		g.Go(func() (err error) {
			if whole {
				release, err := files.Hold(path.Join(t.Job, name))
				if err != nil {
					return err
				}
				defer release()
			}
			if out[i], err = readingOf(one(name)); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			if gallery != nil {
				// One that can't be drawn is tried again, and said why, where it is shown.
				if picture, err := gallery.Picture(gctx, name); err == nil {
					out[i].Picture = &picture
				}
			}
			return gctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	var lines bytes.Buffer
	for _, r := range out {
		if err := json.NewEncoder(&lines).Encode(r); err != nil {
			return fmt.Errorf("%s: %w", r.Name, err)
		}
	}
	return f.into.WriteAll(ctx, at, lines.Bytes(), nil)
}

// check checks a job with what was read of its photos, and writes its results.
type check struct{ worker }

func (f *check) ProcessElement(ctx context.Context, job string, parts func(*part) bool, emit func(string)) error {
	r := result{Job: job}
	var at []string
	for p := (part{}); parts(&p); {
		at, r.Key, r.Error = append(at, p.At), p.Key, cmp.Or(r.Error, p.Fault)
	}
	if r.Error == "" {
		var err error
		if r.Error, err = attempt(ctx, job, func() error { return f.check(ctx, at, &r) }); err != nil {
			return err
		}
	}
	if r.Error != "" {
		r = result{Job: job, Error: r.Error}
	}
	emit(r.json())
	return nil
}

func (f *check) check(ctx context.Context, parts []string, r *result) error {
	// An engine may do again what it did, when what was read is gone.
	if was, err := f.done(ctx, r.Job, r.Key); err != nil || was != nil {
		if was != nil {
			*r = *was
		}
		return err
	}
	d, _, err := f.open(ctx, r.Job)
	if err != nil {
		return err
	}
	gallery, err := f.gallery(ctx, d)
	if err != nil {
		return err
	}
	if gallery != nil {
		defer gallery.Close()
	}
	opt := dataset.CheckOptions{Photos: map[string]match.Photo{}}
	for _, at := range parts {
		text, err := f.into.ReadAll(ctx, at)
		if err != nil {
			return err
		}
		for line := range bytes.Lines(text) {
			var got reading
			if err := json.Unmarshal(line, &got); err != nil {
				return fmt.Errorf("%s: %w", at, err)
			}
			opt.Photos[got.Name] = got.photo()
			if got.Picture != nil {
				gallery.Keep(got.Name, *got.Picture)
			}
		}
	}
	checked, err := d.Check(ctx, opt)
	if err != nil {
		return err
	}
	// The names are those that phototie check has at the top of the bucket.
	j := &report.Job{Checked: checked, Name: path.Base(r.Job), FailOn: f.Asked.FailOn, Version: f.Asked.Release, Root: r.Job, Time: f.Asked.Time, Text: report.TextOptions{Title: r.Job}}
	var accepted *baseline.Baseline
	if name := f.Asked.Baseline; name != "" {
		switch text, err := fs.ReadFile(d.FS(), name); {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		default:
			j.Baseline = path.Join(r.Job, name)
			if accepted, err = baseline.Parse(j.Baseline, text); err != nil {
				return err
			}
		}
	}
	j.Outcome = accepted.Apply(j.Findings(), baseline.DateOf(f.Asked.Time))
	for _, file := range f.Asked.Files {
		if err := f.write(ctx, j, gallery, place(r.Job, file)); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	if err := r.of(j); err != nil {
		return err
	}
	r.Files = f.Asked.Files
	if err := f.into.WriteAll(ctx, place(r.Job, doneFile), []byte(r.json()), nil); err != nil {
		return err
	}
	left, done := f.into.List(&blob.ListOptions{Prefix: place(r.Job, readings)}).All(ctx)
	for o := range left {
		if err := f.into.Delete(ctx, o.Key); err != nil {
			return err
		}
	}
	return done()
}

// write writes a file of a job. It appears whole or not at all.
func (f *check) write(ctx context.Context, j *report.Job, gallery *record.Gallery, at string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // closing a writer makes the object, unless its context has ended
	w, err := f.into.NewWriter(ctx, at, nil)
	if err != nil {
		return err
	}
	if form := records[path.Ext(at)]; form != nil {
		var in record.Input
		title := cmp.Or(j.Dataset().Settings().Record.Title, j.Name)
		if in, err = delivery.Record(ctx, j.Checked, title, "phototie "+f.Asked.Release, gallery, nil); err == nil {
			err = form(ctx, w, in)
		}
	} else {
		var format report.Format
		if format, err = report.FormatOf(at); err == nil {
			err = j.Write(ctx, w, format)
		}
	}
	if err != nil {
		cancel()
		w.Close() // its error is that of the cancelled context
		return err
	}
	return w.Close()
}

// of takes up what came out of a job.
func (r *result) of(j *report.Job) error {
	r.Counts, r.Findings = j.Counts, map[match.Severity]int{}
	for _, found := range j.Outcome.Kept {
		r.Findings[found.Severity]++
		r.Failed = r.Failed || j.FailOn != "" && found.Severity.AtLeast(j.FailOn)
	}
	r.Tally = match.NewTally(j.Grid.Unit, j.Budget)
	for i := range j.Photos {
		if err := r.Tally.Add(&j.Photos[i]); err != nil {
			return err
		}
	}
	return nil
}

// total is what all jobs on grids of one unit, judged at one level, say together.
type total struct {
	Together string          `json:"together"`
	Photos   int             `json:"photos"`
	Set      *match.SetStats `json:"set,omitempty"`
}

// collect writes the lines of the jobs, and what they say together.
type collect struct{ worker }

func (f *collect) ProcessElement(ctx context.Context, _ int, results func(*string) bool) error {
	var lines []string
	tallies := map[string]*match.Tally{}
	for text := ""; results(&text); {
		var r result
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			return err
		}
		if t := r.Tally; t != nil {
			kind := fmt.Sprintf("in %s, at %g %%, gross below %g", t.Unit().Name, 100*t.Confidence(), t.GrossLevel())
			if tallies[kind] == nil {
				tallies[kind] = new(match.Tally)
			}
			if err := tallies[kind].Merge(t); err != nil {
				return err
			}
		}
		r.Key, r.Tally = "", nil
		lines = append(lines, r.json()+"\n")
	}
	slices.Sort(lines)
	var sums bytes.Buffer
	for _, kind := range slices.Sorted(maps.Keys(tallies)) {
		all, _ := tallies[kind].Sets()
		if err := json.NewEncoder(&sums).Encode(total{kind, tallies[kind].Len(), all}); err != nil {
			return err
		}
	}
	if err := f.into.WriteAll(ctx, totalsFile, sums.Bytes(), nil); err != nil {
		return err
	}
	return f.into.WriteAll(ctx, jobsFile, []byte(strings.Join(lines, "")), nil)
}

// build makes the pipeline.
func build(s beam.Scope, jobs []string, w worker) {
	tasks, done := beam.ParDo2(s, &plan{w}, beam.Reshuffle(s, beam.CreateList(s, jobs)))
	parts := beam.ParDo(s, &read{w}, beam.Reshuffle(s, tasks))
	results := beam.Flatten(s, done, beam.ParDo(s, &check{w}, beam.GroupByKey(s, parts)))
	beam.ParDo0(s, &collect{w}, beam.GroupByKey(s, beam.AddFixedKey(s, results)))
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	a := asked{Release: release, Time: time.Now().UTC()}
	flag.StringVar(&a.From, "from", "", "`URL` of the bucket that holds the jobs, a folder each")
	flag.StringVar(&a.Into, "into", "", "`URL` of the bucket for the results (default that of the jobs)")
	write := flag.String("write", "check.json record.html", "`FILES` to write of each job, in the formats of phototie check --out and phototie report --out")
	failOn := flag.String("fail-on", "warning", "the least severity that makes the exit status 1: error, warning, note or never")
	flag.StringVar(&a.Baseline, "baseline", "", "the `FILE` in a job that has its accepted findings, which don't count")
	flag.Parse()
	beam.Init() // a worker stays in there
	a.Files, a.FailOn = strings.Fields(*write), match.Severity(*failOn)
	code, err := run(ctx, a, flag.Args(), os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "batch:", err)
		code = 2
	}
	os.Exit(code)
}

// valid refuses what no job could be done with, and fills in what is left open.
func (a *asked) valid() error {
	if a.Into = cmp.Or(a.Into, a.From); a.From == "" {
		return errors.New("say where the jobs are: -from URL")
	}
	switch a.FailOn {
	case "never":
		a.FailOn = ""
	case match.SeverityError, match.SeverityWarning, match.SeverityNote:
	default:
		return fmt.Errorf("-fail-on %s: want error, warning, note or never", a.FailOn)
	}
	for _, name := range a.Files {
		if _, err := report.FormatOf(name); records[path.Ext(name)] == nil && err != nil || name != path.Base(name) || name == doneFile {
			return fmt.Errorf("-write %s: want a name such as record.html, record.odt, check.json, check.sarif, check.xml (JUnit), check.csv, check.geojson, check.kml, check.gpkg or check.txt", name)
		}
	}
	return nil
}

// run checks jobs, all that there are without names, prints their lines and gives the
// exit status.
func run(ctx context.Context, a asked, jobs []string, out io.Writer) (code int, err error) {
	if err := a.valid(); err != nil {
		return 0, err
	}
	w := worker{Asked: a}
	if err := w.Setup(ctx); err != nil {
		return 0, err
	}
	if len(jobs) == 0 {
		all, err := w.from.List(&blob.ListOptions{Delimiter: "/"}).All(ctx)
		for o := range all {
			if o.IsDir && !strings.HasPrefix(o.Key, ".") {
				jobs = append(jobs, o.Key)
			}
		}
		if err := err(); err != nil {
			return 0, err
		}
	}
	for i := range jobs {
		if jobs[i] = strings.TrimSuffix(jobs[i], "/"); !fs.ValidPath(jobs[i]) || jobs[i] == "." {
			return 0, fmt.Errorf("%q is no folder of a bucket", jobs[i])
		}
	}
	slices.Sort(jobs)
	if jobs = slices.Compact(jobs); len(jobs) == 0 {
		return 0, errors.New("there are no jobs: no folder is in the bucket")
	}
	p, s := beam.NewPipelineWithRoot()
	build(s, jobs, worker{Asked: a})
	if err := beamx.Run(ctx, p); err != nil {
		return 0, err
	}
	text, err := w.into.ReadAll(ctx, jobsFile)
	if err != nil {
		return 0, err
	}
	for line := range bytes.Lines(text) {
		var r result
		if err := json.Unmarshal(line, &r); err != nil {
			return 0, err
		}
		switch {
		case r.Error != "":
			code = 2
		case r.Failed:
			code = max(code, 1)
		}
	}
	_, err = out.Write(text)
	return code, err
}
