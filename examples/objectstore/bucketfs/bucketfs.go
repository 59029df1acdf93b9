// Package bucketfs makes a bucket of an object store a file system.
package bucketfs

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gocloud.dev/blob"
	"gocloud.dev/gcerrors"
)

// HeadSize is how much of an object is fetched when it is opened. It holds the
// whole header of nearly all photos, and it is what geotag.Read asks for first:
// so most photos cost one request.
const HeadSize = 64 << 10

// FS is a bucket as a file system: objects are files, and what stands before
// a slash in their names are folders. Its files have random access by range
// requests, so that a reader of headers fetches headers.
type FS struct {
	// An fs.FS has no context of its own: this one holds for all requests.
	ctx    context.Context
	bucket *blob.Bucket

	fetched, requests atomic.Int64
	held              sync.Map // *object, by name
}

// New makes a bucket a file system, safe for concurrent use, whose requests end with ctx.
func New(ctx context.Context, b *blob.Bucket) *FS {
	return &FS{ctx: ctx, bucket: b}
}

// Fetched is how many bytes of objects came over the wire so far, and in how many
// requests, listings not among them.
func (f *FS) Fetched() (bytes, requests int64) { return f.fetched.Load(), f.requests.Load() }

// Hold fetches a whole object in one request. Open gives it from memory until release
// is called.
func (f *FS) Hold(name string) (release func(), err error) {
	r, err := f.fetch(name, 0, -1)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	defer r.Close()
	all, err := io.ReadAll(r)
	f.fetched.Add(int64(len(all)))
	if err != nil {
		return nil, &fs.PathError{Op: "read", Path: name, Err: err}
	}
	f.held.Store(name, &object{fs: f, info: info{name: name, size: r.Size(), mod: r.ModTime()}, head: all})
	return func() { f.held.Delete(name) }, nil
}

// fetch opens a range of an object. It reads to the end where n is negative.
func (f *FS) fetch(key string, off, n int64) (*blob.Reader, error) {
	f.requests.Add(1)
	return f.bucket.NewRangeReader(f.ctx, key, off, n, nil)
}

// Open opens an object, and fetches its head, or a folder.
func (f *FS) Open(name string) (fs.File, error) {
	fail := func(err error) (fs.File, error) { return nil, &fs.PathError{Op: "open", Path: name, Err: err} }
	if !fs.ValidPath(name) {
		return fail(fs.ErrInvalid)
	}
	if name == "." {
		return &folder{fs: f, name: name}, nil
	}
	if o, ok := f.held.Load(name); ok {
		o := *o.(*object)
		return &o, nil
	}
	r, err := f.fetch(name, 0, HeadSize)
	switch {
	case err == nil:
		defer r.Close()
		head, err := io.ReadAll(r)
		f.fetched.Add(int64(len(head)))
		if err != nil {
			return fail(err)
		}
		return &object{fs: f, info: info{name: name, size: r.Size(), mod: r.ModTime()}, head: head}, nil
	case gcerrors.Code(err) == gcerrors.NotFound:
		if _, err := f.page(name, 1); err != nil {
			return fail(err)
		}
		return &folder{fs: f, name: name}, nil
	}
	// Some stores refuse a range of an object that has no byte.
	if a, aerr := f.bucket.Attributes(f.ctx, name); aerr == nil && a.Size == 0 {
		return &object{fs: f, info: info{name: name, mod: a.ModTime}}, nil
	}
	return fail(err)
}

