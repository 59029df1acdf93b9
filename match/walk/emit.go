package walk

import (
	"math"
	"slices"
)

// slot is one photo with its states. State 0 is the one without a point.
type slot struct {
	n    int
	pt   [maxStates]int32
	rank [maxStates]int32
	cls  [maxStates]uint8
	// crew is the point that the photo most probably shows by itself, and last the one that
	// the photo before does; None for none.
	crew, last int32

	// Position: where the tag lies, the common shift taken off; the error that it has
	// if the state is true, its density by itself, that of large errors alone, and how
	// probably it is an ordinary one (in) and a wide one (off); else it is a wild one.
	pos        bool
	atE, atN   float64
	closest    float64 // squared distance to the nearest candidate
	s2, gauss  float64 // variance per axis; that of the handheld alone
	common     float64 // and that of the shift
	e, nn      [maxStates]float64
	marg, wide [maxStates]float64
	in, off    [maxStates]float64
	// Time: the density for coming to the state.
	timed      bool
	t          float64
	enter, lag [maxStates]float64
	// listed is the value of the link and named that of the ids found, and worth
	// the product of the two.
	listed, named, worth [maxStates]float64
	linked               bool
	// site is the share of state 0 that shows the site as a whole.
	site float64
}

// variance is the variance per axis of a tag's error, given the standard error of
// the shift, and the handheld's part. A standoff of length r in any direction has
// r²/2 per axis.
func (m *model) variance(p *Photo, cam *camera, stdErr float64) (all, handheld float64) {
	s := p.Sigma
	if s == 0 {
		s = m.p.Sigma
	}
	s = max(s, 0.01) * m.p.Slack * cam.times
	return s*s + p.Standoff*p.Standoff/2 + stdErr*stdErr, s * s
}

// Where noise is fixed the error of a tag correlates over Params.Correlation but for
// driftShare of its variance, which does over driftTimes as long. sameSide is how much the
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

// fill sets a slot to photo k of a chain with its candidates.
func (m *model) fill(s *slot, c *chain, k int, cand []int32) {
	p := &c.all[c.photos[k]]
	s.n = len(cand) + 1
	s.pt[0], s.rank[0] = None, math.MinInt32/2
	for k, j := range cand {
		s.pt[k+1], s.rank[k+1] = j, m.route.rank[j]
	}
	m.fillPosition(s, p, c.stale[k], &c.cam)
	m.fillTime(s, p, &c.cam)
	m.fillLinks(s, p)
	m.fillNames(s, p)
	m.fillSite(s, p, c.ends(k))
	m.keepSafe(s, p, &c.cam, c.guard != nil && c.guard[k])
	for k := range s.n {
		s.worth[k] = s.listed[k] * s.named[k]
	}
}

// crew is the point that a photo most probably shows by itself; None without any.
func (m *model) crew(s *slot) int32 {
	best, at := 0.0, int32(None)
	for k := 1; k < s.n; k++ {
		if v := m.shift[unlisted][s.cls[k]] * s.worth[k] * s.marg[k]; v > best {
			best, at = v, s.pt[k]
		}
	}
	return at
}

func (m *model) fillPosition(s *slot, p *Photo, stale bool, cam *camera) {
	s.pos = p.Pos != nil && !stale
	if !s.pos {
		for k := range s.n {
			s.marg[k] = 1
		}
		return
	}
	t, _ := m.photoTime(p)
	off := cam.shift(t)
	s.atE, s.atN = p.Pos.E-off.E, p.Pos.N-off.N
	s.common = off.StdErr * off.StdErr
	s.s2, s.gauss = m.variance(p, cam, off.StdErr)
	core := 1 - cam.wide - m.p.WildShare
	wild := m.wild()
	wide := s.s2 * m.p.WideFactor * m.p.WideFactor
	closest := math.Inf(1)
	for k := 1; k < s.n; k++ {
		q := &m.points[s.pt[k]]
		de, dn := s.atE-q.E, s.atN-q.N
		d2 := de*de + dn*dn
		closest = min(closest, d2)
		s.e[k], s.nn[k] = de, dn
		c := core * normal2(d2, s.s2)
		w := cam.wide * normal2(d2, wide)
		s.wide[k] = w + wild
		s.marg[k] = c + s.wide[k]
		s.in[k], s.off[k] = c/s.marg[k], w/s.marg[k]
	}
	s.closest = closest
	s.marg[0] = m.bare(closest, closest)
	s.in[0], s.off[0] = 0, 0
}

// wild is the density of a tag that may be anywhere.
func (m *model) wild() float64 {
	return m.p.WildShare / (math.Pi * m.p.WildRadius * m.p.WildRadius)
}

// bare is the density of the tag of a photo without a point, so far squared from
// where the crew was and from the nearest point: mostly not far from where the crew
// was, else evenly over the site, and hardly away from all points.
func (m *model) bare(crew2, near2 float64) float64 {
	if math.IsInf(near2, 1) {
		return m.wild()
	}
	r2 := m.rates.Roam * m.rates.Roam
	f := (1-anywhere)*jumpKernel(crew2, m.rates.Roam)/(math.Pi*r2) + anywhere*m.site
	return m.wild() + (1-m.p.WildShare)*f*jumpKernel(near2, 3*m.rates.Roam)
}

func (m *model) fillTime(s *slot, p *Photo, clk *camera) {
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
		s.lag[k] = s.t - m.route.obs[s.pt[k]]
		s.enter[k] = m.atTime(s.lag[k], clk.scale)
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
		s.listed[0] = (1 - strayLink*m.linked) / (1 - m.linked)
	}
}

// fillNames weighs the ids in a photo's name and metadata.
func (m *model) fillNames(s *slot, p *Photo) {
	if len(p.Named) == 0 {
		return
	}
	ne := m.rates.NameError
	// A name that says what the link says may have been copied from it.
	copied := s.linked && slices.Contains(p.Named, p.Listed[0])
	for k := range s.n {
		v := ne / m.crowd
		switch {
		case k > 0 && slices.Contains(p.Named, int(s.pt[k])):
			v = (1 - ne) / float64(len(p.Named))
		case k > 0:
			v = ne * m.slip(s.pt[k], p.Named[0])
		}
		if copied {
			v = math.Sqrt(v)
		}
		s.named[k] = v
	}
}

// fillSite weighs a photo without a point for a picture of the site.
func (m *model) fillSite(s *slot, p *Photo, ends bool) {
	share := siteShare
	if ends {
		share = siteAtEnds
	}
	s.site = share
	if !p.Overview {
		return
	}
	said := share*siteSaid + (1-share)*siteMissay
	s.site = share * siteSaid / said
	s.named[0] *= said
	for k := 1; k < s.n; k++ {
		s.named[k] *= siteMissay
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
