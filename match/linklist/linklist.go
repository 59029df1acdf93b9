package linklist

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/problem"
)

// Options are what a list is read with.
type Options struct {
	// Photos are the names of the photos that there are, with their folders, and
	// Points the ids of the points.
	Photos, Points []string
	// PhotoFields and PointFields are the headings (keys, elements) that hold them,
	// where the list itself leaves it open. Letters may be of either case.
	PhotoFields, PointFields []string
	// FillDown says what an empty point beside a photo means in a table: the point
	// of the row above (true), or none (false). Nil refuses a table that looks as if
	// cells had been merged.
	FillDown *bool
}

// List is a list as it was understood.
type List struct {
	// Layout says in words how, for a preview: "table, photos in column 2 (Image),
	// points in column 1 (Pt)".
	Layout string
	// Links are photos with the points that they show, in the order of the list.
	// Their names are those of Options.
	Links []match.Link
	// Untied are photos that stand in the list without a point.
	Untied []match.Link
	// UnknownPhotos are names of image files that are not there, UnknownPoints what
	// stands where others have their point, with the photo.
	UnknownPhotos, UnknownPoints []match.Link
}

// Read reads a list. name is the file's, for errors and for its kind. The error is
// a [problem.Problem], or several joined: nothing in the text is tied, or what is
// may mean two things.
func Read(name string, text []byte, opt Options) (*List, error) {
	names := newNames(opt)
	doc, err := parse(name, text, names)
	if err != nil {
		return nil, err
	}
	r := &reading{file: name, opt: opt, names: names, doc: doc, seen: map[[2]string]bool{}}
	r.mark(doc.root)
	if err := r.chooseSlots(); err != nil {
		return nil, err
	}
	if err := r.fillDown(); err != nil {
		return nil, err
	}
	r.tie(doc.root)
	if err := joined(r.problems); err != nil {
		return nil, err
	}
	if len(r.list.Links) == 0 {
		return nil, r.nothing()
	}
	r.list.Layout = r.layout()
	return &r.list, nil
}

// joined makes one error of problems, the first twenty of many.
func joined(ps []*problem.Problem) error {
	if len(ps) == 0 {
		return nil
	}
	var all []error
	for _, p := range ps[:min(len(ps), 20)] {
		all = append(all, p)
	}
	return errors.Join(all...)
}

// node is a part of a list: a leaf with text, or a group of parts that stand
// together (a row, a line, an element, an object).
type node struct {
	line  int
	text  string
	slot  string // where a leaf stands in its group: a column, a key, the path of an element
	parts []*node

	found        // of a leaf
	blank   bool // a leaf without text
	heading bool // a row of column headings
}

// mention is a photo or a point that a leaf names.
type mention struct {
	name string
	at   int // where in the leaf
	// whole says that the leaf is nothing but the name.
	whole bool
}

// reading is a list being read.
type reading struct {
	file     string
	opt      Options
	names    *names
	doc      *document
	list     List
	problems []*problem.Problem
	seen     map[[2]string]bool
	// points and photos are the slots that count; nil for all.
	points, photos map[string]bool
}

func (r *reading) problem(line int, remedy, what string, args ...any) {
	r.problems = append(r.problems, &problem.Problem{File: r.file, Line: line, What: fmt.Sprintf(what, args...), Remedy: remedy})
}

// mark finds the names in every leaf.
func (r *reading) mark(n *node) {
	for _, p := range n.parts {
		r.mark(p)
	}
	if n.parts == nil && !n.heading {
		n.found = r.names.find(n.text)
		n.blank = strings.TrimSpace(n.text) == ""
	}
}

// slotCount is what the leaves of a slot hold.
type slotCount struct {
	slot string
	// leaves are those with text, photos and points those that name one: points
	// wholly.
	leaves, photos, points int
	headed                 int // 1 where its heading is a word for it
}

