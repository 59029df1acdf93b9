package record

import (
	"fmt"
	"html"
	"html/template"
	"iter"
	"math"
	"slices"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// The plan's measures in pixels of its own.
const (
	planWidth   = 1000.0
	planLeft    = 30.0
	planRight   = 8.0
	planTop     = 8.0
	planMost    = 900.0 // height of the drawing at most
	planLeast   = 240.0
	planFoot    = 84.0
	linkedMost  = 400 // points that are links of their own
	labelMost   = 1500
	wholeRays   = 12    // tags off the plan whose vectors are drawn to its edge
	insetMost   = 420.0 // height of an inset at most
	insetReach  = 45.0  // between points of one inset at most
	fewestInset = 3     // points that are worth an inset
	mostInsets  = 3
	labelSize   = 13.0
	pointRadius = 2.6
)

// box is a rectangle, on the grid or in the drawing.
type box struct{ x0, y0, x1, y1 float64 }

func noBox() box { return box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)} }

func (b *box) add(x, y float64) {
	b.x0, b.y0, b.x1, b.y1 = min(b.x0, x), min(b.y0, y), max(b.x1, x), max(b.y1, y)
}
func (b box) has(x, y float64) bool { return x >= b.x0 && x <= b.x1 && y >= b.y0 && y <= b.y1 }
func (b box) grow(d float64) box    { return box{b.x0 - d, b.y0 - d, b.x1 + d, b.y1 + d} }
func (b box) hits(o box) bool       { return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 }
func (b box) empty() bool           { return b.x0 > b.x1 }

// extent is the part of the grid that the plan shows: all points, and the tags
// that are not far from them.
func (d *doc) extent() box {
	ext := noBox()
	for i := range d.r.Points {
		if p := d.r.Points[i].EN; grid.Finite(p.E, p.N) {
			ext.add(p.E, p.N)
		}
	}
	anchored := !ext.empty()
	if !anchored {
		for i := range d.r.Photos {
			if p := d.r.Photos[i].OnGrid; p != nil && grid.Finite(p.E, p.N) {
				ext.add(p.E, p.N)
			}
		}
		if ext.empty() {
			return ext
		}
	}
	_, hi, _, _ := d.r.Thresholds()
	reach := max(4*hi, 0.04*max(ext.x1-ext.x0, ext.y1-ext.y0), 5/d.r.Grid.Unit.Metres)
	if anchored {
		near := ext.grow(reach)
		for i := range d.r.Photos {
			if p := d.r.Photos[i].OnGrid; p != nil && grid.Finite(p.E, p.N) && near.has(p.E, p.N) {
				ext.add(p.E, p.N)
			}
		}
	}
	return ext.grow(max(0.02*max(ext.x1-ext.x0, ext.y1-ext.y0), reach/8))
}

// plans draw points, tags and the vectors between them: all of them, then the crowded
// stretches again, larger.
func (d *doc) plans() []figure {
	all := plan{doc: d, id: "plan-svg", title: "Points, tags and discrepancy vectors", ext: d.extent()}
	if all.ext.empty() {
		return []figure{{Class: "wide", Title: all.title, Caption: []string{"Neither a point nor a tag has a place on the grid."}}}
	}
	out := []figure{all.draw()}
	for k, ext := range all.insets() {
		in := plan{doc: d, id: fmt.Sprintf("inset-%d-svg", k+1), ext: ext, inset: true,
			title: fmt.Sprintf("Crowded stretch %d, %.2g times as large", k+1, ext.scale(insetMost)/all.scale)}
		out = append(out, in.draw())
	}
	return out
}

// plan is a plan being drawn.
type plan struct {
	*doc
	id, title string
	ext       box // of the grid
	inset     bool
	scale     float64 // pixels to a unit of the grid
	frame     box
	shown     box     // of the grid, in the frame
	cx, cy    float64 // of ext
	crowded   []int   // points whose name has no room beside them
	taken     cells
	linked    bool
}

// scale is how many pixels a unit of the grid may have for a box to fit.
func (b box) scale(most float64) float64 {
	return min((planWidth-planLeft-planRight)/(b.x1-b.x0), most/(b.y1-b.y0))
}

