package report

import (
	"fmt"
	"strconv"
	"strings"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
)

// Correct is the JSON document of a correction, as schema/correct-1.json
// describes it.
type Correct struct {
	Head
	Dataset  string           `json:"dataset"`
	Into     string           `json:"into,omitempty"`
	DryRun   bool             `json:"dry_run"`
	Position string           `json:"position"`
	Changes  []dataset.Change `json:"changes"`
	// For the text: the grid's unit, whether each change is listed, and what to do next.
	Unit grid.Unit `json:"-"`
	All  bool      `json:"-"`
	Next []string  `json:"-"`
}

// Count gives the number of photos with an outcome.
func (c Correct) Count(o dataset.ChangeOutcome) int {
	n := 0
	for _, ch := range c.Changes {
		if ch.Outcome == o {
			n++
		}
	}
	return n
}

func (c Correct) document() any {
	c.Head = Head{CorrectFormat, jsonVersion}
	return c
}

// correctHead names the columns of its table. Positions are in degrees, the
// distance in metres.
var correctHead = []string{"photo", "point", "verdict", "outcome", "tag_lat", "tag_lon", "new_lat", "new_lon", "moved_m", "grows_bytes",
	"sha256_before", "sha256_after", "why"}

func (c Correct) table() ([]string, [][]string) {
	rows := make([][]string, len(c.Changes))
	for i, ch := range c.Changes {
		row := []string{Cell(ch.Photo), Cell(ch.Point), string(ch.Verdict), string(ch.Outcome), "", "", "", "", "",
			strconv.FormatInt(ch.Grows, 10), ch.Before, ch.After, Cell(ch.Why)}
		if ch.From != nil {
			row[4], row[5] = fixed(ch.From.Lat, 9), fixed(ch.From.Lon, 9)
		}
		if ch.Edit != nil {
			row[6], row[7] = fixed(ch.Edit.Lat, 9), fixed(ch.Edit.Lon, 9)
		}
		if ch.Moved != nil {
			row[8] = fixed(*ch.Moved, 3)
		}
		rows[i] = row
	}
	return correctHead, rows
}

// text tells the counts, the refused photos, with All every change, and what to do
// next.
func (c Correct) text(p *printer) {
	verb := "corrected"
	if c.DryRun {
		verb = "to be corrected"
	}
	p.para(0, 2, "%s %s, %s unchanged, %s left alone, %s refused", words.Plural(c.Count(dataset.Corrected), "photo"), verb,
		words.Count(c.Count(dataset.Unchanged)), words.Count(c.Count(dataset.Left)), words.Count(c.Count(dataset.Refused)))
	sidecars := 0
	for _, ch := range c.Changes {
		if ch.Sidecar != "" && ch.Outcome == dataset.Corrected {
			sidecars++
		}
	}
	if sidecars > 0 {
		p.printf("%s of them in side-car files (.xmp); the raw photos are left alone\n", words.Count(sidecars))
	}
	if c.Count(dataset.Corrected) > 0 {
		p.para(0, 0, "%s", words.InPicture)
	}
	if d := c.delivered(); d != nil {
		p.para(0, 2, "%s", deliveredFact(*d, c.Unit).Text)
	}
	if c.All {
		p.changes(c)
	}
	var left []string
	for _, ch := range c.Changes {
		if ch.Outcome == dataset.Left && ch.Verdict == match.Within && !strings.HasPrefix(ch.Why, "its verdict is ") {
			left = append(left, "left "+words.Safe(ch.Photo)+": "+words.Safe(ch.Why))
		}
		if ch.Outcome == dataset.Refused {
			p.para(0, 2, "%s", "refused "+words.Safe(ch.Photo)+": "+words.Safe(ch.Why))
		}
		for _, n := range ch.Notes {
			if ch.Outcome == dataset.Corrected {
				p.para(0, 2, "%s", "note "+words.Safe(ch.Photo)+": "+words.Safe(n))
			}
		}
	}
	for k, text := range left {
		if k == fewLeft {
			p.para(0, 2, "… and %s more left though they are within; --format json has why", words.Count(len(left)-k))
			break
		}
		p.para(0, 2, "%s", text)
	}
	p.next(c.Next)
}

// fewLeft is how many photos are named that are within and yet left alone.
const fewLeft = 8

