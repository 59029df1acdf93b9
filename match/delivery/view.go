package delivery

import (
	"bytes"
	"cmp"
	"io"
	"io/fs"
	"path"
	"slices"
	"time"
)

// view is a file system that shows files of another under other names, and texts
// that are not on disk: a job as its delivery will name it, with the photos as
// they were taken.
type view struct {
	base  fs.FS
	files map[string]string   // path here: path in base
	texts map[string][]byte   // path here
	names map[string][]string // the entries of each folder, sorted
}

// newView makes a view of the given files and texts.
func newView(base fs.FS, files map[string]string, texts map[string][]byte) *view {
	v := &view{base: base, files: files, texts: texts, names: map[string][]string{".": nil}}
	seen := map[string]bool{}
	add := func(name string) {
		for name != "." && !seen[name] {
			seen[name] = true
			dir := path.Dir(name)
			v.names[dir] = append(v.names[dir], path.Base(name))
			name = dir
		}
	}
	for name := range files {
		add(name)
	}
	for name := range texts {
		add(name)
	}
	for _, list := range v.names {
		slices.Sort(list)
	}
	return v
}

// Open opens a file, or a folder whose entries can be read.
func (v *view) Open(name string) (fs.File, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	}
	if from, ok := v.files[name]; ok {
		return v.base.Open(from)
	}
	if text, ok := v.texts[name]; ok {
		return &textFile{bytes.NewReader(text), entry{path.Base(name), 0o444, int64(len(text))}}, nil
	}
	if names, ok := v.names[name]; ok {
		return &folder{entry{path.Base(name), fs.ModeDir | 0o555, 0}, v.entries(name, names)}, nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

func (v *view) entries(dir string, names []string) []fs.DirEntry {
	out := make([]fs.DirEntry, len(names))
	for i, n := range names {
		e := entry{n, 0o444, int64(len(v.texts[path.Join(dir, n)]))}
		if _, ok := v.names[path.Join(dir, n)]; ok {
			e.mode = fs.ModeDir | 0o555
		}
		out[i] = fs.FileInfoToDirEntry(e)
	}
	return out
}

// entry is what there is to say of a text or a folder.
type entry struct {
	name string
	mode fs.FileMode
	size int64
}

func (e entry) Name() string       { return cmp.Or(e.name, ".") }
func (e entry) Size() int64        { return e.size }
func (e entry) Mode() fs.FileMode  { return e.mode }
func (e entry) ModTime() time.Time { return time.Time{} }
func (e entry) IsDir() bool        { return e.mode.IsDir() }
func (e entry) Sys() any           { return nil }

// textFile is an open text.
type textFile struct {
	*bytes.Reader
	info entry
}

func (f *textFile) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *textFile) Close() error               { return nil }

// folder is an open folder.
type folder struct {
	info entry
	rest []fs.DirEntry
}

func (f *folder) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *folder) Close() error               { return nil }
func (f *folder) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: f.info.name, Err: fs.ErrInvalid}
}

// ReadDir gives the next n entries, or with n <= 0 all that are left.
func (f *folder) ReadDir(n int) ([]fs.DirEntry, error) {
	if n <= 0 || n > len(f.rest) {
		if n > 0 && len(f.rest) == 0 {
			return nil, io.EOF
		}
		n = len(f.rest)
	}
	out := f.rest[:n:n]
	f.rest = f.rest[n:]
	return out, nil
}
