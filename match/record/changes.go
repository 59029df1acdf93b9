package record

import (
	"cmp"
	"errors"
	"io"
	"os"
	"path"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
)

// LedgerChanges reads the corrections that the ledger of a folder has on record:
// the last one of each photo, in the order of the ledger; that of a side-car file
// counts as its photo's. A photo that was
// restored after its last correction says so. Was and Is are read from the photo
// in that folder and its reverse patch; where the photo is not as the ledger left
// it they are empty, and a note says so. SHA-256 are those on record: the photos
// are not read to their end. A folder without a ledger has no changes. The error
// is that of ledger.Read.
func LedgerChanges(root *os.Root) ([]Change, error) {
	at := map[string]int{}
	var out []Change
	var last []ledger.Record
	for rec, err := range ledger.Read(root) {
		if err != nil {
			return nil, err
		}
		if rec.Before == rec.After && rec.Action != ledger.ActionRestore {
			continue // copied as it was
		}
		k, ok := at[rec.Photo]
		if !ok {
			k = len(out)
			at[rec.Photo] = k
			out, last = append(out, Change{}), append(last, ledger.Record{})
		}
		c := Change{Photo: cmp.Or(rec.Reason["photo"], out[k].Photo, rec.Photo), Time: rec.Time, Before: rec.Before, After: rec.After}
		switch {
		case rec.Action == ledger.ActionRestore:
			c.What, c.restored = "taken back to earlier bytes", true
		case rec.Meaning == geotag.CameraPosition.String():
			c.What = "the point written as the destination, the camera\u2019s position kept"
		case rec.Meaning == geotag.SubjectPosition.String():
			c.What = "the point\u2019s position written"
		default:
			c.What = "changed"
		}
		if p := rec.Reason["point"]; p != "" && rec.Action != ledger.ActionRestore {
			c.What += " (" + p + ")"
		}
		if rec.Reason["labelled"] != "" {
			c.What += ", and labelled"
		}
		if rec.Action == ledger.ActionCopy {
			c.What += ", in a copy"
		}
		if c.Photo != rec.Photo {
			c.What += ", in its side-car " + path.Base(rec.Photo)
		}
		out[k], last[k] = c, rec
	}
	for k := range out {
		out[k].Was, out[k].Is, out[k].Notes = positions(root, last[k])
	}
	return out, nil
}

// positions reads the tags after a correction, from the photo, and before it, by
// the reverse patch.
func positions(root *os.Root, rec ledger.Record) (was, is string, notes []string) {
	if rec.Reverse == nil {
		return "", "", nil
	}
	f, err := root.Open(rec.Photo)
	if err != nil {
		return "", "", []string{cantCompare + unnamed(err).Error()}
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil && (!info.Mode().IsRegular() || info.Size() != rec.SizeAfter) {
		err = errSize
	}
	if err == nil {
		err = rec.Reverse.Fits(f, info.Size())
	}
	switch {
	case errors.Is(err, geotag.ErrPatchMismatch):
		return "", "", []string{"the photo there is not as its last correction left it"}
	case err != nil:
		return "", "", []string{cantCompare + unnamed(err).Error()}
	}
	return position(rec.Reverse.Through(f), rec.SizeBefore), position(f, rec.SizeAfter), nil
}

const cantCompare = "the photo there can\u2019t be compared with its record: "

// errSize: the photo can't be the one on record.
var errSize = errors.New("its length is another")

// position words the tag of an image.
func position(r io.ReaderAt, size int64) string {
	t, err := geotag.Read(r, size)
	if err != nil {
		return ""
	}
	if t.Position == nil {
		return "without a position"
	}
	s := latLon(t.Position.Lat, t.Position.Lon, 3)
	if t.MapDatum != "" {
		s += " (" + t.MapDatum + ")"
	}
	return s
}