// at is where a place on the grid is drawn.
func (p *plan) at(at grid.EN) (x, y float64) {
	return (p.frame.x0+p.frame.x1)/2 + (at.E-p.cx)*p.scale, (p.frame.y0+p.frame.y1)/2 - (at.N-p.cy)*p.scale
}

func (p *plan) draw() figure {
	d, ext := p.doc, p.ext
	fig := figure{Class: "wide", Title: p.title}
	most := planMost
	if p.inset {
		most = insetMost
	}
	inner := planWidth - planLeft - planRight
	p.scale = ext.scale(most)
	high := max((ext.y1-ext.y0)*p.scale, planLeast)
	p.frame = box{planLeft, planTop, planLeft + inner, planTop + high}
	// The drawing stands in the middle of its frame.
	p.cx, p.cy = (ext.x0+ext.x1)/2, (ext.y0+ext.y1)/2
	p.shown = box{p.cx - inner/2/p.scale, p.cy - high/2/p.scale, p.cx + inner/2/p.scale, p.cy + high/2/p.scale}
	p.linked = len(d.sheets) > 0 && len(d.r.Points) <= linkedMost

	var s svg
	desc := fmt.Sprintf("Plan of %s and the tags of %s, grid north up. The register and the sheets give all of it in words.", words.Plural(len(d.r.Points), "point"), words.Plural(len(d.r.Photos), "photo"))
	if p.inset {
		desc = "A part of the plan, grid north up. The register and the sheets give all of it in words."
	}
	s.begin(p.id, planWidth, planTop+high+planFoot, "", fig.Title, desc, p.linked)
	s.rect(p.frame.x0, p.frame.y0, inner, high, `fill="#fff" stroke="`+soft+`"`)
	p.grid(&s)
	s.put(`<clipPath id="%v-clip"><rect x="%v" y="%v" width="%v" height="%v"/></clipPath><g clip-path="url(#%v-clip)">`, p.id, p.frame.x0, p.frame.y0, inner, high, p.id)
	vectors, tags, off, keep := p.vectors()
	vectors.draw(&s, vectorStyle)
	// Points stand on the tags: a tag that covers its point would hide it.
	tags.draw(&s, markStyle)
	s.put("</g>")
	var dots strings.Builder
	for k := range d.r.Points {
		if at := d.r.Points[k].EN; grid.Finite(at.E, at.N) && p.shown.has(at.E, at.N) {
			x, y := p.at(at)
			fmt.Fprintf(&dots, "M%s %sh.01", f(x), f(y))
			keep = append(keep, box{x - 3, y - 3, x + 3, y + 3})
		}
	}
	if dots.Len() > 0 {
		s.put(`<path d="%v" fill="none" stroke="%v" stroke-width="%v" stroke-linecap="round"/>`, dots.String(), ink, 2*min(pointRadius, markSize(match.Within, len(d.r.Points))))
	}
	p.taken = newCells(keep)
	d.planRays(&s, p.frame, off, p.taken)
	unlabelled := p.labels(&s)
	d.planFootline(&s, p.frame, p.scale)
	fig.SVG, fig.Key = s.end(), !p.inset

	if !p.inset {
		fig.Caption = append(fig.Caption, "Dots are surveyed points. A line leads from each point to the tag of a photo that is tied to it; the mark at its end shows the verdict.")
	}
	fig.Caption = append(fig.Caption, d.offPlan(off)...)
	if unlabelled > 0 {
		fig.Caption = append(fig.Caption, fmt.Sprintf("%s %s no room for the name.", words.Plural(unlabelled, "point"), words.Pick(unlabelled, "has", "have")))
	}
	return fig
}

