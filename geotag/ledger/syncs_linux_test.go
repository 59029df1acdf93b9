package ledger

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// traced runs a worker in dir and gives its calls as strace saw them, with strings
// cut at so many bytes.
func traced(t *testing.T, what, dir, strings string) []byte {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	log := filepath.Join(t.TempDir(), "log")
	cmd := exec.Command(strace, "-f", "-y", "-s", strings, "-o", log,
		"-e", "trace=write,fsync,fdatasync,rename,renameat,renameat2", os.Args[0])
	cmd.Env = append(os.Environ(), workerEnv+"="+what, folderEnv+"="+dir, stageEnv+"=")
	if out, err := cmd.CombinedOutput(); err != nil {
		if bytes.Contains(out, []byte("ptrace")) || bytes.Contains(out, []byte("PTRACE")) {
			t.Skipf("tracing is not permitted here: %s", out)
		}
		t.Fatalf("%v\n%s", err, out)
	}
	b, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestSyncs lets the kernel's own account of the calls (strace) decide what is
// synced before what: no test that only looks at files can tell.
func TestSyncs(t *testing.T) {
	dir := t.TempDir()
	writeFile(t, dir, "p/1.jpg", string(newJob(1).old[0]))
	b := traced(t, "one", dir, "16")
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	call := regexp.MustCompile(`(write|fsync|fdatasync|rename\w*)\(\d+<([^>]*)>`)
	var got []string
	for ln := range strings.Lines(string(b)) {
		m := call.FindStringSubmatch(ln)
		if m == nil || strings.Contains(ln, "resumed>") {
			continue
		}
		rel, ok := strings.CutPrefix(m[2], real)
		if !ok || rel == "/"+lockName {
			continue
		}
		what := m[1]
		switch {
		case isTemp(filepath.Base(rel)):
			rel = "temp"
		case rel == "/"+FileName:
			rel = "ledger"
		case rel == "":
			rel = "root"
		}
		if what == "renameat2" {
			what = "renameat"
		}
		if s := what + " " + rel; len(got) == 0 || got[len(got)-1] != s {
			got = append(got, s)
		}
	}
	want := []string{
		"write temp", "fsync temp",
		"fsync root", // the new ledger file's name
		"write ledger", "fsync ledger",
		"renameat /p", "fsync /p",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q\n%s", got, want, b)
	}
}

// TestBulkSyncs holds what is promised of the order against the same account, for
// four photos of three folders as one group: each temporary file is synced before
// the records are written, those are synced before the first rename, all together
// once, and the folders before the first pair.
func TestBulkSyncs(t *testing.T) {
	dir := t.TempDir()
	j := newJob(4)
	j.write(t, dir)
	b := traced(t, "four", dir, "4096")
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	call := regexp.MustCompile(`(write|fsync|renameat2?)\((\d+)<([^>]*)>(?:, "((?:[^"\\]|\\.)*)")?(?:, \d+<[^>]*>, "([^"]*)")?`)
	synced := map[string]bool{} // temporary files
	for ln := range strings.Lines(string(b)) {
		m := call.FindStringSubmatch(ln)
		if m == nil || strings.Contains(ln, "resumed>") {
			continue
		}
		what, text := m[1], m[4]
		rel, in := strings.CutPrefix(m[3], real)
		switch {
		case what == "write" && strings.HasPrefix(text, "pair "):
			got = append(got, "pair")
		case !in || rel == "/"+lockName || what == "write" && isTemp(filepath.Base(rel)):
		case what == "fsync" && isTemp(filepath.Base(rel)):
			synced[filepath.Base(rel)] = true
		case what == "write" && rel == "/"+FileName:
			got = append(got, fmt.Sprintf("write %d records after %d files are synced", strings.Count(text, `\"photo\":`), len(synced)))
		case strings.HasPrefix(what, "rename"):
			if !synced[text] {
				t.Errorf("%s is renamed and not synced", text)
			}
			got = append(got, "rename to "+rel+"/"+m[5])
		default:
			got = append(got, what+" "+rel)
		}
	}
	want := []string{"fsync ", "write 4 records after 4 files are synced", "fsync /" + FileName}
	for _, name := range j.names {
		want = append(want, "rename to /"+name)
	}
	want = append(want, "fsync /day1", "fsync /day2", "fsync /day3", "pair", "pair", "pair", "pair")
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q\n%s", got, want, b)
	}
}
