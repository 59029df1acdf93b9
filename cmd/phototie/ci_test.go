package main

import (
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The commands of the example pipelines run, on a delivery laid out as they have
// it: the gate passes with the findings accepted, and fails without.
func TestExamplePipelines(t *testing.T) {
	files, err := filepath.Glob("../../examples/ci/*.yml")
	if err != nil || len(files) != 2 {
		t.Fatalf("%d example pipelines, want 2: %v", len(files), err)
	}
	dir := t.TempDir()
	run := func(want int, args ...string) {
		t.Helper()
		cmd := exec.Command(program, args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		if cmd.ProcessState == nil || cmd.ProcessState.ExitCode() != want {
			t.Fatalf("phototie %q: %v, want exit code %d\n%s", args, err, want, out)
		}
	}
	const accepted = "deliveries/quay.accepted.toml"
	if err := os.Mkdir(filepath.Join(dir, "deliveries"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := copyExample(filepath.Join(dir, "deliveries/quay")); err != nil {
		t.Fatal(err)
	}
	run(exitOK, "check", "--write-baseline", accepted, "deliveries/quay")
	text, err := os.ReadFile(filepath.Join(dir, accepted))
	if err != nil {
		t.Fatal(err)
	}
	filled := strings.ReplaceAll(string(text), `reason = ""`, `reason = "planted in the demo"`)
	i := strings.LastIndex(filled, "\n# ")
	if i < 0 {
		t.Fatalf("the baseline has no entries:\n%s", filled)
	}
	hook, err := os.ReadFile("../../.pre-commit-hooks.yaml")
	entry := regexp.MustCompile(`(?s)args: \[(.*?)\].*entry: phototie (.*?)\n`).FindStringSubmatch(string(hook))
	if err != nil || entry == nil {
		t.Fatalf("the hook has no entry: %v", err)
	}
	run(exitInput, append(strings.Fields(entry[2]), strings.Split(entry[1], ", ")...)...) // no reasons yet
	for _, f := range files {
		yaml, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		command := regexp.MustCompile(`(?s)phototie (check .*?deliveries/quay)\n`).FindSubmatch(yaml)
		if command == nil {
			t.Fatalf("%s runs no check", f)
		}
		args := strings.Fields(strings.ReplaceAll(string(command[1]), "\\\n", " "))
		// All are accepted; then all but the last.
		for _, c := range []struct {
			baseline string
			want     int
		}{{filled, exitOK}, {filled[:i+1], exitFindings}} {
			if err := os.WriteFile(filepath.Join(dir, accepted), []byte(c.baseline), 0o644); err != nil {
				t.Fatal(err)
			}
			run(c.want, args...)
		}
		for _, out := range regexp.MustCompile(`--out (\S+)`).FindAllSubmatch(yaml, -1) {
			if _, err := os.Stat(filepath.Join(dir, string(out[1]))); err != nil {
				t.Errorf("%s: %v", f, err)
			}
			if n := strings.Count(string(yaml), string(out[1])); n < 2 {
				t.Errorf("%s writes %s and does nothing with it", f, out[1])
			}
		}
	}
}

// The steps of the example pipelines that take the archive, where its place is given, put
// the program on the PATH, and refuse an archive with other bytes than were promised.
func TestExampleArchive(t *testing.T) {
	for _, tool := range []string{"curl", "tar", "sha256sum", "bash"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skip(err)
		}
	}
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "phototie-1-linux-amd64", "bin"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(program, filepath.Join(dir, "phototie-1-linux-amd64", "bin", "phototie")); err != nil {
		t.Fatal(err)
	}
	archive := filepath.Join(dir, "phototie-1-linux-amd64.tar.gz")
	if out, err := exec.Command("tar", "-czf", archive, "-C", dir, "phototie-1-linux-amd64").CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	raw, err := os.ReadFile(archive)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ file, steps, after string }{
		{"github.yml", `(?s)name: Unpack phototie.*?run: \|\n(.*?)\n\n`, `PATH="$(cat "$GITHUB_PATH"):$PATH"`},
		{"gitlab.yml", `(?s)before_script:\n    - \|\n(.*?)\n  script:`, ""},
	} {
		yaml, err := os.ReadFile(filepath.Join("../../examples/ci", c.file))
		steps := regexp.MustCompile(c.steps).FindSubmatch(yaml)
		if err != nil || steps == nil {
			t.Fatalf("%s has no steps for the archive: %v", c.file, err)
		}
		for _, sum := range []string{fmt.Sprintf("%x", sha256.Sum256(raw)), fmt.Sprintf("%x", sha256.Sum256(nil))} {
			at := t.TempDir()
			text := strings.ReplaceAll(string(steps[1]), "/tmp/", at+"/")
			cmd := exec.Command("bash", "-ec", text+"\n"+c.after+"\nphototie help limits")
			cmd.Env = append(os.Environ(), "PHOTOTIE_ARCHIVE=file://"+archive, "PHOTOTIE_SHA256="+sum, "RUNNER_TEMP="+at, "GITHUB_PATH="+filepath.Join(at, "path"))
			out, err := cmd.CombinedOutput()
			if whole := sum == fmt.Sprintf("%x", sha256.Sum256(raw)); whole != (err == nil) || whole != strings.Contains(string(out), "Raw files") {
				t.Errorf("%s with the sum %s: %v\n%s", c.file, sum, err, out)
			}
		}
	}
}
