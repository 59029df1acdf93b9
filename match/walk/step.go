package walk

import "math"

// step is what the passage from one photo to the next has for all pairs of
// states.
type step struct {
	a, b        *slot
	stay, leave float64 // densities of the gap
	stray       float64
	cam         *camera // whose lags may last
	bare        float64 // density of b's tag without a point
	// on has where the walk goes from the point of the photo before a.
	on [maxStates]float64
	// The conditional distribution of the error of b's tag after a's.
	follow           bool
	keep             float64
	coeff, arVar     float64
	lastVar          float64
	arNorm, lastNorm float64
}

// prepareStep sets a step up.
func (m *model) prepareStep(t *step, a, b *slot, cam *camera) {
	t.a, t.b, t.stay, t.leave, t.stray, t.bare, t.follow = a, b, 1, 1, m.p.OtherTime, 1, false
	gap := -1.0
	if a.timed && b.timed {
		gap = max(0, b.t-a.t)
		d := m.p.Dwell.Seconds()
		t.stay = 1 / (d * (1 + gap/d) * (1 + gap/d))
		t.leave = m.leave(gap)
	} else if b.timed {
		t.leave = 1 / m.p.Between.Seconds()
		t.stay = t.leave
	}
	t.cam = cam
	if a.last != None {
		for k := 1; k < b.n; k++ {
			t.on[k] = m.from(t, a.last, k, 0)
		}
	}
	if !b.pos {
		return
	}
	t.bare = b.marg[0]
	if !a.pos {
		return
	}
	de, dn := b.atE-a.atE, b.atN-a.atN
	t.bare = m.bare(de*de+dn*dn, b.closest)
	if gap < 0 {
		gap = m.p.Between.Seconds()
	}
	rho := m.correlation(cam, gap)
	common := math.Sqrt(a.common * b.common)
	if rho < 1e-3 && common == 0 {
		return
	}
	t.follow, t.keep = true, rho
	sideA, sideB := max(0, a.s2-a.gauss-a.common), max(0, b.s2-b.gauss-b.common)
	eff := (rho*math.Sqrt(a.gauss*b.gauss) + sameSide*math.Sqrt(sideA*sideB) + common) / math.Sqrt(a.s2*b.s2)
	t.coeff = eff * math.Sqrt(b.s2/a.s2)
	t.arVar = b.s2 * (1 - eff*eff)
	t.arNorm = (1 - cam.wide - m.p.WildShare) / (2 * math.Pi * t.arVar)
	wide := b.gauss * m.p.WideFactor * m.p.WideFactor
	t.lastVar = sideA + sideB + wide*(1-rho*rho) + 0.01
	t.lastNorm = 1 / (2 * math.Pi * t.lastVar)
}

// correlation is that of the handheld's errors over a gap in seconds.
func (m *model) correlation(cam *camera, gap float64) float64 {
	if cam.noise != nil {
		return min(cam.noise.Correlation(gap), 0.99)
	}
	tau := m.p.Correlation.Seconds()
	if tau == 0 {
		return 0
	}
	return (1-driftShare)*math.Exp(-gap/tau) + driftShare*math.Exp(-gap/(driftTimes*tau))
}

// pair is the weight of passing from state j of a to state k of b, without that
// of the links.
func (m *model) pair(t *step, j, k int) float64 {
	a, b := t.a, t.b
	if k == 0 {
		w := m.rates.NoPoint
		if j == 0 {
			w = stayOff
		}
		return w * (t.stay + t.leave) / 2 * t.bare // on the way it may come at any time
	}
	w := m.move(t, j, k)
	if !b.pos {
		return w
	}
	if !t.follow || j == 0 {
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

// move is where the walk goes from state j of a to the point of state k of b, and
// when.
func (m *model) move(t *step, j, k int) float64 {
	a, b := t.a, t.b
	switch {
	case j > 0 && (a.last == None || a.last == a.pt[j]):
		return m.from(t, a.pt[j], k, j)
	case j > 0:
		// What was one photo aside is over.
		return (1-resume)*m.from(t, a.pt[j], k, j) + resume*t.on[k]
	}
	// From a photo without a point the walk goes on from where it was before or, for
	// a share, from where that photo was taken.
	w := 1 - stayOff
	if a.last != None {
		if !a.pos {
			return w * t.on[k]
		}
		w *= fromHere
	}
	q := &m.points[b.pt[k]]
	near := m.jump(0)
	if a.pos {
		near = m.jump((a.atE-q.E)*(a.atE-q.E) + (a.atN-q.N)*(a.atN-q.N))
	}
	w = w * m.arrive(t, 0, k, (1-comingBack)*near, comingBack*(near+m.far)/2)
	if a.last != None {
		w += (1 - stayOff) * (1 - fromHere) * t.on[k]
	}
	return w
}

// from is where the walk goes from a point to that of state k of b, and when. j is the
// point's state of a; 0 for none.
func (m *model) from(t *step, pt int32, k, j int) float64 {
	b, r := t.b, &m.rates
	if pt == b.pt[k] {
		return r.Stay * t.stay
	}
	p, q := &m.points[pt], &m.points[b.pt[k]]
	near := m.jump((p.E-q.E)*(p.E-q.E) + (p.N-q.N)*(p.N-q.N))
	w := r.Jump * (1 - comingBack) * ((1-anywhere)*near + anywhere*m.far)
	switch d := b.rank[k] - m.route.rank[pt]; {
	case d > 0 && d < int32(len(passBy)):
		w += r.Next * passBy[d]
	case d < 0 && -d < int32(len(passBy)):
		w += r.Previous * passBy[-d]
	}
	return m.arrive(t, j, k, w, r.Jump*comingBack*(near+m.far)/2)
}

// arrive weighs coming from state j of a to the point of state k of b when it was
// surveyed, with weight w, or coming back to it at any time, with weight back.
func (m *model) arrive(t *step, j, k int, w, back float64) float64 {
	f := t.b.enter[k]
	if f < 0 {
		return (w + back) * t.leave
	}
	if t.cam.lasting > 0 && j > 0 && t.a.enter[j] >= 0 {
		f = t.cam.lasts(f, t.b.lag[k]-t.a.lag[j])
	}
	return w*((1-t.stray)*f+t.stray*t.leave) + back*t.leave
}

// jump is the probability of one point at a squared distance to be where a jump to
// points nearby goes: half of them to the very next ones.
func (m *model) jump(d2 float64) float64 {
	return (jumpKernel(d2, m.rates.JumpLength)/m.crowd + jumpKernel(d2, returnTo*m.rates.JumpLength)/m.back) / 2
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
	}
	if b.timed {
		w *= m.arrival(b, k)
	}
	return w * b.marg[k]
}
