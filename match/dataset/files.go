package dataset

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// folderFS is a folder on disk of which only ordinary files and folders are
// opened, and without waiting: a pipe among the photos would never end, and a
// device may do anything when it is opened.
type folderFS struct{ root *os.Root }

// Open opens an ordinary file or a folder.
func (f folderFS) Open(name string) (fs.File, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	}
	name = filepath.FromSlash(name)
	return openOrdinary(name, f.root.Stat, f.root.OpenFile)
}

// Stat describes a file, or what a link leads to, without opening it.
func (f folderFS) Stat(name string) (fs.FileInfo, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: fs.ErrInvalid}
	}
	return f.root.Stat(filepath.FromSlash(name))
}

// Lstat describes a file or a link.
func (f folderFS) Lstat(name string) (fs.FileInfo, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "lstat", Path: name, Err: fs.ErrInvalid}
	}
	return f.root.Lstat(filepath.FromSlash(name))
}

// ReadLink gives what a link says.
func (f folderFS) ReadLink(name string) (string, error) {
	if !fs.ValidPath(name) {
		return "", &fs.PathError{Op: "readlink", Path: name, Err: fs.ErrInvalid}
	}
	return f.root.Readlink(filepath.FromSlash(name))
}

// OpenFile opens an ordinary file anywhere on disk for reading, and nothing else:
// it does not wait for a pipe, and opens no device.
func OpenFile(name string) (*os.File, error) {
	f, err := openOrdinary(name, os.Stat, os.OpenFile)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = &fs.PathError{Op: "open", Path: name, Err: errors.New("it is a folder")}
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// ReadFile reads an ordinary file of at most so many bytes, without waiting for a pipe. A
// longer one is a *Problem.
func ReadFile(fsys fs.FS, name string, most int64) ([]byte, error) {
	if info, err := fs.Stat(fsys, name); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("it is no ordinary file (%s)", kindOf(info.Mode()))}
	}
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(text)) > most {
		err = &Problem{File: name, What: fmt.Sprintf("the file is larger than %d KiB", most>>10)}
	}
	return text, err
}

// openOrdinary looks before it opens, and again at what it has opened.
func openOrdinary(name string, stat func(string) (fs.FileInfo, error), open func(string, int, fs.FileMode) (*os.File, error)) (*os.File, error) {
	ordinary := func(info fs.FileInfo, err error) error {
		if err != nil || info.Mode().IsRegular() || info.IsDir() {
			return err
		}
		return &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("it is no ordinary file (%s)", kindOf(info.Mode()))}
	}
	if err := ordinary(stat(name)); err != nil {
		return nil, err
	}
	f, err := open(name, os.O_RDONLY|nonBlock, 0)
	if err != nil {
		return nil, err
	}
	if err := ordinary(f.Stat()); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// kindOf words what a file is that is neither ordinary nor a folder.
func kindOf(m fs.FileMode) string {
	switch {
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return m.Type().String()
}
