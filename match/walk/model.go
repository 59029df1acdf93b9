package walk

import (
	"math"
	"slices"
	"time"
)

// The most candidates of a photo: those that are nearest, those that links, names
// and times suggest, and the neighbours of the listed one on the walk. The state
// without a point comes on top.
const (
	maxNearest = 14
	maxPoints  = 22
	maxStates  = maxPoints + 1
)

// Classes of a link, given the point that its photo shows.
const (
	right = iota
	late
	early
	other
	unlisted
	classes
)

var shifts = [classes]Shift{ShiftNone, ShiftLate, ShiftEarly, ShiftOther, ShiftUnlisted}

// model holds what is the same for the whole job.
type model struct {
	p      Params
	points []Point
	index  *index
	route  *route
	epoch  time.Time
	rates  Rates
	crowd  float64 // how many points share a jump
	back   float64 // and how many the return from a photo without a point
	far    float64 // 1 / number of points
	// shift is the probability of the class of a link after that of the one
	// before, and first that of the first one.
	shift [classes][classes]float64
	// linked is the share of photos with a link.
	linked float64
}

// The shares of late and early links by how many points they are off, and of
// steps along the walk by how many points are passed: common practice, no source.
var (
	offBy  = [...]float64{0, 0.75, 0.17, 0.08}
	passBy = [...]float64{0, 0.80, 0.14, 0.06}
)

// Jumps and slips go to a point nearby but for this share, which goes anywhere.
const anywhere = 0.1

// Of photos without a point, the next one has none either with this probability.
const stayOff = 0.3

// From a photo without a point the walk returns to points as near as this share
// of the length of a jump.
const returnTo = 0.3

// A photo without a point has a link this many times as often as one with.
const strayLink = 0.15

func newModel(points []Point, photos []Photo, p Params) *model {
	m := &model{p: p, points: points, far: 1 / float64(max(1, len(points)))}
	for _, q := range points {
		if !q.Observed.IsZero() {
			m.epoch = q.Observed
			break
		}
	}
	n := 0
	for i := range photos {
		if m.epoch.IsZero() {
			m.epoch = photos[i].Time
		}
		if len(photos[i].Listed) > 0 {
			n++
		}
	}
	m.linked = (float64(n) + 0.9) / float64(len(photos)+1)
	m.index = newIndex(points)
	m.route = newRoute(points, m.epoch)
	m.rates = Rates{
		LinkError: p.LinkError, RunStart: p.RunStart, RunEnd: p.RunEnd, NameError: p.NameError, NoPoint: p.NoPoint,
		Stay: p.Stay, Next: p.Next, Previous: p.Previous, Jump: p.Jump,
		Spacing: m.index.spacing, JumpLength: p.JumpLength, Roam: p.Roam, Ordered: m.route.ordered,
	}
	if m.rates.JumpLength == 0 {
		m.rates.JumpLength = max(5*m.index.spacing, 1)
	}
	if m.rates.Roam == 0 {
		m.rates.Roam = max(1.5*m.index.spacing, 15)
	}
	m.crowd = m.index.crowd(m.rates.JumpLength)
	m.back = m.index.crowd(returnTo * m.rates.JumpLength)
	m.prepare()
	return m
}

