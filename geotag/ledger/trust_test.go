package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/geotag"
)

// corrected makes photos "tag 0 of N" in a folder and corrects each.
func corrected(t testing.TB, n int) (root *os.Root, dir string) {
	t.Helper()
	root, dir = newRoot(t)
	l, err := Open(root, "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i := range n {
		name, text := fmt.Sprintf("%d.jpg", i), fmt.Sprintf("tag 0 of %d", i)
		writeFile(t, dir, name, text)
		if _, err := l.Correct(t.Context(), Change{Photo: name, Patch: replace(t, text, "tag 0", "tag 1")}); err != nil {
			t.Fatal(err)
		}
	}
	return root, dir
}

// restored opens the ledger and restores names, all if there are none. It gives what
// it was told, an error as the outcome that it comes with.
func restored(t testing.TB, root *os.Root, names ...string) (all []Outcome) {
	t.Helper()
	l := open(t, root)
	defer l.Close()
	for out, err := range l.Restore(t.Context(), names, false) {
		if err != nil {
			out.Notes = append(out.Notes, err.Error())
		}
		all = append(all, out)
	}
	return all
}

func summary(all []Outcome) (s []string) {
	for _, o := range all {
		s = append(s, o.Photo+" "+string(o.Status))
	}
	return s
}

// TestForeignLedger: a ledger that someone else wrote changes and removes photos and
// side-cars only, and none in hidden folders.
func TestForeignLedger(t *testing.T) {
	const text = "[core]\n\tfsmonitor = false\n"
	const evil = "[core]\n\tfsmonitor = do-harm\n"
	for _, name := range []string{".git/config", ".git/1.jpg", "a/.hidden/1.jpg", "notes.txt", "phototie.toml", "config", "x.xmp/run.sh"} {
		for _, created := range []bool{false, true} {
			root, dir := newRoot(t)
			writeFile(t, dir, name, text)
			rec := Record{Version: 1, Action: ActionCorrect, Photo: name, Before: sum(evil), After: sum(text), SizeBefore: int64(len(evil)), SizeAfter: int64(len(text)),
				Reverse: replace(t, text, "false", "do-harm")}
			if created {
				rec.Created, rec.Before, rec.SizeBefore, rec.Reverse = true, sum(""), 0, &geotag.Patch{SizeBefore: int64(len(text)), Splices: []geotag.Splice{{Old: []byte(text)}}}
			}
			line, err := json.Marshal(rec)
			if err != nil {
				t.Fatal(err)
			}
			writeFile(t, dir, FileName, string(line)+"\n")
			before := tree(t, dir)
			out := restored(t, root)
			if len(out) != 1 || out[0].Status != Failed || !strings.Contains(out[0].Notes[0], "not a usable photo path") {
				t.Errorf("%s: %+v", name, out)
			}
			sameTree(t, dir, before)
		}
	}
	// What has other bytes than the ones that it was created with is not removed.
	root, dir := newRoot(t)
	l := open(t, root)
	if _, err := l.Create(t.Context(), Change{Photo: "1.xmp", Patch: ofNothing("side-car")}); err != nil {
		t.Fatal(err)
	}
	l.Close()
	writeFile(t, dir, "1.xmp", "side-car, and a keyword")
	if out := restored(t, root); out[0].Status != Changed || readFile(t, dir, "1.xmp") != "side-car, and a keyword" {
		t.Errorf("%+v", out)
	}
}

// TestTornIsTold: wherever the ledger is cut, Restore says so, names the photo that
// the line was about if that is there, keeps the line, and says it again until the
// photo is known to be safe.
func TestTornIsTold(t *testing.T) {
	root, dir := corrected(t, 2)
	whole := readFile(t, dir, FileName)
	first := strings.Index(whole, "\n") + 1
	photo := first + strings.Index(whole[first:], `"1.jpg"`) + len(`"1.jpg"`)
	for cut := first + 1; cut < len(whole)-1; cut += 13 {
		writeFile(t, dir, "0.jpg", "tag 1 of 0")
		writeFile(t, dir, "1.jpg", "tag 1 of 1") // corrected, and no way back
		writeFile(t, dir, FileName, whole[:cut])
		out := restored(t, root)
		named, want := FileName, "can't be told"
		if cut >= photo {
			named, want = "1.jpg", "may be corrected without a way back"
		}
		if got := summary(out); !slices.Equal(got, []string{named + " incomplete", "0.jpg restored"}) || !strings.Contains(out[0].Notes[0], want) {
			t.Fatalf("cut at %d: %q %q", cut, got, out[0].Notes)
		}
		if kept := readFile(t, dir, TornName); kept != whole[first:cut]+"\n" {
			t.Fatalf("cut at %d: kept %q", cut, kept)
		}
		if again := summary(restored(t, root)); cut >= photo && !slices.Contains(again, "1.jpg incomplete") {
			t.Fatalf("cut at %d, the second time: %q", cut, again)
		}
		writeFile(t, dir, "1.jpg", "tag 0 of 1") // put back by hand
		if again := summary(restored(t, root)); cut > first+strings.Index(whole[first:], `"after"`) && !slices.Equal(again, []string{"0.jpg original"}) {
			t.Fatalf("cut at %d, put back: %q", cut, again)
		}
		if err := os.Remove(filepath.Join(dir, TornName)); err != nil {
			t.Fatal(err)
		}
	}
}

