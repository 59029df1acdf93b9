package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/phototie/match/dataset"

	"example.com/phototie/match/record"
)

// output guards the files that a command writes.
type output struct{ force bool }

func (o *output) flags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.force, "force", false, "write over files that are no earlier output of the same kind; files of the dataset are refused all the same")
}

// guard refuses to write over or among what the dataset consists of, and, but for
// --force, over a file that is no earlier output of the same kind.
func (o *output) guard(d *dataset.Dataset, name string, earlier func(head []byte) bool) error {
	if o.force {
		earlier = nil
	}
	return d.GuardFile(name, earlier)
}

// earlierRecord knows a photo record in one file.
func earlierRecord(head []byte) bool {
	text := bytes.HasPrefix(head, []byte("PK\x03\x04")) && bytes.HasPrefix(head[min(len(head), 30):], []byte("mimetype"+record.MediaTypeODT))
	return text || bytes.HasPrefix(head, []byte("<!DOCTYPE html>")) && bytes.Contains(head, []byte("Photo record</title>"))
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