// chooseSlots finds out which columns, keys or elements hold the point where rows
// name more than one: numbers of rows look like ids, remarks mention neighbours.
func (r *reading) chooseSlots() error {
	counts := map[string]*slotCount{}
	conflicts := 0
	var walk func(n *node)
	walk = func(n *node) {
		ids := map[string]bool{}
		for _, p := range n.parts {
			if p.parts != nil {
				walk(p)
				continue
			}
			if p.slot == "" || p.heading {
				continue
			}
			c := counts[p.slot]
			if c == nil {
				c = &slotCount{slot: p.slot}
				counts[p.slot] = c
			}
			if !p.blank {
				c.leaves++
			}
			if len(p.photos) > 0 {
				c.photos++
				continue // a name of a photo may have an id in it
			}
			for _, m := range p.points {
				if m.whole {
					c.points++
				}
				ids[m.name] = true
			}
		}
		if len(ids) > 1 {
			conflicts++
		}
	}
	walk(r.doc.root)
	pick := func(fields []string, words map[string]bool, value func(*slotCount) int) []*slotCount {
		var out []*slotCount
		for _, c := range counts {
			c.headed = 0
			head := r.doc.heading(c.slot)
			if len(fields) > 0 {
				if slices.ContainsFunc(fields, func(f string) bool { return fold(f) == fold(head) }) {
					out = append(out, c)
				}
				continue
			}
			if value(c) == 0 {
				continue
			}
			if words[plain(head)] {
				c.headed = 1
			}
			out = append(out, c)
		}
		slices.SortFunc(out, func(a, b *slotCount) int {
			return cmp.Or(cmp.Compare(b.headed, a.headed), cmp.Compare(value(b), value(a)), cmp.Compare(a.slot, b.slot))
		})
		return out
	}
	missing := func(what string, fields []string) error {
		return &problem.Problem{File: r.file, What: fmt.Sprintf("no heading reads %s", strings.Join(fields, ", ")),
			Remedy: "name the heading that holds the " + what + "; there are " + r.doc.headings()}
	}
	if f := r.opt.PhotoFields; len(f) > 0 {
		found := pick(f, nil, nil)
		if len(found) == 0 {
			return missing("photos", f)
		}
		r.photos = map[string]bool{}
		for _, c := range found {
			r.photos[c.slot] = true
		}
	}
	if r.photos == nil && r.doc.table {
		// Remarks mention photos here and there; columns of photos are full of them.
		for _, c := range pick(nil, photoWords, func(c *slotCount) int { return c.photos }) {
			if c.headed == 1 || 10*c.photos >= 7*c.leaves {
				if r.photos == nil {
					r.photos = map[string]bool{}
				}
				r.photos[c.slot] = true
			}
		}
	}
	if f := r.opt.PointFields; len(f) > 0 {
		found := pick(f, nil, nil)
		if len(found) == 0 {
			return missing("points", f)
		}
		r.points = map[string]bool{}
		for _, c := range found {
			r.points[c.slot] = true
		}
		return nil
	}
	found := pick(nil, pointWords, func(c *slotCount) int { return c.points })
	if len(found) == 0 || conflicts == 0 && !r.doc.table {
		return nil // points stand in running text, or nothing is open
	}
	r.points = map[string]bool{found[0].slot: true}
	if conflicts == 0 || len(found) == 1 || found[0].headed > found[1].headed {
		return nil
	}
	// Without headings a column wins that has an id in nearly every row, where the
	// other has few.
	a, b := found[0], found[1]
	if 10*a.points >= 9*a.leaves && 2*b.points < b.leaves {
		return nil
	}
	// Columns that are both headed as points, or as nothing and as full, are several
	// points of one photo only where one is never a count of rows.
	if a.headed == 1 && b.headed == 1 {
		r.points = map[string]bool{}
		for _, c := range found {
			if c.headed == 1 {
				r.points[c.slot] = true
			}
		}
		return nil
	}
	if x, y := r.doc.counts(a.slot), r.doc.counts(b.slot); x != y { // 1, 2, 3, ... down the rows
		if x {
			a = b
		}
		r.points = map[string]bool{a.slot: true}
		return nil
	}
	return &problem.Problem{File: r.file, Line: r.doc.firstLine(a.slot), What: fmt.Sprintf("%s and %s both hold ids of points", r.doc.place(a.slot), r.doc.place(b.slot)),
		Remedy: "say which heading names the point that the photo shows"}
}