// prepare works out what depends on the rates.
func (m *model) prepare() {
	r := &m.rates
	sum := (r.Stay + r.Next + r.Previous + r.Jump) / (1 - r.NoPoint)
	r.Stay, r.Next, r.Previous, r.Jump = r.Stay/sum, r.Next/sum, r.Previous/sum, r.Jump/sum

	// Of the runs and slips that begin: the share that is late, and early.
	lateShare, earlyShare := 0.5, 0.5
	runs, slips := r.RunStart, r.LinkError
	var slipLate, slipEarly float64 // single photos linked to the point after or before
	switch m.p.FieldOrder {
	case PointThenPhoto:
		lateShare, earlyShare = 0.2, 0.8
		slipEarly = slips
	case PhotoThenPoint:
		lateShare, earlyShare = 0.8, 0.2
		slipLate = slips
	case IDEntered, LinkedLater:
		runs, slips = runs/2, slips+runs/2
	}
	rl, re := runs*lateShare, runs*earlyShare
	total := rl + re + slips + slipLate + slipEarly
	// Photos that are in a run at any time.
	in := 1 + (rl+re)/r.RunEnd + slips/0.7 + slipLate + slipEarly
	first := [classes]float64{1 / in, (rl/r.RunEnd + slipLate) / in, (re/r.RunEnd + slipEarly) / in, slips / 0.7 / in, 1}
	m.shift[right] = [classes]float64{1 - total, rl + slipLate, re + slipEarly, slips, 1}
	// A run ends with a right link, or with one that is out the other way: then
	// two neighbours have been swapped.
	m.shift[late] = [classes]float64{0.68 * r.RunEnd, 1 - r.RunEnd, 0.25 * r.RunEnd, 0.07 * r.RunEnd, 1}
	m.shift[early] = [classes]float64{0.68 * r.RunEnd, 0.25 * r.RunEnd, 1 - r.RunEnd, 0.07 * r.RunEnd, 1}
	m.shift[other] = [classes]float64{0.7 - rl - re, rl, re, 0.3, 1}
	m.shift[unlisted] = first
}

// slot is one photo with its states. State 0 is the one without a point.
type slot struct {
	n    int
	pt   [maxStates]int32
	rank [maxStates]int32
	cls  [maxStates]uint8

	// Position: the error that the tag has if the state is true, its density by
	// itself, that of large errors alone, and how probably it is an ordinary one
	// (in) and a wide one (off); else it is a wild one.
	pos        bool
	s2, gauss  float64 // variance per axis; that of the handheld alone
	e, nn      [maxStates]float64
	marg, wide [maxStates]float64
	in, off    [maxStates]float64
	// Time: the density for coming to the state.
	timed bool
	t     float64
	enter [maxStates]float64
	// listed is the value of the link and named that of the ids found, and worth
	// the product of the two.
	listed, named, worth [maxStates]float64
	linked               bool
}

// photoTime is the time of a photo in seconds since the epoch, the clock's
// offset taken off. ok is false without a time.
func (m *model) photoTime(p *Photo) (t float64, ok bool) {
	if p.Time.IsZero() {
		return 0, false
	}
	return p.Time.Sub(m.epoch).Seconds(), true
}

// candidates lists the points that are weighed for a photo.
func (m *model) candidates(p *Photo, stale bool, clk *clock, out []int32) []int32 {
	start := len(out)
	add := func(j int32) {
		if len(out)-start < maxPoints && !slices.Contains(out[start:], j) {
			out = append(out, j)
		}
	}
	for k, j := range p.Listed {
		if k == 2 {
			break
		}
		add(int32(j))
	}
	if len(p.Listed) > 0 {
		r := int(m.route.rank[p.Listed[0]])
		for _, q := range [...]int{r - 1, r + 1} {
			if q >= 0 && q < len(m.points) {
				add(m.route.at[q])
			}
		}
	}
	for k, j := range p.Named {
		if k == 2 {
			break
		}
		add(int32(j))
	}
	if p.Pos != nil && !stale {
		var near [maxNearest]int32
		e, n := p.Pos.E-clk.common.E, p.Pos.N-clk.common.N
		s2, _ := m.variance(p)
		found := m.index.nearest(e, n, likely*math.Sqrt(s2), near[:])
		if found < m.p.Candidates {
			found = m.index.nearest(e, n, m.gate(p), near[:m.p.Candidates])
		}
		for _, j := range near[:found] {
			add(j)
		}
	}
	if t, ok := m.photoTime(p); ok && clk.Used {
		m.route.about(t-clk.offset, add)
	}
	return out
}

// likely is the distance, in standard deviations per axis, within which all points
// are weighed: a normal error is larger once in 170 times.
const likely = 3.2

