package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/dataset"
)

// guard refuses to write over what the dataset consists of.
func guard(d *dataset.Dataset, dir, out string) error {
	s := d.Settings()
	inputs := []string{dataset.SettingsFile, s.Points.File, s.Links.File, ledger.FileName}
	if s.Site != nil {
		inputs = append(inputs, s.Site.Control)
	}
	there, err := os.Stat(out)
	for _, name := range inputs {
		if name == "" || err != nil {
			continue
		}
		if info, err := os.Stat(filepath.Join(dir, filepath.FromSlash(name))); err == nil && os.SameFile(info, there) {
			return usagef("%s is a file of the dataset; write somewhere else", out)
		}
	}
	folder, err := filepath.EvalSymlinks(filepath.Join(dir, filepath.FromSlash(s.Photos.Folder)))
	if err != nil {
		return nil // there is none; check will say so
	}
	at, err := filepath.EvalSymlinks(filepath.Dir(out))
	if err != nil {
		return err
	}
	for _, p := range []*string{&folder, &at} {
		if *p, err = filepath.Abs(*p); err != nil {
			return err
		}
	}
	if at == folder || strings.HasPrefix(at, folder+string(filepath.Separator)) {
		return usagef("%s would lie among the photos; write somewhere else", out)
	}
	return nil
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
		name = at // the file that a link leads to is replaced, not the link
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