// TestGaps: a first record or one in the middle that is missing is noticed, and the
// photos that are still on record are restored.
func TestGaps(t *testing.T) {
	root, dir := corrected(t, 3)
	lines := slices.Collect(strings.Lines(readFile(t, dir, FileName)))
	for gone, want := range [][]string{
		{FileName + " incomplete", "1.jpg restored", "2.jpg restored"},
		{FileName + " incomplete", "0.jpg restored", "2.jpg restored"},
	} {
		for i := range 3 {
			writeFile(t, dir, fmt.Sprintf("%d.jpg", i), fmt.Sprintf("tag 1 of %d", i))
		}
		writeFile(t, dir, FileName, strings.Join(slices.Delete(slices.Clone(lines), gone, gone+1), ""))
		if got := summary(restored(t, root)); !slices.Equal(got, want) {
			t.Errorf("without line %d: %q", gone+1, got)
		}
	}
	writeFile(t, dir, FileName, lines[1]+lines[0]+lines[2])
	l := open(t, root)
	if got := l.Repairs().Gaps; !slices.Equal(got, []int{1, 2, 3}) {
		t.Errorf("in another order: %v", got)
	}
	l.Close()
}

// TestUnchainedLedger: records of older programs, which name no previous one, are
// read, and those of today follow them.
func TestUnchainedLedger(t *testing.T) {
	root, dir := corrected(t, 2)
	var old []byte
	for rec, err := range Read(root) {
		if err != nil || rec.Previous == "" {
			t.Fatal(rec, err)
		}
		rec.Previous = ""
		line, err := rec.encode()
		if err != nil {
			t.Fatal(err)
		}
		old = append(old, line...)
	}
	writeFile(t, dir, FileName, string(old))
	for range 2 {
		l := open(t, root)
		if r := l.Repairs(); r.Gaps != nil || r.Torn != nil {
			t.Errorf("%+v", r)
		}
		text := readFile(t, dir, "0.jpg")
		if _, err := l.Correct(t.Context(), Change{Photo: "0.jpg", Patch: replace(t, text, "tag", "tag tag")}); err != nil {
			t.Fatal(err)
		}
		l.Close()
	}
	if got := summary(restored(t, root)); !slices.Equal(got, []string{"0.jpg restored", "1.jpg restored"}) {
		t.Errorf("%q", got)
	}
	if !bytes.HasPrefix([]byte(readFile(t, dir, FileName)), old) {
		t.Error("the old records were rewritten")
	}
}

// TestOpenReadWritesNothing: a dry run leaves a torn line and leftovers where they
// are, says what Open would do, and works where nothing may be written.
func TestOpenReadWritesNothing(t *testing.T) {
	root, dir := corrected(t, 2)
	const temp = ".phototie-ABCDEFGHIJKLMNOPQRSTUVWXYZ.tmp"
	writeFile(t, dir, temp, "left")
	whole := readFile(t, dir, FileName)
	writeFile(t, dir, FileName, whole+whole[:40])
	before := tree(t, dir)
	look := func() {
		l, err := OpenRead(root)
		if err != nil {
			t.Error(err)
			return
		}
		defer l.Close()
		if r := l.Repairs(); r.Torn == nil || r.Torn.Bytes != 40 || r.Torn.Kept != "" || !slices.Equal(r.Temps, []string{temp}) {
			t.Errorf("%+v", r)
		}
		var all []Outcome
		for out, err := range l.Restore(t.Context(), nil, true) {
			if err != nil {
				t.Error(err)
			}
			all = append(all, out)
		}
		if got := summary(all); !slices.Equal(got, []string{FileName + " incomplete", "0.jpg restored", "1.jpg restored"}) {
			t.Errorf("%q", got)
		}
		for out, err := range l.Restore(t.Context(), []string{"0.jpg"}, false) {
			if out.Status != Incomplete && !errors.Is(err, ErrReadOnly) {
				t.Errorf("%+v %v", out, err)
			}
		}
		if _, err := l.Correct(t.Context(), Change{Photo: "0.jpg", Patch: replace(t, "tag 1 of 0", "1", "2")}); !errors.Is(err, ErrReadOnly) {
			t.Error(err)
		}
	}
	look()
	sameTree(t, dir, before)
	held := open(t, root) // another run has it; it cuts the line off
	held.Close()
	writeFile(t, dir, FileName, whole+whole[:40])
	writeFile(t, dir, temp, "left")
	if runtime.GOOS != "windows" {
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.Chmod(dir, 0o755) })
	}
	look()
}

