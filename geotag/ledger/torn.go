package ledger

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"regexp"
)

// TornName is the file beside the ledger that keeps lines which were cut off, each
// on a line of its own.
const TornName = "phototie-ledger.torn"

// Torn is a record that was cut off: its end was not on disk when the system or the
// run ended, or the file was cut later.
type Torn struct {
	// Bytes is its length.
	Bytes int64 `json:"bytes"`
	// Photo is the photo that it names, empty where it ends before that.
	Photo string `json:"photo,omitempty"`
	// Safe says that the photo has bytes on record, or those that the line says were
	// there before: nothing is lost. Else it may be corrected without a way back.
	Safe bool `json:"safe"`
	// Kept is the file that now has the line, see TornName; empty after OpenRead.
	Kept string `json:"kept,omitempty"`
}

func (t *Torn) outcome() Outcome {
	o := Outcome{Photo: cmp.Or(t.Photo, FileName), Status: Incomplete}
	note := fmt.Sprintf("the ledger's last line was cut off after %d bytes", t.Bytes)
	if t.Kept != "" {
		note += "; what is left of it is in " + t.Kept
	}
	switch {
	case t.Safe:
		note += "; the photo that it names was not touched, or has another record"
	case t.Photo == "":
		note += "; which photo it was about can't be told: put back a whole copy of the ledger, or compare the photos with their originals"
	default:
		note += "; the photo that it names has bytes that are not on record, so it may be corrected without a way back: put back a whole copy of the ledger, or the photo's original"
	}
	o.Notes = []string{note}
	return o
}

// mend takes a cut-off last line off the ledger and keeps it, and says what became
// of its photo. A line that was kept earlier counts until its photo is safe.
func (l *Ledger) mend(torn []byte) error {
	if torn == nil {
		return l.kept()
	}
	t := l.torn(torn)
	l.repairs.Torn = &t
	if l.lock == nil {
		return nil
	}
	t.Kept = TornName
	f, err := l.root.OpenFile(TornName, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return fmt.Errorf("ledger: can't keep the last line, which was cut off: %w", err)
	}
	_, err = f.Write(append(bytes.TrimRight(torn, "\r\n"), '\n'))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = syncDir(l.root, ".")
	}
	if err != nil {
		return fmt.Errorf("ledger: can't keep the last line, which was cut off: %w", err)
	}
	if err = cutBack(l.file, l.size); err != nil {
		return fmt.Errorf("ledger: can't remove the last line, which was cut off: %w", err)
	}
	return nil
}

// kept looks at the lines that were kept earlier.
func (l *Ledger) kept() error {
	fi, err := l.root.Lstat(TornName)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !fi.Mode().IsRegular() {
		return nil
	}
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	f, err := l.root.OpenFile(TornName, os.O_RDONLY, 0)
	if err != nil {
		return fmt.Errorf("ledger: %w", err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, maxLine)
	for lines.Scan() {
		if t := l.torn(lines.Bytes()); !t.Safe && t.Photo != "" {
			t.Kept = TornName
			l.repairs.Torn = &t
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("ledger: %s: %w; look what is in it, and move it away", TornName, err)
	}
	return nil
}

// The fields of a record that was cut off, as it was written.
var (
	tornPhoto   = regexp.MustCompile(`"photo":("(?:[^"\\]|\\.)*")`)
	tornBefore  = regexp.MustCompile(`"before":"([0-9a-f]{64})"`)
	tornCreated = regexp.MustCompile(`"created":true`)
)

// torn says what a line that was cut off tells, and looks at its photo.
func (l *Ledger) torn(text []byte) Torn {
	t := Torn{Bytes: int64(len(text))}
	m := tornPhoto.FindSubmatch(text)
	if m == nil || json.Unmarshal(m[1], &t.Photo) != nil || checkName(t.Photo) != nil {
		t.Photo = ""
		return t
	}
	src, err := openSource(l.root, t.Photo)
	if errors.Is(err, fs.ErrNotExist) {
		t.Safe = tornCreated.Match(text) // and it was not
	}
	if err != nil {
		return t
	}
	defer src.Close()
	now, err := src.digest(context.Background())
	if err != nil {
		return t
	}
	before := tornBefore.FindSubmatch(text)
	t.Safe = l.photos[t.Photo].knows(now) || before != nil && string(before[1]) == now.String()
	return t
}