// vectors are the vectors and the tags on the plan, the vectors that leave it, and
// the boxes where names must not be. In an inset vectors end at the frame.
func (p *plan) vectors() (vectors, tags marks, off []ray, keep []box) {
	d := p.doc
	vectors, tags = marks{}, marks{}
	for i := range d.r.Photos {
		ph := &d.r.Photos[i]
		if ph.OnGrid == nil || !grid.Finite(ph.OnGrid.E, ph.OnGrid.N) {
			continue
		}
		x, y := p.at(*ph.OnGrid)
		inside := p.shown.has(ph.OnGrid.E, ph.OnGrid.N)
		k := d.sheets[d.where[i].sheet].point
		tied := k >= 0 && grid.Finite(d.r.Points[k].EN.E, d.r.Points[k].EN.N)
		switch {
		case p.inset && !(tied && p.shown.has(d.r.Points[k].E, d.r.Points[k].N)):
			continue // it is of another part
		case tied && (inside || p.inset):
			px, py := p.at(d.r.Points[k].EN)
			vectors.add(ph.Verdict, fmt.Sprintf("M%s %sL%s %s", f(px), f(py), f(x), f(y)))
			keep = along(keep, px, py, x, y)
		case tied:
			at := d.r.Points[k].EN
			px, py := p.at(at)
			dist := math.Hypot(ph.OnGrid.E-at.E, ph.OnGrid.N-at.N)
			off = append(off, ray{v: ph.Verdict, x: px, y: py, dx: (ph.OnGrid.E - at.E) / dist, dy: -(ph.OnGrid.N - at.N) / dist, dist: dist})
		case !inside:
			off = append(off, ray{v: ph.Verdict, dist: math.NaN()})
		}
		if inside {
			r := markSize(ph.Verdict, len(d.r.Photos))
			tags.add(ph.Verdict, mark(ph.Verdict, x, y, r))
			keep = append(keep, box{x - r, y - r, x + r, y + r})
		}
	}
	return vectors, tags, off, keep
}

// along adds boxes along a line, at most some hundred.
func along(keep []box, x0, y0, x1, y1 float64) []box {
	n := min(int(math.Hypot(x1-x0, y1-y0)/5), 200)
	for i := 1; i < n; i++ {
		t := float64(i) / float64(n)
		x, y := x0+t*(x1-x0), y0+t*(y1-y0)
		keep = append(keep, box{x - 1.5, y - 1.5, x + 1.5, y + 1.5})
	}
	return keep
}

// offPlan says how many tags are off the plan.
func (d *doc) offPlan(off []ray) []string {
	n, most := len(off), 0.0
	if n == 0 {
		return nil
	}
	for _, o := range off {
		if o.dist > most {
			most = o.dist
		}
	}
	t := fmt.Sprintf("%s %s off the plan", words.Plural(n, "tag"), words.Pick(n, "is", "are"))
	if most > 0 {
		t += fmt.Sprintf(", as far as %s from the point", withUnit(most, d.r.Grid.Unit))
	}
	return []string{t + "."}
}

// grid draws the crosses of the grid and their coordinates at the edge.
func (p *plan) grid(s *svg) {
	frame, shown := p.frame, p.shown
	px := func(e float64) float64 { x, _ := p.at(grid.EN{E: e, N: p.cy}); return x }
	py := func(n float64) float64 { _, y := p.at(grid.EN{E: p.cx, N: n}); return y }
	step := nice((shown.x1 - shown.x0) / 5)
	es, ns := ticks(shown.x0, shown.x1, step), ticks(shown.y0, shown.y1, step)
	var crosses strings.Builder
	for _, e := range es {
		for _, n := range ns {
			fmt.Fprintf(&crosses, "M%s %sh8m-4 -4v8", f(px(e)-4), f(py(n)))
		}
	}
	if crosses.Len() > 0 {
		s.put(`<path d="%v" fill="none" stroke="%v" stroke-width="1"/>`, crosses.String(), pale)
	}
	// On a small screen figures are larger, and those that would touch are left out.
	last := math.Inf(-1)
	fine := func(at float64) string {
		if math.Abs(at-last) < 130 {
			return ` class="fine"`
		}
		last = at
		return ""
	}
	for _, e := range es {
		x := px(e)
		s.line(x, frame.y1, x, frame.y1+5, `stroke="`+soft+`"`)
		if x > frame.x0+30 && x < frame.x1-30 {
			s.text(x, frame.y1+18, 12, "middle", "E "+tickLabel(e, step), `fill="`+soft+`"`+fine(x))
		}
	}
	last = math.Inf(-1)
	for _, n := range ns {
		y := py(n)
		s.line(frame.x0-5, y, frame.x0, y, `stroke="`+soft+`"`)
		if y > frame.y0+30 && y < frame.y1-30 {
			s.put(`<text transform="translate(%v %v) rotate(-90)" font-size="12" text-anchor="middle" fill="%v"%v>%v</text>`, frame.x0-10, y, soft, fine(y), html.EscapeString("N "+tickLabel(n, step)))
		}
	}
}

