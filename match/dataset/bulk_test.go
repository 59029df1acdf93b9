package dataset_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// The changes come in the order of the photos, however many files each of them
// takes. A run that ends early, by the caller or by a file in the way, has done
// what it told, the ledger is free, and the next run ends as one that was never
// disturbed.
func TestCorrectEndsEarly(t *testing.T) {
	dir := rawJob(t)
	d, err := job(t, dir)
	if err != nil {
		t.Fatal(err)
	}
	res, err := d.Check(context.Background(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	// run corrects until so many changes came.
	run := func(into string, until int) (changes []dataset.Change, err error) {
		opt := dataset.CorrectOptions{Into: into, Policy: match.Policy{Only: match.Verdicts, Contradicted: true}}
		for c, err := range res.Correct(context.Background(), opt) {
			if err != nil {
				return changes, err
			}
			if changes = append(changes, c); len(changes) == until {
				break
			}
		}
		return changes, nil
	}
	whole := filepath.Join(t.TempDir(), "whole")
	all, err := run(whole, -1)
	if err != nil || len(all) != len(res.Photos) {
		t.Fatal(len(all), err)
	}
	want := files(t, whole)
	// told makes sure of what a run told.
	told := func(into string, changes []dataset.Change) {
		t.Helper()
		got := files(t, into)
		for i, c := range changes {
			if c.Photo != res.Photos[i].Name || c.Outcome != all[i].Outcome || c.After != all[i].After {
				t.Errorf("%d: %+v, undisturbed %+v", i, c, all[i])
			}
			file := c.Photo
			if c.Outcome == dataset.Corrected && c.Sidecar != "" {
				file = c.Sidecar
			}
			if sum := fmt.Sprintf("%x", sha256.Sum256([]byte(want[file]))); c.After != sum {
				t.Errorf("%s: after is %q, and %s has %s", c.Photo, c.After, file, sum)
			}
			if got[file] != want[file] || got[c.Photo] != want[c.Photo] {
				t.Errorf("%s was told of before it was there", c.Photo)
			}
		}
	}
	for until := 1; until < len(all); until++ {
		into := filepath.Join(t.TempDir(), "into")
		changes, err := run(into, until)
		if err != nil {
			t.Fatal(err)
		}
		told(into, changes)
		if _, err := run(into, -1); err != nil {
			t.Fatal(err)
		}
		same(t, "again", files(t, into), want)
	}
	// Another's side-car in the place of a photo's is an error that ends the run,
	// and what the photo needs besides is not done.
	for at, c := range all {
		if c.Sidecar == "" {
			continue
		}
		into := filepath.Join(t.TempDir(), "into")
		if err := os.MkdirAll(filepath.Join(into, "photos"), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(into, c.Photo), []byte("another's"), 0o644); err != nil {
			t.Fatal(err)
		}
		changes, err := run(into, -1)
		if !errors.Is(err, ledger.ErrExists) || len(changes) != at {
			t.Errorf("%s: %d changes, %v", c.Photo, len(changes), err)
		}
		told(into, changes)
		there := files(t, into)
		if _, ok := there[c.Sidecar]; ok {
			t.Errorf("%s is there without its photo", c.Sidecar)
		}
		if err := os.Remove(filepath.Join(into, c.Photo)); err != nil {
			t.Fatal(err)
		}
		if again, err := run(into, -1); err != nil || !slices.EqualFunc(again, all, func(a, b dataset.Change) bool { return a.Photo == b.Photo }) {
			t.Error(err)
		}
		same(t, "mended", files(t, into), want)
	}
}