// allowed says whether a leaf may hold points or photos.
func allowed(slots map[string]bool, n *node) bool {
	return slots == nil || n.slot == "" || slots[n.slot]
}

// group is what a node holds by itself and below.
type group struct {
	photos, points []string
	lines          map[string]int // of the photos
	ids            map[string]bool
	blank          bool   // a point's slot is empty
	unknown        string // what stands in it, if it is no point
}

func (r *reading) collect(n *node, g *group) {
	if n.heading {
		return
	}
	for _, p := range n.parts {
		r.collect(p, g)
	}
	if n.parts != nil {
		return
	}
	if allowed(r.photos, n) {
		for _, m := range n.photos {
			if _, ok := g.lines[m.name]; !ok {
				g.photos = append(g.photos, m.name)
				g.lines[m.name] = n.line
			}
		}
	}
	if !allowed(r.points, n) {
		return
	}
	for _, m := range n.points {
		if !g.ids[m.name] {
			g.ids[m.name] = true
			g.points = append(g.points, m.name)
		}
	}
	if r.points != nil && r.points[n.slot] {
		g.blank = g.blank || n.blank
		if !n.blank && len(n.points) == 0 {
			g.unknown = strings.TrimSpace(n.text)
		}
	}
}

// tie goes through the parts of a group: those that have photos and points are tied
// within; the photos of others belong to the point of the heading before them.
func (r *reading) tie(n *node) {
	var above heading
	for _, p := range n.parts {
		g := r.group(p)
		switch {
		case len(g.photos) == 0:
			r.strangers(p)
			if len(g.points) > 0 || g.unknown != "" {
				above = heading{line: p.line}
				if len(g.points) == 1 && r.doc.sequential {
					above.point = g.points[0]
				}
			}
		case len(g.points) == 0:
			r.without(p, g, above)
		case slices.ContainsFunc(p.parts, r.complete):
			r.tie(p) // the smallest group that has both
		case len(g.points) == 1:
			r.strangers(p)
			r.link(p, g, g.points[0])
			above = heading{line: p.line}
			if r.doc.sequential && !r.doc.table && leads(p) {
				above.point = g.points[0]
			}
		case len(g.photos) == 1:
			r.strangers(p)
			for _, id := range g.points {
				r.link(p, g, id)
			}
			above = heading{line: p.line}
		default:
			r.problem(p.line, "put each point with its photos on a line of its own", "%d photos and %d points stand together (%s; %s)",
				len(g.photos), len(g.points), some(g.photos), some(g.points))
		}
	}
}

// heading is what stands above lines that name photos only: a point, or something
// that is none, or more than one.
type heading struct {
	line  int
	point string
}

func (r *reading) group(n *node) *group {
	g := &group{lines: map[string]int{}, ids: map[string]bool{}}
	r.collect(n, g)
	return g
}

// complete says that a part is a group with photos and points.
func (r *reading) complete(n *node) bool {
	if n.parts == nil {
		return false
	}
	g := r.group(n)
	return len(g.photos) > 0 && len(g.points) > 0
}

// leads says that a line with photos is the first of a block: "K7: a.jpg" and
// "K7 - a.jpg,", but not "a.jpg K7".
func leads(n *node) bool {
	for i, p := range n.parts {
		if len(p.points) == 0 || len(p.photos) > 0 && p.photos[0].at < p.points[0].at {
			if len(p.photos) > 0 {
				return false
			}
			continue
		}
		rest := strings.TrimLeft(fold(p.text)[p.points[0].at+len(fold(p.points[0].name)):], ") ]")
		last := n.parts[len(n.parts)-1].text
		return strings.HasPrefix(rest, ":") || strings.HasSuffix(strings.TrimSpace(last), ",") || i < len(n.parts)-1 && strings.TrimSpace(last) == ""
	}
	return false
}

