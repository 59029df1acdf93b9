package dataset

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
)

// rawExtensions are the file name extensions, in lower case, of the raw formats of
// cameras. Their files are never written to: nobody but the maker knows what in
// them depends on what. What is to be said of such a photo stands in a side-car
// file beside it.
var rawExtensions = []string{".cr2", ".cr3", ".nef", ".arw", ".orf", ".rw2", ".raf", ".pef", ".srw"}

// isRaw reports whether a file of this name is a raw photo.
func isRaw(name string) bool {
	return slices.Contains(rawExtensions, strings.ToLower(path.Ext(name)))
}

// reasonPhoto is the key of a ledger record's reason under which the record of a
// side-car names its photo.
const reasonPhoto = "photo"

// isSidecar reports whether a file of this name may be a side-car.
func isSidecar(name string) bool {
	return strings.EqualFold(path.Ext(name), geotag.SidecarExtension)
}

// sidecarsOf finds the side-car files that belong to a photo, as paths inside the
// dataset. The one named after several photos, IMG.xmp for IMG.NEF and IMG.JPG,
// belongs to the raw one.
func (d *Dataset) sidecarsOf(photo string) ([]string, error) {
	if isRaw(photo) {
		return d.sidecars(photo)
	}
	base, stem := path.Base(photo), strings.TrimSuffix(path.Base(photo), path.Ext(photo))
	beside, err := d.beside(path.Dir(photo))
	if err != nil {
		return nil, err
	}
	var out []string
	for _, ext := range []string{geotag.SidecarExtension, strings.ToUpper(geotag.SidecarExtension)} {
		if beside[stem+ext] && !slices.ContainsFunc(rawExtensions, func(raw string) bool { return beside[stem+raw] || beside[stem+strings.ToUpper(raw)] }) {
			out = append(out, path.Join(path.Dir(photo), stem+ext))
		}
		if beside[base+ext] {
			out = append(out, path.Join(path.Dir(photo), base+ext))
		}
	}
	return out, nil
}

// beside lists the side-cars and raw photos of a folder, by name. A folder is read
// once: a million photos are not to be asked for one by one.
func (d *Dataset) beside(folder string) (map[string]bool, error) {
	read, _ := d.folders.LoadOrStore(folder, sync.OnceValues(func() (map[string]bool, error) {
		entries, err := fs.ReadDir(d.fsys, folder)
		if err != nil {
			return nil, bare(err)
		}
		out := map[string]bool{}
		for _, e := range entries {
			if isSidecar(e.Name()) || isRaw(e.Name()) {
				out[e.Name()] = true
			}
		}
		return out, nil
	}))
	return read.(func() (map[string]bool, error))()
}

// heldAgainstSidecars adds a warning to the tag of a photo that is no raw one for
// each side-car that states another position.
func (d *Dataset) heldAgainstSidecars(name string, tag *geotag.Tag) (*geotag.Tag, error) {
	found, err := d.sidecarsOf(name)
	if err != nil || len(found) == 0 || tag.Position == nil {
		return tag, err
	}
	out := *tag
	for _, file := range found {
		side, _, err := d.readTag(file)
		if err != nil {
			out.Warnings = append(slices.Clip(out.Warnings), geotag.Warning{Code: geotag.WarnCorrupt, Field: "side-car", Detail: fmt.Sprintf("%s can't be read: %v", path.Base(file), err)})
			continue
		}
		for _, w := range tag.WithSidecar(side).Warnings[len(tag.Warnings)+len(side.Warnings):] {
			w.Field, w.Detail = "side-car", path.Base(file)+" contradicts it: "+w.Detail
			out.Warnings = append(slices.Clip(out.Warnings), w)
		}
	}
	return &out, nil
}

// SidecarAs is the path that a side-car of a photo has where Correct copies the
// photo under the name as.
func SidecarAs(photo, as, sidecar string) string {
	name, _ := renamed(photo, as, sidecar)
	return name
}

// sidecars finds the side-car files of a raw photo, by both conventions: for
// IMG.NEF they are IMG.xmp, as the XMP specification has it (part 3, section 1.2,
// from memory), and IMG.NEF.xmp, which keeps it apart from that of an IMG.JPG
// (common practice, no source). There may be none, and there may be two.
func (d *Dataset) sidecars(name string) ([]string, error) {
	stem := strings.TrimSuffix(name, path.Ext(name))
	var found []string
	var infos []fs.FileInfo
	for _, candidate := range []string{
		stem + geotag.SidecarExtension, name + geotag.SidecarExtension,
		stem + strings.ToUpper(geotag.SidecarExtension), name + strings.ToUpper(geotag.SidecarExtension),
	} {
		info, err := fs.Stat(d.fsys, candidate)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("its side-car %s: %w", path.Base(candidate), bare(err))
		}
		// The same file where a file system takes both cases for one.
		if slices.ContainsFunc(infos, func(other fs.FileInfo) bool { return os.SameFile(other, info) }) {
			continue
		}
		found, infos = append(found, candidate), append(infos, info)
	}
	return found, nil
}

