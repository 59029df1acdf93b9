package record

import (
	"fmt"
	"html"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// sample is a judged photo as the plots need it; lengths in the grid's unit.
type sample struct {
	v            match.Verdict
	dE, dN, dist float64
	threshold    float64
	judged, s, r float64 // what was judged, the deviation and the standoff
	bearing      float64 // NaN where there is none
	taken        time.Time
	simplyOne    bool
}

func (d *doc) samples() []sample {
	m := d.r.Grid.Unit.Metres
	var out []sample
	for i := range d.r.Photos {
		p := &d.r.Photos[i]
		x, a := p.Discrepancy, p.Allowance
		if x == nil || a == nil || p.Verdict == match.Unjudged {
			continue
		}
		q := sample{v: p.Verdict, dE: x.DE, dN: x.DN, dist: x.Distance, threshold: a.Threshold / m,
			judged: a.Judged / m, s: a.Sigma / m, r: a.Standoff / m, bearing: x.Bearing.Degrees(), simplyOne: a.Cov == nil}
		if p.Tag != nil && p.Tag.Taken != nil {
			// The clock's reading, whatever its zone.
			t := p.Tag.Taken.Time
			q.taken = time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
		}
		out = append(out, q)
	}
	return out
}

// fewestPlotted is how many photos a plot needs to show anything.
const fewestPlotted = 3

// plots are the drawings of the discrepancies; none where few photos were judged.
func (d *doc) plots() []figure {
	q := d.samples()
	if len(q) < fewestPlotted {
		return nil
	}
	lo, hi, _, _ := d.r.Thresholds()
	var near []float64
	for _, x := range q {
		if x.v != match.Gross {
			near = append(near, x.dist)
		}
	}
	lim := 1.2 * hi
	if len(near) > 0 {
		lim = max(lim, min(1.08*quantile(near, .99), 3*hi))
	}
	if !(lim > 0) {
		lim = 1
	}
	return []figure{d.scatter(q, lo, hi, lim), d.distribution(q, hi, lim), d.overTime(q, lo, hi, lim), d.rose(q)}
}

// The plots' measures in pixels of their own.
const (
	plotW     = 470.0
	plotH     = 400.0
	plotText  = 14.0
	plotLeft  = 52.0
	plotRight = 14.0
	plotTop   = 14.0
	plotFoot  = 46.0
)

// markSize is the size of a mark among n: the rarer verdicts keep a size at which
// their shape can be told.
func markSize(v match.Verdict, n int) float64 {
	size := 3.8
	switch {
	case n > 3000:
		size = 1.5
	case n > 600:
		size = 2.4
	}
	if v != match.Within {
		size = max(size, 2.8)
	}
	return size
}

// present are the verdicts that samples have, in the usual order.
func present(q []sample) []match.Verdict {
	var out []match.Verdict
	for _, v := range match.Verdicts {
		if slices.ContainsFunc(q, func(x sample) bool { return x.v == v }) {
			out = append(out, v)
		}
	}
	return out
}

// chart is a plot with axes: a frame of the usual place, w wide and h high.
type chart struct {
	svg
	w, h float64
}

func newChart(id, title, desc string, w, h float64) *chart {
	c := &chart{w: w, h: h}
	c.begin(id, plotW, plotTop+h+plotFoot, "", title, desc, false)
	c.rect(plotLeft, plotTop, w, h, `fill="#fff" stroke="`+soft+`"`)
	return c
}

// xTick marks a place on the axis below, yTick one on the axis at the left.
func (c *chart) xTick(x float64, label string) {
	c.line(x, plotTop+c.h, x, plotTop+c.h+5, `stroke="`+soft+`"`)
	c.text(x, plotTop+c.h+20, plotText, "middle", label, `fill="`+soft+`"`)
}

func (c *chart) yTick(y float64, label string) {
	c.line(plotLeft-5, y, plotLeft, y, `stroke="`+soft+`"`)
	c.text(plotLeft-8, y+5, plotText, "end", label, `fill="`+soft+`"`)
}

// xTitle and yTitle name the axes.
func (c *chart) xTitle(text string) {
	c.text(plotLeft+c.w/2, plotTop+c.h+plotFoot-6, plotText, "middle", text, `fill="`+ink+`"`)
}

func (c *chart) yTitle(text string) {
	c.put(`<text transform="translate(14 %v) rotate(-90)" font-size="14" text-anchor="middle" fill="%v">%v</text>`, plotTop+c.h/2, ink, html.EscapeString(text))
}

// polyline is a line through places, as the data of a path.
func polyline(n int, at func(i int) (x, y float64)) string {
	var b strings.Builder
	for i := range n {
		x, y := at(i)
		b.WriteString("L" + f(x) + " " + f(y))
	}
	return "M" + b.String()[1:]
}

// scatter draws dE and dN about the point with the budget's circle and the error
// ellipse.
func (d *doc) scatter(q []sample, lo, hi, lim float64) figure {
	u := d.r.Grid.Unit
	side := plotW - plotLeft - plotRight
	cx, cy := plotLeft+side/2, plotTop+side/2
	k := side / 2 / lim
	fig := figure{Title: "About the point"}
	s := newChart("scatter-svg", fig.Title, fmt.Sprintf("Discrepancies of %s, east to the right and north up. Allowed distances run from %s to %s.",
		words.Plural(len(q), "photo"), withUnit(lo, u), withUnit(hi, u)), side, side)
	// Between the smallest and the greatest allowed distance.
	if hi > lo*1.02 {
		s.put(`<path fill-rule="evenodd" d="%v%v" fill="%v"/>`, mark(match.Within, cx, cy, hi*k), mark(match.Within, cx, cy, lo*k), wash)
	}
	s.line(cx, plotTop, cx, plotTop+side, `stroke="`+pale+`"`)
	s.line(plotLeft, cy, plotLeft+side, cy, `stroke="`+pale+`"`)
	th := make([]float64, len(q))
	for i, x := range q {
		th[i] = x.threshold
	}
	mid := quantile(th, .5)
	s.circle(cx, cy, mid*k, `fill="none" stroke="`+ink+`" stroke-width="1.4" stroke-dasharray="7 4"`)
	step := nice(lim / 2.2)
	for _, t := range ticks(-lim, lim, step) {
		s.xTick(cx+t*k, tickLabel(t, step))
		s.yTick(cy-t*k, tickLabel(t, step))
	}
	s.xTitle("east, " + u.Symbol)
	s.yTitle("north, " + u.Symbol)
	s.put(`<clipPath id="scatter-clip"><rect x="%v" y="%v" width="%v" height="%v"/></clipPath><g clip-path="url(#scatter-clip)">`, plotLeft, plotTop, side, side)
	m, beyond := marks{}, 0
	for _, x := range q {
		g, size := 1.0, markSize(x.v, len(q))
		if far := max(math.Abs(x.dE), math.Abs(x.dN)); far > lim {
			g = (lim - 1.6*size/k) / far
			beyond++
		}
		m.add(x.v, mark(x.v, cx+x.dE*g*k, cy-x.dN*g*k, size))
	}
	m.draw(&s.svg, markStyle)
	set, which := d.r.Noise()
	s.mean(set, cx, cy, k)
	s.put("</g>")
	s.legend(plotLeft+8, plotTop+18, plotText, present(q))
	fig.SVG = s.end()
	t := fmt.Sprintf("Tag minus point. Dashed: the middle one of the allowed distances, %s", withUnit(mid, u))
	if hi > lo*1.02 {
		t += fmt.Sprintf("; shaded, from the least to the greatest of them, %s to %s", length(lo), withUnit(hi, u))
	}
	t += "."
	if set != nil {
		t += fmt.Sprintf(" Cross: the mean of the %s %s", words.Plural(set.N, "photo"), which)
		if set.Ellipse != nil {
			t += fmt.Sprintf("; solid: their error ellipse at %g%s%%", 100*set.Ellipse.Confidence, nbsp)
		}
		t += "."
	}
	fig.Caption = []string{t}
	if beyond > 0 {
		fig.Caption = append(fig.Caption, fmt.Sprintf("%s beyond the frame %s at its edge.", words.Plural(beyond, "photo"), words.Pick(beyond, "stands", "stand")))
	}
	return fig
}

// mean draws the mean of a set and its error ellipse about a point.
func (s *svg) mean(set *match.SetStats, cx, cy, k float64) {
	if set == nil {
		return
	}
	mx, my := cx+set.Mean.E*k, cy-set.Mean.N*k
	if e := set.Ellipse; e != nil && e.SemiMajor > 0 {
		turn := 0.0
		if e.Bearing.Defined() {
			turn = e.Bearing.Degrees() - 90
		}
		s.put(`<ellipse cx="%v" cy="%v" rx="%v" ry="%v" transform="rotate(%v %v %v)" fill="none" stroke="%v" stroke-width="1.8"/>`, mx, my, e.SemiMajor*k, e.SemiMinor*k, turn, mx, my, ink)
	}
	s.put(`<path d="M%v %vh14m-7 -7v14" stroke="#fff" stroke-width="5"/><path d="M%v %vh14m-7 -7v14" stroke="%v" stroke-width="2"/>`, mx-7, my, mx-7, my, ink)
}

// distribution draws the share of photos within a distance against what the
// budget expects of honest noise.
func (d *doc) distribution(q []sample, hi, lim float64) figure {
	u := d.r.Grid.Unit
	xmax := max(lim, 1.3*hi)
	w, h := plotW-plotLeft-plotRight, plotH-plotTop-plotFoot
	px := func(v float64) float64 { return plotLeft + w*min(v, xmax)/xmax }
	py := func(p float64) float64 { return plotTop + h*(1-p) }
	dist := make([]float64, len(q))
	simple := true
	for i, x := range q {
		dist[i] = x.judged
		simple = simple && x.simplyOne
	}
	slices.Sort(dist)
	shown := dist[:sort.Search(len(dist), func(i int) bool { return dist[i] > xmax })]
	n := float64(len(dist))
	const steps = 90
	expect := expected(q, xmax, steps)
	// Dvoretzky, Kiefer and Wolfowitz with Massart's constant, 1990 (from memory):
	// P(sup |Fn - F| > e) <= 2 exp(-2 n e²).
	band := math.Sqrt(math.Log(2/0.05) / (2 * n))
	worst, at := 0.0, 0.0
	for i, x := range shown {
		e := interpolate(expect, x/xmax)
		if g := max(math.Abs(float64(i)/n-e), math.Abs(float64(i+1)/n-e)); g > worst {
			worst, at = g, x
		}
	}
	fig := figure{Title: "Distances against the budget’s expectation"}
	s := newChart("cdf-svg", fig.Title, fmt.Sprintf("Share of the %s judged whose tag lies within a distance, and the share that the budget expects. The two differ by %s at most, at %s.",
		words.Plural(len(q), "photo"), percent(worst), withUnit(at, u)), w, h)
	x := func(i int) float64 { return px(xmax * float64(i) / steps) }
	up := polyline(steps+1, func(i int) (float64, float64) { return x(i), py(min(1, expect[i]+band)) })
	down := polyline(steps+1, func(i int) (float64, float64) { return x(steps - i), py(max(0, expect[steps-i]-band)) })
	s.put(`<path d="%v%vz" fill="%v"/>`, up, "L"+down[1:], wash)
	for _, p := range []float64{0, .25, .5, .75, 1} {
		s.yTick(py(p), fmt.Sprintf("%.0f%s%%", 100*p, nbsp))
	}
	step := nice(xmax / 4)
	for _, t := range ticks(0, xmax, step) {
		s.xTick(px(t), tickLabel(t, step))
	}
	s.xTitle("distance, " + u.Symbol)
	curve := polyline(steps+1, func(i int) (float64, float64) { return x(i), py(expect[i]) })
	stair := fmt.Sprintf("M%s %s", f(px(0)), f(py(0)))
	thin := max(1, len(dist)/1500)
	for i, x := range shown {
		if i%thin == 0 || i == len(dist)-1 {
			stair += fmt.Sprintf("H%sV%s", f(px(x)), f(py(float64(i+1)/n)))
		}
	}
	s.put(`<path d="%v" fill="none" stroke="%v" stroke-width="1.8" stroke-dasharray="7 4"/>`, curve, soft)
	s.put(`<path d="%v" fill="none" stroke="%v" stroke-width="2"/>`, stair+"H"+f(px(xmax)), ink)
	lx, ly := plotLeft+w-150, plotTop+h-14
	s.line(lx, ly-24, lx+32, ly-24, `stroke="`+ink+`" stroke-width="2"`)
	s.text(lx+40, ly-19, plotText, "start", "this job", `fill="`+ink+`"`)
	s.line(lx, ly-3, lx+32, ly-3, `stroke="`+soft+`" stroke-width="1.8" stroke-dasharray="7 4"`)
	s.text(lx+40, ly+2, plotText, "start", "expected", `fill="`+ink+`"`)
	fig.SVG = s.end()
	t := "Share of the judged photos within a distance (solid), and what the budget expects of noise alone: Rice’s distribution for each photo’s own errors and standoff, averaged over the photos (dashed)."
	t += " Noise keeps the whole solid line in the shaded band 95" + nbsp + "% of the time if photos err independently; those taken in a row do less."
	if !simple {
		t += " For points whose accuracy differs with the direction, the root mean square over directions is taken."
	}
	if beyond := len(dist) - len(shown); beyond > 0 {
		t += fmt.Sprintf(" %s %s beyond the scale.", words.Plural(beyond, "photo"), words.Pick(beyond, "is", "are"))
	}
	fig.Caption = []string{t}
	return fig
}

// expected is the mean over the photos of the probability that the distance is
// at most x, for steps+1 values of x from 0 to xmax. Photos whose figures agree
// to a per cent share one computation.
func expected(q []sample, xmax float64, steps int) []float64 {
	type kind struct{ r, s int }
	at := func(v float64) int {
		if !(v > 0) {
			return math.MinInt32
		}
		return int(math.Round(100 * math.Log(v)))
	}
	kinds := map[kind]int{}
	var order []kind
	var n []int
	var of []sample
	for _, x := range q {
		k := kind{at(x.r), at(x.s)}
		i, ok := kinds[k]
		if !ok {
			i = len(order)
			kinds[k] = i
			order, n, of = append(order, k), append(n, 0), append(of, x)
		}
		n[i]++
	}
	out := make([]float64, steps+1)
	for i := range order {
		for j := range out {
			p := match.RiceCDF(xmax*float64(j)/float64(steps), of[i].r, of[i].s)
			out[j] += p * float64(n[i]) / float64(len(q))
		}
	}
	return out
}

// interpolate reads a curve given at equal steps from 0 to 1.
func interpolate(c []float64, x float64) float64 {
	p := x * float64(len(c)-1)
	i := min(max(int(p), 0), len(c)-2)
	return c[i] + (p-float64(i))*(c[i+1]-c[i])
}

// session is a stretch of work without a long break.
type session struct {
	from, to time.Time
	x0, x1   float64
}

// breakOf is how long nothing is photographed between two sessions.
const breakOf = 3 * time.Hour

// sessions are the sessions of a plot, side by side.
type sessions []session

// sessionsOf sorts photos by time and lays out their sessions over a width.
func sessionsOf(timed []sample, w float64) sessions {
	slices.SortStableFunc(timed, func(a, b sample) int { return a.taken.Compare(b.taken) })
	var ses sessions
	for i, x := range timed {
		if i == 0 || x.taken.Sub(timed[i-1].taken) > breakOf {
			ses = append(ses, session{from: x.taken, to: x.taken})
		}
		ses[len(ses)-1].to = x.taken
	}
	if len(ses) > 12 {
		ses = sessions{{from: timed[0].taken, to: timed[len(timed)-1].taken}}
	}
	const gap, least = 14.0, 10 * time.Minute
	total := time.Duration(0)
	for _, e := range ses {
		total += max(e.to.Sub(e.from), least)
	}
	room := w - gap*float64(len(ses))
	x := plotLeft + gap/2
	for i := range ses {
		part := room * float64(max(ses[i].to.Sub(ses[i].from), least)) / float64(total)
		ses[i].x0, ses[i].x1 = x, x+part
		x += part + gap
	}
	return ses
}

// x is the place of a time.
func (ses sessions) x(t time.Time) float64 {
	for _, e := range ses {
		if !t.After(e.to) {
			span := e.to.Sub(e.from)
			if span == 0 {
				return (e.x0 + e.x1) / 2
			}
			return e.x0 + (e.x1-e.x0)*float64(t.Sub(e.from))/float64(span)
		}
	}
	return ses[len(ses)-1].x1
}

// axis draws the breaks, the days and the hours under a plot of a height.
func (ses sessions) axis(s *svg, hgt float64) {
	lastLabel := -100.0
	for i, e := range ses {
		if i > 0 {
			b := (ses[i-1].x1 + e.x0) / 2
			s.line(b, plotTop, b, plotTop+hgt, `stroke="`+pale+`"`)
		}
		if e.x0-lastLabel > 8 {
			s.text(e.x0-4, plotTop+hgt+34, 13, "start", e.from.Format("2 Jan 2006"), `fill="`+ink+`"`)
			lastLabel = e.x0 + 84
		}
		for _, t := range hours(e) {
			at := ses.x(t)
			s.line(at, plotTop+hgt, at, plotTop+hgt+5, `stroke="`+soft+`"`)
			s.text(at, plotTop+hgt+19, 12, "middle", t.Format("15:04"), `fill="`+soft+`"`)
		}
	}
}

// overTime draws the distance over the camera's clock, without the breaks.
func (d *doc) overTime(q []sample, lo, hi, lim float64) figure {
	u := d.r.Grid.Unit
	fig := figure{Title: "Distance over time"}
	var timed []sample
	for _, x := range q {
		if !x.taken.IsZero() {
			timed = append(timed, x)
		}
	}
	w, h := plotW-plotLeft-plotRight, plotH-plotTop-plotFoot
	if len(timed) == 0 {
		fig.Caption = []string{"No judged photo states when it was taken."}
		return fig
	}
	ses := sessionsOf(timed, w)
	beyond := 0
	for _, p := range timed {
		if p.dist > lim {
			beyond++
		}
	}
	top := plotTop
	if beyond > 0 {
		top += 26 // the strip of what is beyond the scale
	}
	py := func(v float64) float64 { return plotTop + h - (plotTop+h-top-8)*v/lim }
	s := newChart("time-svg", fig.Title, fmt.Sprintf("Distances of %s from %s to %s by the cameras’ clocks; allowed distances run from %s to %s.", words.Plural(len(timed), "photo"),
		timed[0].taken.Format("2006-01-02 15:04"), timed[len(timed)-1].taken.Format("2006-01-02 15:04"), withUnit(lo, u), withUnit(hi, u)), w, h)
	s.rect(plotLeft+.5, py(hi), w-1, max(py(lo)-py(hi), 1), `fill="`+wash+`"`)
	s.text(plotLeft+w-5, py(hi)+14, 12, "end", "allowed", `fill="`+soft+`"`)
	if beyond > 0 {
		s.line(plotLeft, top, plotLeft+w, top, `stroke="`+soft+`" stroke-dasharray="2 3"`)
		s.text(plotLeft-8, top-8, plotText, "end", "more", `fill="`+soft+`"`)
	}
	step := nice(lim / 3)
	for _, t := range ticks(0, lim, step) {
		s.yTick(py(t), tickLabel(t, step))
	}
	s.yTitle("distance, " + u.Symbol)
	ses.axis(&s.svg, h)
	m := marks{}
	for _, p := range timed {
		y := py(p.dist)
		if p.dist > lim {
			y = plotTop + 13
		}
		m.add(p.v, mark(p.v, ses.x(p.taken), y, markSize(p.v, len(timed))))
	}
	m.draw(&s.svg, markStyle)
	fig.SVG = s.end()
	t := "By the cameras’ clocks; breaks of more than three hours are left out. The shaded band holds the allowed distances."
	if beyond > 0 {
		t += fmt.Sprintf(" The strip on top has %s beyond the scale.", words.Plural(beyond, "photo"))
	}
	if n := len(q) - len(timed); n > 0 {
		t += fmt.Sprintf(" %s %s no time and %s left out.", words.Plural(n, "photo"), words.Pick(n, "states", "state"), words.Pick(n, "is", "are"))
	}
	fig.Caption = []string{t}
	return fig
}

// hours are the labelled times of a session, some 50 pixels apart at least.
func hours(e session) []time.Time {
	span := e.to.Sub(e.from)
	room := max(1, int((e.x1-e.x0)/52))
	for _, step := range []time.Duration{5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour} {
		if int(span/step) > room {
			continue
		}
		var out []time.Time
		for t := e.from.Truncate(step); !t.After(e.to); t = t.Add(step) {
			if !t.Before(e.from) {
				out = append(out, t)
			}
		}
		return out
	}
	return nil
}

// rose counts bearings in sixteen sectors.
func (d *doc) rose(q []sample) figure {
	fig := figure{Title: "Bearings from the points to the tags"}
	const sectors = 16
	var all [sectors]int
	n := 0
	for _, x := range q {
		if x.v == match.Gross || math.IsNaN(x.bearing) {
			continue
		}
		all[int(math.Floor(math.Mod(x.bearing, 360)/(360.0/sectors)+.5))%sectors]++
		n++
	}
	if n == 0 {
		fig.Caption = []string{"No photo that is judged and not gross has a bearing."}
		return fig
	}
	most := slices.Max(all[:])
	const size = plotH
	cx, cy, radius := plotW/2, size/2, size/2-26
	// The area of a sector shows its count.
	rad := func(c float64) float64 { return radius * math.Sqrt(c/float64(most)) }
	counts := make([]string, 0, sectors)
	for i, c := range all {
		if c > 0 {
			counts = append(counts, fmt.Sprintf("%g°: %d", float64(i)*360/sectors, c))
		}
	}
	var s svg
	s.begin("rose-svg", plotW, size, "", fig.Title, "Photos by bearing, in sectors of 22.5 degrees: "+strings.Join(counts, ", ")+".", false)
	even := float64(n) / sectors
	s.circle(cx, cy, radius, `fill="#fff" stroke="`+pale+`"`)
	s.circle(cx, cy, rad(float64(most)/4), `fill="none" stroke="`+pale+`"`)
	var b strings.Builder
	for i, c := range all {
		if c == 0 {
			continue
		}
		r := rad(float64(c))
		a0, a1 := (float64(i)-.44)*2*math.Pi/sectors, (float64(i)+.44)*2*math.Pi/sectors
		fmt.Fprintf(&b, "M%s %sL%s %sA%s %s 0 0 1 %s %sz", f(cx), f(cy), f(cx+r*math.Sin(a0)), f(cy-r*math.Cos(a0)), f(r), f(r), f(cx+r*math.Sin(a1)), f(cy-r*math.Cos(a1)))
	}
	s.put(`<path d="%v" fill="#9fb4c7" stroke="%v" stroke-width="1"/>`, b.String(), ink)
	s.circle(cx, cy, rad(even), `fill="none" stroke="`+ink+`" stroke-width="1.4" stroke-dasharray="7 4"`)
	for i, w := range winds {
		if i%2 == 0 {
			a := float64(i) * math.Pi / 4
			s.text(cx+(radius+14)*math.Sin(a), cy-(radius+14)*math.Cos(a)+5, plotText, "middle", w, `fill="`+ink+`"`)
		}
	}
	s.text(cx+radius*.72, cy-radius*.78, 12, "start", "rim: "+words.Plural(most, "photo"), `fill="`+soft+`"`)
	fig.SVG = s.end()
	fig.Caption = []string{fmt.Sprintf("The %s judged and not gross, in sectors of 22.5°; the area of a sector shows its count. Dashed: what each would have if no direction were preferred. A common shift, or a habit of standing on one side, shows as a bulge.", words.Plural(n, "photo"))}
	return fig
}
