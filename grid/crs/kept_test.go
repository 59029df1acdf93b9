package crs

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/grid"
)

// keep has searches kept in a folder for a test.
func keep(tb testing.TB) (folder string) {
	folder = tb.TempDir()
	KeepSearches(folder)
	tb.Cleanup(func() { KeepSearches("") })
	return folder
}

// keptFiles are the searches kept in a folder.
func keptFiles(tb testing.TB, folder string) []string {
	tb.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*", "*"))
	if err != nil {
		tb.Fatal(err)
	}
	return files
}

// planned makes the plan of a system for a datum anew. What else than paths it holds is
// made of them.
func planned(tb testing.TB, definition, datum string) []way {
	tb.Helper()
	p, err := mustOpen(tb, definition).plan(datum)
	if p == nil {
		tb.Fatal(definition, datum, err)
	}
	ways := append(append(append([]way(nil), p.ways...), p.missing...), p.excluded...)
	for i := range ways { // NaN equals nothing
		ways[i].accuracy = ways[i].rank()
	}
	return ways
}

// A search that was kept gives what PROJ gave, to the last digit, without PROJ: with and
// without grid files, with dated operations, with feet, in the field of the ensemble.
func TestKeptSearches(t *testing.T) {
	systems := []string{"EPSG:2157", "EPSG:27700", "EPSG:6543", "EPSG:28355", "EPSG:2193", "EPSG:31468", "EPSG:27572", "EPSG:32629", "EPSG:26910", "EPSG:5514"}
	datums := []string{"", "ETRS89", "NAD27"}
	plans := func() (all [][]way) {
		for _, s := range systems {
			for _, d := range datums {
				all = append(all, planned(t, s, d))
			}
		}
		return all
	}
	want := plans()
	folder := keep(t)
	if got := plans(); !reflect.DeepEqual(got, want) {
		t.Error("plans differ while searches are being kept")
	}
	files := keptFiles(t, folder)
	if len(files) < 3*len(systems) {
		t.Fatalf("%d searches kept", len(files))
	}
	times := map[string]os.FileInfo{}
	for _, f := range files {
		times[f], _ = os.Stat(f)
	}
	got := plans()
	for i := range want {
		if !reflect.DeepEqual(got[i], want[i]) {
			t.Errorf("%s from %q: %+v was kept, want %+v", systems[i/len(datums)], datums[i%len(datums)], got[i], want[i])
		}
	}
	for _, f := range keptFiles(t, folder) {
		if info, err := os.Stat(f); err != nil || !os.SameFile(info, times[f]) {
			t.Errorf("%s was searched for again", f)
		}
	}
}

// What is damaged, cut, of another search or of no use is not believed, and searched for
// again.
func TestKeptSearchesDamaged(t *testing.T) {
	want := planned(t, "EPSG:2157", "")
	folder := keep(t)
	planned(t, "EPSG:2157", "")
	files := keptFiles(t, folder)
	if len(files) < 5 {
		t.Fatalf("%d searches kept", len(files))
	}
	whole := map[string][]byte{}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		whole[f] = text
	}
	for name, damage := range map[string]func(text []byte) []byte{
		"cut":     func(text []byte) []byte { return text[:len(text)/2] },
		"empty":   func(text []byte) []byte { return nil },
		"one bit": func(text []byte) []byte { text[len(text)-20] ^= 1; return text },
		"another": func(text []byte) []byte { return whole[files[0]] },
	} {
		for _, f := range files {
			if err := os.WriteFile(f, damage(slices.Clone(whole[f])), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if got := planned(t, "EPSG:2157", ""); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, want %+v", name, got, want)
		}
		for _, f := range files {
			if text, err := os.ReadFile(f); err != nil || !bytes.Equal(text, whole[f]) {
				t.Errorf("%s: %s is not whole again: %v", name, f, err)
			}
		}
	}
	if err := os.RemoveAll(folder); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(folder, nil, 0o600); err != nil { // no folder can be made there
		t.Fatal(err)
	}
	if got := planned(t, "EPSG:2157", ""); !reflect.DeepEqual(got, want) {
		t.Error("a folder that can't be written changes the plan")
	}
}

