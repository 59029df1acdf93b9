package ledger

import (
	"io"
	"io/fs"
	"os"
	"time"
)

// folder is what the ledger asks of an [os.Root], so that a test can put one in
// its place that fails.
type folder interface {
	Name() string
	OpenFile(name string, flag int, perm fs.FileMode) (file, error)
	Lstat(name string) (fs.FileInfo, error)
	Stat(name string) (fs.FileInfo, error)
	Chtimes(name string, atime, mtime time.Time) error
	Mkdir(name string, perm fs.FileMode) error
	Remove(name string) error
	Rename(from, to string) error
	// move renames a file within its folder without replacing another: it swaps the
	// two, or there must be none. Where it is errors.ErrUnsupported, nothing is done.
	move(from, to string, swap bool) error
}

// file is what the ledger asks of an [os.File].
type file interface {
	io.ReadWriteSeeker
	io.ReaderAt
	io.WriterAt
	io.Closer
	ReadDir(n int) ([]fs.DirEntry, error)
	Stat() (fs.FileInfo, error)
	Chmod(fs.FileMode) error
	Chown(uid, gid int) error
	Truncate(size int64) error
	Sync() error
	Fd() uintptr
}

// rootFolder is the folder that is really there.
type rootFolder struct{ *os.Root }

// OpenFile gives a nil file with an error, not a file that is a nil pointer.
func (r rootFolder) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	f, err := r.Root.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return f, nil
}
