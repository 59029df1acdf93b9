package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.com/phototie/geotag"
	"golang.org/x/sys/unix"
)

// mount mounts a small file system in memory on a new folder, or skips.
func mount(t *testing.T, dir, options string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		t.Skipf("mounting is not permitted here: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
}

func readOnly(t *testing.T, dir string) {
	t.Helper()
	if err := unix.Mount("tmpfs", dir, "tmpfs", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Skipf("mounting is not permitted here: %v", err)
	}
}

// nobody is the user that asNobody becomes.
const nobody = 65534

// asNobody runs f without root's right to pass over modes and owners: where the
// test runs as root, it changes this thread's identity for file access, which
// takes the matching capabilities with it (setfsuid(2)).
func asNobody(t *testing.T, f func()) {
	t.Helper()
	if os.Getuid() != 0 {
		f()
		return
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	unix.SetfsgidRetGid(nobody)
	unix.SetfsuidRetUid(nobody)
	defer func() {
		unix.SetfsuidRetUid(0)
		unix.SetfsgidRetGid(0)
	}()
	if id, err := unix.SetfsuidRetUid(-1); err != nil || id != nobody {
		t.Fatalf("still %d for file access: %v", id, err)
	}
	f()
}

// give makes nobody the owner of what is below dir, a t.TempDir, where the test
// runs as root.
func give(t *testing.T, dir string) {
	t.Helper()
	if os.Getuid() != 0 {
		return
	}
	err := filepath.WalkDir(filepath.Dir(dir), func(p string, _ fs.DirEntry, err error) error {
		return errors.Join(err, os.Lchown(p, nobody, nobody))
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestFullDisk: whichever file the disk is too full for, the photo and the
// ledger stay as they were, and the same Ledger goes on once there is room.
func TestFullDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "disk")
	mount(t, dir, "size=1m")
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	small := strings.Repeat("p", 100<<10) + "tag 0"
	grown := strings.Repeat("n", 200<<10)
	writeFile(t, dir, "1.jpg", small)
	writeFile(t, dir, "2.jpg", small)
	l := open(t, root)
	if _, err := l.Correct(t.Context(), Change{Photo: "2.jpg", Patch: replace(t, small, "tag 0", "tag 1")}); err != nil {
		t.Fatal(err)
	}
	// fill leaves so many bytes.
	fill := func(left int64) {
		t.Helper()
		if err := os.Remove(filepath.Join(dir, "filler")); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
		var st unix.Statfs_t
		if err := unix.Statfs(dir, &st); err != nil {
			t.Fatal(err)
		}
		if n := int64(st.Bavail)*st.Bsize - left; n > 0 {
			writeFile(t, dir, "filler", strings.Repeat("f", int(n)))
		}
	}
	for _, tt := range []struct {
		name  string
		left  int64
		patch *geotag.Patch
	}{
		{"no room at all", 0, replace(t, small, "tag 0", "tag 1")},
		{"no room for the photo", 200 << 10, replace(t, small, "tag 0", grown)},
		// The photo fits, but not its record, whose patch is larger than a page
		// of the disk, so that a part of the line is written.
		{"no room for the record", 312 << 10, replace(t, small, "tag 0", grown)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			fill(tt.left)
			var stages []string
			l.trace = func(s, _ string) { stages = append(stages, s) }
			defer func() { l.trace = nil }()
			before, ledger := tree(t, dir), readFile(t, dir, FileName)
			res, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: tt.patch})
			if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), `"1.jpg"`) || res.Written {
				t.Errorf("%+v, %v", res, err)
			}
			if want := tt.name == "no room for the record"; slices.Contains(stages, "synced") != want || slices.Contains(stages, "recorded") {
				t.Errorf("failed after %q", stages)
			}
			if readFile(t, dir, FileName) != ledger {
				t.Error("the ledger changed")
			}
			before[FileName] = tree(t, dir)[FileName] // its time may have
			sameTree(t, dir, before)
		})
	}
	fill(900 << 10)
	if _, err := l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, small, "tag 0", "tag 1")}); err != nil {
		t.Fatal(err)
	}
	out := outcomes(t, l, nil, false)
	if out["1.jpg"].Status != Restored || out["2.jpg"].Status != Restored || readFile(t, dir, "1.jpg") != small {
		t.Errorf("%v", out)
	}
}