// gate is how far from its tag a photo's point is looked for.
func (m *model) gate(p *Photo) float64 {
	s2, _ := m.variance(p)
	return 5*math.Sqrt(s2) + m.rates.Roam
}

// variance is the variance per axis of a tag's error, and the handheld's part. A
// standoff of length r in any direction has r²/2 per axis.
func (m *model) variance(p *Photo) (all, handheld float64) {
	s := p.Sigma
	if s == 0 {
		s = m.p.Sigma
	}
	s = max(s, 0.01)
	s *= m.p.Slack
	return s*s + p.Standoff*p.Standoff/2, s * s
}

// The error of a tag correlates over Params.Correlation but for driftShare of its
// variance, which does over driftTimes as long. sameSide is how much the
// standoffs of two photos in a row correlate: crews tend to keep to one side.
// Common practice, no source.
const (
	driftShare = 0.3
	driftTimes = 12
	sameSide   = 0.7
)

// normal2 is the density of a circular normal error of the given variance per
// axis at a squared distance.
func normal2(d2, v float64) float64 { return fall(d2/(2*v)) / (2 * math.Pi * v) }

// fill sets a slot to a photo with its candidates.
func (m *model) fill(s *slot, p *Photo, cand []int32, stale bool, clk *clock) {
	s.n = len(cand) + 1
	s.pt[0], s.rank[0] = None, math.MinInt32/2
	for k, j := range cand {
		s.pt[k+1], s.rank[k+1] = j, m.route.rank[j]
	}
	m.fillPosition(s, p, stale, clk)
	m.fillTime(s, p, clk)
	m.fillLinks(s, p)
}

func (m *model) fillPosition(s *slot, p *Photo, stale bool, clk *clock) {
	s.pos = p.Pos != nil && !stale
	if !s.pos {
		for k := range s.n {
			s.marg[k] = 1
		}
		return
	}
	s.s2, s.gauss = m.variance(p)
	core := 1 - m.p.WideShare - m.p.WildShare
	wild := m.p.WildShare / (math.Pi * m.p.WildRadius * m.p.WildRadius)
	wide := s.s2 * m.p.WideFactor * m.p.WideFactor
	closest := math.Inf(1)
	atE, atN := p.Pos.E-clk.common.E, p.Pos.N-clk.common.N
	for k := 1; k < s.n; k++ {
		q := &m.points[s.pt[k]]
		de, dn := atE-q.E, atN-q.N
		d2 := de*de + dn*dn
		closest = min(closest, d2)
		s.e[k], s.nn[k] = de, dn
		c := core * normal2(d2, s.s2)
		w := m.p.WideShare * normal2(d2, wide)
		s.wide[k] = w + wild
		s.marg[k] = c + s.wide[k]
		s.in[k], s.off[k] = c/s.marg[k], w/s.marg[k]
	}
	// Without a point: anywhere about the points, thinning out with the distance.
	r2 := m.rates.Roam * m.rates.Roam
	s.marg[0] = wild
	if !math.IsInf(closest, 1) {
		q := 1 + closest/r2
		s.marg[0] += (1 - m.p.WildShare) / (math.Pi * r2 * q * q)
	}
	s.in[0], s.off[0] = 0, 0
}

func (m *model) fillTime(s *slot, p *Photo, clk *clock) {
	s.t, s.timed = m.photoTime(p)
	if s.timed {
		s.t -= clk.offset
	}
	if !s.timed || !clk.Used {
		for k := range s.n {
			s.enter[k] = -1 // by the gap alone
		}
		return
	}
	s.enter[0] = -1
	for k := 1; k < s.n; k++ {
		s.enter[k] = m.atTime(s.t-m.route.obs[s.pt[k]], clk.scale)
	}
}

