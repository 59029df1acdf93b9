package match

import (
	"slices"
	"testing"

	"example.com/phototie/geotag"
)

// decided checks fullJob with decisions that rest on what it is.
func decided(t *testing.T, change func(points []Point, links []Link, photos []Photo) []Link, decisions ...Decision) *Result {
	t.Helper()
	p, points, links, photos := fullJob()
	plain, err := Check(t.Context(), p, points, links, seq(photos...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k := range decisions {
		d := &decisions[k]
		i := slices.IndexFunc(photos, func(p Photo) bool { return p.Name == d.Photo })
		if i < 0 {
			continue
		}
		basis, err := plain.Basis([]int{i}, links)
		if err != nil {
			t.Fatal(err)
		}
		d.By, d.When, d.Basis = "M. Doyle", "2026-11-30", basis[0]
		for j := range points {
			if at := points[j].EN; points[j].ID == d.Point {
				d.At = &at
			}
		}
	}
	if change != nil {
		links = change(points, links, photos)
	}
	r, err := Check(t.Context(), p, points, links, seq(photos...), Options{Decisions: decisions})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func photoOf(r *Result, name string) *PhotoResult {
	return &r.Photos[slices.IndexFunc(r.Photos, func(p PhotoResult) bool { return p.Name == name })]
}

// open are the codes of the findings about a photo that no decision accepts.
func open(r *Result, photo string) (out []FindingCode) {
	for _, f := range r.Findings() {
		if f.Photo == photo && f.Decision == nil {
			out = append(out, f.Code)
		}
	}
	return out
}

func TestDecisionsOverruleLinks(t *testing.T) {
	r := decided(t, nil,
		Decision{Photo: "p/gross.jpg", Ruling: RulingShows, Point: "B1"},
		Decision{Photo: "p/untied.jpg", Ruling: RulingShows, Point: "B3"},
		Decision{Photo: "p/many.jpg", Ruling: RulingShows, Point: "B1"},
		Decision{Photo: "p/within.jpg", Ruling: RulingNoPoint},
		Decision{Photo: "p/over.jpg", Ruling: RulingLeave, Covers: []FindingCode{FindingOver}},
		Decision{Photo: "p/shifted.jpg", Ruling: RulingAgain},
		Decision{Photo: "p/not there.jpg", Ruling: RulingLeave})
	corrections, err := Corrections(t.Context(), newPlane(), r, Options{}, Policy{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		photo, point string
		verdict      Verdict
		open         []FindingCode
		written      bool
	}{
		// By eye it shows B1: whatever its tag, that is written.
		{"p/gross.jpg", "B1", Gross, nil, true},
		{"p/untied.jpg", "B3", Within, nil, true},
		{"p/many.jpg", "B1", Within, nil, true},
		{"p/within.jpg", "", Unjudged, nil, false},
		{"p/over.jpg", "B1", Over, nil, false},
		{"p/shifted.jpg", "B1", Within, []FindingCode{FindingAgain}, false},
	} {
		p := photoOf(r, c.photo)
		tie := ""
		if p.Tie != nil {
			tie = p.Tie.Point
		}
		i := slices.IndexFunc(corrections, func(x Correction) bool { return x.Photo == c.photo })
		if tie != c.point || p.Verdict != c.verdict || !slices.Equal(open(r, c.photo), c.open) || (corrections[i].Edit != nil) != c.written {
			t.Errorf("%s: tied to %q, %s, open %v, %+v", c.photo, tie, p.Verdict, open(r, c.photo), corrections[i])
		}
	}
	if got := open(r, "p/not there.jpg"); !slices.Equal(got, []FindingCode{FindingStale}) {
		t.Errorf("a photo that is not there: %v", got)
	}
	if got := open(r, "p/nopoint.jpg"); len(got) == 0 {
		t.Error("a photo without a decision has no finding any more")
	}
}

func TestDecisionsGoStale(t *testing.T) {
	for name, change := range map[string]func([]Point, []Link, []Photo) []Link{
		"tag": func(points []Point, links []Link, photos []Photo) []Link {
			tag := *photos[0].Tag
			tag.Position = &geotag.Position{Lat: tag.Position.Lat + 1e-6, Lon: tag.Position.Lon, Step: 1e-9}
			photos[0].Tag = &tag
			return links
		},
		"a point near": func(points []Point, links []Link, _ []Photo) []Link { points[2].E += 0.05; return links },
		"its point":    func(points []Point, links []Link, _ []Photo) []Link { points[1].E += 0.05; return links },
		"the links": func(_ []Point, links []Link, photos []Photo) []Link {
			return append(links, Link{Photo: photos[0].Name, Point: "B3"})
		},
	} {
		r := decided(t, change, Decision{Photo: "p/within.jpg", Ruling: RulingShows, Point: "B2"})
		if p := photoOf(r, "p/within.jpg"); p.Decision == nil || p.Decision.Stale == "" || p.Tie != nil && p.Tie.Point == "B2" || !slices.Contains(open(r, p.Name), FindingStale) {
			t.Errorf("%s: %+v, tie %+v, open %v", name, p.Decision, p.Tie, open(r, "p/within.jpg"))
		}
	}
	// A list that has come round to the decision is no change.
	r := decided(t, func(_ []Point, links []Link, photos []Photo) []Link {
		for i := range links {
			if links[i].Photo == photos[0].Name {
				links[i].Point = "B2"
			}
		}
		return links
	}, Decision{Photo: "p/within.jpg", Ruling: RulingShows, Point: "B2"})
	if p := photoOf(r, "p/within.jpg"); p.Decision.Stale != "" || p.Tie.Point != "B2" {
		t.Errorf("the list agrees: %+v, %+v", p.Decision, p.Tie)
	}
}