// TestFullDiskBulk: the disk has room for the temporary files of a group, but not
// for the record of one of them. That one fails; the others are done, each with a
// sound record.
func TestFullDiskBulk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "disk")
	mount(t, dir, "size=2m")
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	grown := strings.Repeat("n", 300<<10)
	var tasks []Task
	for i := range 4 {
		name, new := fmt.Sprintf("%d.jpg", i), "tag 1!,"
		if i == 1 {
			new += grown
		}
		writeFile(t, dir, name, "tag 0,")
		tasks = append(tasks, Task{Change: Change{Photo: name, Patch: replace(t, "tag 0,", "tag 0,", new)}})
	}
	l := open(t, root)
	writeFile(t, dir, "first.jpg", "tag 0")
	if _, err := l.Correct(t.Context(), Change{Photo: "first.jpg", Patch: replace(t, "tag 0", "0", "1")}); err != nil {
		t.Fatal(err)
	}
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		t.Fatal(err)
	}
	// The files take 304 KiB and three pages, the record of the second 400 KiB.
	writeFile(t, dir, "filler", strings.Repeat("f", int(int64(st.Bavail)*st.Bsize-500<<10)))
	together(l, 4, tasks[0].Photo)
	got := collect(l, t.Context(), tasks...)
	for i, p := range got {
		if (i == 1) != errors.Is(p.err, syscall.ENOSPC) || (i != 1) != p.Written {
			t.Errorf("photo %d: %+v, %v", i, p.Written, p.err)
		}
		if is := isNew(t, dir, tasks[i].Photo); is != (i != 1) {
			t.Errorf("photo %d new: %v", i, is)
		}
	}
	if on := recorded(t, root); !slices.Equal(on, []string{"first.jpg", "0.jpg", "2.jpg", "3.jpg"}) {
		t.Errorf("on record: %q", on)
	}
	if temps := leftTemps(t, dir); temps != nil {
		t.Errorf("%q is left", temps)
	}
	for name, o := range outcomes(t, l, nil, false) {
		if o.Status != Restored {
			t.Errorf("%s: %+v", name, o)
		}
	}
}

// TestReadOnly: a folder that can't be written to, by its file system (which
// binds root too) and by its mode.
func TestReadOnly(t *testing.T) {
	patch := replace(t, "tag 0", "0", "1")
	t.Run("all, by the file system", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "disk")
		mount(t, dir, "size=1m")
		writeFile(t, dir, "1.jpg", "tag 0")
		writeFile(t, dir, FileName, goodLine+"\n")
		readOnly(t, dir)
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		if _, err := Open(root, ""); !errors.Is(err, syscall.EROFS) || !strings.Contains(err.Error(), dir) {
			t.Errorf("got %v", err)
		}
		n := 0
		for rec, err := range Read(root) {
			if n++; err != nil || rec.Photo != "a/b c.jpg" {
				t.Errorf("%+v, %v", rec, err)
			}
		}
		if n != 1 {
			t.Errorf("%d records read", n)
		}
		// As a source it is as good as any.
		into, dst := newRoot(t)
		if _, err := open(t, into).CorrectInto(t.Context(), root, Change{Photo: "1.jpg", Patch: patch}); err != nil || readFile(t, dst, "1.jpg") != "tag 1" {
			t.Error(err)
		}
	})
	t.Run("the photo's folder, by the file system", func(t *testing.T) {
		root, dir := newRoot(t)
		mount(t, filepath.Join(dir, "card"), "size=1m")
		writeFile(t, dir, "card/1.jpg", "tag 0")
		readOnly(t, filepath.Join(dir, "card"))
		l := open(t, root)
		before := tree(t, dir)
		if _, err := l.Correct(t.Context(), Change{Photo: "card/1.jpg", Patch: patch}); !errors.Is(err, syscall.EROFS) || !strings.Contains(err.Error(), "card/1.jpg") {
			t.Errorf("got %v", err)
		}
		sameTree(t, dir, before)
	})
	t.Run("the photo's folder, by its mode", func(t *testing.T) {
		root, dir := newRoot(t)
		writeFile(t, dir, "card/1.jpg", "tag 0")
		if err := os.Chmod(filepath.Join(dir, "card"), 0o555); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.Chmod(filepath.Join(dir, "card"), 0o755) })
		give(t, dir)
		before := tree(t, dir)
		asNobody(t, func() {
			l := open(t, root)
			if _, err := l.Correct(t.Context(), Change{Photo: "card/1.jpg", Patch: patch}); !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), "card/1.jpg") {
				t.Errorf("got %v", err)
			}
		})
		sameTree(t, dir, before)
	})
	t.Run("an unreadable photo", func(t *testing.T) {
		root, dir := newRoot(t)
		writeFile(t, dir, "1.jpg", "tag 0")
		if err := os.Chmod(filepath.Join(dir, "1.jpg"), 0o200); err != nil {
			t.Fatal(err)
		}
		give(t, dir)
		asNobody(t, func() {
			if _, err := open(t, root).Correct(t.Context(), Change{Photo: "1.jpg", Patch: patch}); !errors.Is(err, fs.ErrPermission) {
				t.Errorf("got %v", err)
			}
		})
	})
	t.Run("another user's ledger", func(t *testing.T) {
		if os.Getuid() != 0 {
			t.Skip("only root can make another user's file")
		}
		root, dir := newRoot(t)
		give(t, dir)
		writeFile(t, dir, FileName, goodLine+"\n")
		asNobody(t, func() {
			if _, err := Open(root, ""); !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), FileName) {
				t.Errorf("got %v", err)
			}
		})
	})
}

// TestUnreadableFolder: the search for temporary files goes round it.
func TestUnreadableFolder(t *testing.T) {
	root, dir := newRoot(t)
	if err := os.Mkdir(filepath.Join(dir, "lost+found"), 0); err != nil {
		t.Fatal(err)
	}
	give(t, dir)
	asNobody(t, func() {
		if r := open(t, root).Repairs(); !slices.Equal(r.Unread, []string{"lost+found"}) {
			t.Errorf("%+v", r)
		}
	})
}

