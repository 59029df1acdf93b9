package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// Every package whose code starts goroutines is tested with the race detector: it is in
// the Makefile's RACE. The command itself, which waits for signals beside its work, has
// some of its scripts tested so.
func TestRaced(t *testing.T) {
	text, err := os.ReadFile("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^RACE := (.*)$`).FindSubmatch(text)
	if m == nil {
		t.Fatal("the Makefile has no RACE")
	}
	raced := strings.Fields(string(m[1]))
	starts := regexp.MustCompile(`(?m)^\s*go (?:func\b|\w+[.(])|\.Go\(`)
	err = filepath.WalkDir("../..", func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if name := d.Name(); d.IsDir() && (name == "testdata" || name == "batch" || name == "objectstore" || strings.HasPrefix(name, ".") && len(name) > 2) {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(file, ".go") || strings.HasSuffix(file, "_test.go") {
			return nil
		}
		code, err := os.ReadFile(file)
		if err != nil || !starts.Match(code) {
			return err
		}
		dir, err := filepath.Rel("../..", filepath.Dir(file))
		if err != nil {
			return err
		}
		dir = "./" + filepath.ToSlash(dir)
		if dir != "./cmd/phototie" && !slices.ContainsFunc(raced, func(p string) bool {
			folder, below := strings.CutSuffix(p, "/...")
			return dir == p || below && (dir == folder || strings.HasPrefix(dir, folder+"/"))
		}) {
			t.Errorf("%s starts goroutines, and RACE in the Makefile lacks %s", file, dir)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