// ray is a vector to a tag that is off the plan.
type ray struct {
	v            match.Verdict
	x, y, dx, dy float64
	dist         float64
}

// leaves is how far a ray goes before it leaves a box.
func (o ray) leaves(b box) float64 {
	t := math.Inf(1)
	for _, side := range [][3]float64{{o.dx, b.x1, o.x}, {-o.dx, -b.x0, -o.x}, {o.dy, b.y1, o.y}, {-o.dy, -b.y0, -o.y}} {
		if side[0] > 0 {
			t = min(t, (side[1]-side[2])/side[0])
		}
	}
	return max(t, 0)
}

// planRays draws the vectors that leave the plan as dashed arrows to its edge;
// where there are many, as short ones.
func (d *doc) planRays(s *svg, frame box, off []ray, taken cells) {
	type end struct {
		x, y float64
		dist []float64
	}
	var ends []end
	var heads strings.Builder
	paths := marks{}
	for _, o := range off {
		if math.IsNaN(o.dist) {
			continue
		}
		t := o.leaves(frame.grow(-5))
		if len(off) > wholeRays {
			t = min(t, 22)
		}
		x, y := o.x+t*o.dx, o.y+t*o.dy
		paths.add(o.v, fmt.Sprintf("M%s %sL%s %s", f(o.x), f(o.y), f(x), f(y)))
		fmt.Fprintf(&heads, "M%s %sL%s %sL%s %sz", f(x), f(y), f(x-9*o.dx-4*o.dy), f(y-9*o.dy+4*o.dx), f(x-9*o.dx+4*o.dy), f(y-9*o.dy-4*o.dx))
		k := slices.IndexFunc(ends, func(e end) bool { return math.Hypot(e.x-x, e.y-y) < 60 })
		if k < 0 {
			k = len(ends)
			ends = append(ends, end{x: x, y: y})
		}
		ends[k].dist = append(ends[k].dist, o.dist)
	}
	paths.draw(s, func(v match.Verdict) string {
		return lineStyle(v) + ` stroke-dasharray="7 5"`
	})
	if heads.Len() > 0 {
		s.put(`<path d="%v" fill="%v"/>`, heads.String(), ink)
	}
	if len(off) > wholeRays {
		return
	}
	for _, e := range ends {
		text := words.Plural(len(e.dist), "tag") + ", " + withUnit(quantile(e.dist, .5), d.r.Grid.Unit)
		w := float64(len([]rune(text))) * labelSize * .58
		anchor, x, left := "end", e.x-4, e.x-4-w
		if e.x < (frame.x0+frame.x1)/2 {
			anchor, x, left = "start", e.x+4, e.x+4
		}
		// The nearest free place above or below the arrow's head.
		y := e.y - 12
		for _, dy := range []float64{-12, 22, -28, 38, -44, 54, -60, 70, -80, 90, -100, 110, -130, 140} {
			b := box{left, e.y + dy - labelSize, left + w, e.y + dy + 3}
			if b.y0 > frame.y0+2 && b.y1 < frame.y1-2 && !taken.hits(b) {
				y = e.y + dy
				taken.add(b)
				break
			}
		}
		s.text(x, y, labelSize, anchor, text, `fill="`+ink+`" stroke="#fff" stroke-width="4" paint-order="stroke"`)
	}
}

// urgent says that a point has a photo that is out.
func (d *doc) urgent(k int) bool {
	return slices.ContainsFunc(d.sheets[d.home[k]].photos, func(i int) bool {
		v := d.r.Photos[i].Verdict
		return v == match.Gross || v == match.Over
	})
}

