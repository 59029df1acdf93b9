package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.com/phototie/geotag"
)

// SHA-256 of "abc" and of the empty message: FIPS 180-4 example values, as
// published with the NIST cryptographic standards.
const (
	sumABC   = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	sumEmpty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
)

// goodLine is a record as the package comment describes it, written by hand:
// "foobar" became "abc". The base64 of "foobar" is RFC 4648's own test vector.
const goodLine = `{"version":1,"time":"2024-06-11T08:30:00Z","tool":"phototie 0.1","action":"correct","photo":"a/b c.jpg",` +
	`"before":"c3ab8ff13720e8ad9047dd39466b3c8974e592c2fa383d4a3960714caef0c4f2","after":"` + sumABC + `",` +
	`"size_before":6,"size_after":3,"meaning":"subject","reason":{"point":"BM1","verdict":"over"},` +
	`"reverse":{"size_before":3,"splices":[{"off":0,"old":"YWJj","new":"Zm9vYmFy"}]}}`

func TestParseRecord(t *testing.T) {
	got, err := ParseRecord([]byte(goodLine))
	if err != nil {
		t.Fatal(err)
	}
	want := Record{
		Version: 1, Time: time.Date(2024, 6, 11, 8, 30, 0, 0, time.UTC), Tool: "phototie 0.1",
		Action: ActionCorrect, Photo: "a/b c.jpg",
		Before:     "c3ab8ff13720e8ad9047dd39466b3c8974e592c2fa383d4a3960714caef0c4f2",
		After:      sumABC,
		SizeBefore: 6, SizeAfter: 3, Meaning: "subject",
		Reason:  map[string]string{"point": "BM1", "verdict": "over"},
		Reverse: &geotag.Patch{SizeBefore: 3, Splices: []geotag.Splice{{Old: []byte("abc"), New: []byte("foobar")}}},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	line, err := got.encode()
	if err != nil || string(line) != goodLine+"\n" {
		t.Errorf("written again: %s, %v", line, err)
	}
	before, err := got.Reverse.ApplyBytes([]byte("abc"))
	if err != nil || string(before) != "foobar" {
		t.Errorf("taken back: %q, %v", before, err)
	}
	m := newMeter()
	m.Write(before)
	if m.sum().String() != got.Before {
		t.Errorf("the digest of what came back is %s", m.sum())
	}
}

func TestParseRecordRefuses(t *testing.T) {
	edit := func(old, new string) string {
		s := strings.Replace(goodLine, old, new, 1)
		if s == goodLine {
			t.Fatalf("nothing to replace: %s", old)
		}
		return s
	}
	for _, tt := range []struct {
		name, line string
		want       error
		text       string
	}{
		{"empty", "", ErrDamaged, "not a record"},
		{"cut off", goodLine[:200], ErrDamaged, "not a record"},
		{"two", goodLine + goodLine, ErrDamaged, "not a record"},
		{"a list", "[]", ErrDamaged, "not a record"},
		{"null", "null", ErrDamaged, "version 0"},
		{"no version", edit(`"version":1,`, ``), ErrDamaged, "version 0"},
		{"negative version", edit(`"version":1`, `"version":-1`), ErrDamaged, "version -1"},
		{"newer", edit(`"version":1`, `"version":2`), ErrVersion, "format 2"},
		{"newer with other types", `{"version":3,"photo":["x"],"before":7}`, ErrVersion, "format 3"},
		{"no action", edit(`"action":"correct",`, ``), ErrDamaged, "unknown action"},
		{"unknown action", edit(`"correct"`, `"explode"`), ErrDamaged, `unknown action "explode"`},
		{"path leaves", edit(`a/b c.jpg`, `../b.jpg`), ErrDamaged, "not a path"},
		{"absolute path", edit(`a/b c.jpg`, `/b.jpg`), ErrDamaged, "not a path"},
		{"no path", edit(`a/b c.jpg`, ``), ErrDamaged, "not a path"},
		{"the folder", edit(`a/b c.jpg`, `.`), ErrDamaged, "not a path"},
		{"source leaves", edit(`"before"`, `"source":"../b.jpg","before"`), ErrDamaged, "not the path of a copy's source"},
		{"source in place", edit(`"before"`, `"source":"b.jpg","before"`), ErrDamaged, "not the path of a copy's source"},
		{"short digest", edit(sumABC, sumABC[:62]), ErrDamaged, "after:"},
		{"upper case", edit(sumABC, strings.ToUpper(sumABC)), ErrDamaged, "lower case"},
		{"not hex", edit(sumABC, "x"+sumABC[1:]), ErrDamaged, "not a SHA-256"},
		{"negative size", edit(`"size_before":6`, `"size_before":-6`), ErrDamaged, "negative"},
		{"size", edit(`"size_before":6`, `"size_before":7`), ErrDamaged, "fit the sizes"},
		{"size after", edit(`"size_after":3`, `"size_after":4`), ErrDamaged, "fit the sizes"},
		{"splice outside", edit(`"off":0`, `"off":1`), ErrDamaged, "does not fit"},
		{"splice before", edit(`"off":0`, `"off":-1`), ErrDamaged, "does not fit"},
		{"base64", edit(`YWJj`, `YW*j`), ErrDamaged, "not a record"},
		{"no reverse", edit(`"reverse"`, `"inverse"`), ErrDamaged, "no reverse"},
		{"restore with reverse", edit(`"correct"`, `"restore"`), ErrDamaged, "has no reverse"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ParseRecord([]byte(tt.line))
			if !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.text) {
				t.Errorf("got %v", err)
			}
		})
	}
	if _, err := ParseRecord([]byte(edit(`"version":1`, `"version":1,"later":{"x":[1]}`))); err != nil {
		t.Errorf("an unknown field: %v", err)
	}
}

