package ledger

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"
	"unicode"

	"example.com/phototie/geotag"
)

// FileName is the name of the ledger file at the top of its folder.
const FileName = "phototie-ledger.jsonl"

// Version is the format of the records that this package writes, and the latest
// that it reads.
const Version = 1

// maxLine bounds one line of the ledger, in bytes.
const maxLine = 64 << 20

// Action says what a record records.
type Action string

const (
	// ActionCorrect: the photo was changed in place.
	ActionCorrect Action = "correct"
	// ActionCopy: the photo was written into the ledger's folder from another one,
	// corrected or as it was.
	ActionCopy Action = "copy"
	// ActionRestore: the photo was taken back to earlier bytes.
	ActionRestore Action = "restore"
)

// Record is one line of the ledger. The package comment documents the file form.
type Record struct {
	Version int `json:"version"`
	// Time is when the record was written; zero where that was to be left out, see
	// Ledger.SetClock.
	Time time.Time `json:"time,omitzero"`
	// Tool is the program and version that wrote the record.
	Tool   string `json:"tool,omitempty"`
	Action Action `json:"action"`
	// Photo is the slash-separated path below the ledger's folder.
	Photo string `json:"photo"`
	// Source is the path of the photo that a copy was made from, below the folder
	// that it was in; empty where it is Photo.
	Source string `json:"source,omitempty"`
	// Created says that there was no file before: Before is the SHA-256 of no
	// bytes, SizeBefore is 0, and restoring removes the file. The record of that
	// has no bytes after, and doesn't say Created.
	Created bool `json:"created,omitempty"`
	// Before and After are SHA-256 as 64 lower-case hex digits. They are equal
	// for a photo that was copied as it was.
	Before string `json:"before"`
	After  string `json:"after"`
	// SizeBefore and SizeAfter are lengths in bytes.
	SizeBefore int64 `json:"size_before"`
	SizeAfter  int64 `json:"size_after"`
	// Meaning is the name of the geotag.Meaning of a correction.
	Meaning string `json:"meaning,omitempty"`
	// Reason is the caller's own, kept as it is; bytes that are not UTF-8
	// become U+FFFD.
	Reason map[string]string `json:"reason,omitempty"`
	// Reverse turns the bytes after into the bytes before. It is nil for
	// ActionRestore.
	Reverse *geotag.Patch `json:"reverse,omitempty"`
	// Previous is the SHA-256 of the line before this one, without its end; of no
	// bytes for the first line. Empty in ledgers of older programs.
	Previous string `json:"previous,omitempty"`
}

// Errors that a line of the ledger can give. They come wrapped in a *LineError.
var (
	// ErrDamaged: the line is not a sound record.
	ErrDamaged = errors.New("the ledger is damaged")
	// ErrVersion: the record was written in a format later than this program knows.
	ErrVersion = errors.New("the ledger was written by a newer phototie")
)

// LineError is a line of the ledger that can't be used.
type LineError struct {
	// Line counts from 1.
	Line int
	Err  error
}

// Error names the file, the line and what to do about it.
func (e *LineError) Error() string {
	remedy := "put back a sound copy of the file; if there is none, delete this line: all other photos can still be restored, this line's photo can't"
	if errors.Is(e.Err, ErrVersion) {
		remedy = "use that version or a later one"
	}
	return fmt.Sprintf("%s:%d: %v; %s", FileName, e.Line, e.Err, remedy)
}

// Unwrap gives Err.
func (e *LineError) Unwrap() error { return e.Err }

// ParseRecord reads one line of a ledger, with or without its line feed, and
// checks that the record is sound: known action, valid path and digests, and a
// reverse patch that fits the sizes. Errors wrap ErrDamaged or ErrVersion.
func ParseRecord(line []byte) (Record, error) {
	var r Record
	err := json.Unmarshal(line, &r)
	if err != nil {
		// A later format may have other types; its version still tells.
		var head struct {
			Version int `json:"version"`
		}
		if json.Unmarshal(line, &head) == nil {
			r.Version = head.Version
		}
	}
	if r.Version > Version {
		return Record{}, fmt.Errorf("%w: format %d, this program reads up to %d", ErrVersion, r.Version, Version)
	}
	if err != nil {
		return Record{}, fmt.Errorf("%w: not a record: %v", ErrDamaged, err)
	}
	if err := r.check(); err != nil {
		return Record{}, fmt.Errorf("%w: %v", ErrDamaged, err)
	}
	return r, nil
}