// labels names the points where there is room, those with photos that are out first:
// beside the point, else away from it at the end of a line. It returns how many have
// no name.
func (p *plan) labels(s *svg) (unlabelled int) {
	d := p.doc
	var order, rest []int
	for k := range d.r.Points {
		switch at := d.r.Points[k].EN; {
		case !grid.Finite(at.E, at.N) || !p.shown.has(at.E, at.N):
		case d.urgent(k):
			order = append(order, k)
		default:
			rest = append(rest, k)
		}
	}
	first := len(order)
	for n, k := range append(order, rest...) {
		label := ""
		if n < labelMost {
			label = p.label(k, n < first)
		}
		if label == "" {
			unlabelled++
		}
		if p.linked {
			x, y := p.at(d.r.Points[k].EN)
			h := d.home[k]
			label = fmt.Sprintf(`<a href="%s" tabindex="-1" aria-label="%s"><circle cx="%s" cy="%s" r="9" fill="none" pointer-events="all"/>%s</a>`,
				html.EscapeString(d.to(-1, h, d.sheets[h].id)), html.EscapeString("Sheet of "+words.Safe(d.r.Points[k].ID)), f(x), f(y), label)
		}
		s.put("%v", label)
	}
	return unlabelled
}

// label writes the name of a point where there is room; it is empty where there is
// none.
func (p *plan) label(k int, urgent bool) string {
	x, y := p.at(p.r.Points[k].EN)
	name := words.Clip(words.Safe(p.r.Points[k].ID), 14)
	w := float64(len([]rune(name)))*labelSize*.6 + 2
	place := func(dx, dy float64) box {
		return box{x + dx, y + dy - labelSize*.8, x + dx + w, y + dy + 2}
	}
	var at []box
	for _, o := range [][2]float64{{6, -5}, {6, 4}, {6, 13}, {-w / 2, -7}, {-w / 2, 17}, {-w - 6, -5}, {-w - 6, 4}, {-w - 6, 13}} {
		at = append(at, place(o[0], o[1]))
	}
	b, placed := p.taken.free(at, p.frame)
	line := ""
	if !placed {
		p.crowded = append(p.crowded, k)
		at = at[:0]
		for r := 24.0; r <= 120; r += 12 {
			for a := range 16 {
				sin, cos := math.Sincos(float64(a) * math.Pi / 8)
				at = append(at, place(r*sin-w/2, -r*cos+labelSize*.3))
			}
		}
		if b, placed = p.taken.free(at, p.frame); !placed {
			return ""
		}
		// The line ends at the side of the name that is nearest to the point.
		ex, ey := min(max(x, b.x0), b.x1), min(max(y, b.y0), b.y1)
		line = fmt.Sprintf(`<path d="M%s %sL%s %s" stroke="%s" stroke-width=".8"/>`, f(x), f(y), f(ex), f(ey), soft)
		for _, l := range along(nil, x, y, ex, ey) {
			p.taken.add(l)
		}
	}
	p.taken.add(b)
	weight, class := "", "name"
	if urgent {
		weight, class = ` font-weight="700"`, "name urgent"
	}
	return line + fmt.Sprintf(`<text class="%s" x="%s" y="%s" font-size="13" fill="%s"%s stroke="#fff" stroke-width="3" paint-order="stroke">%s</text>`, class, f(b.x0), f(b.y1-2), ink, weight, html.EscapeString(name))
}

// insets are the parts of the grid about the points that stand so close that their
// names have no room: at most mostInsets, the most crowded first.
func (p *plan) insets() []box {
	var groups [][]int
	for _, k := range p.crowded {
		x, y := p.at(p.r.Points[k].EN)
		joined := []int{k}
		rest := groups[:0:0]
		for _, g := range groups {
			if slices.ContainsFunc(g, func(o int) bool {
				ox, oy := p.at(p.r.Points[o].EN)
				return math.Hypot(ox-x, oy-y) < insetReach
			}) {
				joined = append(joined, g...)
			} else {
				rest = append(rest, g)
			}
		}
		groups = append(rest, joined)
	}
	slices.SortStableFunc(groups, func(a, b []int) int { return len(b) - len(a) })
	var out []box
	for _, g := range groups {
		ext := noBox()
		for _, k := range g {
			ext.add(p.r.Points[k].E, p.r.Points[k].N)
		}
		ext = ext.grow(insetReach / 2 / p.scale)
		if len(g) < fewestInset || len(out) == mostInsets || ext.scale(insetMost) < 2*p.scale {
			continue
		}
		out = append(out, ext)
	}
	return out
}