// TestForeignOwner: who may write in the folder may correct another user's
// photo, and is told that the new file is theirs.
func TestForeignOwner(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root can make another user's file")
	}
	root, dir := newRoot(t)
	give(t, dir)
	writeFile(t, dir, "1.jpg", "tag 0")
	if err := os.Chown(filepath.Join(dir, "1.jpg"), 1234, 2345); err != nil {
		t.Fatal(err)
	}
	asNobody(t, func() {
		res, err := open(t, root).Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")})
		if err != nil || len(res.Notes) != 2 || !strings.Contains(res.Notes[0], "owner could not be kept") || !strings.Contains(res.Notes[1], "group could not be kept") {
			t.Errorf("%q, %v", res.Notes, err)
		}
	})
	if got := readFile(t, dir, "1.jpg"); got != "tag 1" {
		t.Errorf("now %q", got)
	}
}

// TestAttributes: mode, times to the nanosecond, owner and extended attributes
// are carried over, by restore too.
func TestAttributes(t *testing.T) {
	root, dir := newRoot(t)
	writeFile(t, dir, "1.jpg", "tag 0")
	path := filepath.Join(dir, "1.jpg")
	attrs := []string{"user.note", "user.empty"}
	if err := unix.Setxattr(path, "user.note", []byte("north pier"), 0); err != nil {
		t.Logf("no extended attributes here: %v", err)
		attrs = nil
	} else if err := unix.Setxattr(path, "user.empty", nil, 0); err != nil {
		t.Fatal(err)
	}
	if os.Getuid() == 0 {
		if err := os.Chown(path, 1234, 2345); err != nil {
			t.Fatal(err)
		}
		// An access list, as the kernel stores it: version 2, then tag,
		// permissions and id of each entry (user::rw-, user:3456:r--,
		// group::r--, mask::r--, other::---). linux/posix_acl_xattr.h
		acl := []byte{2, 0, 0, 0,
			1, 0, 6, 0, 255, 255, 255, 255,
			2, 0, 4, 0, 0x80, 0x0d, 0, 0,
			4, 0, 4, 0, 255, 255, 255, 255,
			16, 0, 4, 0, 255, 255, 255, 255,
			32, 0, 0, 0, 255, 255, 255, 255}
		if err := unix.Setxattr(path, "system.posix_acl_access", acl, 0); err != nil {
			t.Logf("no access lists here: %v", err)
		} else {
			attrs = append(attrs, "system.posix_acl_access")
		}
	}
	if err := os.Chtimes(path, time.Unix(1700000000, 123456789), time.Unix(1600000000, 987654321)); err != nil {
		t.Fatal(err)
	}
	look := func(path string, attrs []string) string {
		var st unix.Stat_t
		if err := unix.Lstat(path, &st); err != nil {
			t.Fatal(err)
		}
		s := fmt.Sprintf("mode %o, owner %d:%d, times %v %v", st.Mode, st.Uid, st.Gid, st.Atim, st.Mtim)
		for _, a := range attrs {
			b := make([]byte, 200)
			n, err := unix.Getxattr(path, a, b)
			s += fmt.Sprintf(", %s %q %v", a, b[:max(n, 0)], err)
		}
		return s
	}
	was := look(path, attrs)
	t.Log(was)

	// Copies first: they leave the original as it is, but for the time of
	// access, which a reader can't help.
	into, dst := newRoot(t)
	res, err := open(t, into).CorrectInto(t.Context(), root, Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")})
	if err != nil || res.Notes != nil {
		t.Fatal(res.Notes, err)
	}
	if err := os.Chtimes(path, time.Unix(1700000000, 123456789), time.Time{}); err != nil {
		t.Fatal(err)
	}
	user := attrs[:min(2, len(attrs))] // of the attributes only the user's own
	want := strings.Replace(look(path, user), "owner 1234:2345", fmt.Sprintf("owner %d:%d", os.Getuid(), os.Getgid()), 1)
	if got := look(filepath.Join(dst, "1.jpg"), user); got != want {
		t.Errorf("the copy has %s\nwant         %s", got, want)
	}

	l := open(t, root)
	res, err = l.Correct(t.Context(), Change{Photo: "1.jpg", Patch: replace(t, "tag 0", "0", "1")})
	if err != nil || res.Notes != nil {
		t.Fatal(res.Notes, err)
	}
	if got := look(path, attrs); got != was {
		t.Errorf("corrected: %s\nbefore:    %s", got, was)
	}
	if err := os.Chtimes(path, time.Unix(1700000000, 123456789), time.Time{}); err != nil {
		t.Fatal(err)
	}
	if out := outcomes(t, l, nil, false)["1.jpg"]; out.Status != Restored || out.Notes != nil {
		t.Errorf("%+v", out)
	}
	if got := look(path, attrs); got != was {
		t.Errorf("restored: %s\nbefore:   %s", got, was)
	}
}
