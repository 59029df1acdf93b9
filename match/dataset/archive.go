package dataset

import (
	"archive/zip"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// The bounds of a ZIP: members, bytes of the list of them, bytes unpacked, and how much
// larger than the ZIP that may be. Photos hardly shrink, and texts to a twentieth.
const (
	mostMembers  = 300_000
	mostListed   = 256 << 20
	mostUnpacked = 64 << 30
	mostRatio    = 50
	freeUnpacked = 64 << 20 // whatever the ratio
)

const unpackYourself = "unpack it yourself, look at what it holds, and name the folder"

// archive is a ZIP that was unpacked.
type archive struct {
	file string // the ZIP
	temp string // the folder that goes when the dataset is closed
	own  bool   // the settings lie beside it
}

// unpack unpacks the ZIP file into a new temporary folder. Where all that it has lies in
// one folder, that is the dataset's.
func unpack(ctx context.Context, file string, progress Progress) (_ *Dataset, err error) {
	f, err := OpenFile(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	u := unpacking{Problem: Problem{File: file, Remedy: unpackYourself}}
	list := &limitedReader{ReaderAt: f, left: mostListed}
	z, err := zip.NewReader(list, info.Size())
	if err != nil {
		what, remedy := "it is neither a folder nor a ZIP that can be read", "name the job's folder, or a ZIP of it"
		if head, _ := io.ReadAll(io.LimitReader(f, 4)); string(head) == "PK\x03\x04" {
			what, remedy = "the ZIP is cut off or damaged", "fetch it again, or unpack what there is of it and name the folder"
		}
		return nil, &Problem{File: file, What: what + " (" + err.Error() + ")", Remedy: remedy}
	}
	list.left = -1
	if err := u.bounded(z, info.Size()); err != nil {
		return nil, err
	}
	temp, err := os.MkdirTemp("", "phototie-*")
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(temp))
		}
	}()
	if u.root, err = os.OpenRoot(temp); err != nil {
		return nil, err
	}
	defer u.root.Close()
	for i, m := range z.File {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if err := u.member(m); err != nil {
			return nil, err
		}
		if progress != nil {
			progress(i+1, len(z.File))
		}
	}
	top, err := soleFolder(u.root)
	if err != nil {
		return nil, err
	}
	d, err := openFolder(filepath.Join(temp, top))
	if err != nil {
		return nil, err
	}
	d.archive = &archive{file: file, temp: temp}
	return d, nil
}

// limitedReader gives an error once more than left was read; less than 0 is no limit.
type limitedReader struct {
	io.ReaderAt
	left int64
}

func (r *limitedReader) ReadAt(p []byte, at int64) (int, error) {
	if r.left >= 0 {
		if r.left -= int64(len(p)); r.left < 0 {
			return 0, fmt.Errorf("its list of members is larger than %d MiB", mostListed>>20)
		}
	}
	return r.ReaderAt.ReadAt(p, at)
}

// unpacking is a ZIP being unpacked; the Problem is about it.
type unpacking struct {
	Problem
	root *os.Root
}

// wrong is an error about the ZIP, or about a member of it.
func (u *unpacking) wrong(member, format string, args ...any) error {
	p := u.Problem
	p.What = fmt.Sprintf(format, args...)
	if member != "" {
		p.Item = fmt.Sprintf("member %q", member)
	}
	return &p
}

// bounded refuses a ZIP that claims too much. What a member unpacks to is held to its
// claim later.
func (u *unpacking) bounded(z *zip.Reader, size int64) error {
	if len(z.File) > mostMembers {
		return u.wrong("", "it has %d members, more than %d", len(z.File), mostMembers)
	}
	most, total := uint64(min(mostUnpacked, freeUnpacked+mostRatio*min(size, mostUnpacked))), uint64(0)
	for _, m := range z.File {
		if total += min(m.UncompressedSize64, mostUnpacked+1); total > most {
			return u.wrong(m.Name, "unpacked, it and those before it have more than %d MiB, which is too much for a ZIP of %d bytes", most>>20, size)
		}
	}
	return nil
}

// member unpacks a member. What a Mac keeps about files beside them is left out.
func (u *unpacking) member(m *zip.File) error {
	name, err := memberName(m)
	switch {
	case err != nil:
		return u.wrong(m.Name, "%v", err)
	case strings.HasPrefix(name, "__MACOSX/"):
		return nil
	case m.Flags&1 != 0:
		return u.wrong(name, "it is encrypted")
	case strings.HasSuffix(m.Name, "/") || m.Mode().IsDir():
		if err := u.root.MkdirAll(name, 0o700); err != nil {
			return u.wrong(name, "%v", bare(err))
		}
		return nil
	case !m.Mode().IsRegular():
		return u.wrong(name, "it is no ordinary file (%s)", kindOf(m.Mode()))
	}
	if err := u.write(m, name); err != nil {
		return u.wrong(name, "%v", bare(err))
	}
	return nil
}