// planFootline draws the scale bar, the marks and the north arrow under the plan.
func (d *doc) planFootline(s *svg, frame box, scale float64) {
	u := d.r.Grid.Unit
	y := frame.y1 + 52
	bar := nice((frame.x1 - frame.x0) / 5 / scale)
	w := bar * scale
	x := frame.x0 + 2
	for k := range 4 {
		fill := ink
		if k%2 == 1 {
			fill = "#fff"
		}
		s.rect(x+float64(k)*w/4, y, w/4, 7, `fill="`+fill+`" stroke="`+ink+`"`)
	}
	s.text(x, y+22, 12, "middle", "0", `fill="`+ink+`"`)
	s.text(x+w/2, y+22, 12, "middle", tickLabel(bar/2, bar/2), `class="fine" fill="`+ink+`"`)
	s.text(x+w, y+22, 12, "middle", tickLabel(bar, bar)+nbsp+u.Symbol, `fill="`+ink+`"`)
	lx := x + w + 60
	s.put(`<g class="marks">`)
	s.circle(lx+5, y+3, pointRadius, `fill="`+ink+`"`)
	s.text(lx+14, y+8, 13, "start", "point", `fill="`+ink+`"`)
	s.legend(lx+66, y+8, 13, match.Verdicts)
	s.put(`</g>`)
	nx := frame.x1 - 20
	s.put(`<path d="M%v %vL%v %vL%v %vL%v %vz" fill="none" stroke="%v"/><path d="M%v %vL%v %vL%v %vz" fill="%v"/>`,
		nx, y-20, nx+8, y+8, nx, y+2, nx-8, y+8, ink, nx, y-20, nx+8, y+8, nx, y+2, ink)
	s.text(nx, y+24, 12, "end", "grid north", `fill="`+ink+`"`)
}

// cells finds the boxes that a box hits, by squares of the drawing.
type cells map[[2]int][]box

const cell = 64.0

func newCells(b []box) cells {
	c := cells{}
	for _, x := range b {
		c.add(x)
	}
	return c
}

// under yields the squares under a box.
func under(b box) iter.Seq[[2]int] {
	return func(yield func([2]int) bool) {
		for i := int(math.Floor(b.x0 / cell)); i <= int(math.Floor(b.x1/cell)); i++ {
			for j := int(math.Floor(b.y0 / cell)); j <= int(math.Floor(b.y1/cell)); j++ {
				if !yield([2]int{i, j}) {
					return
				}
			}
		}
	}
}

func (c cells) add(b box) {
	for k := range under(b) {
		c[k] = append(c[k], b)
	}
}

func (c cells) hits(b box) bool {
	for k := range under(b) {
		if slices.ContainsFunc(c[k], b.hits) {
			return true
		}
	}
	return false
}

// free is the first of some boxes that lies in a frame and hits nothing.
func (c cells) free(at []box, frame box) (box, bool) {
	for _, b := range at {
		if frame.has(b.x0, b.y0) && frame.has(b.x1, b.y1) && !c.hits(b) {
			return b, true
		}
	}
	return box{}, false
}

// spot is a photo in the sketch of a point: in the grid's unit, then in the drawing.
type spot struct {
	photo   *match.PhotoResult
	number  int
	x, y    float64
	far     bool    // beyond the sketch, and drawn at its edge
	allowed float64 // 0 where there is no allowance
	about   match.Vector
}

// place puts a spot into a drawing about mid; what is beyond lim stands at its edge.
func (s *spot) place(mid, k, lim float64) {
	x := s.photo.Discrepancy
	if s.far = x.Distance > lim; s.far {
		k = (mid - 12) / max(math.Abs(x.DE), math.Abs(x.DN))
	}
	s.x, s.y = mid+x.DE*k, mid-x.DN*k
}

