package record

import (
	"fmt"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	measured "example.com/phototie/match/pictures"
)

// asPicture says that a finding is about a photo as a picture. Such findings stand on
// the photo's sheet.
func asPicture(f match.Finding) bool {
	return f.Photo != "" && f.Code.AboutPicture()
}

// collect sorts the findings of the job.
func (d *doc) collect() {
	d.findings = d.r.Findings()
	d.toLookAt = make([]bool, len(d.r.Photos))
	for _, i := range d.r.ToLookAt() {
		d.toLookAt[i] = true
		d.look++
	}
	d.doubts = map[string][]string{}
	for _, f := range d.findings {
		if f.Code == match.FindingConflict {
			d.doubts[f.Photo] = append(d.doubts[f.Photo], words.Safe(f.Message))
		}
	}
	d.ofPhoto, d.tooFew = map[string][]match.Finding{}, map[string]match.Finding{}
	for _, f := range d.findings {
		switch {
		case asPicture(f):
			d.ofPhoto[f.Photo] = append(d.ofPhoto[f.Photo], f)
		case f.Code == match.FindingTooFew:
			d.tooFew[f.Point] = f
		}
	}
}

// pictureWords name what is wrong with a picture.
var pictureWords = map[match.FindingCode]string{
	match.FindingUndecodable:   "pixels can\u2019t be read",
	match.FindingTooSmall:      "too small",
	match.FindingLowQuality:    "low JPEG quality",
	match.FindingBlurred:       "blurred",
	match.FindingClipped:       "clipped",
	match.FindingOrientation:   "mirrored by its orientation flag",
	match.FindingIdentical:     "same file as another",
	match.FindingNearDuplicate: "same picture as another",
	match.FindingMarkup:        "marked-up copy",
	match.FindingMarkupAlone:   "marked-up copy without its original",
}

// amiss names what is wrong with a photo as a picture; what is only worth knowing
// does not count.
func (d *doc) amiss(i int) []string {
	var out []string
	for _, f := range d.ofPhoto[d.r.Photos[i].Name] {
		if !f.Severity.AtLeast(match.SeverityWarning) {
			continue
		}
		w, ok := pictureWords[f.Code]
		if !ok {
			w = words.Safe(string(f.Code))
		}
		out = append(out, w)
	}
	return out
}

// requiredSays sums up which photos and points are not as required.
func (d *doc) requiredSays() []string {
	var says, kinds []string
	n := 0
	for i := range d.r.Photos {
		amiss := d.amiss(i)
		if len(amiss) > 0 {
			n++
		}
		kinds = append(kinds, amiss...)
	}
	if n > 0 {
		says = append(says, fmt.Sprintf("%s %s not as required: %s.", words.Plural(n, "photo"), words.Pick(n, "is", "are"), listed(words.Commonest(kinds))))
	}
	if n := len(d.tooFew); n > 0 {
		none := 0
		for id := range d.tooFew {
			if k, ok := d.byPoint[id]; ok && d.bare(k) {
				none++
			}
		}
		text := fmt.Sprintf("%s %s fewer usable photos than required", words.Plural(n, "point"), words.Pick(n, "has", "have"))
		if none > 0 {
			text += fmt.Sprintf(", %s of them none at all", words.Count(none))
		}
		says = append(says, text+".")
	}
	return says
}

// pictureFacts tell what was measured of a photo as a picture.
func pictureFacts(p *match.PhotoResult) []fact {
	m := measured.Of(&p.Photo)
	switch {
	case m == nil && p.PixelsErr != nil:
		return []fact{{Term: "Picture", Text: []string{"not measured: " + words.Safe(p.PixelsErr.Error())}}}
	case m == nil:
		return nil
	}
	text := fmt.Sprintf("%d \u00d7 %d pixels", m.Width, m.Height)
	if m.Quality != nil {
		text += fmt.Sprintf(", JPEG quality %v", m.Quality)
	}
	switch {
	case m.Unsupported:
		text += ", not measured: " + words.Safe(m.Undecoded)
	case m.Undecoded != "":
	case m.Blur != nil:
		text += fmt.Sprintf(", blur %.1f%spx", *m.Blur, nbsp)
	default:
		text += ", no edges"
	}
	if e := m.Exposure; e != nil && e.Black+e.White >= 0.01 {
		text += ", " + percent(e.Black+e.White) + " black or white"
	}
	return []fact{{Term: "Picture", Text: []string{text}}}
}

// foundFacts are the findings about a photo as a picture, and what contradicts its tag.
func (d *doc) foundFacts(i int) (out []fact) {
	for _, t := range d.doubts[d.r.Photos[i].Name] {
		out = append(out, fact{Term: "Warning", Found: true, Text: []string{title(t) + "."}})
	}
	for _, f := range d.ofPhoto[d.r.Photos[i].Name] {
		out = append(out, fact{Term: title(string(f.Severity)), Found: true, Text: []string{title(words.Safe(f.Message)) + ".", "What to do: " + words.Safe(f.Remedy) + "."}})
	}
	return out
}
