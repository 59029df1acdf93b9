package main

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"example.com/phototie/match/report"
)

const readme = "../../README.md"

// README shows what the program prints: each console block is run, in order and
// in one folder, and compared. With PHOTOTIE_UPDATE_README set the blocks are
// written anew instead, and so is the code of the examples.
func TestReadmeIsTrue(t *testing.T) {
	update := os.Getenv("PHOTOTIE_UPDATE_README") != ""
	text, err := os.ReadFile(readme)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	blocks := 0
	console := regexp.MustCompile("(?s)```console\n(.*?)```")
	now := console.ReplaceAllFunc(text, func(block []byte) []byte {
		blocks++
		body := string(console.FindSubmatch(block)[1])
		var out strings.Builder
		for _, line := range strings.Split(body, "\n") {
			command, ok := strings.CutPrefix(line, "$ phototie ")
			if !ok {
				continue
			}
			cmd := exec.Command(program, strings.Fields(command)...)
			cmd.Dir = dir
			got, err := cmd.CombinedOutput()
			if code := cmd.ProcessState.ExitCode(); err != nil && code != exitFindings {
				t.Errorf("%s: exit code %d\n%s", line, code, got)
			}
			fmt.Fprintf(&out, "%s\n%s", line, got)
		}
		return []byte("```console\n" + out.String() + "```")
	})
	if blocks < 4 {
		t.Errorf("only %d console blocks in README; is the tour gone?", blocks)
	}
	code := regexp.MustCompile("(?s)<!-- (examples/[a-z]+/main\\.go) (\\w+) -->\n```go\n.*?```")
	examples := 0
	now = code.ReplaceAllFunc(now, func(block []byte) []byte {
		examples++
		m := code.FindSubmatch(block)
		body := function(t, filepath.Join("../..", string(m[1])), string(m[2]))
		if n := strings.Count(body, "\n") - 2; n > 25 { // without its first line and last brace
			t.Errorf("%s: %s has %d lines, at most 25 for README", m[1], m[2], n)
		}
		return fmt.Appendf(nil, "<!-- %s %s -->\n```go\n%s```", m[1], m[2], body)
	})
	if examples != 1 {
		t.Errorf("%d examples in README, want 1", examples)
	}
	if bytes.Equal(now, text) {
		return
	}
	if update {
		if err := os.WriteFile(readme, now, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, have := strings.Split(string(now), "\n"), strings.Split(string(text), "\n")
	for i := range want {
		if i >= len(have) || want[i] != have[i] {
			line := ""
			if i < len(have) {
				line = have[i]
			}
			t.Fatalf("README.md:%d says\n%s\nbut it is\n%s\nRun this test with PHOTOTIE_UPDATE_README=1 and read the difference.", i+1, line, want[i])
		}
	}
	t.Fatal("README.md has lines at its end that are not so any more")
}

// function is the source of a function in a file.
func function(t *testing.T, file, name string) string {
	t.Helper()
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, src, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range f.Decls {
		if d, ok := d.(*ast.FuncDecl); ok && d.Name.Name == name {
			return string(src[fset.Position(d.Pos()).Offset:fset.Position(d.End()).Offset]) + "\n"
		}
	}
	t.Fatalf("%s has no function %s", file, name)
	return ""
}

// README and the topics of help name every schema, command and topic there is.
func TestReadmeIsComplete(t *testing.T) {
	page, err := os.ReadFile(readme)
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	for _, c := range newTopics() {
		var b strings.Builder
		c.SetOut(&b)
		if err := c.Help(); err != nil || b.Len() < 200 {
			t.Errorf("help %s: %q, %v", c.Name(), b.String(), err)
		}
		for i, line := range strings.Split(b.String(), "\n") {
			if n := utf8.RuneCountInString(line); n > 80 {
				t.Errorf("help %s, line %d has %d columns", c.Name(), i+1, n)
			}
		}
		text += b.String()
		if !strings.Contains(string(page), "`"+c.Name()+"`") {
			t.Errorf("README does not name the topic %s", c.Name())
		}
	}
	names := []string{report.CheckFormat, report.CompareFormat, report.CorrectFormat, report.PackFormat, report.RestoreFormat}
	for _, c := range newRoot(&env{}).Commands() {
		if c.Runnable() && !c.Hidden && c.Name() != "help" {
			names = append(names, "phototie "+c.Name())
		}
	}
	for _, n := range names {
		if !strings.Contains(text, n) {
			t.Errorf("neither README nor a topic mentions %s", n)
		}
	}
}
