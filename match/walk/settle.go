package walk

import (
	"math"
	"slices"
)

// settle works out a photo's tie from what was before and what follows.
func (m *model) settle(t *Tie, c *chain, k int, s *slot, forward, now, free, nowFree []float64) {
	photo := &c.all[c.photos[k]]
	var post, bare [maxStates]float64
	for j := range s.n {
		post[j] = forward[j] + now[j]
		bare[j] = free[j] + nowFree[j]
	}
	norm, normFree := logSum(post[:s.n]), logSum(bare[:s.n])
	best, second := -1, -1
	for j := range s.n {
		post[j] = math.Exp(post[j] - norm)
		switch {
		case best < 0 || post[j] > post[best]:
			best, second = j, best
		case second < 0 || post[j] > post[second]:
			second = j
		}
	}
	if second >= 0 && post[second] == 0 {
		second = -1
	}
	less := 0.0
	if len(photo.Listed) == 0 && !m.p.Fixed {
		less = temper(post[:s.n], best)
	}
	*t = Tie{
		Point: int(s.pt[best]), Probability: post[best],
		RunnerUp: None, Listed: None,
		Status: Unlisted, Shift: shifts[s.cls[best]], Stale: c.stale[k], Repeats: None,
		Site: post[0] * s.site,
	}
	if c.repeat != nil {
		t.Repeats = int(c.repeat[k])
	}
	if s.n == 1 && len(m.points) > 0 {
		// Nothing says which points it may show; that is no reason to say none.
		t.Probability, t.Site = m.rates.NoPoint, m.rates.NoPoint*s.site
	}
	if second >= 0 {
		t.RunnerUp, t.RunnerUpProbability, t.RunnerUpOK = int(s.pt[second]), post[second], true
	}
	listed := -1
	for _, l := range photo.Listed {
		if j := slices.Index(s.pt[:s.n], int32(l)); j >= 0 && (listed < 0 || post[j] > post[listed]) {
			listed = j
		}
	}
	if listed >= 0 {
		t.ListedProbability = post[listed]
		t.Unlinked = math.Exp(bare[listed] - normFree)
		if len(photo.Listed) == 1 {
			t.Listed = photo.Listed[0]
		}
		t.Status = m.status(t, len(photo.Listed) == 1)
	}
	rival := second
	if listed >= 0 && listed != best && post[listed] > 0 {
		rival = listed
	}
	if rival < 0 {
		return
	}
	m.compare(&t.Evidence, s, best, rival)
	t.Evidence.Walk += forward[best] + now[best] - forward[rival] - now[rival] - less
	if rival == listed && best != listed {
		t.own, t.rest = m.own(photo, s, best, listed, &t.Evidence, &c.cam)
	}
}

// What no link confirms comes out surer than it is, as no model of errors is right: odds
// grow by the power sharpening up to sureOdds, and by the power tempering from there on.
// Fitted so that of ties of package field's jobs as many are right as is stated.
const sureOdds, sharpening, tempering = 3, 1.1, 0.70

// temper takes from the best of probabilities what is too sure, for the others, and
// returns the logarithm of the factor on its odds, negative where they grow.
func temper(post []float64, best int) float64 {
	rest := 0.0
	for j, p := range post {
		if j != best {
			rest += p
		}
	}
	if !(post[best] > rest) || rest == 0 {
		return 0
	}
	odds := post[best] / rest
	less := (1-sharpening)*math.Log(min(odds, sureOdds)) + (1-tempering)*math.Log(max(odds/sureOdds, 1))
	odds *= math.Exp(-less)
	for j := range post {
		post[j] /= rest * (1 + odds)
	}
	post[best] = odds / (1 + odds)
	return less
}

// status is what becomes of a link.
func (m *model) status(t *Tie, single bool) Status {
	switch {
	case t.ListedProbability <= m.p.Contradict:
		return Contradicted
	case t.ListedProbability >= m.p.Certain && t.Unlinked >= 0.5 && single:
		return Confirmed
	}
	return Doubtful
}

// compare holds one state of a photo against another by what the photo itself says.
// Walk comes out as the negative sum of the rest.
func (m *model) compare(e *Evidence, s *slot, best, rival int) {
	ratio := func(a, b float64) float64 { return math.Log(a) - math.Log(b) }
	first := &m.shift[unlisted]
	*e = Evidence{
		Against:  int(s.pt[rival]),
		Position: ratio(s.marg[best], s.marg[rival]),
		Time:     ratio(m.arrival(s, best), m.arrival(s, rival)),
		Named:    ratio(s.named[best], s.named[rival]),
		Listed:   ratio(s.listed[best]*first[s.cls[best]], s.listed[rival]*first[s.cls[rival]]),
	}
	e.Walk = -e.Position - e.Time - e.Named - e.Listed
}

// arrival is the density of a photo's time by itself.
func (m *model) arrival(s *slot, k int) float64 {
	f := 1 / m.p.Between.Seconds()
	if s.enter[k] >= 0 {
		return (1-m.p.OtherTime)*s.enter[k] + m.p.OtherTime*f
	}
	return f
}