// atTime is the density per second of a photo's time after the survey of its
// point, dt, apart from strays; -1 where the point has no time.
func (m *model) atTime(dt, scale float64) float64 {
	if math.IsNaN(dt) {
		return -1
	}
	before, after := scale, scale
	switch m.p.FieldOrder {
	case PointThenPhoto:
		before, after = scale*0.6, scale*1.4
	case PhotoThenPoint:
		before, after = scale*1.4, scale*0.6
	}
	if dt < 0 {
		return math.Exp(dt/before) / (before + after)
	}
	return math.Exp(-dt/after) / (before + after)
}

func (m *model) fillLinks(s *slot, p *Photo) {
	s.linked = len(p.Listed) > 0
	for k := range s.n {
		s.cls[k], s.listed[k], s.named[k] = unlisted, 1, 1
	}
	if s.linked {
		share := 1 / float64(len(p.Listed))
		for k := 1; k < s.n; k++ {
			s.cls[k], s.listed[k] = m.class(s.pt[k], p.Listed, share)
		}
		s.cls[0], s.listed[0] = other, strayLink/m.crowd
	} else {
		s.listed[0] = (1 - strayLink*m.linked) / max(1-m.linked, 0.02)
	}
	if len(p.Named) > 0 {
		ne := m.rates.NameError
		// A name that says what the link says may have been copied from it.
		copied := s.linked && slices.Contains(p.Named, p.Listed[0])
		for k := range s.n {
			v := ne / m.crowd
			if k > 0 {
				if slices.Contains(p.Named, int(s.pt[k])) {
					v = (1 - ne) / float64(len(p.Named))
				} else {
					v = ne * m.slip(s.pt[k], p.Named[0])
				}
			}
			if copied {
				v = math.Sqrt(v)
			}
			s.named[k] = v
		}
	}
	for k := range s.n {
		s.worth[k] = s.listed[k] * s.named[k]
	}
}

// class says how links stand to a point and how probable they are for that.
func (m *model) class(pt int32, listed []int, share float64) (uint8, float64) {
	cls, value := uint8(other), 0.0
	for _, l := range listed {
		if int(pt) == l {
			return right, share
		}
		d := m.route.rank[l] - m.route.rank[pt]
		switch {
		case d >= 1 && d < int32(len(offBy)) && cls == other:
			cls, value = late, share*offBy[d]
		case d <= -1 && -d < int32(len(offBy)) && cls == other:
			cls, value = early, share*offBy[-d]
		}
	}
	if cls == other {
		value = share * m.slip(pt, listed[0])
	}
	return cls, value
}

// slip is the probability that a slip leads from a point to another.
func (m *model) slip(from int32, to int) float64 {
	a, b := &m.points[from], &m.points[to]
	de, dn := a.E-b.E, a.N-b.N
	return (1-anywhere)*jumpKernel(de*de+dn*dn, m.rates.JumpLength)/m.crowd + anywhere*m.far
}

// step is what the passage from one photo to the next has for all pairs of
// states.
type step struct {
	a, b        *slot
	stay, leave float64 // densities of the gap
	stray       float64
	// The conditional distribution of the error of b's tag after a's.
	follow           bool
	keep             float64
	coeff, arVar     float64
	lastVar          float64
	arNorm, lastNorm float64
}

