package ledger

import (
	"errors"
	"io/fs"
	"os"
	"path"

	"golang.org/x/sys/unix"
)

// move is a rename(2) that replaces nothing: see [folder].
func (r rootFolder) move(from, to string, swap bool) error {
	dir, err := r.OpenFile(path.Dir(from), os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	defer dir.Close()
	flags := uint(unix.RENAME_NOREPLACE)
	if swap {
		flags = unix.RENAME_EXCHANGE
	}
	err = unix.Renameat2(int(dir.Fd()), path.Base(from), int(dir.Fd()), path.Base(to), flags)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.ENOSYS), errors.Is(err, unix.ENOTSUP):
		return errors.ErrUnsupported // by this file system, or this system
	}
	return &fs.PathError{Op: "renameat2", Path: to, Err: err}
}