// page lists up to n of what lies in a folder; fs.ErrNotExist where nothing does.
func (f *FS) page(name string, n int) ([]*blob.ListObject, error) {
	it := f.bucket.List(&blob.ListOptions{Prefix: prefix(name), Delimiter: "/"})
	var out []*blob.ListObject
	for n < 0 || len(out) < n {
		o, err := it.Next(f.ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if o.Key != prefix(name) { // the marker that some programs leave for a folder
			out = append(out, o)
		}
	}
	if len(out) == 0 && name != "." {
		return nil, fs.ErrNotExist
	}
	return out, nil
}

func prefix(name string) string {
	if name == "." {
		return ""
	}
	return name + "/"
}

// ReadDir lists a folder, by name.
func (f *FS) ReadDir(name string) ([]fs.DirEntry, error) {
	fail := func(err error) ([]fs.DirEntry, error) {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: err}
	}
	if !fs.ValidPath(name) {
		return fail(fs.ErrInvalid)
	}
	objects, err := f.page(name, -1)
	if err != nil {
		return fail(err)
	}
	var out []fs.DirEntry
	for _, o := range objects {
		i := info{name: strings.TrimSuffix(o.Key, "/"), size: o.Size, mod: o.ModTime, dir: o.IsDir}
		if !fs.ValidPath(i.name) {
			return fail(fmt.Errorf("the object %q has a name that no file has: give it another", o.Key))
		}
		out = append(out, fs.FileInfoToDirEntry(i))
	}
	slices.SortFunc(out, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return out, nil
}

// Stat tells of a file or folder without its bytes.
func (f *FS) Stat(name string) (fs.FileInfo, error) {
	fail := func(err error) (fs.FileInfo, error) {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: err}
	}
	if !fs.ValidPath(name) {
		return fail(fs.ErrInvalid)
	}
	if name != "." {
		a, err := f.bucket.Attributes(f.ctx, name)
		if err == nil {
			return info{name: name, size: a.Size, mod: a.ModTime}, nil
		}
		if gcerrors.Code(err) != gcerrors.NotFound {
			return fail(err)
		}
	}
	if _, err := f.page(name, 1); err != nil {
		return fail(err)
	}
	return info{name: name, dir: true}, nil
}

// info is what is known of a file or folder; name is its whole path.
type info struct {
	name string
	size int64
	mod  time.Time
	dir  bool
}

func (i info) Name() string       { return path.Base(i.name) }
func (i info) Size() int64        { return i.size }
func (i info) ModTime() time.Time { return i.mod }
func (i info) IsDir() bool        { return i.dir }
func (i info) Sys() any           { return nil }
func (i info) Mode() fs.FileMode {
	if i.dir {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

// object is an open object.
type object struct {
	fs   *FS
	info info
	head []byte
	pos  int64
	rest *blob.Reader // from the end of head on; nil until Read gets there
}

func (o *object) Stat() (fs.FileInfo, error) { return o.info, nil }

// Read reads on: the head first, and then one request for all the rest.
func (o *object) Read(b []byte) (int, error) {
	if o.pos < int64(len(o.head)) {
		n := copy(b, o.head[o.pos:])
		o.pos += int64(n)
		return n, nil
	}
	if o.pos >= o.info.size {
		return 0, io.EOF
	}
	if o.rest == nil {
		r, err := o.fs.fetch(o.info.name, o.pos, -1)
		if err != nil {
			return 0, &fs.PathError{Op: "read", Path: o.info.name, Err: err}
		}
		o.rest = r
	}
	n, err := o.rest.Read(b)
	o.fs.fetched.Add(int64(n))
	o.pos += int64(n)
	return n, err
}

// ReadAt reads a range: from the head where that holds it, and else by a request.
func (o *object) ReadAt(b []byte, off int64) (int, error) {
	if off < 0 {
		return 0, &fs.PathError{Op: "read", Path: o.info.name, Err: fs.ErrInvalid}
	}
	n := 0
	if off < int64(len(o.head)) {
		n = copy(b, o.head[off:])
	}
	want := min(int64(len(b)), max(o.info.size-off, 0))
	if int64(n) < want {
		r, err := o.fs.fetch(o.info.name, off+int64(n), want-int64(n))
		if err != nil {
			return n, &fs.PathError{Op: "read", Path: o.info.name, Err: err}
		}
		defer r.Close()
		got, err := io.ReadFull(r, b[n:want])
		o.fs.fetched.Add(int64(got))
		n += got
		if err != nil {
			return n, err
		}
	}
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// Close ends the request that Read may have running.
func (o *object) Close() error {
	if o.rest == nil {
		return nil
	}
	return o.rest.Close()
}

// folder is an open folder.
type folder struct {
	fs   *FS
	name string
	left []fs.DirEntry
	read bool
}

func (d *folder) Stat() (fs.FileInfo, error) { return info{name: d.name, dir: true}, nil }
func (d *folder) Close() error               { return nil }
func (d *folder) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: d.name, Err: errors.New("it is a folder")}
}

// ReadDir lists the folder as fs.ReadDirFile says.
func (d *folder) ReadDir(n int) ([]fs.DirEntry, error) {
	if !d.read {
		all, err := d.fs.ReadDir(d.name)
		if err != nil {
			return nil, err
		}
		d.left, d.read = all, true
	}
	if n <= 0 {
		out := d.left
		d.left = nil
		return out, nil
	}
	if len(d.left) == 0 {
		return nil, io.EOF
	}
	n = min(n, len(d.left))
	out := d.left[:n:n]
	d.left = d.left[n:]
	return out, nil
}
