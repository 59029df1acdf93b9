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
	wholeRays   = 12 // tags off the plan whose vectors are drawn to its edge
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

func finite(p grid.EN) bool {
	return !math.IsNaN(p.E) && !math.IsInf(p.E, 0) && !math.IsNaN(p.N) && !math.IsInf(p.N, 0)
}

// extent is the part of the grid that the plan shows: all points, and the tags
// that are not far from them.
func (d *doc) extent() box {
	ext := noBox()
	for i := range d.r.Points {
		if p := d.r.Points[i].EN; finite(p) {
			ext.add(p.E, p.N)
		}
	}
	anchored := !ext.empty()
	if !anchored {
		for i := range d.r.Photos {
			if p := d.r.Photos[i].OnGrid; p != nil && finite(*p) {
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
			if p := d.r.Photos[i].OnGrid; p != nil && finite(*p) && near.has(p.E, p.N) {
				ext.add(p.E, p.N)
			}
		}
	}
	return ext.grow(max(0.02*max(ext.x1-ext.x0, ext.y1-ext.y0), reach/8))
}

// plan draws points, tags and the vectors between them.
func (d *doc) plan() figure {
	fig := figure{Class: "wide", Title: "Points, tags and discrepancy vectors"}
	ext := d.extent()
	if ext.empty() {
		fig.Caption = []string{"Neither a point nor a tag has a place on the grid."}
		return fig
	}
	inner := planWidth - planLeft - planRight
	w, h := ext.x1-ext.x0, ext.y1-ext.y0
	scale := min(inner/w, planMost/h)
	high := max(h*scale, planLeast)
	frame := box{planLeft, planTop, planLeft + inner, planTop + high}
	// The drawing stands in the middle of its frame.
	cx, cy := (ext.x0+ext.x1)/2, (ext.y0+ext.y1)/2
	px := func(e float64) float64 { return (frame.x0+frame.x1)/2 + (e-cx)*scale }
	py := func(n float64) float64 { return (frame.y0+frame.y1)/2 - (n-cy)*scale }
	shown := box{cx - inner/2/scale, cy - high/2/scale, cx + inner/2/scale, cy + high/2/scale}

	linked := len(d.sheets) > 0 && len(d.r.Points) <= linkedMost
	var s svg
	total := planTop + high + planFoot
	desc := fmt.Sprintf("Plan of %s and the tags of %s, grid north up. The register and the sheets give all of it in words.", words.Plural(len(d.r.Points), "point"), words.Plural(len(d.r.Photos), "photo"))
	s.begin("plan-svg", planWidth, total, "", fig.Title, desc, linked)
	s.rect(frame.x0, frame.y0, inner, high, `fill="#fff" stroke="`+soft+`"`)
	d.planGrid(&s, frame, shown, px, py)

	vectors, tags, off, keep, spare := d.planVectors(shown, px, py)
	vectors.draw(&s, vectorStyle)
	// Points stand on the tags: a tag that covers its point would hide it.
	tags.draw(&s, markStyle)
	var dots strings.Builder
	for k := range d.r.Points {
		if p := d.r.Points[k].EN; finite(p) {
			x, y := px(p.E), py(p.N)
			fmt.Fprintf(&dots, "M%s %sh.01", f(x), f(y))
			keep = append(keep, box{x - 3, y - 3, x + 3, y + 3})
		}
	}
	if dots.Len() > 0 {
		s.put(`<path d="%v" fill="none" stroke="%v" stroke-width="%v" stroke-linecap="round"/>`, dots.String(), ink, 2*min(pointRadius, markSize(match.Within, len(d.r.Points))))
	}
	taken := newCells(keep)
	d.planRays(&s, frame, off, taken)
	unlabelled := d.planLabels(&s, frame, px, py, taken, newCells(spare), linked)
	d.planFootline(&s, frame, scale)
	fig.SVG = s.end()

	fig.Caption = append(fig.Caption, "Dots are surveyed points. A line leads from each point to the tag of a photo that is tied to it; the mark at its end shows the verdict.")
	fig.Caption = append(fig.Caption, d.offPlan(off)...)
	if unlabelled > 0 {
		fig.Caption = append(fig.Caption, fmt.Sprintf("%s %s no room for the name.", words.Plural(unlabelled, "point"), words.Pick(unlabelled, "has", "have")))
	}
	return fig
}

// planVectors are the vectors and the tags on the plan, the vectors that leave it,
// and the boxes where labels must not be and those where they should not.
func (d *doc) planVectors(shown box, px, py func(float64) float64) (vectors, tags marks, off []ray, keep, spare []box) {
	vectors, tags = marks{}, marks{}
	for i := range d.r.Photos {
		p := &d.r.Photos[i]
		if p.OnGrid == nil || !finite(*p.OnGrid) {
			continue
		}
		x, y := px(p.OnGrid.E), py(p.OnGrid.N)
		inside := shown.has(p.OnGrid.E, p.OnGrid.N)
		k := d.sheets[d.where[i].sheet].point
		switch tied := k >= 0 && finite(d.r.Points[k].EN); {
		case tied && inside:
			vectors.add(p.Verdict, fmt.Sprintf("M%s %sL%s %s", f(px(d.r.Points[k].E)), f(py(d.r.Points[k].N)), f(x), f(y)))
		case tied:
			at := d.r.Points[k].EN
			dist := math.Hypot(p.OnGrid.E-at.E, p.OnGrid.N-at.N)
			off = append(off, ray{v: p.Verdict, x: px(at.E), y: py(at.N), dx: (p.OnGrid.E - at.E) / dist, dy: -(p.OnGrid.N - at.N) / dist, dist: dist})
		case !inside:
			off = append(off, ray{v: p.Verdict, dist: math.NaN()})
		}
		if !inside {
			continue
		}
		r := markSize(p.Verdict, len(d.r.Photos))
		tags.add(p.Verdict, mark(p.Verdict, x, y, r))
		if b := (box{x - r, y - r, x + r, y + r}); p.Verdict == match.Within {
			spare = append(spare, b)
		} else {
			keep = append(keep, b)
		}
	}
	return vectors, tags, off, keep, spare
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

// planGrid draws the crosses of the grid and their coordinates at the edge.
func (d *doc) planGrid(s *svg, frame, shown box, px, py func(float64) float64) {
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
	for _, e := range es {
		x := px(e)
		s.line(x, frame.y1, x, frame.y1+5, `stroke="`+soft+`"`)
		if x > frame.x0+30 && x < frame.x1-30 {
			s.text(x, frame.y1+18, 12, "middle", "E "+tickLabel(e, step), `fill="`+soft+`"`)
		}
	}
	for _, n := range ns {
		y := py(n)
		s.line(frame.x0-5, y, frame.x0, y, `stroke="`+soft+`"`)
		if y > frame.y0+30 && y < frame.y1-30 {
			s.put(`<text transform="translate(%v %v) rotate(-90)" font-size="12" text-anchor="middle" fill="%v">%v</text>`, frame.x0-10, y, soft, html.EscapeString("N "+tickLabel(n, step)))
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
	return d.home[k] >= 0 && slices.ContainsFunc(d.sheets[d.home[k]].photos, func(i int) bool {
		v := d.r.Photos[i].Verdict
		return v == match.Gross || v == match.Over
	})
}

// planLabels names the points where there is room, those with photos that are out
// first, and returns how many have none.
func (d *doc) planLabels(s *svg, frame box, px, py func(float64) float64, taken, spare cells, linked bool) (unlabelled int) {
	var order, rest []int
	for k := range d.r.Points {
		switch {
		case !finite(d.r.Points[k].EN):
		case d.urgent(k):
			order = append(order, k)
		default:
			rest = append(rest, k)
		}
	}
	first := len(order)
	for n, k := range append(order, rest...) {
		p := &d.r.Points[k]
		x, y := px(p.E), py(p.N)
		name := clip(words.Safe(p.ID), 14)
		w := float64(len([]rune(name)))*labelSize*.6 + 2
		var at, clear []box
		for _, o := range [][2]float64{{6, -5}, {6, 4}, {6, 13}, {-w / 2, -7}, {-w / 2, 17}, {-w - 6, -5}, {-w - 6, 4}, {-w - 6, 13}} {
			b := box{x + o[0], y + o[1] - labelSize*.8, x + o[0] + w, y + o[1] + 2}
			at = append(at, b)
			if !spare.hits(b) {
				clear = append(clear, b)
			}
		}
		b, placed := taken.free(append(clear, at...), frame)
		if n >= labelMost {
			placed = false
		}
		label := ""
		if placed {
			taken.add(b)
			weight := ""
			if n < first {
				weight = ` font-weight="700"`
			}
			label = fmt.Sprintf(`<text x="%s" y="%s" font-size="13" fill="%s"%s stroke="#fff" stroke-width="3" paint-order="stroke">%s</text>`, f(b.x0), f(b.y1-2), ink, weight, html.EscapeString(name))
		} else {
			unlabelled++
		}
		if h := d.home[k]; linked && h >= 0 {
			label = fmt.Sprintf(`<a href="%s" tabindex="-1" aria-label="%s"><circle cx="%s" cy="%s" r="9" fill="none" pointer-events="all"/>%s</a>`,
				html.EscapeString(d.to(-1, h, d.sheets[h].id)), html.EscapeString("Sheet of "+words.Safe(p.ID)), f(x), f(y), label)
		}
		s.put("%v", label)
	}
	return unlabelled
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
	s.text(x+w/2, y+22, 12, "middle", tickLabel(bar/2, bar/2), `fill="`+ink+`"`)
	s.text(x+w, y+22, 12, "middle", tickLabel(bar, bar)+nbsp+u.Symbol, `fill="`+ink+`"`)
	lx := x + w + 60
	s.circle(lx+5, y+3, pointRadius, `fill="`+ink+`"`)
	s.text(lx+14, y+8, 13, "start", "point", `fill="`+ink+`"`)
	s.legend(lx+66, y+8, 13, match.Verdicts)
	nx := frame.x1 - 20
	s.put(`<path d="M%v %vL%v %vL%v %vL%v %vz" fill="none" stroke="%v"/><path d="M%v %vL%v %vL%v %vz" fill="%v"/>`,
		nx, y-20, nx+8, y+8, nx, y+2, nx-8, y+8, ink, nx, y-20, nx+8, y+8, nx, y+2, ink)
	s.text(nx, y+24, 12, "end", "grid north", `fill="`+ink+`"`)
}

// clip cuts a name for a drawing.
func clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
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