// withSidecar puts what a raw photo says by itself, its tag or why that can't be
// read, together with what its side-car says.
func (d *Dataset) withSidecar(name string, tag *geotag.Tag, err error) (*geotag.Tag, error) {
	if err != nil && !errors.Is(err, geotag.ErrFormat) {
		return nil, err
	}
	found, sideErr := d.sidecars(name)
	if sideErr != nil {
		return nil, sideErr
	}
	if len(found) == 0 {
		if err != nil {
			err = fmt.Errorf("%w; nor is there a side-car file beside it", err)
		}
		return tag, err
	}
	side, _, sideErr := d.readTag(found[0])
	if sideErr != nil {
		return nil, fmt.Errorf("its side-car %s: %w", path.Base(found[0]), sideErr)
	}
	if err != nil {
		tag = side
	} else {
		tag = tag.WithSidecar(side)
	}
	if len(found) > 1 {
		tag.Warnings = append(tag.Warnings, geotag.Warning{Code: geotag.WarnDuplicate, Field: "XMP",
			Detail: fmt.Sprintf("there are two side-car files, %s and %s; the first is taken", path.Base(found[0]), path.Base(found[1]))})
	}
	return tag, nil
}

// sidecarPlan works out what writes an edit into the side-car of a raw photo: its
// file, whether that is to be created, and the patch.
func (d *Dataset) sidecarPlan(name string, e geotag.Edit) (file string, create bool, patch *geotag.Patch, err error) {
	found, err := d.sidecars(name)
	if err != nil {
		return "", false, nil, err
	}
	if len(found) > 1 {
		return "", false, nil, fmt.Errorf("%w: there are two side-car files, %s and %s, and which of them a program takes is not known; remove one", geotag.ErrUnsafe, path.Base(found[0]), path.Base(found[1]))
	}
	stem := strings.TrimSuffix(name, path.Ext(name))
	other, err := d.sameStem(name)
	if err != nil {
		return "", false, nil, err
	}
	if len(found) == 0 {
		file = stem + geotag.SidecarExtension
		if other != "" {
			file = name + geotag.SidecarExtension
		}
		patch, err = geotag.NewSidecar(e)
		return file, true, patch, err
	}
	file = found[0]
	if other != "" && strings.EqualFold(file, stem+geotag.SidecarExtension) {
		return "", false, nil, fmt.Errorf("%w: the side-car %s is that of %s and of %s; name it after one of them, with its extension", geotag.ErrUnsafe, path.Base(file), path.Base(name), path.Base(other))
	}
	patch, err = d.plan(file, e)
	return file, false, patch, err
}

// sameStem finds another raw photo beside the one named that differs from it in
// the extension alone; empty where there is none.
func (d *Dataset) sameStem(name string) (string, error) {
	ext := path.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	for _, other := range rawExtensions {
		if strings.EqualFold(other, ext) {
			continue
		}
		for _, candidate := range []string{stem + other, stem + strings.ToUpper(other)} {
			switch _, err := fs.Stat(d.fsys, candidate); {
			case err == nil:
				return candidate, nil
			case !errors.Is(err, fs.ErrNotExist):
				return "", bare(err)
			}
		}
	}
	return "", nil
}

// renamed gives the name that a photo, or a side-car of it, has where the photo is
// copied under the name as, and its source where that is another.
func renamed(photo, as, file string) (name, source string) {
	switch {
	case photo == as:
		return file, ""
	case file == photo:
		return as, file
	case strings.HasPrefix(file, photo+"."):
		return as + path.Ext(file), file
	}
	return strings.TrimSuffix(as, path.Ext(as)) + path.Ext(file), file
}

// sidecarCopies are the tasks that copy the side-cars of a photo, which is copied
// under the name as: all but the ones named.
func (d *Dataset) sidecarCopies(name, as string, but []string) ([]ledger.Task, error) {
	found, err := d.sidecarsOf(name)
	if err != nil {
		return nil, err
	}
	var tasks []ledger.Task
	for _, file := range found {
		if slices.Contains(but, file) {
			continue
		}
		t := ledger.Task{From: d.root, Follows: true}
		t.Photo, t.Source = renamed(name, as, file)
		tasks = append(tasks, t)
	}
	return tasks, nil
}

// sidecarNames adds to photos the side-cars that were corrected for them; a raw
// photo gives way to its own.
func sidecarNames(l *ledger.Ledger, names []string) ([]string, error) {
	if len(names) == 0 {
		return nil, nil
	}
	of := map[string][]string{}
	for rec, err := range l.Records() {
		if err != nil {
			return nil, err
		}
		if photo := rec.Reason[reasonPhoto]; photo != "" && !slices.Contains(of[photo], rec.Photo) {
			of[photo] = append(of[photo], rec.Photo)
		}
	}
	var out []string
	for _, name := range names {
		if !isRaw(name) || len(of[name]) == 0 {
			out = append(out, name)
		}
		out = append(out, of[name]...)
	}
	return out, nil
}
