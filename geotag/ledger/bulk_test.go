package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.com/phototie/geotag"
)

// pair is what a Bulk yields.
type pair struct {
	Result
	err error
}

// collect runs a Bulk to its end.
func collect(l *Ledger, ctx context.Context, tasks ...Task) (out []pair) {
	for res, err := range l.Bulk(ctx, slices.Values(tasks)) {
		out = append(out, pair{res, err})
	}
	return out
}

// together has n photos of the next Bulk, of which this is the first, reach the
// commit as one group: it is not prepared before all are.
func together(l *Ledger, n int, first string) {
	var mu sync.Mutex
	count, all := 0, make(chan struct{})
	after := l.trace
	l.trace = func(s, photo string) {
		mu.Lock()
		wait := false
		if s == "synced" {
			if count++; count == n {
				close(all)
			}
			wait = photo == first
		}
		mu.Unlock()
		if wait {
			select {
			case <-all:
				time.Sleep(20 * time.Millisecond) // for what comes after the mark
			case <-time.After(5 * time.Second):
				panic("they don't come together")
			}
		}
		if after != nil {
			after(s, photo)
		}
	}
}

// tags writes n photos that say tag 0, and gives the tasks that make it tag 1.
func tags(t testing.TB, dir string, n int) []Task {
	t.Helper()
	var tasks []Task
	for i := range n {
		text := fmt.Sprintf("photo %d, tag 0, pixels", i)
		name := fmt.Sprintf("day%d/%02d.jpg", i%2, i)
		writeFile(t, dir, name, text)
		tasks = append(tasks, Task{Change: Change{Photo: name, Patch: replace(t, text, "tag 0", "tag 1!")}})
	}
	return tasks
}

// isNew reports whether a photo of tags has its new tag; it must have one.
func isNew(t testing.TB, dir, name string) bool {
	t.Helper()
	text := readFile(t, dir, name)
	is := strings.Contains(text, "tag 1!,")
	if !is && !strings.Contains(text, "tag 0,") {
		t.Errorf("%s is neither old nor new: %q", name, text)
	}
	return is
}

// recorded lists the photos of the records, in their order.
func recorded(t testing.TB, root *os.Root) (names []string) {
	t.Helper()
	for rec, err := range Read(root) {
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, rec.Photo)
	}
	return names
}

// leftTemps lists temporary files.
func leftTemps(t testing.TB, dir string) (names []string) {
	t.Helper()
	for name := range tree(t, dir) {
		if isTemp(path.Base(name)) {
			names = append(names, name)
		}
	}
	return names
}