// TestRenamed: photos that were renamed or swapped are known by their bytes. They are
// told of, and restored where they are if that place is named.
func TestRenamed(t *testing.T) {
	root, dir := corrected(t, 3)
	move := func(from, to string) {
		t.Helper()
		if err := os.Rename(filepath.Join(dir, from), filepath.Join(dir, to)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "day"), 0o755); err != nil {
		t.Fatal(err)
	}
	move("0.jpg", "day/quay.jpg")
	move("1.jpg", "x.jpg")
	move("2.jpg", "1.jpg")
	move("x.jpg", "2.jpg")
	writeFile(t, dir, "day/other.jpg", "tag 7 of 7") // of the same length
	before := tree(t, dir)
	out := restored(t, root)
	var got []string
	for _, o := range out {
		got = append(got, fmt.Sprint(o.Photo, " ", o.Status, " as ", o.RecordedAs, " at ", o.FoundAt))
	}
	if want := []string{"0.jpg missing as  at day/quay.jpg", "1.jpg changed as 2.jpg at 2.jpg", "2.jpg changed as 1.jpg at 1.jpg"}; !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	sameTree(t, dir, before)
	got = nil
	for _, o := range restored(t, root, "day/quay.jpg", "1.jpg", "2.jpg", "day/other.jpg") {
		got = append(got, fmt.Sprint(o.Photo, " ", o.Status, " as ", o.RecordedAs, " first ", o.First != ""))
	}
	if want := []string{"day/quay.jpg restored as 0.jpg first true", "1.jpg restored as 2.jpg first true", "2.jpg restored as 1.jpg first true", "day/other.jpg unrecorded as  first false"}; !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	for name, want := range map[string]string{"day/quay.jpg": "tag 0 of 0", "1.jpg": "tag 0 of 2", "2.jpg": "tag 0 of 1", "day/other.jpg": "tag 7 of 7"} {
		if text := readFile(t, dir, name); text != want {
			t.Errorf("%s: %q", name, text)
		}
	}
	// And once more, all of them: nothing is left to do.
	for _, o := range restored(t, root) {
		if o.Photo != "0.jpg" && o.Status != Original || o.Photo == "0.jpg" && (o.Status != Missing || o.FoundAt != "day/quay.jpg") {
			t.Errorf("again: %+v", o)
		}
	}
}

// TestRenamedAlike: photos that are the same once they are corrected, and were not
// before, can't be told apart by their bytes, and are not restored by them.
func TestRenamedAlike(t *testing.T) {
	root, dir := newRoot(t)
	l := open(t, root)
	for i := range 3 {
		name, text := fmt.Sprintf("%d.jpg", i), fmt.Sprintf("tag %d of a bollard", i/2)
		writeFile(t, dir, name, text)
		if _, err := l.Correct(t.Context(), Change{Photo: name, Patch: replace(t, text, text[:5], "tag 9")}); err != nil {
			t.Fatal(err)
		}
	}
	l.Close()
	move := func(from, to string) {
		t.Helper()
		if err := os.Rename(filepath.Join(dir, from), filepath.Join(dir, to)); err != nil {
			t.Fatal(err)
		}
	}
	move("2.jpg", "x.jpg")
	before := tree(t, dir)
	out := restored(t, root, "x.jpg")
	if len(out) != 1 || out[0].Status != Unrecorded || out[0].RecordedAs != "" || !strings.Contains(out[0].Notes[0], "0.jpg and as 1.jpg and as 2.jpg") {
		t.Errorf("%+v", out)
	}
	sameTree(t, dir, before)
	move("x.jpg", "2.jpg")
	if out := restored(t, root, "2.jpg"); out[0].Status != Restored || readFile(t, dir, "2.jpg") != "tag 1 of a bollard" {
		t.Errorf("%+v", out)
	}
}

