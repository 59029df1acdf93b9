package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"sync"
	"testing"
)

// diskOp is one change that a run asked a file system for.
type diskOp struct {
	kind     string // write, truncate, sync, create, rename, remove, mkdir, syncdir
	inode    int    // of the file
	off      int64
	data     []byte
	name, to string // of a folder, or in it
}

// disk is a folder that keeps account of what it is asked for, so that what a power
// cut may leave can be made from the account.
type disk struct {
	rootFolder
	mu     sync.Mutex
	first  map[string][]byte // the files at the start
	inodes map[string]int    // by name, as it is now
	last   int
	ops    []diskOp
}

func newDisk(root *os.Root, files map[string][]byte) *disk {
	d := &disk{rootFolder: rootFolder{root}, first: files, inodes: map[string]int{}}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		d.last++
		d.inodes[name] = d.last
	}
	return d
}

func (d *disk) note(op diskOp) {
	op.data = bytes.Clone(op.data)
	d.ops = append(d.ops, op)
}

func (d *disk) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f, err := d.rootFolder.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	if flag&os.O_CREATE != 0 && d.inodes[name] == 0 {
		d.last++
		d.inodes[name] = d.last
		d.note(diskOp{kind: "create", inode: d.last, name: name})
	}
	return &diskFile{file: f, d: d, name: name, inode: d.inodes[name], appends: flag&os.O_APPEND != 0}, nil
}

func (d *disk) Mkdir(name string, perm fs.FileMode) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.note(diskOp{kind: "mkdir", name: name})
	return d.rootFolder.Mkdir(name, perm)
}

func (d *disk) Remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	err := d.rootFolder.Remove(name)
	if err == nil {
		d.note(diskOp{kind: "remove", inode: d.inodes[name], name: name})
		delete(d.inodes, name)
	}
	return err
}

func (d *disk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	err := d.rootFolder.Rename(from, to)
	if err == nil {
		d.note(diskOp{kind: "rename", inode: d.inodes[from], name: from, to: to})
		d.inodes[to] = d.inodes[from]
		delete(d.inodes, from)
	}
	return err
}

func (d *disk) move(from, to string, swap bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	err := d.rootFolder.move(from, to, swap)
	if err == nil {
		d.note(diskOp{kind: "move", inode: d.inodes[from], name: from, to: to})
		d.inodes[from], d.inodes[to] = d.inodes[to], d.inodes[from]
	}
	return err
}

type diskFile struct {
	file
	d       *disk
	name    string
	inode   int // 0 for a folder
	pos     int64
	appends bool
}

func (f *diskFile) Write(b []byte) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.appends {
		info, err := f.file.Stat()
		if err != nil {
			return 0, err
		}
		f.pos = info.Size()
	}
	n, err := f.file.Write(b)
	f.d.note(diskOp{kind: "write", inode: f.inode, off: f.pos, data: b[:n]})
	f.pos += int64(n)
	return n, err
}

func (f *diskFile) WriteAt(b []byte, off int64) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	f.d.note(diskOp{kind: "write", inode: f.inode, off: off, data: b})
	return f.file.WriteAt(b, off)
}

func (f *diskFile) Truncate(n int64) error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	f.d.note(diskOp{kind: "truncate", inode: f.inode, off: n})
	return f.file.Truncate(n)
}

func (f *diskFile) Sync() error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.inode == 0 {
		f.d.note(diskOp{kind: "syncdir", name: f.name})
	} else {
		f.d.note(diskOp{kind: "sync", inode: f.inode})
	}
	return nil // nothing has to last here
}

// cut is what a power cut after the first n operations may leave: all that was synced,
// and of the rest anything. Writes get lost, or get there in part or as zeros, in any
// order; changes of a folder get lost one by one.
func (d *disk) cut(n int, rnd *rand.Rand) map[string][]byte {
	lasts := func(i int, op diskOp) bool {
		for _, later := range d.ops[i+1 : n] {
			if later.kind == "sync" && op.inode == later.inode && (op.kind == "write" || op.kind == "truncate") {
				return true
			}
			if later.kind == "syncdir" && (op.kind == "create" || op.kind == "rename" || op.kind == "move" || op.kind == "remove" || op.kind == "mkdir") && path.Dir(op.name) == later.name {
				return true
			}
		}
		return false
	}
	content := map[int][]byte{}
	names := map[string]int{}
	for i, name := range slices.Sorted(maps.Keys(d.first)) {
		content[i+1], names[name] = d.first[name], i+1
	}
	for i, op := range d.ops[:n] {
		if !lasts(i, op) {
			if rnd.IntN(2) == 0 {
				continue
			}
			if op.kind == "write" {
				op.data = bytes.Clone(op.data[:rnd.IntN(len(op.data)+1)])
				if rnd.IntN(3) == 0 {
					clear(op.data)
				}
			}
		}
		switch op.kind {
		case "write":
			b := bytes.Clone(content[op.inode])
			if more := int(op.off) + len(op.data) - len(b); more > 0 {
				b = append(b, make([]byte, more)...)
			}
			copy(b[op.off:], op.data)
			content[op.inode] = b
		case "truncate":
			b := content[op.inode]
			content[op.inode] = b[:min(int64(len(b)), op.off)]
		case "create":
			names[op.name] = op.inode
		case "rename":
			if names[op.name] == op.inode {
				delete(names, op.name)
			}
			names[op.to] = op.inode
		case "move":
			if names[op.name] == op.inode {
				names[op.name], names[op.to] = names[op.to], op.inode
				if names[op.name] == 0 {
					delete(names, op.name)
				}
			}
		case "remove":
			if names[op.name] == op.inode {
				delete(names, op.name)
			}
		}
	}
	files := map[string][]byte{}
	for name, inode := range names {
		files[name] = content[inode]
	}
	return files
}

