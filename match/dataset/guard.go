package dataset

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"example.com/phototie/geotag/ledger"
)

// mostHead is how much of a file that is there already GuardFile looks at.
const mostHead = 4096

// refused is the error of a place that is not written to.
func refused(name, format string, args ...any) error {
	return &fs.PathError{Op: "write", Path: name, Err: fmt.Errorf(format, args...)}
}

// GuardFile refuses to write a file where something would be lost: over what the
// dataset consists of or among its photos, through a link that leads to another
// folder, and over a file that is no earlier output of the same kind by what earlier
// tells from how it begins. A nil earlier takes any. A device or a pipe is written
// to as it is. The error is a *fs.PathError.
func (d *Dataset) GuardFile(name string, earlier func(head []byte) bool) error {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() && !info.IsDir() {
		return nil
	}
	if err := d.spared(name); err != nil {
		return err
	}
	info, err := os.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink != 0:
		if err := staysIn(name); err != nil {
			return err
		}
	}
	if earlier == nil {
		return nil
	}
	f, err := OpenFile(name)
	if err != nil {
		return err
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, mostHead))
	if err == nil && len(head) > 0 && !earlier(head) {
		err = refused(name, "it is there already, and is no earlier output of this kind; name another file, or say --force to write over it")
	}
	return err
}

// GuardFolder refuses a folder that is to be made for output and lies in the dataset
// or holds it, is a link, or has something in it. The error is a *fs.PathError.
func (d *Dataset) GuardFolder(name string) error {
	if err := d.apart(name); err != nil {
		return err
	}
	return Vacant(name)
}

// Vacant refuses a folder that is a link, a file, or not empty. One that is not there
// is vacant.
func Vacant(name string) error {
	info, err := os.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink != 0:
		return refused(name, "it is a symbolic link; name the folder itself")
	case !info.IsDir():
		return refused(name, "there is a file of that name")
	}
	entries, err := os.ReadDir(name)
	if err == nil && len(entries) > 0 {
		err = refused(name, "the folder is not empty; name a new one, or empty it yourself")
	}
	return err
}

// staysIn refuses a link that leads to another folder than its own.
func staysIn(link string) error {
	to, err := filepath.EvalSymlinks(link)
	if err != nil {
		return err
	}
	folder, err := filepath.EvalSymlinks(filepath.Dir(link))
	if err == nil && filepath.Dir(to) != folder {
		err = refused(link, "it is a link that leads to %s; name the place itself", to)
	}
	return err
}

// spared refuses a file or folder that is a part of the dataset: the settings and what
// they name, the ledger, and what lies among the photos.
func (d *Dataset) spared(name string) error {
	if d.root == nil {
		return nil // it is no folder on disk
	}
	to, err := real(name)
	if err != nil {
		return err
	}
	there, statErr := os.Stat(to)
	for _, own := range d.parts() {
		info, err := os.Stat(own)
		same := err == nil && statErr == nil && os.SameFile(info, there)
		if own, err = real(own); err != nil {
			return err
		}
		if same || own == to {
			return refused(name, "it is a file of the dataset; write somewhere else")
		}
	}
	photos, err := real(filepath.Join(d.root.Name(), filepath.FromSlash(d.settings.Photos.Folder)))
	if err != nil {
		return err
	}
	// Where the photos are the whole folder, what belongs to it lies beside them.
	if within(photos, to) {
		return refused(name, "it would lie among the photos; write somewhere else")
	}
	return nil
}

// parts are the paths on disk of what the dataset consists of besides its photos.
func (d *Dataset) parts() []string {
	var out []string
	for _, file := range append(d.Files(), ledger.FileName, ledger.TornName) {
		out = append(out, filepath.Join(d.root.Name(), filepath.FromSlash(file)))
	}
	if d.archive == nil {
		return out
	}
	out = append(out, d.archive.file)
	for _, file := range d.Files() {
		out = append(out, d.archive.beside(file))
	}
	return out
}

// apart refuses a folder for copies that lies in the dataset or holds it: the next
// check would take originals and copies for one set.
func (d *Dataset) apart(into string) error {
	if d.root == nil {
		return nil // it is no folder on disk
	}
	job, err := real(d.root.Name())
	if err != nil {
		return err
	}
	to, err := real(into)
	if err == nil && within(job, to) {
		err = refused(into, "it lies in the job's folder, where the next check would take copies and originals for one set of photos; name a folder beside it, such as %s", clip(d.root.Name()+"-corrected"))
	} else if err == nil && within(to, job) {
		err = refused(into, "the job's folder lies in it, and copies would lie around the originals; name a folder of their own, beside the job's")
	}
	return err
}

// real is a path without symbolic links, as far as it exists.
func real(p string) (string, error) {
	p, err := filepath.Abs(p)
	if err != nil {
		return "", err
	}
	rest := ""
	for {
		r, err := filepath.EvalSymlinks(p)
		if err == nil {
			return filepath.Join(r, rest), nil
		}
		if !errors.Is(err, fs.ErrNotExist) || filepath.Dir(p) == p {
			return "", err
		}
		rest = filepath.Join(filepath.Base(p), rest)
		p = filepath.Dir(p)
	}
}

// within reports whether path p is dir or lies in it.
func within(dir, p string) bool {
	rel, err := filepath.Rel(dir, p)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}
