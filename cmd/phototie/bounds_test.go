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

// reads matches the exported functions, in testdata/api, that take what comes from
// outside apart. What returns a value that is held already is none.
var reads = regexp.MustCompile(`(?m)^(?:func|method \([^)]*\)) ((?:Parse|Read|Unmarshal|Open|Sniff|Decode|Measure|Thumbnail|Records|Load|Import)[A-Za-z]*)\(`)

// TestBounds: testdata/bounds.md, the list of what inputs may claim, names tests and
// fuzz targets that there are, each fuzz target there is, and each exported
// function that reads something.
func TestBounds(t *testing.T) {
	text, err := os.ReadFile("testdata/bounds.md")
	if err != nil {
		t.Fatal(err)
	}
	list := string(text)
	in := func(pattern string) []string {
		out := regexp.MustCompile(pattern).FindAllString(list, -1)
		slices.Sort(out)
		return slices.Compact(out)
	}
	targets, tests := map[string]bool{}, map[string]bool{}
	of := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)[A-Z][A-Za-z0-9_]*)\(`)
	if err := filepath.WalkDir("../..", func(name string, e fs.DirEntry, err error) error {
		switch {
		case err != nil || e.IsDir() && e.Name() == ".git":
			return fs.SkipDir
		case e.IsDir() || !strings.HasSuffix(name, "_test.go"):
			return nil
		}
		text, err := os.ReadFile(name)
		for _, m := range of.FindAllStringSubmatch(string(text), -1) {
			if strings.HasPrefix(m[1], "Fuzz") {
				targets[m[1]] = true
			} else {
				tests[m[1]] = true
			}
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	for _, name := range in(`\b(Test|Fuzz)[A-Z][A-Za-z0-9]*`) {
		if name != "TestBounds" && !targets[name] && !tests[name] {
			t.Errorf("the list names %s, which is not there", name)
		}
	}
	for name := range targets {
		if !strings.Contains(list, "`"+name+"`") {
			t.Errorf("the fuzz target %s is not in the list", name)
		}
	}
	if len(targets) < 40 {
		t.Errorf("only %d fuzz targets were found", len(targets))
	}
	// Not readers: what they return is held already.
	held := []string{"SurveyRead", "SurveyFacts", "MeasuresPixels"}
	files, err := filepath.Glob("../../testdata/api/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range reads.FindAllStringSubmatch(string(text), -1) {
			if !slices.Contains(held, m[1]) && !regexp.MustCompile("[`.]"+m[1]+"`").MatchString(list) {
				t.Errorf("%s: %s reads something, and is not in the list", filepath.Base(file), m[1])
			}
		}
	}
	// Each line has a bound, and a test that holds it.
	for line := range strings.Lines(list) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| input") || strings.HasPrefix(line, "| ---") {
			continue
		}
		if len(cells) != 5 || strings.TrimSpace(cells[2]) == "" || !strings.Contains(cells[3], "`Test") {
			t.Errorf("no bound or no test: %s", line)
		}
	}
}