func (u *unpacking) write(m *zip.File, name string) error {
	r, err := m.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	if err := u.root.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	f, err := u.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return errors.New("there are two of that name, as far as this computer tells names apart")
	}
	if err != nil {
		return err
	}
	size := int64(m.UncompressedSize64)
	n, err := io.Copy(f, io.LimitReader(r, size+1))
	if err = errors.Join(err, f.Close()); err == nil && n != size {
		err = fmt.Errorf("it has not the %d bytes that are stated", size)
	}
	if err == nil && !m.Modified.IsZero() {
		err = u.root.Chtimes(name, m.Modified, m.Modified)
	}
	return err
}

// memberName is the path of a member: in UTF-8, or else in the code page of old ZIPs,
// with the backslashes of some programs for Windows made slashes. A name that leads out
// is an error.
func memberName(m *zip.File) (string, error) {
	name := m.Name
	if !utf8.ValidString(name) {
		var err error
		if name, err = charmap.CodePage437.NewDecoder().String(name); err != nil {
			return "", err
		}
	}
	if !strings.Contains(name, "/") {
		name = strings.ReplaceAll(name, `\`, "/")
	}
	name = strings.TrimSuffix(name, "/")
	if local := filepath.FromSlash(name); fs.ValidPath(name) && filepath.IsLocal(local) {
		return local, nil
	}
	return "", errors.New("its name is no path inside the ZIP")
}

// soleFolder is the one folder that has all there is; "." where there is more.
func soleFolder(root *os.Root) (string, error) {
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return "", err
	}
	top := ""
	for _, e := range entries {
		switch {
		case e.Name() == ".DS_Store":
		case top != "" || !e.IsDir():
			return ".", nil
		default:
			top = e.Name()
		}
	}
	return top, nil
}

// beside is where a file is that belongs to a ZIP and does not lie in it.
func (a *archive) beside(name string) string {
	if name == SettingsFile {
		return strings.TrimSuffix(a.file, filepath.Ext(a.file)) + ".toml"
	}
	return filepath.Join(filepath.Dir(a.file), filepath.FromSlash(name))
}

// bring copies a file from beside the ZIP to what was unpacked, where it is not there.
func (d *Dataset) bring(name string) error {
	at := d.archive.beside(name)
	_, err := os.Lstat(at)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if _, inside := d.root.Stat(filepath.FromSlash(name)); inside == nil {
		if name != SettingsFile || err != nil {
			return err
		}
		return &Problem{File: at, What: fmt.Sprintf("%s has settings of its own in it (%s)", d.archive.file, SettingsFile), Remedy: "take one of the two away"}
	}
	from, err := OpenFile(at)
	if err != nil {
		return err
	}
	defer from.Close()
	if err := d.root.MkdirAll(filepath.Dir(filepath.FromSlash(name)), 0o700); err != nil {
		return err
	}
	to, err := d.root.OpenFile(filepath.FromSlash(name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, from)
	return errors.Join(err, to.Close())
}

// bringSettings brings the settings from beside a ZIP.
func (d *Dataset) bringSettings() error {
	if d.archive == nil {
		return nil
	}
	inside := d.isFile(SettingsFile)
	err := d.bring(SettingsFile)
	d.archive.own = !inside && err == nil
	if err == nil && !d.isFile(SettingsFile) {
		err = &Problem{File: d.archive.beside(SettingsFile), What: fmt.Sprintf("there is no such file, and no %s in %s", SettingsFile, d.archive.file),
			Remedy: "phototie init " + d.archive.file + " drafts one"}
	}
	return err
}

// bringFiles brings what the settings name. Settings in the ZIP itself name nothing
// outside of it.
func (d *Dataset) bringFiles() error {
	if d.archive == nil || !d.archive.own {
		return nil
	}
	for _, name := range d.Files()[1:] {
		if err := d.bring(name); err != nil {
			return err
		}
	}
	return nil
}

// aboutSettings names the settings as the user knows them.
func (d *Dataset) aboutSettings(err error) error {
	if d.archive == nil {
		return err
	}
	if list, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range list.Unwrap() {
			out = append(out, d.aboutSettings(e))
		}
		return errors.Join(out...)
	}
	if p, ok := err.(*Problem); ok && p.File == SettingsFile {
		named := *p
		named.File, _ = d.SettingsPath()
		return &named
	}
	return err
}

// SettingsPath is where the settings are on disk, or else belong: in the folder, or
// beside a ZIP that has none in it, JOB.toml for JOB.zip.
func (d *Dataset) SettingsPath() (path string, there bool) {
	if d.archive == nil {
		path = filepath.Join(d.Dir(), SettingsFile)
	} else if path = d.archive.beside(SettingsFile); !d.archive.own && d.isFile(SettingsFile) {
		return filepath.Join(d.archive.file, SettingsFile), true
	}
	_, err := os.Lstat(path)
	return path, err == nil
}

// Dir is the folder on disk: that of a ZIP goes when the dataset is closed. It is empty
// for a dataset in another file system.
func (d *Dataset) Dir() string {
	if d.root == nil {
		return ""
	}
	return d.root.Name()
}

// Archive is the ZIP that the dataset was unpacked from; empty for a folder.
func (d *Dataset) Archive() string { return cmp.Or(d.archive, &archive{}).file }
