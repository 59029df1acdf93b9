package walk

import (
	"cmp"
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
	rates  rates
	crowd  float64 // how many points share a jump
	back   float64 // and how many the way back from a photo without a point
	far    float64 // 1 / number of points
	site   float64 // 1 / area in which photos are taken, square metres
	// shift is the probability of the class of a link after that of the one
	// before, and first that of the first one.
	shift [classes][classes]float64
	// linked is the share of the photos of points that have a link.
	linked float64
}

// rates are the priors that are used in the end, after Params and the job.
type rates struct {
	LinkError, RunStart, RunEnd, NameError, NoPoint float64
	Stay, Next, Previous, Jump                      float64
	JumpLength, Roam                                float64 // metres
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

// Half of the jumps to points nearby go no further than this share of their length.
const returnTo = 0.3

// Of the jumps this share comes back to a point long after its survey, or before it:
// to one nearby or, as often, to any other. Of the photos without a point this share
// shows the site as a whole: more of those that begin or end a session, and by far
// most of those whose name or texts say so. Common practice, no source.
const (
	comingBack = 0.35
	fromHere   = 0.3
	resume     = 0.05
	siteShare  = 0.2
	siteAtEnds = 0.5
	siteSaid   = 0.3 // that an overview is called one
	siteMissay = 0.003
)

// A photo without a point has a link this many times as often as one with.
const strayLink = 0.15

// What is known of the share of links before the job is as much as this many photos of
// points say, and of those with a link: common practice, no source.
const priorShown, priorLinked = 10, 9

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
	m.linked = (float64(n) + priorLinked) / (max(float64(n), (1-p.NoPoint)*float64(len(photos))) + priorShown)
	m.index = newIndex(points)
	m.route = newRoute(points, m.epoch)
	m.rates = rates{
		LinkError: p.LinkError, RunStart: p.RunStart, RunEnd: p.RunEnd, NameError: p.NameError, NoPoint: p.NoPoint,
		Stay: p.Stay, Next: p.Next, Previous: p.Previous, Jump: p.Jump,
		JumpLength: cmp.Or(p.JumpLength, max(5*m.index.spacing, 1)), Roam: cmp.Or(p.Roam, max(1.5*m.index.spacing, 15)),
	}
	m.crowd = m.index.crowd(m.rates.JumpLength)
	m.back = m.index.crowd(returnTo * m.rates.JumpLength)
	m.site = 1 / m.index.area(m.rates.Roam)
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

// photoTime is the time of a photo in seconds since the epoch, the clock's
// offset taken off. ok is false without a time.
func (m *model) photoTime(p *Photo) (t float64, ok bool) {
	if p.Time.IsZero() {
		return 0, false
	}
	return p.Time.Sub(m.epoch).Seconds(), true
}

// likely is the distance, in standard deviations per axis, within which all points
// are weighed: a normal error is larger once in 170 times.
const likely = 3.2

// candidates lists the points that are weighed for a photo.
func (m *model) candidates(p *Photo, stale bool, cam *camera, out []int32) []int32 {
	start := len(out)
	add := func(j int32) {
		if len(out)-start < maxPoints && !slices.Contains(out[start:], j) {
			out = append(out, j)
		}
	}
	for _, j := range p.Listed[:min(2, len(p.Listed))] {
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
	for _, j := range p.Named[:min(2, len(p.Named))] {
		add(int32(j))
	}
	t, timed := m.photoTime(p)
	if p.Pos != nil && (!stale || len(p.Listed) == 0) {
		// Without a link, what a tag that tells nothing lies near is as good a guess as
		// any.
		m.near(p, cam, t, add)
	}
	if timed && cam.Used {
		m.route.about(t-cam.offset, add)
	}
	return out
}

// near yields the points near a tag, closest first.
func (m *model) near(p *Photo, cam *camera, t float64, yield func(int32)) {
	var near [maxNearest]int32
	off := cam.shift(t)
	e, n := p.Pos.E-off.E, p.Pos.N-off.N
	s2, _ := m.variance(p, cam, off.StdErr)
	found := m.index.nearest(e, n, likely*math.Sqrt(s2), near[:])
	if found < m.p.Candidates {
		found = m.index.nearest(e, n, m.gate(s2), near[:m.p.Candidates])
	}
	for _, j := range near[:found] {
		yield(j)
	}
}

// gate is how far from a tag with a variance its photo's point is looked for.
func (m *model) gate(s2 float64) float64 { return 5*math.Sqrt(s2) + m.rates.Roam }
