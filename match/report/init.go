package report

import (
	"example.com/phototie/match"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/internal/words"
)

// Init is the JSON document of a folder's draft, as schema/init-1.json describes it. Its
// text tells what was found and taken, and what is left.
type Init struct {
	Head
	Dataset string `json:"dataset"`
	// File is the settings file that the draft went into; empty for none.
	File     string `json:"settings_file"`
	Complete bool   `json:"complete"`
	*intake.Draft
	// For the text: what stands above it, and what to do next.
	Title string   `json:"-"`
	Next  []string `json:"-"`
}

func (d Init) document() any {
	d.Head, d.Complete = Head{"phototie-init", jsonVersion}, d.Draft.Complete()
	return d
}

func (d Init) text(p *printer) {
	p.printf("%s\n", words.Safe(d.Title))
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
	if d.File != "" {
		p.printf("\n%s is written, with the reason for each line.\n", words.Safe(d.File))
	}
	p.next(d.Next)
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