// settled waits for goroutines to end, down to the number there were.
func settled(t testing.TB, was int) {
	t.Helper()
	for range 200 {
		if runtime.NumGoroutine() <= was {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Errorf("%d goroutines, before %d", runtime.NumGoroutine(), was)
}

// TestBulk: all ways to do a change in one Bulk, with errors between, give what the
// single calls give.
func TestBulk(t *testing.T) {
	from, src := newRoot(t)
	root, dir := newRoot(t)
	writeFile(t, src, "a/1.jpg", text1)
	writeFile(t, src, "2.jpg", "no change")
	writeFile(t, dir, "3.jpg", "tag 0")
	writeFile(t, dir, "4.jpg", "tag 0")
	writeFile(t, dir, "foreign.jpg", "mine")
	writeFile(t, src, "foreign.jpg", "theirs")
	l := open(t, root)
	patch := replace(t, "tag 0", "0", "1")
	tasks := []Task{
		{Change: Change{Photo: "new/1.jpg", Source: "a/1.jpg", Patch: replace(t, text1, "53.1 N 6.2 W", "53.10042 N 6.20017 W")}, From: from},
		{Change: Change{Photo: "2.jpg"}, From: from},
		{Change: Change{Photo: "3.jpg", Patch: patch, Before: sum("tag 0"), Reason: map[string]string{"point": "BM1"}}},
		{Change: Change{Photo: "3.xmp", Patch: ofNothing("side-car")}, New: true, Follows: true},
		{Change: Change{Photo: "4.jpg"}},
		{Change: Change{Photo: "none.jpg", Patch: patch}},
		{Change: Change{Photo: "none.xmp", Patch: ofNothing("side-car")}, New: true, Follows: true},
		{Change: Change{Photo: "none.xmp", Patch: ofNothing("more")}, New: true, Follows: true},
		{Change: Change{Photo: "foreign.jpg"}, From: from},
		{Change: Change{Photo: "../up.jpg", Patch: patch}},
		{Change: Change{Photo: "x.jpg", Source: "../up.jpg"}, From: from},
		{Change: Change{Photo: "4.jpg", Source: "3.jpg", Patch: patch}},
		{Change: Change{Photo: "4.jpg", Patch: ofNothing("x")}, New: true, From: from},
		{Change: Change{Photo: "4.jpg", Patch: patch, Before: sum("tag 7")}},
		{Change: Change{Photo: "4.jpg", Patch: patch}},
		{Change: Change{Photo: "4.jpg", Patch: replace(t, "tag 1", "1", "2")}}, // of what the last one left
	}
	want := []error{nil, nil, nil, nil, nil, fs.ErrNotExist, ErrSkipped, ErrSkipped, ErrExists, ErrName, ErrName, ErrName, errAny, ErrChanged, nil, nil}
	written := []int{0, 1, 2, 3, 14, 15}
	got := collect(l, t.Context(), tasks...)
	if len(got) != len(tasks) {
		t.Fatalf("%d pairs for %d tasks", len(got), len(tasks))
	}
	var names []string
	for i, p := range got {
		if want[i] == errAny && p.err == nil || want[i] != errAny && !errors.Is(p.err, want[i]) {
			t.Errorf("task %d: %v, want %v", i, p.err, want[i])
		}
		if p.err != nil && !strings.HasPrefix(p.err.Error(), fmt.Sprintf("photo %q: ", tasks[i].Photo)) {
			t.Errorf("the error does not name the photo: %v", p.err)
		}
		if p.Written != slices.Contains(written, i) || p.Written && p.Record.Photo != tasks[i].Photo {
			t.Errorf("task %d: %+v", i, p.Result)
		}
		if p.Written {
			names = append(names, tasks[i].Photo)
		}
	}
	if got := recorded(t, root); !slices.Equal(got, names) {
		t.Errorf("on record: %q\nwant       %q", got, names)
	}
	if r := got[2].Record; r.Before != sum("tag 0") || r.After != sum("tag 1") || r.Reason["point"] != "BM1" || r.Action != ActionCorrect {
		t.Errorf("%+v", r)
	}
	if !got[3].Record.Created || got[0].Record.Action != ActionCopy || got[0].Record.Source != "a/1.jpg" {
		t.Errorf("%+v, %+v", got[3].Record, got[0].Record)
	}
	for name, text := range map[string]string{"new/1.jpg": text2, "2.jpg": "no change", "3.jpg": "tag 1", "3.xmp": "side-car", "4.jpg": "tag 2", "foreign.jpg": "mine"} {
		if got := readFile(t, dir, name); got != text {
			t.Errorf("%s: %q", name, got)
		}
	}
	if _, err := os.Lstat(filepath.Join(dir, "none.xmp")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("what follows an error was done:", err)
	}
	if temps := leftTemps(t, dir); temps != nil {
		t.Errorf("%q is left", temps)
	}
	for name, o := range outcomes(t, l, nil, false) {
		if o.Status != Restored && o.Status != Original {
			t.Errorf("%s: %+v", name, o)
		}
	}
	if readFile(t, dir, "4.jpg") != "tag 0" || readFile(t, dir, "new/1.jpg") != text1 {
		t.Error("not restored")
	}
}

// errAny stands for any error.
var errAny = errors.New("any")

// TestBulkSyncsOnce: what is ready together has one sync of the ledger and one of
// each folder, in the right order, and pairs come after all of it.
func TestBulkSyncsOnce(t *testing.T) {
	root, dir := newRoot(t)
	const n = 4
	tasks := tags(t, dir, n)
	var mu sync.Mutex
	var ops []string
	l, err := openIn(watched{rootFolder{root}, func(op string) {
		mu.Lock()
		defer mu.Unlock()
		for _, what := range []string{"sync", "rename", "write " + FileName} {
			if strings.HasPrefix(op, what) && !strings.Contains(op, tempPrefix) {
				ops = append(ops, op)
			}
		}
	}}, "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	together(l, n, tasks[0].Photo)
	for _, err := range l.Bulk(t.Context(), slices.Values(tasks)) {
		if err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		ops = append(ops, "pair")
		mu.Unlock()
	}
	want := []string{"sync .", "write " + FileName, "sync " + FileName,
		"rename day0/00.jpg", "rename day1/01.jpg", "rename day0/02.jpg", "rename day1/03.jpg",
		"sync day0", "sync day1", "pair", "pair", "pair", "pair"}
	if !slices.Equal(ops, want) {
		t.Errorf("got  %q\nwant %q", ops, want)
	}
}

// watched tells of the operations of a folder.
type watched struct {
	folder
	tell func(op string)
}

func (w watched) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	f, err := w.folder.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return watchedFile{f, name, w.tell}, nil
}

func (w watched) Rename(from, to string) error {
	w.tell("rename " + to)
	return w.folder.Rename(from, to)
}

func (w watched) move(from, to string, swap bool) error {
	w.tell("rename " + to)
	return w.folder.move(from, to, swap)
}

type watchedFile struct {
	file
	name string
	tell func(op string)
}

func (w watchedFile) Write(p []byte) (int, error) {
	w.tell("write " + w.name)
	return w.file.Write(p)
}

func (w watchedFile) Sync() error {
	w.tell("sync " + w.name)
	return w.file.Sync()
}

// TestBulkBounds: no more temporary files than documented, however slow the loop
// is; and records in the order of the tasks, whatever is ready first.
func TestBulkBounds(t *testing.T) {
	root, dir := newRoot(t)
	tasks := tags(t, dir, 100)
	var temps, most, pulled atomic.Int32
	l, err := openIn(rootFolder{root}, "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	l.trace = func(s, photo string) {
		switch s {
		case "created":
			n := temps.Add(1)
			for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
			}
			if photo[len(photo)-5]%2 == 0 { // some take longer
				time.Sleep(time.Millisecond)
			}
		case "renamed":
			temps.Add(-1)
		}
	}
	taken, limit := int32(0), int32(bulkAhead*runtime.GOMAXPROCS(0))
	each := func(yield func(Task) bool) {
		for _, task := range tasks {
			pulled.Add(1)
			if !yield(task) {
				return
			}
		}
	}
	for res, err := range l.Bulk(t.Context(), each) {
		if err != nil || res.Record.Photo != tasks[taken].Photo || !isNew(t, dir, res.Record.Photo) {
			t.Fatalf("pair %d: %+v, %v", taken, res, err)
		}
		taken++
		// Those taken, those of the last group, those ahead, and the one that waits.
		if n := pulled.Load(); n > taken+2*limit+1 {
			t.Fatalf("%d tasks pulled after %d pairs", n, taken)
		}
		time.Sleep(200 * time.Microsecond)
	}
	if n := most.Load(); n > limit {
		t.Errorf("%d temporary files at a time, more than %d", n, limit)
	}
	got := recorded(t, root)
	if len(got) != len(tasks) || !slices.EqualFunc(got, tasks, func(n string, t Task) bool { return n == t.Photo }) {
		t.Errorf("records of %q", got)
	}
	t.Logf("at most %d temporary files", most.Load())
}

// TestBulkEnds: wherever the loop ends, nothing runs on, no temporary file stays,
// photos are old or new, the new ones on record, and what was taken is new.
func TestBulkEnds(t *testing.T) {
	goroutines := runtime.NumGoroutine()
	for _, after := range []int{1, 2, 7, 30} {
		root, dir := newRoot(t)
		tasks := tags(t, dir, 40)
		l := open(t, root)
		taken, ended := 0, false
		each := func(yield func(Task) bool) {
			defer func() { ended = true }()
			for _, task := range tasks {
				if !yield(task) {
					return
				}
			}
		}
		for res, err := range l.Bulk(t.Context(), each) {
			if err != nil || res.Record.Photo != tasks[taken].Photo {
				t.Fatal(res, err)
			}
			if taken++; taken == after {
				break
			}
		}
		if !ended {
			t.Error("the loop over the tasks goes on")
		}
		settled(t, goroutines)
		if temps := leftTemps(t, dir); temps != nil {
			t.Errorf("%q is left", temps)
		}
		on := recorded(t, root)
		for i, task := range tasks {
			switch is := isNew(t, dir, task.Photo); {
			case i < after && !is:
				t.Errorf("%s was reported, but is old", task.Photo)
			case is && !slices.Contains(on, task.Photo):
				t.Errorf("%s is new, but not on record", task.Photo)
			}
		}
		// The claims are given back.
		for i, p := range collect(l, t.Context(), tasks...) {
			if p.err != nil && !errors.Is(p.err, ErrChanged) || !isNew(t, dir, tasks[i].Photo) {
				t.Errorf("again: %v", p.err)
			}
		}
	}
}

// TestBulkStopsAtError: a loop that ends at an error finds nothing after it done.
func TestBulkStopsAtError(t *testing.T) {
	for bad := range 6 {
		root, dir := newRoot(t)
		tasks := tags(t, dir, 6)
		tasks[bad].Before = sum("something else")
		l := open(t, root)
		together(l, len(tasks)-1, tasks[0].Photo)
		n := 0
		for _, err := range l.Bulk(t.Context(), slices.Values(tasks)) {
			if (err != nil) != (n == bad) {
				t.Fatalf("pair %d: %v", n, err)
			}
			if err != nil {
				break
			}
			n++
		}
		for i, task := range tasks {
			if is := isNew(t, dir, task.Photo); is != (i < bad) {
				t.Errorf("error at %d: photo %d new: %v", bad, i, is)
			}
		}
		if on := recorded(t, root); len(on) != bad {
			t.Errorf("error at %d: %d records", bad, len(on))
		}
	}
}

// TestBulkChangedMeanwhile: a photo of a group is written to at each moment. It
// stays as it is; those before it are done, and those after it once the loop goes
// on.
func TestBulkChangedMeanwhile(t *testing.T) {
	const n, bad = 4, 1
	for _, stage := range []string{"created", "synced", "recorded"} {
		for _, goOn := range []bool{true, false} {
			t.Run(fmt.Sprint(stage, " ", goOn), func(t *testing.T) {
				root, dir := newRoot(t)
				tasks := tags(t, dir, n)
				l := open(t, root)
				var once sync.Once
				l.trace = func(s, photo string) {
					if s == stage && photo == tasks[bad].Photo {
						once.Do(func() { writeFile(t, dir, photo, "someone else's, tag 0,") })
					}
				}
				if stage == "created" { // then it gets no further
					together(l, n-1, tasks[0].Photo)
				} else {
					together(l, n, tasks[0].Photo)
				}
				var got []error
				for _, err := range l.Bulk(t.Context(), slices.Values(tasks)) {
					if got = append(got, err); err != nil && !goOn {
						break
					}
				}
				for i, err := range got {
					if (i == bad) != errors.Is(err, ErrChanged) || i != bad && err != nil {
						t.Errorf("pair %d: %v", i, err)
					}
				}
				for i, task := range tasks {
					if is := isNew(t, dir, task.Photo); is != (i < bad || i > bad && goOn) {
						t.Errorf("photo %d new: %v", i, is)
					}
				}
				if text := readFile(t, dir, tasks[bad].Photo); text != "someone else's, tag 0," {
					t.Errorf("now %q", text)
				}
				if temps := leftTemps(t, dir); temps != nil {
					t.Errorf("%q is left", temps)
				}
				for name, o := range outcomes(t, l, nil, false) {
					if o.Status != Restored && o.Status != Original && !(name == tasks[bad].Photo && o.Status == Changed) {
						t.Errorf("%s: %+v", name, o)
					}
				}
			})
		}
	}
}

// TestBulkContext: the first change that is not made when the context is done has
// its error, and that is the last pair.
func TestBulkContext(t *testing.T) {
	goroutines := runtime.NumGoroutine()
	why := errors.New("stop")
	for _, stage := range []string{"before", "created", "synced", "recorded", "renamed", "done"} {
		root, dir := newRoot(t)
		tasks := tags(t, dir, 40)
		l := open(t, root)
		ctx, cancel := context.WithCancelCause(t.Context())
		l.trace = func(s, photo string) {
			if s == stage && photo == tasks[20].Photo {
				cancel(why)
			}
		}
		if stage == "before" {
			cancel(why)
		}
		got := collect(l, ctx, tasks...)
		cancel(nil)
		for i, p := range got {
			last := i == len(got)-1
			if last != (p.err != nil) || last && !errors.Is(p.err, why) {
				t.Errorf("%s: pair %d of %d: %v", stage, i, len(got), p.err)
			}
		}
		for i, task := range tasks {
			if is := isNew(t, dir, task.Photo); is != (i < len(got)-1) {
				t.Errorf("%s: photo %d of %d new: %v", stage, i, len(got), is)
			}
		}
		if temps := leftTemps(t, dir); temps != nil {
			t.Errorf("%q is left", temps)
		}
		settled(t, goroutines)
	}
}

// TestBulkPanics: what the tasks panic with comes out of the loop.
func TestBulkPanics(t *testing.T) {
	goroutines := runtime.NumGoroutine()
	root, dir := newRoot(t)
	tasks := tags(t, dir, 6)
	l := open(t, root)
	var got []pair
	func() {
		defer func() {
			if r := recover(); r != "no plan" {
				t.Errorf("recovered %v", r)
			}
		}()
		for res, err := range l.Bulk(t.Context(), func(yield func(Task) bool) {
			for _, task := range tasks[:3] {
				if !yield(task) {
					return
				}
			}
			panic("no plan")
		}) {
			got = append(got, pair{res, err})
		}
	}()
	if len(got) != 3 || !isNew(t, dir, tasks[2].Photo) || isNew(t, dir, tasks[3].Photo) {
		t.Errorf("%+v", got)
	}
	func() {
		defer func() {
			if r := recover(); r != "no use" {
				t.Errorf("recovered %v", r)
			}
		}()
		for range l.Bulk(t.Context(), slices.Values(tasks[3:])) {
			panic("no use")
		}
	}()
	settled(t, goroutines)
	if temps := leftTemps(t, dir); temps != nil {
		t.Errorf("%q is left", temps)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if got := collect(l, t.Context(), tasks[0]); len(got) != 1 || !errors.Is(got[0].err, ErrClosed) {
		t.Errorf("after Close: %+v", got)
	}
}

// TestBulksAndOthers: two Bulks over the same photos in opposite orders, single
// corrections and restores beside them. Nothing waits for ever, and no photo is
// harmed.
func TestBulksAndOthers(t *testing.T) {
	root, dir := newRoot(t)
	j := newJob(60)
	j.write(t, dir)
	l := open(t, root)
	var wg sync.WaitGroup
	fits := func(err error) {
		if err != nil && !errors.Is(err, ErrChanged) {
			t.Error(err)
		}
	}
	run := func(order iter.Seq2[int, string]) {
		wg.Go(func() {
			n := 0
			for _, err := range l.Bulk(t.Context(), func(yield func(Task) bool) {
				for i, name := range order {
					if !yield(Task{Change: Change{Photo: name, Patch: j.patches[i]}}) {
						return
					}
				}
			}) {
				n++
				fits(err)
			}
			if n != len(j.names) {
				t.Errorf("%d pairs", n)
			}
		})
	}
	run(slices.All(j.names))
	run(slices.Backward(j.names))
	wg.Go(func() {
		for i, name := range j.names {
			_, err := l.Correct(t.Context(), Change{Photo: name, Patch: j.patches[i]})
			fits(err)
		}
	})
	wg.Wait()
	if n, broken := j.check(dir); n != len(j.names) || broken != nil {
		t.Errorf("%d corrected, broken %q", n, broken)
	}
	if on := recorded(t, root); len(on) != len(j.names) {
		t.Errorf("%d records", len(on))
	}
	outcomes(t, l, nil, false)
	if n, broken := j.check(dir); n != 0 || broken != nil {
		t.Errorf("%d not restored, broken %q", n, broken)
	}
}

// TestBulkSameBytes: the same work gives the same ledger, whatever is ready first.
func TestBulkSameBytes(t *testing.T) {
	from, src := newRoot(t)
	tasks := tags(t, src, 30)
	for i := range tasks {
		tasks[i].From = from
		if i%3 == 0 {
			tasks[i].Patch = nil
		}
	}
	var first map[string]string
	for run := range 3 {
		root, dir := newRoot(t)
		l := open(t, root)
		l.SetClock(func() time.Time { return time.Time{} })
		l.trace = func(s, photo string) {
			if s == "created" && photo[len(photo)-5]%3 == byte(run) {
				time.Sleep(time.Millisecond)
			}
		}
		for _, p := range collect(l, t.Context(), tasks...) {
			if p.err != nil {
				t.Fatal(p.err)
			}
		}
		got := map[string]string{}
		for name := range tree(t, dir) {
			got[name] = readFile(t, dir, name)
		}
		if first == nil {
			first = got
		}
		if !maps.Equal(first, got) {
			t.Errorf("run %d: %q\nfirst: %q", run, got, first)
		}
	}
}

// TestShared: a file system that shares blocks gives the same files, records and
// restores as one that doesn't; what the patch moves is never shared; and a
// sharing that goes wrong harms no photo.
func TestShared(t *testing.T) {
	const text = "header, tag 0, many pixels, trailer"
	big := strings.Repeat("0123456789abcdef", 1<<16)
	for _, tt := range []struct {
		name, text string
		patch      *geotag.Patch
		shared     bool
	}{
		{"as it is", text, nil, true},
		{"nothing", "", nil, true},
		{"the same length", text, replace(t, text, "tag 0", "tag 1"), true},
		{"longer at the end", text, replace(t, text, "trailer", "trailer and a directory"), true},
		{"shorter at the end", text, replace(t, text, "trailer", "end"), true},
		{"two at the end", text, &geotag.Patch{SizeBefore: int64(len(text)), Splices: []geotag.Splice{
			{Off: 0, Old: []byte("h"), New: []byte("H")},
			{Off: int64(len(text)) - 2, Old: []byte("er"), New: []byte("ers")},
			{Off: int64(len(text)), New: []byte(" here")}}}, true},
		{"moved", text, replace(t, text, "tag 0", "tag 10"), false},
		{"large", big, replace(t, big, "f0", "F9"), true},
		{"large and longer", big, &geotag.Patch{SizeBefore: int64(len(big)), Splices: []geotag.Splice{
			{Off: 5, Old: []byte(big[5 : 300<<10]), New: []byte(strings.Repeat("n", 300<<10-5))},
			{Off: int64(len(big)), New: []byte(strings.Repeat("d", 600<<10))}}}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			from, src := newRoot(t)
			writeFile(t, src, "1.jpg", tt.text)
			var records []Record
			for _, share := range []bool{false, true} {
				root, dir := newRoot(t)
				l := open(t, root)
				l.now = func() time.Time { return time.Time{} }
				shared := 0
				l.clone = func(dst, src file) error {
					if !share {
						return errors.ErrUnsupported
					}
					shared++
					return wholly(dst, src)
				}
				res, err := l.CorrectInto(t.Context(), from, Change{Photo: "1.jpg", Patch: tt.patch})
				if err != nil || (shared == 1) != (share && tt.shared) {
					t.Fatalf("shared %d times, %v", shared, err)
				}
				want := tt.text
				if tt.patch != nil {
					b, err := tt.patch.ApplyBytes([]byte(tt.text))
					if err != nil {
						t.Fatal(err)
					}
					want = string(b)
				}
				if readFile(t, dir, "1.jpg") != want {
					t.Error("wrong bytes")
				}
				if res.Record.Before != sum(tt.text) || res.Record.After != sum(want) {
					t.Errorf("%+v", res.Record)
				}
				records = append(records, res.Record)
				if o := outcomes(t, l, nil, false)["1.jpg"]; o.Status != Restored && o.Status != Original || readFile(t, dir, "1.jpg") != tt.text {
					t.Errorf("%+v", o)
				}
			}
			if a, b := fmt.Sprintf("%+v", records[0].Before+records[0].After), fmt.Sprintf("%+v", records[1].Before+records[1].After); a != b {
				t.Errorf("%s, shared %s", a, b)
			}
		})
	}
	for name, wrong := range map[string]func(dst, src file) error{
		"a byte":     func(dst, src file) error { _, err := dst.WriteAt([]byte{'?'}, 20); return err },
		"a hole":     func(dst, src file) error { _, err := dst.WriteAt(make([]byte, 9), 0); return err },
		"too short":  func(dst, src file) error { return dst.Truncate(int64(len(text)) - 3) },
		"too long":   func(dst, src file) error { _, err := dst.WriteAt([]byte("more"), int64(len(text))); return err },
		"all of it":  func(dst, src file) error { return dst.Truncate(0) },
		"the source": func(dst, src file) error { return nil }, // written to just after
	} {
		t.Run("gone wrong: "+name, func(t *testing.T) {
			for _, patch := range []*geotag.Patch{nil, replace(t, text, "tag 0", "tag 1")} {
				from, src := newRoot(t)
				writeFile(t, src, "1.jpg", text)
				root, dir := newRoot(t)
				l := open(t, root)
				l.clone = func(dst, from file) error {
					err := errors.Join(wholly(dst, from), wrong(dst, from))
					if name == "the source" {
						info, _ := from.Stat()
						writeFile(t, src, "1.jpg", strings.Replace(text, "many", "more", 1))
						os.Chtimes(filepath.Join(src, "1.jpg"), time.Time{}, info.ModTime()) // by stealth
					}
					return err
				}
				if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "1.jpg", Patch: patch}); !errors.Is(err, ErrChanged) {
					t.Errorf("%v", err)
				}
				if got := tree(t, dir); len(got) != 0 {
					t.Errorf("%q is there", got)
				}
			}
		})
	}
}

// wholly copies all of a file, as sharing its blocks would.
func wholly(dst, src file) error {
	info, err := src.Stat()
	if err != nil {
		return err
	}
	b := make([]byte, info.Size())
	if len(b) == 0 {
		return nil
	}
	if _, err := src.ReadAt(b, 0); err != nil {
		return err
	}
	_, err = dst.WriteAt(b, 0)
	return err
}