// spots are the photos of a sheet that have a discrepancy.
func (d *doc) spots(sh *sheet) (out []spot) {
	m := d.r.Grid.Unit.Metres
	for _, i := range sh.photos {
		p := &d.r.Photos[i]
		if p.Discrepancy == nil {
			continue
		}
		s := spot{photo: p, number: d.where[i].number}
		if a := p.Allowance; a != nil {
			s.allowed = a.Threshold / m
			if a.Expected != nil {
				s.about = match.Vector{E: a.Expected.E / m, N: a.Expected.N / m}
			}
		}
		out = append(out, s)
	}
	return out
}

// limits are how far a sketch reaches, 0 where nothing is allowed, and the greatest
// allowed distance.
func limits(spots []spot) (lim, allowed float64) {
	var most float64
	for _, p := range spots {
		if p.allowed > 0 {
			most = max(most, p.allowed+math.Hypot(p.about.E, p.about.N))
			allowed = max(allowed, p.allowed)
		}
	}
	lim = most * 1.12
	for _, p := range spots {
		if x := p.photo.Discrepancy.Distance; x < 2.5*most {
			lim = max(lim, 1.12*x)
		}
	}
	return lim, allowed
}

// sketch draws the discrepancies of one sheet about its point.
func (d *doc) sketch(n int) template.HTML {
	sh := &d.sheets[n]
	spots := d.spots(sh)
	lim, allowed := limits(spots)
	if lim == 0 {
		return ""
	}
	const size, mid = 200.0, 100.0
	k := (mid - 8) / lim
	var s svg
	s.begin(sh.id+"-s", size, size, "sketch", "Discrepancies about "+words.Safe(d.r.Points[sh.point].ID),
		"Marks are the tags by the numbers of the photos, circles the allowed distances; the figures stand beside each photo.", false)
	s.rect(.5, .5, size-1, size-1, `fill="#fff" stroke="`+pale+`"`)
	s.line(mid, 6, mid, size-6, `stroke="`+pale+`"`)
	s.line(6, mid, size-6, mid, `stroke="`+pale+`"`)
	drawn := map[string]bool{}
	for i, p := range spots {
		if cx, cy, r := mid+p.about.E*k, mid-p.about.N*k, p.allowed*k; r > 0 && !drawn[f(cx)+f(cy)+f(r)] {
			drawn[f(cx)+f(cy)+f(r)] = true
			s.circle(cx, cy, r, `fill="none" stroke="`+soft+`" stroke-dasharray="4 3"`)
		}
		spots[i].place(mid, k, lim)
	}
	s.circle(mid, mid, pointRadius, `fill="`+ink+`"`)
	taken := newCells([]box{{mid - 3, mid - 3, mid + 3, mid + 3}})
	for _, p := range spots {
		v, dash := p.photo.Verdict, ""
		if p.far {
			dash = ` stroke-dasharray="6 4"`
		}
		s.line(mid, mid, p.x, p.y, vectorStyle(v)+dash)
		s.put(`<path d="%v" %v/>`, mark(v, p.x, p.y, 4.2), markStyle(v))
		taken.add(box{p.x - 4, p.y - 4, p.x + 4, p.y + 4})
	}
	for _, p := range spots {
		text := fmt.Sprint(p.number)
		w := float64(len(text)) * 8
		var at []box
		for _, o := range [][2]float64{{7, 4}, {-7 - w, 4}, {-w / 2, -8}, {-w / 2, 17}, {7, -6}, {7, 14}, {-7 - w, -6}, {-7 - w, 14}} {
			at = append(at, box{p.x + o[0], p.y + o[1] - 10, p.x + o[0] + w, p.y + o[1] + 1})
		}
		if b, ok := taken.free(at, box{2, 2, size - 2, size - 2}); ok && len(sh.photos) <= 30 {
			taken.add(b)
			s.text(b.x0, b.y1-1, 13, "start", text, `fill="`+ink+`" stroke="#fff" stroke-width="3" paint-order="stroke"`)
		}
	}
	halo := `fill="` + soft + `" stroke="#fff" stroke-width="3" paint-order="stroke"`
	s.text(size-6, size-7, 12, "end", "circle "+withUnit(allowed, d.r.Grid.Unit), halo)
	s.text(mid+5, 15, 12, "start", "N", halo)
	return s.end()
}
