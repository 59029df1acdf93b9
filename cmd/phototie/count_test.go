package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// lookedAt finds how many photos are to be looked at, in the text, in the summary and
// in the record.
var lookedAt = regexp.MustCompile(`([0-9]+) of ([0-9]+) photos? (?:is |are )?to (?:be looked at|look at)`)

// The number of photos to look at is the same in the text, the summary and the record,
// whatever the job: with causes, with few, with one photo, without links.
func TestOneCount(t *testing.T) {
	dir := t.TempDir()
	say := func(args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(t.Context(), args, &out, &errs); code > exitFindings {
			t.Fatalf("%q: %s", args, errs.String())
		}
		return out.String()
	}
	velland, tallow := filepath.Join(dir, "velland"), filepath.Join(dir, "tallow")
	if err := copyExample(velland); err != nil {
		t.Fatal(err)
	}
	say("demo", "--job", "tallow-creek", tallow)
	variant := func(name string, change func(dir string) error) string {
		to := filepath.Join(dir, name)
		if err := os.CopyFS(to, os.DirFS(tallow)); err != nil {
			t.Fatal(err)
		}
		if err := change(to); err != nil {
			t.Fatal(err)
		}
		return to
	}
	for _, c := range []struct {
		job, record string // what the record says where it has no number
	}{
		{velland, ""}, {tallow, ""},
		{variant("unlinked", func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "links.csv"), []byte("photo,point\n"), 0o644)
		}), ""},
		{variant("one", func(dir string) error {
			photos, err := filepath.Glob(filepath.Join(dir, "photos", "*", "*", "*.jpg"))
			for _, p := range photos[1:] {
				if err := os.Remove(p); err != nil {
					return err
				}
			}
			return err
		}), "The one photo is within the budget."},
	} {
		t.Run(filepath.Base(c.job), func(t *testing.T) {
			var seen []string
			for _, args := range [][]string{{"check", "--pixels", "never"}, {"check", "--pixels", "never", "--all"}, {"check", "--pixels", "never", "--summary"}, {"report", "--pixels", "never", "--out", "-", "--pictures", "none"}} {
				text := say(append(args, c.job)...)
				m := lookedAt.FindStringSubmatch(text)
				switch {
				case m != nil:
					seen = append(seen, m[1])
				case c.record != "" && strings.Contains(text, c.record):
					seen = append(seen, "0")
				default:
					t.Errorf("%q says no number", args)
				}
			}
			for _, n := range seen {
				if n != seen[0] {
					t.Errorf("text, all of it, summary and record say %v", seen)
				}
			}
		})
	}
}
