package main

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/phototie/match/dataset"
)

// output guards the files that a command writes.
type output struct{ force bool }

func (o *output) flags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.force, "force", false, "write over files that are no earlier output of the same kind; files of the dataset are refused all the same")
}

// earlier tells of the beginning of a file whether it is an earlier output.
type earlier func(head []byte) bool

// mostHead is how much of a file earlier gets to see.
const mostHead = 4096

// guard refuses to write where something would be lost: over or among what the
// dataset consists of, through a link that leads to another folder, and over a
// file that is no earlier output of the same kind, unless --force is given. A
// device or a pipe is written to as it is. known is nil for a folder.
func (o *output) guard(d *dataset.Dataset, name string, known earlier) error {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() && !info.IsDir() {
		return nil
	}
	if err := d.Spares(name); err != nil {
		return usageError{err}
	}
	info, err := os.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink != 0:
		at, err := filepath.EvalSymlinks(name)
		if err != nil {
			return err
		}
		folder, err := filepath.EvalSymlinks(filepath.Dir(name))
		if err != nil {
			return err
		}
		if filepath.Dir(at) != folder {
			return usagef("%s is a link that leads to %s; name the place itself", name, at)
		}
	}
	if known == nil || o.force {
		return nil
	}
	f, err := dataset.OpenFile(name)
	if err != nil {
		return err
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, mostHead))
	if err == nil && len(head) > 0 && !known(head) {
		err = usagef("%s is there already, and is no earlier output of this kind; name another file, or say --force to write over it", name)
	}
	return err
}

// earlierRecord knows a photo record in one file.
func earlierRecord(head []byte) bool {
	return bytes.HasPrefix(head, []byte("<!DOCTYPE html>")) && bytes.Contains(head, []byte("Photo record</title>"))
}

// writeWhole writes a file that is there as a whole or not at all. What is there
// already and is no ordinary file, a device or a pipe, is written to as it is.
func writeWhole(name string, write func(io.Writer) error) (err error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(write(f), f.Close())
	}
	if at, err := filepath.EvalSymlinks(name); err == nil {
		name = at // the file that a link leads to is replaced, not the link; see guard
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err := errors.Join(write(f), f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}
