package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"example.com/phototie/match"
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
	code := regexp.MustCompile("(?s)<!-- (examples/[a-z]+/main\\.go) -->\n```go\n.*?```")
	examples := 0
	now = code.ReplaceAllFunc(now, func(block []byte) []byte {
		examples++
		name := string(code.FindSubmatch(block)[1])
		src, err := os.ReadFile(filepath.Join("../..", name))
		if err != nil {
			t.Fatal(err)
		}
		return []byte("<!-- " + name + " -->\n```go\n" + string(src) + "```")
	})
	if examples != 3 {
		t.Errorf("%d examples in README, want 3", examples)
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

// README names every finding code, schema, command and exit code there is.
func TestReadmeIsComplete(t *testing.T) {
	text, err := os.ReadFile(readme)
	if err != nil {
		t.Fatal(err)
	}
	names := []string{report.CheckFormat, report.CompareFormat, report.CorrectFormat, report.PackFormat, report.RestoreFormat}
	for _, c := range match.FindingCodes {
		names = append(names, string(c))
	}
	for _, c := range newRoot(&env{}).Commands() {
		if c.Name() != "help" {
			names = append(names, "phototie "+c.Name())
		}
	}
	for _, n := range names {
		if !strings.Contains(string(text), n) {
			t.Errorf("README does not mention %s", n)
		}
	}
}
