package report

import (
	"io"

	"example.com/phototie/match"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/internal/words"
)

// initDoc is the JSON document of a folder's draft.
type initDoc struct {
	Format   string `json:"format"`
	Version  int    `json:"version"`
	Dataset  string `json:"dataset"`
	File     string `json:"settings_file"`
	Complete bool   `json:"complete"`
	*intake.Draft
}

// InitJSON writes a draft as one document, as schema/init-1.json describes it. file is
// the settings file that it went into; empty for none.
func InitJSON(w io.Writer, name, file string, d *intake.Draft) error {
	return Document(w, initDoc{"phototie-init", jsonVersion, name, file, d.Complete(), d})
}

// InitText writes a draft for a person: what was found and taken, and what is left.
func InitText(w io.Writer, name, file string, d *intake.Draft, next []string) error {
	p := newPrinter(w)
	p.printf("%s\n", words.Safe(name))
	p.field("photos", "%s: %d, %d with a position", d.Photos.Folder, d.Photos.Count, d.Photos.Tagged)
	p.field("points", "%d, %s", d.Points.Count, d.Points.Read)
	if l := d.Links; l == nil {
		p.field("links", "no list")
	} else {
		p.field("links", "%s: %s", l.File, l.Layout)
		p.field("", "%d taken, %d photos without a point, %d names of photos and %d of points that are not known", len(l.Links), len(l.Untied), len(l.UnknownPhotos), len(l.UnknownPoints))
		p.preview("", l.Links)
		p.preview("without a point", l.Untied)
		p.preview("no such photo", l.UnknownPhotos)
		p.preview("no such point", l.UnknownPoints)
	}
	p.field("grid", "%s", d.Grid.Why)
	for _, n := range d.Notes {
		p.field("note", "%s", n)
	}
	for i, o := range d.Open {
		if i == 0 {
			p.printf("\nLeft for you to decide\n")
		}
		p.para(2, 4, "%s", o)
	}
	if file != "" {
		p.printf("\n%s is written, with the reason for each line.\n", words.Safe(file))
	}
	p.next(next)
	return p.err
}

// preview writes the first of some links.
func (p *printer) preview(what string, links []match.Link) {
	for i, l := range links {
		switch {
		case i == 3:
			p.field("", "  … and %s more", words.Count(len(links)-i))
			return
		case what == "":
			p.field("", "  line %d: %s shows %s", l.Line, l.Photo, l.Point)
		default:
			p.field("", "  line %d: %s %s (%s)", l.Line, l.Photo, l.Point, what)
		}
	}
}
