package linklist

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
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
	// Skip are headings of what is not to be looked at.
	Skip []string
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
	// UnknownPhotos are names of image files that are not there, with the point if there is
	// one. UnknownPoints are what stands where others have their point, with the photo.
	UnknownPhotos, UnknownPoints []match.Link
}

// Read reads a list. name is the file's, for errors and for its kind. The error is
// a [problem.Problem], or several joined: nothing in the text is tied, or what is
// may mean two things.
func Read(name string, text []byte, opt Options) (*List, error) {
	names := newNames(opt)
	root, kind, err := parse(name, text, names)
	if err != nil {
		return nil, err
	}
	r := &reading{file: name, opt: opt, slots: map[string]*slot{}, tied: map[match.Link]bool{}, linked: map[string]bool{}}
	r.mark(root, names)
	if err := r.settleSlots(); err != nil {
		return nil, err
	}
	r.flag(root)
	r.tie(root)
	if err := joined(r.problems); err != nil {
		return nil, err
	}
	if len(r.list.Links) == 0 {
		return nil, r.nothing(root)
	}
	r.list.Untied = slices.DeleteFunc(r.list.Untied, func(l match.Link) bool { return r.linked[l.Photo] })
	r.list.Layout = r.layout(kind)
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
// together (a row, a paragraph, an element, an object).
type node struct {
	line  int
	text  string
	slot  string // where a leaf stands in its group: a column, a key, the path of an element
	parts []*node

	order   order
	headed  bool // the first part is the heading of the others, which are set in below it
	heading bool // a row of column headings, or above them
	found        // of a leaf
	// hasPhoto, hasPoint and hasStranger say what is named in a leaf or below a group.
	hasPhoto, hasPoint, hasStranger bool
}

// order says what the order of a group's parts means.
type order int

const (
	unordered order = iota // nothing: attributes, members of an object
	sequence               // what stands above counts: lines, blocks of a page
	rows                   // rows of a table, as long as one of them has photos and points
)

// complete says that a group has photos and points.
func (n *node) complete() bool {
	return n.parts != nil && (n.hasPhoto || n.hasStranger) && n.hasPoint
}

// leaves are the texts in a node, without column headings.
func (n *node) leaves() []*node {
	if n.heading {
		return nil
	}
	if n.parts == nil {
		return []*node{n}
	}
	var out []*node
	for _, p := range n.parts {
		out = append(out, p.leaves()...)
	}
	return out
}

// reading is a list being read.
type reading struct {
	file     string
	opt      Options
	slots    map[string]*slot
	list     List
	problems []*problem.Problem
	tied     map[match.Link]bool // without lines
	linked   map[string]bool     // photos
}

func (r *reading) problem(line int, remedy, what string, args ...any) {
	r.problems = append(r.problems, &problem.Problem{File: r.file, Line: line, What: fmt.Sprintf(what, args...), Remedy: remedy})
}

// mark finds the names in every leaf, and counts what the slots hold.
func (r *reading) mark(n *node, names *names) {
	switch {
	case n.heading:
		for _, c := range n.parts {
			if s := strings.TrimSpace(c.text); s != "" && c.slot != "" {
				r.slot(c.slot).head = s
			}
		}
		return
	case n.parts == nil:
		n.found = names.find(n.text)
		r.count(n)
	}
	for _, p := range n.parts {
		r.mark(p, names)
	}
}

// flag notes what is named in a node.
func (r *reading) flag(n *node) {
	if s := r.slots[n.slot]; s == nil || s.points > 0 {
		n.hasPoint = len(n.points) > 0
	}
	for _, m := range n.photos {
		n.hasPhoto = n.hasPhoto || len(m.names) > 0
		n.hasStranger = n.hasStranger || len(m.names) == 0
	}
	for _, p := range n.parts {
		r.flag(p)
		n.hasPhoto, n.hasPoint, n.hasStranger = n.hasPhoto || p.hasPhoto, n.hasPoint || p.hasPoint, n.hasStranger || p.hasStranger
	}
}

// tie ties the photos of a node to the points that it names, in the smallest groups
// that have both.
func (r *reading) tie(n *node) {
	whole := slices.ContainsFunc(n.parts, (*node).complete)
	switch {
	case n.order == rows && whole:
		r.table(n)
	case n.order != unordered && len(n.parts) > 1:
		r.sequence(n)
	case !whole || r.claims(n):
		r.record(r.take(n))
	default:
		for _, p := range n.parts {
			if p.hasPhoto || p.hasStranger {
				r.tie(p)
			}
		}
	}
}

// claims says that a group names the point of all that is in it, although parts of it
// name points too, as remarks do.
func (r *reading) claims(n *node) bool {
	_, points := r.choose(n.leaves())
	return slices.ContainsFunc(n.parts, func(p *node) bool {
		l := p.leaves()
		if len(l) != 1 || !l[0].hasPoint || l[0].slot == "" {
			return false
		}
		alike := slices.ContainsFunc(n.parts, func(q *node) bool { return q.complete() && q.slot == p.slot })
		s := r.slots[l[0].slot]
		return points[s] && s.leaves > 1 && !alike
	})
}

// record ties what one group holds: several photos to one point, or one photo to
// several points.
func (r *reading) record(t taken) {
	for _, s := range t.strangers {
		if len(t.points) == 1 && t.doubt == "" {
			s.Point = t.points[0]
		}
		r.list.UnknownPhotos = append(r.list.UnknownPhotos, s)
	}
	switch {
	case len(t.photos) == 0:
	case t.refuse(r):
	case len(t.points) == 0:
		to := &r.list.Untied
		if t.unknown != "" {
			to = &r.list.UnknownPoints
		}
		for _, p := range t.photos {
			p.Point = t.unknown
			*to = append(*to, p)
		}
	case len(t.points) > 1 && len(t.photos) > 1:
		r.problem(t.line, "put each point with its photos on a line of its own", "%d photos and %d points stand together (%s; %s)",
			len(t.photos), len(t.points), words.Some(photosOf(t.photos)), words.Some(t.points))
	default:
		for _, id := range t.points {
			r.link(t, id)
		}
	}
	r.list.Untied = append(r.list.Untied, t.aside...)
}

func (r *reading) link(t taken, point string) {
	for _, p := range t.photos {
		key := match.Link{Photo: p.Photo, Point: point}
		if !r.tied[key] {
			r.tied[key], r.linked[p.Photo] = true, true
			p.Point = point
			r.list.Links = append(r.list.Links, p)
		}
	}
	for _, s := range t.used {
		s.used = true
	}
}

// heading is what stands above lines that name photos only.
type heading struct {
	line   int      // 0 where nothing does
	points []string // one; none or several are no heading
	prefix string   // the letters before the point
	// over says that the text sets the photos in below it, used that photos have been
	// tied to it.
	over, used bool
}

// sequence goes through parts of which each may be a heading for those that follow.
func (r *reading) sequence(n *node) {
	if r.captions(n) {
		return
	}
	var above heading
	for i, p := range n.parts {
		switch {
		case p.hasPoint && (p.hasPhoto || p.hasStranger):
			r.tie(p)
			above = r.goesOn(p, n.headed && i == 0)
		case p.hasPhoto:
			r.under(p, above)
			above.used = true
		case p.hasPoint:
			above = r.headingOf(p, above, n.headed && i == 0)
		default:
			r.record(r.take(p))
			if above.used && !above.over {
				above = heading{line: p.line}
			}
		}
	}
}

// captions treats groups that begin with photos and name points after them. One
// point at the end is theirs; more may stand above their photos or below them.
func (r *reading) captions(n *node) bool {
	var kinds strings.Builder
	for _, p := range n.parts {
		switch {
		case p.hasPhoto && p.hasPoint:
			kinds.WriteByte('b')
		case p.hasPhoto:
			kinds.WriteByte('p')
		case p.hasPoint && !p.hasStranger:
			kinds.WriteByte('i')
		}
	}
	rest := strings.TrimLeft(kinds.String(), "p")
	switch {
	case rest == kinds.String() || !strings.HasPrefix(rest, "i"):
		return false
	case rest == "i":
		r.record(r.take(n))
		return true
	}
	r.problem(n.line, "write the point's id beside its photos", "it cannot be told whether points stand above their photos or below them")
	return true
}

// headingOf makes a heading of a part that names points and no photos. A line that
// names another point in another way than the heading before it may be a remark.
func (r *reading) headingOf(p *node, before heading, over bool) heading {
	h := heading{line: p.line, points: r.take(p).points, over: over}
	for _, l := range p.leaves() {
		if l.hasPoint {
			h.prefix = letters(fold(l.text)[:l.points[0].at])
			break
		}
	}
	if len(before.points) > 0 && (before.over || !before.used && before.prefix != h.prefix) {
		h.points = nil
	}
	return h
}

// goesOn is the heading that a part with photos and a point is for more photos: if
// they are set in below it, or its line ends with a comma.
func (r *reading) goesOn(p *node, over bool) heading {
	h := heading{line: p.line, over: over, used: true}
	if over || strings.HasSuffix(strings.TrimSpace(p.text), ",") {
		h.points = r.take(p).points
	}
	return h
}

// under ties photos to the point of the heading above.
func (r *reading) under(p *node, above heading) {
	t := r.take(p)
	switch {
	case above.line == 0 || p.headed && !above.over:
		r.record(t) // they have another heading, or none
	case len(above.points) != 1:
		r.problem(p.line, "write the point's id beside them, or above them on a line of its own", "it names photos (%s) and no point, and the line above is no heading", words.Some(photosOf(t.photos)))
	case !t.refuse(r):
		r.link(t, above.points[0])
	}
}

// table goes through rows of which each stands for itself, but for points that stand
// in the first of several rows.
func (r *reading) table(n *node) {
	var last []string
	merged, line, run, repeated := 0, 0, false, false
	seen := map[string]bool{}
	for _, row := range n.parts {
		if slices.ContainsFunc(row.parts, (*node).complete) {
			r.tie(row)
			continue
		}
		t := r.take(row)
		switch {
		case len(t.points) > 0:
			last, run = t.points, false
			for _, id := range last {
				repeated = repeated || seen[id]
				seen[id] = true
			}
		case len(t.photos) > 0 && t.blank && last != nil:
			if !run {
				merged, line = merged+1, cmp.Or(line, row.line)
			}
			run = true
			if r.opt.FillDown != nil && *r.opt.FillDown {
				t.points = last
			}
		}
		r.record(t)
	}
	if r.opt.FillDown == nil && merged > 1 && !repeated {
		r.problem(line, "say whether an empty point means the one above (links.fill_down = true) or none (false)", "points stand in the first of several rows only, as if cells were merged")
	}
}

// nothing says why a list ties nothing.
func (r *reading) nothing(root *node) error {
	p := &problem.Problem{File: r.file, What: "it ties no photo to a point", Remedy: "each photo has to stand in a row, line or block with the id of its point"}
	switch {
	case !root.hasPhoto && !root.hasPoint:
		p.What = "it names neither a photo that is there nor a point of the survey"
	case !root.hasPhoto:
		p.What = "it names no photo that is there"
	case !root.hasPoint:
		p.What = "it names photos, but no point of the survey"
	}
	if u := r.list.UnknownPhotos; len(u) > 0 && !root.hasPhoto {
		p.What += fmt.Sprintf(" (but %s)", u[0].Photo)
	}
	return p
}

// layout says how the list was understood.
func (r *reading) layout(kind string) string {
	var photos, points []string
	for _, s := range r.slots {
		switch {
		case !s.used:
		case s.photos > 0:
			photos = append(photos, s.String())
		case s.points > 0:
			points = append(points, s.String())
		}
	}
	for _, x := range []struct {
		what   string
		places []string
	}{{"photos", photos}, {"points", points}} {
		if slices.Sort(x.places); len(x.places) > 0 {
			kind += ", " + x.what + " in " + words.Some(x.places)
		}
	}
	return kind
}

func photosOf(links []match.Link) []string {
	var out []string
	for _, l := range links {
		out = append(out, l.Photo)
	}
	return out
}
