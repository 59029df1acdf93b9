package record

import (
	"bytes"
	"errors"
	"io"
	"os"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
)

// LedgerChanges reads the corrections that the ledger of a folder has on record:
// the last one of each photo, in the order of the ledger. A photo that was
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
		c := Change{Photo: rec.Photo, Time: rec.Time, Before: rec.Before, After: rec.After}
		switch {
		case rec.Action == ledger.ActionRestore:
			c.What = "taken back to earlier bytes"
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
		if rec.Action == ledger.ActionCopy {
			c.What += ", in a copy"
		}
		out[k], last[k] = c, rec
	}
	for k := range out {
		out[k].Was, out[k].Is, out[k].Notes = positions(root, last[k])
	}
	return out, nil
}

// headerMost is how much of a photo is looked into for its tag before and after.
const headerMost = 1 << 20

// positions reads the tags after a correction, from the photo, and before it, by
// the reverse patch.
func positions(root *os.Root, rec ledger.Record) (was, is string, notes []string) {
	if rec.Reverse == nil {
		return "", "", nil
	}
	head, err := headOf(root, rec)
	if err != nil {
		return "", "", []string{"the photo there can\u2019t be compared with its record: " + unnamed(err).Error()}
	}
	before, ok := undo(head, rec.Reverse)
	if !ok {
		return "", "", []string{"the photo there is not as its last correction left it"}
	}
	return position(before), position(head), nil
}

// errSize: the photo can't be the one on record.
var errSize = errors.New("its length is another")

func headOf(root *os.Root, rec ledger.Record) ([]byte, error) {
	f, err := root.Open(rec.Photo)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() != rec.SizeAfter {
		return nil, errSize
	}
	return io.ReadAll(io.LimitReader(f, headerMost))
}

// undo applies those splices of a patch that lie within the head of a file; ok
// says that the head has the bytes that they replace.
func undo(head []byte, p *geotag.Patch) (out []byte, ok bool) {
	at := int64(0)
	for _, s := range p.Splices {
		end := s.Off + int64(len(s.Old))
		if end > int64(len(head)) {
			break
		}
		if s.Off < at || !bytes.Equal(head[s.Off:end], s.Old) {
			return nil, false
		}
		out = append(append(out, head[at:s.Off]...), s.New...)
		at = end
	}
	return append(out, head[at:]...), true
}

// position words the tag of an image of which the head is enough.
func position(head []byte) string {
	t, err := geotag.ReadBytes(head)
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
