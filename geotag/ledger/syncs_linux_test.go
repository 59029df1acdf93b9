package ledger

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestSyncs lets the kernel's own account of the calls (strace) decide what is
// synced before what: no test that only looks at files can tell.
func TestSyncs(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	dir := t.TempDir()
	writeFile(t, dir, "p/1.jpg", string(newJob(1).old[0]))
	log := filepath.Join(t.TempDir(), "log")
	cmd := exec.Command(strace, "-f", "-y", "-s", "16", "-o", log,
		"-e", "trace=write,fsync,fdatasync,rename,renameat,renameat2", os.Args[0])
	cmd.Env = append(os.Environ(), workerEnv+"=one", folderEnv+"="+dir, stageEnv+"=")
	if out, err := cmd.CombinedOutput(); err != nil {
		if strings.Contains(string(out), "ptrace") || strings.Contains(string(out), "PTRACE") {
			t.Skipf("tracing is not permitted here: %s", out)
		}
		t.Fatalf("%v\n%s", err, out)
	}
	b, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
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