func TestLineErrorTeaches(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want string
	}{
		{&LineError{17, ErrDamaged}, "phototie-ledger.jsonl:17: the ledger is damaged; put back a sound copy"},
		{&LineError{3, ErrVersion}, "phototie-ledger.jsonl:3: the ledger was written by a newer phototie; use that version"},
	} {
		if !strings.HasPrefix(tt.err.Error(), tt.want) {
			t.Errorf("got  %v\nwant %s...", tt.err, tt.want)
		}
	}
}

// FuzzRecord: whatever parses is sound, and survives being written and read.
func FuzzRecord(f *testing.F) {
	f.Add([]byte(goodLine))
	f.Add([]byte(strings.Replace(goodLine, `"version":1`, `"version":2`, 1)))
	f.Add([]byte(`{"version":1,"time":"2024-06-11T08:30:00+02:00","action":"restore","photo":"x","before":"` + sumABC + `","after":"` + sumEmpty + `","size_before":3,"size_after":0}`))
	f.Add([]byte(`{"version":1,"time":"2024-06-11T08:30:00Z","action":"copy","photo":"x\ny\u2028","before":"` + sumEmpty + `","after":"` + sumEmpty + `","size_before":0,"size_after":0,"reverse":{"size_before":0,"splices":null}}`))
	f.Add([]byte(goodLine[:100]))
	f.Fuzz(func(t *testing.T, line []byte) {
		rec, err := ParseRecord(line)
		if err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrVersion) {
				t.Fatalf("an error of no kind: %v", err)
			}
			return
		}
		if (rec.Reverse == nil) != (rec.Action == ActionRestore) {
			t.Fatalf("%s with reverse %v", rec.Action, rec.Reverse)
		}
		text, err := rec.encode()
		if err != nil {
			t.Fatalf("%+v: %v", rec, err)
		}
		if bytes.IndexByte(text, '\n') != len(text)-1 || !json.Valid(text) {
			t.Fatalf("not one line of JSON: %q", text)
		}
		again, err := ParseRecord(text)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		twice, err := again.encode()
		if err != nil || !bytes.Equal(text, twice) {
			t.Fatalf("%q became %q, %v", text, twice, err)
		}
	})
}

// FuzzLedger: any file at all opens or gives an error of a kind, is left as it
// is on an error, and opens without repairs the second time.
func FuzzLedger(f *testing.F) {
	f.Add([]byte(goodLine + "\n"))
	f.Add([]byte(goodLine))
	f.Add([]byte(goodLine + "\r\n\n" + goodLine + "\n" + goodLine[:50]))
	f.Add([]byte(goodLine + "\n" + goodLine[:50] + "\x00\x00\n"))
	f.Add([]byte("\x00\n" + goodLine + "\n"))
	// One folder in memory for all: the ledger's own syncs take long enough.
	dir := quickDir(f)
	root, err := os.OpenRoot(dir)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { root.Close() })
	f.Fuzz(func(t *testing.T, text []byte) {
		writeFile(t, dir, FileName, string(text))
		writeFile(t, dir, TornName, "")
		l, err := Open(root, "")
		if err != nil {
			if le := (*LineError)(nil); !errors.As(err, &le) {
				t.Fatalf("an error of no kind: %v", err)
			}
			if got := readFile(t, dir, FileName); got != string(text) {
				t.Fatalf("changed in spite of %v: %q", err, got)
			}
			return
		}
		n := len(l.Repairs().Temps)
		if err := l.Close(); err != nil || n > 0 {
			t.Fatal(err, n)
		}
		repaired, kept := readFile(t, dir, FileName), readFile(t, dir, TornName)
		if l, err = Open(root, ""); err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		// What was cut off is told again until its photo is safe; it is kept once.
		if readFile(t, dir, FileName) != repaired || readFile(t, dir, TornName) != kept {
			t.Fatalf("repaired twice: %q, kept %q", repaired, kept)
		}
	})
}

// TestLineIsBounded: a ledger that is one line without end is refused once some of
// it is read.
func TestLineIsBounded(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, FileName)
	// Zeros that take no room on disk.
	if err := errors.Join(os.WriteFile(name, []byte("{"), 0o644), os.Truncate(name, 1<<30)); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for _, err = range Read(root) {
		if err != nil {
			break
		}
	}
	runtime.ReadMemStats(&after)
	var le *LineError
	if !errors.As(err, &le) || !errors.Is(err, ErrDamaged) || le.Line != 1 {
		t.Errorf("got %v", err)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > 8*maxLine {
		t.Errorf("%d MiB allocated", n>>20)
	}
}