// often corrects a photo n times, each time to other bytes, and gives what a
// dry run of Restore allocates.
func often(t *testing.T, n int) uint64 {
	root, dir := newRoot(t)
	text := strings.Repeat("pixels ", 1000) + "tag 0;" + strings.Repeat(" more", 1000)
	writeFile(t, dir, "1.jpg", text)
	var b bytes.Buffer
	last := text
	for i := range n {
		next := strings.Replace(text, "tag 0;", fmt.Sprintf("tag %d;", i+1), 1)
		p := replace(t, last, last[7000:strings.Index(last, ";")], next[7000:strings.Index(next, ";")])
		rec := Record{Version: 1, Action: ActionCorrect, Photo: "1.jpg", Before: sum(last), After: sum(next), SizeBefore: int64(len(last)), SizeAfter: int64(len(next)), Reverse: p.Reverse()}
		line, err := rec.encode()
		if err != nil {
			t.Fatal(err)
		}
		b.Write(line)
		last = next
	}
	writeFile(t, dir, FileName, b.String())
	writeFile(t, dir, "1.jpg", last)
	l := open(t, root)
	defer l.Close()
	var was, is runtime.MemStats
	runtime.ReadMemStats(&was)
	if out := outcomes(t, l, nil, true)["1.jpg"]; out.Status != Restored || out.Steps != n || out.Now != sum(text) {
		t.Errorf("%d records: %+v", n, out)
	}
	runtime.ReadMemStats(&is)
	return is.TotalAlloc - was.TotalAlloc
}

// TestManyRecords: what restoring a photo takes grows with its records, and not
// with their square.
func TestManyRecords(t *testing.T) {
	few, many := often(t, 1000), often(t, 8000)
	t.Logf("1000 records: %d KiB, 8000: %d KiB", few>>10, many>>10)
	if many > 12*few || many > 200<<20 {
		t.Errorf("1000 records take %d KiB, 8000 take %d KiB", few>>10, many>>10)
	}
}

// TestJudged: a change is made of the file that it was decided on, and of no other.
func TestJudged(t *testing.T) {
	root, dir := newRoot(t)
	for name, change := range map[string]func(path string) error{
		"same": func(string) error { return nil },
		"replaced": func(p string) error {
			return errors.Join(os.WriteFile(p+".new", []byte("tag 0 of another"), 0o644), os.Rename(p+".new", p))
		},
		"written to": func(p string) error { return os.WriteFile(p, []byte("tag 0 of anothe2"), 0o644) },
	} {
		for _, into := range []bool{false, true} {
			writeFile(t, dir, "1.jpg", "tag 0 of the one")
			info, err := os.Stat(filepath.Join(dir, "1.jpg"))
			if err != nil {
				t.Fatal(err)
			}
			if err := change(filepath.Join(dir, "1.jpg")); err != nil {
				t.Fatal(err)
			}
			if name == "written to" { // whatever the clock's steps are
				if err := os.Chtimes(filepath.Join(dir, "1.jpg"), info.ModTime(), info.ModTime().Add(1)); err != nil {
					t.Fatal(err)
				}
			}
			c := Change{Photo: "1.jpg", Judged: info, Patch: replace(t, "tag 0 of another", "tag 0", "tag 1")}
			to, l := root, (*Ledger)(nil)
			if into {
				to, _ = newRoot(t)
				l = open(t, to)
				_, err = l.CorrectInto(t.Context(), root, c)
			} else {
				l = open(t, root)
				_, err = l.Correct(t.Context(), c)
			}
			l.Close()
			if name == "same" && err != nil || name != "same" && !errors.Is(err, ErrChanged) {
				t.Errorf("%s, into %v: %v", name, into, err)
			}
		}
	}
}

// TestFolderError: a folder that may not be written to is an error of its own, and the
// next photos of a Bulk are corrected.
func TestFolderError(t *testing.T) {
	root, dir := newRoot(t)
	var tasks []Task
	for _, name := range []string{"a/1.jpg", "locked/2.jpg", "b/3.jpg"} {
		writeFile(t, dir, name, "tag 0")
		tasks = append(tasks, Task{Change: Change{Photo: name, Patch: replace(t, "tag 0", "0", "1")}})
	}
	refuse := refusing{rootFolder{root}}
	l, err := openIn(refuse, "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i, p := range collect(l, t.Context(), tasks...) {
		if (i == 1) != errors.Is(p.err, ErrFolder) || i != 1 && p.err != nil {
			t.Errorf("%s: %v", tasks[i].Photo, p.err)
		}
	}
	for name, want := range map[string]string{"a/1.jpg": "tag 1", "locked/2.jpg": "tag 0", "b/3.jpg": "tag 1"} {
		if got := readFile(t, dir, name); got != want {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// refusing is a folder below which one may not be written to.
type refusing struct{ rootFolder }

func (r refusing) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	if strings.HasPrefix(name, "locked/") && flag&os.O_CREATE != 0 {
		return nil, &fs.PathError{Op: "openat", Path: name, Err: fs.ErrPermission}
	}
	return r.rootFolder.OpenFile(name, flag, perm)
}