// A grid file that was installed since, or that is gone, is noticed.
func TestKeptSearchesGrids(t *testing.T) {
	folder := keep(t)
	grids := t.TempDir()
	const file = "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
	runs := func(name string) bool {
		c, err := openWith("EPSG:27700", grid.OpenOptions{Folders: []string{grids}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := c.plan("ETRS89")
		if err != nil {
			t.Fatal(err)
		}
		all := append(slices.Clone(p.missing), p.ways...)
		i := slices.IndexFunc(all, func(w way) bool { return strings.Contains(w.pipeline, file) })
		if i < 0 {
			t.Fatalf("%s: no way by %s", name, file)
		}
		// PROJ looks for it, and does not open it before it is to be used.
		return len(all[i].path.missing) == 0 || all[i].path.missing[0].Unreadable
	}
	if runs("at first") {
		t.Skip(file + " is installed")
	}
	if runs("kept") {
		t.Error("a file that is not installed is found")
	}
	if err := os.WriteFile(filepath.Join(grids, file), []byte("no grid"), 0o644); err != nil {
		t.Fatal(err)
	}
	if !runs("installed") {
		t.Error("a file installed since is not found")
	}
	if err := os.Remove(filepath.Join(grids, file)); err != nil {
		t.Fatal(err)
	}
	if runs("removed") {
		t.Error("a file that is gone is found")
	}
	if len(keptFiles(t, folder)) == 0 {
		t.Error("nothing was kept")
	}
}

// Searches of another database or program go when the first of this one is kept, and
// what else lies in the folder stays.
func TestKeptSearchesOfOthers(t *testing.T) {
	folder := keep(t)
	old, other := filepath.Join(folder, digest("another database")), filepath.Join(folder, "notes")
	for _, dir := range []string{old, other} {
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	planned(t, "EPSG:2157", "")
	if _, err := os.Stat(old); err == nil {
		t.Error("searches of another database are kept for ever")
	}
	if _, err := os.Stat(other); err != nil {
		t.Error(err)
	}
}

// Several write and read the same searches at the same time.
func TestKeptSearchesConcurrent(t *testing.T) {
	want := planned(t, "EPSG:2157", "")
	keep(t)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			c, err := Open("EPSG:2157")
			if err != nil {
				t.Error(err)
				return
			}
			p, err := c.plan("")
			if err != nil || len(p.ways) != len(want) || p.ways[0].pipeline != want[0].pipeline {
				t.Errorf("%+v, %v", p, err)
			}
		})
	}
	all.Wait()
}

// Whatever a file holds, it is taken for a search only with the digest of that search.
func FuzzKeptSearch(f *testing.F) {
	paths := []path{{steps: []step{{name: "x", accuracy: 0.1}}, pipeline: "+proj=noop", areas: []area{{bounds{-180, -90, 180, 90}, "World"}}, runnable: true}}
	text, err := json.Marshal(paths)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(append([]byte(digest("search"+string(text))+"\n"), text...))
	f.Add([]byte(digest("searchnull") + "\nnull"))
	f.Add([]byte("\n[]"))
	f.Fuzz(func(t *testing.T, content []byte) {
		file := filepath.Join(t.TempDir(), "kept")
		if err := os.WriteFile(file, content, 0o600); err != nil {
			t.Fatal(err)
		}
		paths, ok := readKept(file, "search")
		if !ok {
			return
		}
		if want := digest("search" + string(content[65:])); string(content[:64]) != want {
			t.Errorf("%q was taken for %+v", content, paths)
		}
		writeKept(file, "search", paths)
		if again, ok := readKept(file, "search"); !ok || !reflect.DeepEqual(again, paths) {
			t.Errorf("%+v came back as %+v", paths, again)
		}
	})
}