// prepareStep sets a step up.
func (m *model) prepareStep(t *step, a, b *slot) {
	*t = step{a: a, b: b, stay: 1, leave: 1, stray: m.p.StrayTime}
	gap := -1.0
	if a.timed && b.timed {
		gap = max(0, b.t-a.t)
		d, w := m.p.Dwell.Seconds(), m.p.Between.Seconds()
		t.stay = 1 / (d * (1 + gap/d) * (1 + gap/d))
		t.leave = 1 / (w * (1 + gap/w) * (1 + gap/w))
	} else if b.timed {
		t.leave = 1 / m.p.Between.Seconds()
		t.stay = t.leave
	}
	if !a.pos || !b.pos || m.p.Correlation == 0 {
		return
	}
	if gap < 0 {
		gap = m.p.Between.Seconds()
	}
	tau := m.p.Correlation.Seconds()
	rho := (1-driftShare)*math.Exp(-gap/tau) + driftShare*math.Exp(-gap/(driftTimes*tau))
	if rho < 1e-3 {
		return
	}
	t.follow, t.keep = true, rho
	eff := (rho*math.Sqrt(a.gauss*b.gauss) + sameSide*math.Sqrt((a.s2-a.gauss)*(b.s2-b.gauss))) / math.Sqrt(a.s2*b.s2)
	t.coeff = eff * math.Sqrt(b.s2/a.s2)
	t.arVar = b.s2 * (1 - eff*eff)
	t.arNorm = (1 - m.p.WideShare - m.p.WildShare) / (2 * math.Pi * t.arVar)
	wide := b.gauss * m.p.WideFactor * m.p.WideFactor
	t.lastVar = (b.s2 - b.gauss) + (a.s2 - a.gauss) + wide*(1-rho*rho) + 0.01
	t.lastNorm = 1 / (2 * math.Pi * t.lastVar)
}

// pair is the weight of passing from state j of a to state k of b, without that
// of the links.
func (m *model) pair(t *step, j, k int) float64 {
	a, b := t.a, t.b
	r := &m.rates
	// Where the walk goes, and when.
	var w float64
	switch {
	case k == 0:
		w = r.NoPoint
		if j == 0 {
			w = stayOff
		}
		w *= (t.stay + t.leave) / 2 // on the way it may come at any time
	case j > 0 && a.pt[j] == b.pt[k]:
		w = r.Stay * t.stay
	default:
		if j == 0 {
			w = (1 - stayOff) / m.back
		} else {
			p, q := &m.points[a.pt[j]], &m.points[b.pt[k]]
			de, dn := p.E-q.E, p.N-q.N
			w = r.Jump * ((1-anywhere)*jumpKernel(de*de+dn*dn, r.JumpLength)/m.crowd + anywhere*m.far)
			switch d := b.rank[k] - a.rank[j]; {
			case d > 0 && d < int32(len(passBy)):
				w += r.Next * passBy[d]
			case d < 0 && -d < int32(len(passBy)):
				w += r.Previous * passBy[-d]
			}
		}
		if f := b.enter[k]; f >= 0 {
			w *= (1-t.stray)*f + t.stray*t.leave
		} else {
			w *= t.leave
		}
	}
	if !b.pos {
		return w
	}
	if !t.follow || j == 0 || k == 0 {
		return w * b.marg[k]
	}
	// The error after an ordinary one follows it; after a wide one it may be as
	// large again, or be as if there had been none before, as it is after a wild one.
	in, off := a.in[j], a.off[j]
	de, dn := b.e[k]-t.coeff*a.e[j], b.nn[k]-t.coeff*a.nn[j]
	g := in*(t.arNorm*fall((de*de+dn*dn)/(2*t.arVar))+b.wide[k]) + (1-in-t.keep*off)*b.marg[k]
	if off > 1e-9 {
		de, dn = b.e[k]-a.e[j], b.nn[k]-a.nn[j]
		g += off * t.keep * t.lastNorm * fall((de*de+dn*dn)/(2*t.lastVar))
	}
	return w * g
}

// fall is exp(-x), and 0 where that is below 1e-17 and drowns beside the wide
// errors that it is added to.
func fall(x float64) float64 {
	if x > 40 {
		return 0
	}
	return math.Exp(-x)
}

// begin is the weight of state k of the first photo, without that of the links.
func (m *model) begin(b *slot, k int) float64 {
	w := m.rates.NoPoint
	if k > 0 {
		w = (1 - m.rates.NoPoint) / m.crowd
		if b.timed {
			f := 1 / m.p.Between.Seconds()
			if b.enter[k] >= 0 {
				f = (1-m.p.StrayTime)*b.enter[k] + m.p.StrayTime*f
			}
			w *= f
		}
	} else if b.timed {
		w /= m.p.Between.Seconds()
	}
	return w * b.marg[k]
}