// check reports what makes the record unsound.
func (r *Record) check() error {
	names := func(p string) bool { return fs.ValidPath(p) && p != "." }
	switch {
	case r.Version < 1 || r.Version > Version:
		return fmt.Errorf("version %d", r.Version)
	case !names(r.Photo):
		return fmt.Errorf("photo %q is not a path below the folder", r.Photo)
	case r.Source != "" && (!names(r.Source) || r.Action != ActionCopy):
		return fmt.Errorf("source %q is not the path of a copy's source", r.Source)
	case r.SizeBefore < 0 || r.SizeAfter < 0:
		return errors.New("negative size")
	}
	return cmp.Or(r.checkDigests(), r.checkReverse())
}

func (r *Record) checkDigests() error {
	for _, d := range []struct{ name, hex string }{{"before", r.Before}, {"after", r.After}, {"previous", cmp.Or(r.Previous, nothing.String())}} {
		if _, err := parseDigest(d.hex); err != nil {
			return fmt.Errorf("%s: %v", d.name, err)
		}
	}
	if r.Created && (r.Action != ActionCorrect || r.SizeBefore != 0 || r.Before != nothing.String()) {
		return errors.New("created, yet there were bytes before, or no correction made it")
	}
	return nil
}

// checkReverse reports what is wrong with the way back.
func (r *Record) checkReverse() error {
	switch r.Action {
	case ActionCorrect, ActionCopy:
		if r.Reverse == nil {
			return errors.New("no reverse patch")
		}
		if err := r.Reverse.Check(); err != nil {
			return fmt.Errorf("reverse %v", err)
		}
		if r.Reverse.SizeBefore != r.SizeAfter || r.Reverse.SizeAfter() != r.SizeBefore {
			return errors.New("the reverse patch does not fit the sizes")
		}
	case ActionRestore:
		if r.Reverse != nil {
			return errors.New("a restore has no reverse patch")
		}
	default:
		return fmt.Errorf("unknown action %q", r.Action)
	}
	return nil
}

// chained is a record's line with its Previous put in, at the end.
func chained(text []byte, previous digest) []byte {
	text = bytes.TrimSuffix(text, []byte("}\n"))
	return fmt.Appendf(slices.Clip(text), ",\"previous\":\"%v\"}\n", previous)
}

// lineSum is the digest of a line of the ledger, without its end.
func lineSum(text []byte) digest { return sha256.Sum256(bytes.TrimRight(text, "\r\n")) }

// encode gives the record's line with its line feed, but for its Previous.
func (r *Record) encode() ([]byte, error) {
	if err := r.check(); err != nil {
		return nil, err
	}
	if r.Reverse != nil {
		// Empty values rather than null, for readers in other languages.
		whole := *r
		whole.Reverse = &geotag.Patch{SizeBefore: r.Reverse.SizeBefore, Splices: []geotag.Splice{}}
		for _, s := range r.Reverse.Splices {
			whole.Reverse.Splices = append(whole.Reverse.Splices, geotag.Splice{
				Off: s.Off,
				Old: append([]byte{}, s.Old...),
				New: append([]byte{}, s.New...),
			})
		}
		r = &whole
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		return nil, err
	}
	if b.Len() > maxLine-len(chained(nil, nothing)) {
		return nil, fmt.Errorf("the reverse patch needs a line of %d bytes, more than the ledger's limit of %d", b.Len(), maxLine)
	}
	return quiet(b.Bytes()), nil
}

// quiet escapes what JSON lets through and acts on a terminal: control characters
// beyond ASCII and marks that turn the direction of writing. They stand in strings
// only.
func quiet(line []byte) []byte {
	acts := func(r rune) bool { return r >= 0x7F && unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) }
	if !bytes.ContainsFunc(line, acts) {
		return line
	}
	var b bytes.Buffer
	for _, r := range string(line) {
		if acts(r) {
			fmt.Fprintf(&b, `\u%04x`, r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.Bytes()
}

// nothing is the SHA-256 of no bytes.
var nothing digest = sha256.Sum256(nil)

// digest is a SHA-256.
type digest [sha256.Size]byte

func (d digest) String() string { return hex.EncodeToString(d[:]) }

func parseDigest(s string) (d digest, err error) {
	if b, err := hex.DecodeString(s); err != nil || len(b) != len(d) {
		return d, fmt.Errorf("%q is not a SHA-256 in hex", s)
	} else if d = digest(b); d.String() != s {
		return d, fmt.Errorf("%q is not in lower case", s)
	}
	return d, nil
}