// delivered is the frame that corrected tags are in, of the photo that is furthest off
// where it is misread; nil where none is corrected.
func (c Correct) delivered() *match.Delivered {
	var out *match.Delivered
	for _, ch := range c.Changes {
		d := ch.Delivered
		if d == nil || ch.Outcome != dataset.Corrected {
			continue
		}
		if out == nil || d.Misread != nil && (out.Misread == nil || d.Misread.Off > out.Misread.Off) {
			out = d
		}
	}
	return out
}

// changes lists every photo: where its tag was, where it goes, and how far that
// is.
func (p *printer) changes(c Correct) {
	var rows [][]string
	for _, ch := range c.Changes {
		row := []string{words.Safe(ch.Photo), words.Safe(ch.Point), string(ch.Outcome), "", "", "", ""}
		if ch.From != nil {
			row[3] = fmt.Sprintf("%.6f %.6f", ch.From.Lat, ch.From.Lon)
		}
		if ch.Edit != nil {
			row[4] = fmt.Sprintf("%.6f %.6f", ch.Edit.Lat, ch.Edit.Lon)
		}
		if ch.Moved != nil && ch.Outcome == dataset.Corrected {
			row[5] = words.InUnit(*ch.Moved, c.Unit)
		}
		if ch.Outcome == dataset.Corrected {
			row[6] = fmt.Sprintf("%+d", ch.Grows)
		}
		rows = append(rows, row)
	}
	p.printf("\n")
	p.table(0, []column{{head: "photo", path: true, most: 40}, {head: "point", most: 12}, {head: "outcome", most: 9},
		{head: "tag was", most: 22}, {head: "tag becomes", most: 22}, {head: "moves", right: true, most: 10}, {head: "bytes", right: true, most: 6}}, rows)
}

// Restore is the JSON document of a restoration, as schema/restore-1.json
// describes it.
type Restore struct {
	Head
	Dataset string           `json:"dataset"`
	DryRun  bool             `json:"dry_run"`
	Photos  []ledger.Outcome `json:"photos"`
}

// Count gives the number of photos with a status.
func (r Restore) Count(s ledger.Status) int {
	n := 0
	for _, o := range r.Photos {
		if o.Status == s {
			n++
		}
	}
	return n
}

func (r Restore) document() any {
	r.Head = Head{RestoreFormat, jsonVersion}
	return r
}

func (r Restore) table() ([]string, [][]string) {
	rows := make([][]string, len(r.Photos))
	for i, o := range r.Photos {
		rows[i] = []string{Cell(o.Photo), string(o.Status), o.Was, o.Now, o.First, strconv.Itoa(o.Steps)}
	}
	return []string{"photo", "status", "sha256_was", "sha256_now", "sha256_first", "steps"}, rows
}

// statusWords says what a status means for a user.
var statusWords = map[ledger.Status]string{
	ledger.Partly:     "restored only to what it was after something else changed it between two corrections",
	ledger.Changed:    "left alone: something else changed it after the last correction, so its bytes are not on record",
	ledger.Missing:    "is not there any more",
	ledger.Unrecorded: "no correction of it is on record",
	ledger.Failed:     "could not be restored",
}

// text tells the counts, and each photo that did not come out as its original.
func (r Restore) text(p *printer) {
	verb := "restored"
	if r.DryRun {
		verb = "to be restored"
	}
	restored, original := r.Count(ledger.Restored), r.Count(ledger.Original)
	p.printf("%s %s, %s original already, %s not\n", words.Plural(restored, "file"), verb, words.Count(original), words.Count(len(r.Photos)-restored-original))
	removed := 0
	for _, o := range r.Photos {
		if o.Removed && o.Status == ledger.Restored {
			removed++
		}
	}
	if removed > 0 {
		p.printf("%s of them by removing a side-car file that was not there before\n", words.Count(removed))
	}
	for _, o := range r.Photos {
		if text, ok := statusWords[o.Status]; ok {
			p.para(0, 2, "%s %s: %s", o.Status, words.Safe(o.Photo), text)
		}
		for _, n := range o.Notes {
			p.para(0, 2, "%s", "note "+words.Safe(o.Photo)+": "+words.Safe(n))
		}
	}
}
