package ledger

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"example.com/phototie/geotag"
	"golang.org/x/sys/unix"
)

// TestSharesBlocks: on a file system that can, the corrected copy takes no room but
// for what was changed, as filefrag sees it. It runs where the temporary folder
// (TMPDIR) is on one, such as btrfs or XFS.
func TestSharesBlocks(t *testing.T) {
	from, src := newRoot(t)
	photo := bytes.Repeat([]byte("0123456789abcdef"), 4<<20/16)
	writeFile(t, src, "1.jpg", string(photo))
	probe, err := os.Create(filepath.Join(src, "probe"))
	if err != nil {
		t.Fatal(err)
	}
	defer probe.Close()
	in, err := os.Open(filepath.Join(src, "1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	if err := unix.IoctlFileClone(int(probe.Fd()), int(in.Fd())); err != nil {
		t.Skipf("blocks can't be shared here: %v", err)
	}
	root, dir := newRoot(t)
	patch := &geotag.Patch{SizeBefore: int64(len(photo)), Splices: []geotag.Splice{
		{Off: 100 << 10, Old: []byte("0123"), New: []byte("3210")},
		{Off: int64(len(photo)), New: make([]byte, 300)},
	}}
	l := open(t, root)
	if _, err := l.CorrectInto(t.Context(), from, Change{Photo: "1.jpg", Patch: patch}); err != nil {
		t.Fatal(err)
	}
	want, err := patch.ApplyBytes(photo)
	if err != nil || readFile(t, dir, "1.jpg") != string(want) {
		t.Fatal("wrong bytes", err)
	}
	filefrag, err := exec.LookPath("filefrag")
	if err != nil {
		t.Skip(err)
	}
	out, err := exec.Command(filefrag, "-v", filepath.Join(dir, "1.jpg")).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !bytes.Contains(out, []byte("shared")) {
		t.Errorf("no block is shared:\n%s", out)
	}
	t.Logf("%s", out)
}