// without ties the photos of a group that names no point.
func (r *reading) without(n *node, g *group, above heading) {
	r.strangers(n)
	var to *[]match.Link
	switch {
	case g.unknown != "":
		to = &r.list.UnknownPoints
	case above.point != "" && !(r.doc.table && r.points != nil):
		r.link(n, g, above.point)
		return
	case above.line > 0 && r.doc.sequential && !r.doc.table:
		r.problem(n.line, "write the point's id beside them, or above them on a line of its own", "it names photos (%s) and no point, and the line above is no heading", some(g.photos))
		return
	default:
		to = &r.list.Untied
	}
	for _, p := range g.photos {
		*to = append(*to, match.Link{Photo: p, Point: g.unknown, Line: g.lines[p]})
	}
}

func (r *reading) link(n *node, g *group, point string) {
	for _, p := range g.photos {
		if k := [2]string{p, point}; !r.seen[k] {
			r.seen[k] = true
			r.list.Links = append(r.list.Links, match.Link{Photo: p, Point: point, Line: g.lines[p]})
		}
	}
}

// strangers notes names of image files that are not among the photos.
func (r *reading) strangers(n *node) {
	for _, p := range n.parts {
		r.strangers(p)
	}
	if n.parts != nil || n.heading || !allowed(r.photos, n) {
		return
	}
	for _, name := range n.strangers {
		r.list.UnknownPhotos = append(r.list.UnknownPhotos, match.Link{Photo: name, Line: n.line})
	}
}

// fillDown treats tables in which the point stands in the first of several rows.
func (r *reading) fillDown() error {
	if !r.doc.table {
		return nil
	}
	var last *node
	runs, loose := 0, 0
	seen := map[string]bool{}
	repeated := false
	var fill []func()
	inRun := false
	for _, row := range r.doc.root.parts {
		if row.heading {
			continue
		}
		g := r.group(row)
		var cell *node
		for _, p := range row.parts {
			if p.blank && r.points[p.slot] {
				cell = p
			}
			if len(p.points) > 0 && allowed(r.points, p) && len(p.photos) == 0 {
				last = p
			}
		}
		switch {
		case len(g.points) > 0:
			inRun = false
			for _, id := range g.points {
				repeated = repeated || seen[id]
				seen[id] = true
			}
		case len(g.photos) > 0 && cell != nil:
			if last == nil {
				loose++
				continue
			}
			if !inRun {
				runs++
			}
			inRun = true
			from := last
			fill = append(fill, func() { cell.points, cell.blank = from.points, false })
		}
	}
	if r.opt.FillDown != nil {
		if *r.opt.FillDown {
			for _, f := range fill {
				f()
			}
		}
		return nil
	}
	if runs >= 2 && loose == 0 && !repeated {
		return &problem.Problem{File: r.file, What: "points stand in the first of several rows only, as if cells were merged",
			Remedy: "say whether an empty point means the one above or none"}
	}
	return nil
}

// nothing says why a list ties nothing.
func (r *reading) nothing() error {
	p := &problem.Problem{File: r.file, What: "it ties no photo to a point", Remedy: "each photo has to stand in a row, line or block with the id of its point"}
	switch photos, points := r.names.hits(); {
	case photos == 0 && points == 0:
		p.What = "it names neither a photo that is there nor a point of the survey"
	case photos == 0:
		p.What = "it names no photo that is there"
		if u := r.list.UnknownPhotos; len(u) > 0 {
			p.What += fmt.Sprintf(" (but %s)", u[0].Photo)
		}
	case points == 0:
		p.What = "it names photos, but no point of the survey"
	}
	return p
}

// layout says how the list was understood.
func (r *reading) layout() string {
	var parts []string
	for _, x := range []struct {
		what  string
		slots map[string]bool
	}{{"photos", r.photos}, {"points", r.points}} {
		var places []string
		for s := range x.slots {
			places = append(places, r.doc.place(s))
		}
		if slices.Sort(places); len(places) > 0 {
			parts = append(parts, x.what+" in "+strings.Join(places, " and "))
		}
	}
	return strings.Join(append([]string{r.doc.kind}, parts...), ", ")
}

// some lists names, the first three of many.
func some(names []string) string {
	if len(names) > 4 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:3], ", "), len(names)-3)
	}
	return strings.Join(names, ", ")
}
