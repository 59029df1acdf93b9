package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"example.com/phototie/geotag"
)

// BenchmarkCorrect sets one correction of a 4 MiB photo beside its floor: the
// same bytes written, synced and renamed, a line appended and synced, and the
// folder synced, with no hashes, checks or locks. Both write to the disk of the
// system's temporary folder.
func BenchmarkCorrect(b *testing.B) {
	const size = 4 << 20
	photo := bytes.Repeat([]byte("0123456789abcdef"), size/16)
	for _, what := range []string{"ledger", "floor"} {
		b.Run(what, func(b *testing.B) {
			dir := b.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "1.jpg"), photo, 0o644); err != nil {
				b.Fatal(err)
			}
			root, err := os.OpenRoot(dir)
			if err != nil {
				b.Fatal(err)
			}
			defer root.Close()
			l, err := Open(root, "bench")
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close()
			b.SetBytes(size)
			for i := 0; b.Loop(); i++ {
				p := &geotag.Patch{SizeBefore: size, Splices: []geotag.Splice{{Off: 4, Old: []byte{'4' + byte(i%2)}, New: []byte{'5' - byte(i%2)}}}}
				if what == "ledger" {
					if _, err := l.Correct(b.Context(), Change{Photo: "1.jpg", Patch: p}); err != nil {
						b.Fatal(err)
					}
					continue
				}
				floor(b, root, "1.jpg")
			}
		})
	}
}

func floor(b *testing.B, root *os.Root, name string) {
	check := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	data, err := root.ReadFile(name)
	check(err)
	put := func(name string, flag int, data []byte) {
		f, err := root.OpenFile(name, flag|os.O_WRONLY|os.O_CREATE, 0o644)
		check(err)
		_, err = f.Write(data)
		check(err)
		check(f.Sync())
		check(f.Close())
	}
	put("temp", os.O_EXCL, data)
	put("log", os.O_APPEND, bytes.Repeat([]byte{'x'}, 500))
	check(root.Rename("temp", name))
	check(syncDir(rootFolder{root}, "."))
}

// BenchmarkBulk sets the correction of 24 photos of 4 MiB into another folder,
// with one Bulk, beside their copies with a sync each.
func BenchmarkBulk(b *testing.B) {
	const size, n = 4 << 20, 24
	photo := bytes.Repeat([]byte("0123456789abcdef"), size/16)
	src := b.TempDir()
	from, err := os.OpenRoot(src)
	if err != nil {
		b.Fatal(err)
	}
	defer from.Close()
	var tasks []Task
	for i := range n {
		name := fmt.Sprintf("%d.jpg", i)
		if err := os.WriteFile(filepath.Join(src, name), photo, 0o644); err != nil {
			b.Fatal(err)
		}
		tasks = append(tasks, Task{From: from, Change: Change{Photo: name, Patch: &geotag.Patch{SizeBefore: size,
			Splices: []geotag.Splice{{Off: 600, New: make([]byte, 180)}}}}})
	}
	for _, what := range []string{"ledger", "floor"} {
		b.Run(what, func(b *testing.B) {
			b.SetBytes(n * size)
			for b.Loop() {
				dir := b.TempDir()
				root, err := os.OpenRoot(dir)
				if err != nil {
					b.Fatal(err)
				}
				if what == "ledger" {
					l, err := Open(root, "bench")
					if err != nil {
						b.Fatal(err)
					}
					for _, p := range collect(l, b.Context(), tasks...) {
						if p.err != nil {
							b.Fatal(p.err)
						}
					}
					if err := l.Close(); err != nil {
						b.Fatal(err)
					}
				} else {
					for _, t := range tasks {
						copySynced(b, from, root, t.Photo)
					}
				}
				root.Close()
				if err := os.RemoveAll(dir); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func copySynced(b *testing.B, from, to *os.Root, name string) {
	in, err := from.Open(name)
	if err != nil {
		b.Fatal(err)
	}
	defer in.Close()
	out, err := to.Create(name)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(out.Sync(), out.Close()); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkOpen reads a ledger of 10,000 records of a usual size (a patch with
// a new GPS directory).
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer root.Close()
	var text bytes.Buffer
	j := newJob(10)
	for i := range 10000 {
		k := i % 10
		rec := Record{Version: 1, Action: ActionCorrect, Photo: fmt.Sprintf("p%05d.jpg", i), Before: sumABC, After: sumEmpty,
			SizeBefore: j.patches[k].SizeBefore, SizeAfter: j.patches[k].SizeAfter(), Reverse: j.patches[k].Reverse()}
		line, err := rec.encode()
		if err != nil {
			b.Fatal(err)
		}
		text.Write(line)
	}
	if err := os.WriteFile(filepath.Join(dir, FileName), text.Bytes(), 0o644); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(text.Len()))
	for b.Loop() {
		l, err := Open(root, "")
		if err != nil {
			b.Fatal(err)
		}
		if err := l.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
