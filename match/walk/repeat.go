package walk

import (
	"cmp"
	"math"
	"slices"
)

// byChance is the expected number of pairs of like tags in a job from which on a
// repeated tag may be chance; leastStep is the step that tags are written in where
// that is not known, metres; soon is the time in which a receiver may give one fix
// twice, seconds.
const (
	byChance  = 0.01
	leastStep = 0.01
	soon      = 60
)

// repeats finds the tags of a chain that repeat another one exactly. Of photos in a
// row the first keeps its tag as evidence; of scattered ones none does, since any of
// them may have been the source. Where the step of the tags makes chance likely the
// repetition is not named.
func (m *model) repeats(c *chain) {
	c.stale = make([]bool, len(c.photos))
	type tag struct {
		at [2]float64
		k  int32
	}
	tags := make([]tag, 0, len(c.photos))
	for k, i := range c.photos {
		if p := &c.all[i]; p.Pos != nil {
			tags = append(tags, tag{exact(p), int32(k)})
		}
	}
	slices.SortFunc(tags, func(a, b tag) int {
		return cmp.Or(cmp.Compare(a.at[0], b.at[0]), cmp.Compare(a.at[1], b.at[1]), int(a.k-b.k))
	})
	var like []int32
	for i := range tags {
		like = append(like, tags[i].k)
		if i+1 == len(tags) || tags[i+1].at != tags[i].at {
			if len(like) > 1 {
				m.repeated(c, like)
			}
			like = like[:0]
		}
	}
}

// repeated notes that some photos of a chain have the same tag.
func (m *model) repeated(c *chain, of []int32) {
	n := len(c.photos)
	row, chance := true, 1.0
	for x, k := range of[1:] {
		last := of[x]
		c.stale[k] = true
		// Photos without a tag between them break no row.
		for q := last + 1; q < k; q++ {
			row = row && c.all[c.photos[q]].Pos == nil
		}
		chance = min(chance, m.chance(c, last, k))
	}
	if chance*float64(n) >= byChance {
		// As good as neighbours that chance made alike. They say the same twice where
		// they follow one another, else each has its say.
		for x, k := range of {
			c.stale[k] = x > 0 && k == of[x-1]+1
		}
		return
	}
	c.stale[of[0]] = !row
	if c.repeat == nil {
		c.repeat = make([]int32, n)
		for k := range c.repeat {
			c.repeat[k] = None
		}
	}
	for _, k := range of {
		c.repeat[k] = c.photos[of[0]]
	}
}

// exact is a tag as it was written or, where that is not known, its place to the
// millimetre.
func exact(p *Photo) [2]float64 {
	if p.Written != [2]float64{} {
		return p.Written
	}
	return [2]float64{math.Round(p.Pos.E * 1000), math.Round(p.Pos.N * 1000)}
}

// chance is the probability that two tags are alike by chance: that their
// difference falls within one step in each axis.
func (m *model) chance(c *chain, a, b int32) float64 {
	p, q := &c.all[c.photos[a]], &c.all[c.photos[b]]
	step := max(p.Step, q.Step, leastStep)
	gap := math.Inf(1)
	if !p.Time.IsZero() && !q.Time.IsZero() {
		gap = math.Abs(q.Time.Sub(p.Time).Seconds())
	}
	v, _ := m.variance(p, &camera{times: 1}, 0)
	// Errors of a receiver that smooths are alike for a while.
	v *= 2 * (1 - 0.99*math.Exp(-gap/soon))
	var d2 float64
	if len(p.Listed) == 1 && len(q.Listed) == 1 {
		s, t := &m.points[p.Listed[0]], &m.points[q.Listed[0]]
		d2 = (s.E-t.E)*(s.E-t.E) + (s.N-t.N)*(s.N-t.N)
	}
	return min(1, step*step*normal2(d2, v))
}