// powerRun corrects photos of two folders, makes a side-car, and takes all of it back.
func powerRun(t *testing.T) (d *disk, old, new map[string]string) {
	root, dir := newRoot(t)
	old, new = map[string]string{}, map[string]string{"day2/7.xmp": "a side-car of its own"}
	files := map[string][]byte{}
	var tasks []Task
	for i := range 6 {
		name := fmt.Sprintf("day%d/%d.jpg", i%2+1, i)
		old[name] = fmt.Sprintf("header, tag 0 of %d, pixels", i)
		new[name] = fmt.Sprintf("header, tag 1 and more of %d, pixels", i)
		writeFile(t, dir, name, old[name])
		files[name] = []byte(old[name])
		tasks = append(tasks, Task{Change: Change{Photo: name, Patch: replace(t, old[name], "tag 0", "tag 1 and more")}})
	}
	tasks = append(tasks, Task{Change: Change{Photo: "day2/7.xmp", Patch: ofNothing(new["day2/7.xmp"])}, New: true})
	d = newDisk(root, files)
	lock, err := takeLock(rootFolder{root})
	if err != nil {
		t.Fatal(err)
	}
	l, err := newLedger(d, "", lock)
	if err != nil {
		t.Fatal(err)
	}
	l.clone = func(dst, src file) error { return errors.ErrUnsupported }
	for i, p := range collect(l, t.Context(), tasks...) {
		if p.err != nil || !p.Written {
			t.Fatal(i, p)
		}
	}
	outcomes(t, l, nil, false)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return d, old, new
}

// afterCut opens what a power cut left and says what is wrong with it: a photo that is
// neither old nor new, or that can't be taken back.
func afterCut(t *testing.T, files map[string][]byte, old, new map[string]string) (faults []string) {
	dir := quickDir(t)
	defer os.RemoveAll(dir)
	for name, b := range files {
		if name != lockName {
			writeFile(t, dir, name, string(b))
		}
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	fault := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	for name := range new {
		b, there := files[name]
		if was, ok := old[name]; (there != ok || string(b) != was) && !(there && string(b) == new[name]) {
			fault("%s is neither: %q", name, b)
		}
	}
	l, err := openIn(newDisk(root, nil), "") // which syncs nothing
	if err != nil {
		fault("open: %v", err)
		return faults
	}
	for out, err := range l.Restore(t.Context(), nil, false) {
		if err != nil || out.Status == Changed || out.Status == Partly || out.Status == Missing {
			fault("restore: %+v %v", out, err)
		}
	}
	if err := l.Close(); err != nil {
		fault("close: %v", err)
	}
	for name := range new {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if was, ok := old[name]; ok != (err == nil) || string(b) != was {
			fault("%s after restore: %q, %v", name, b, err)
		}
	}
	return faults
}

// TestPowerCuts: whatever a power cut forgets of what was not synced, and in whatever
// order the rest got there, each photo is old or new, and the ledger is enough to
// have them all old. PHOTOTIE_FULL=1 asks for 10,000 cuts.
func TestPowerCuts(t *testing.T) {
	// Each is drawn anew, so that fewer of them are no weaker in kind.
	cuts := 2_000
	switch {
	case os.Getenv("PHOTOTIE_FULL") != "":
		cuts = 10_000
	case testing.Short():
		cuts = 300
	}
	d, old, new := powerRun(t)
	rnd := rand.New(rand.NewPCG(13, 24))
	for i := range cuts {
		n := rnd.IntN(len(d.ops) + 1)
		if faults := afterCut(t, d.cut(n, rnd), old, new); faults != nil {
			t.Fatalf("cut %d, after %d of %d operations: %q", i, n, len(d.ops), faults)
		}
	}
	t.Logf("%d cuts over %d operations", cuts, len(d.ops))
}

// TestPowerCutsCatch: a run that syncs nothing, only no files, or only no folders,
// does not stand such cuts.
func TestPowerCutsCatch(t *testing.T) {
	d, old, new := powerRun(t)
	for _, without := range [][]string{{"sync", "syncdir"}, {"sync"}} {
		lazy := &disk{first: d.first, ops: slices.DeleteFunc(slices.Clone(d.ops), func(op diskOp) bool { return slices.Contains(without, op.kind) })}
		rnd := rand.New(rand.NewPCG(1, 2))
		found := false
		for range 200 {
			if found = afterCut(t, lazy.cut(rnd.IntN(len(lazy.ops)+1), rnd), old, new) != nil; found {
				break
			}
		}
		if !found {
			t.Errorf("without %q nothing was found", without)
		}
	}
}
