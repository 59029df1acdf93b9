package walk

import (
	"math"
	"slices"
	"time"
)

// clock is what the model knows of one camera: of its Clock in seconds, and what
// its tags have in common.
type clock struct {
	Clock
	offset, scale float64
	common        Common
}

// Bounds and thresholds of the estimate of a clock: choices.
const (
	// window is the span, in seconds, that the differences gather in about the
	// true offset.
	window = 240
	// gathered is the least share of them that has to.
	gathered = 0.4
	// fewest is the least number of differences to estimate an offset from.
	fewest = 5
	// leastScale is the least mean absolute difference, in seconds.
	leastScale = 8
	// stdScale is taken where the job has too few photos to show its own.
	stdScale = 45
)

// estimate finds a camera's offset from the differences between the times of
// its photos and those of the survey of their points. ties gives the point that
// a photo is taken to show for this purpose; None for nothing.
func (m *model) estimate(c *chain, ties func(k int) int) clock {
	clk := clock{Clock: Clock{Camera: c.camera}, common: c.clk.common}
	var diffs, gps []float64
	zoned := true
	last := None
	var lastAt float64
	for k, i := range c.photos {
		p := &c.all[i]
		t, ok := m.photoTime(p)
		if !ok {
			continue
		}
		zoned = zoned && p.Zoned
		if !p.GPS.IsZero() {
			gps = append(gps, p.Time.Sub(p.GPS).Seconds())
		}
		j := ties(k)
		if j == None || math.IsNaN(m.route.obs[j]) {
			continue
		}
		// One photo of each visit: the others would say the same again.
		if j == last && t-lastAt < 10*m.p.Dwell.Seconds() {
			lastAt = t
			continue
		}
		last, lastAt = j, t
		diffs = append(diffs, t-m.route.obs[j])
	}
	if len(gps) > 0 {
		slices.Sort(gps)
		clk.GPS, clk.GPSOK = seconds(gps[len(gps)/2]), true
	}
	clk.Photos = len(diffs)
	clk.scale = m.p.TimeScale.Seconds()
	if len(diffs) == 0 {
		return clk
	}
	slices.Sort(diffs)
	// The densest window.
	best, at := 0, 0
	for lo, hi := 0, 0; hi < len(diffs); hi++ {
		for diffs[hi]-diffs[lo] > window {
			lo++
		}
		if n := hi - lo + 1; n > best {
			best, at = n, lo
		}
	}
	in := diffs[at : at+best]
	centre := in[len(in)/2]
	if len(diffs) < fewest {
		// Too few to estimate an offset; a zoned clock is taken at its word if
		// they bear it out.
		if !zoned || math.Abs(diffs[len(diffs)/2]) > window {
			return clk
		}
		clk.Used = true
		if clk.scale == 0 {
			clk.scale = stdScale
		}
		clk.Scale, clk.StdErr = seconds(clk.scale), seconds(clk.scale)
		return clk
	}
	if float64(best) < gathered*float64(len(diffs)) {
		return clk
	}
	var scale float64
	for range 3 {
		lo, _ := slices.BinarySearch(diffs, centre-window)
		hi, _ := slices.BinarySearch(diffs, centre+window)
		in = diffs[lo:hi]
		centre = in[len(in)/2]
		scale = 0
		for _, d := range in {
			scale += math.Abs(d - centre)
		}
		scale /= float64(len(in))
	}
	scale = max(scale, leastScale)
	if clk.scale == 0 {
		clk.scale = scale
	}
	clk.Used = true
	clk.offset = centre
	clk.Offset = seconds(centre)
	clk.Scale = seconds(clk.scale)
	// Of the median of a two-sided exponential distribution.
	clk.StdErr = seconds(scale / math.Sqrt(float64(len(in))))
	clk.Residual = clk.Offset
	if !zoned {
		const quarter = 15 * 60
		clk.Zone = time.Duration(math.Round(centre/quarter)) * quarter * time.Second
		clk.Residual -= clk.Zone
	}
	return clk
}

func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1e3)) * time.Millisecond
}

// The least number of photos and of points to find a common shift from, and the
// share of tags that have to be within three standard deviations of it: choices.
const (
	commonPhotos = 20
	commonPoints = 8
	commonShare  = 0.5
)

// shared finds the shift that a camera's tags have in common, by the links: the
// median of tag minus listed point in each axis, drawn towards 0 by how
// uncertain it is. A shift of all tags is more likely than that most links are
// wrong.
func (m *model) shared(c *chain) Common {
	out := Common{Camera: c.camera}
	var e, n []float64
	var of []*Photo
	points := make(map[int]bool)
	var s2, span float64
	var last float64
	timed := false
	for k, i := range c.photos {
		p := &c.all[i]
		if p.Pos == nil || c.stale[k] || len(p.Listed) != 1 {
			continue
		}
		q := &m.points[p.Listed[0]]
		e, n = append(e, p.Pos.E-q.E), append(n, p.Pos.N-q.N)
		of = append(of, p)
		points[p.Listed[0]] = true
		v, _ := m.variance(p)
		s2 += v
		gap := m.p.Between.Seconds()
		if t, ok := m.photoTime(p); ok {
			if timed {
				gap = t - last
			}
			last, timed = t, true
		}
		// How much a photo tells apart from the one before.
		if tau := m.p.Correlation.Seconds(); tau > 0 {
			span += 1 - math.Exp(-gap/(2*tau))
		} else {
			span++
		}
	}
	if len(e) < commonPhotos || len(points) < commonPoints {
		return out
	}
	s2 /= float64(len(e))
	me, mn := median(e), median(n)
	within := 0
	for i, p := range of {
		v, _ := m.variance(p)
		if de, dn := e[i]-me, n[i]-mn; de*de+dn*dn <= 9*v {
			within++
		}
	}
	if float64(within) < commonShare*float64(len(e)) {
		return out
	}
	// The variance of a median is pi/2 times that of a mean. As a prior, shifts are
	// as large as the noise, or as this one where that is larger.
	v := s2 * math.Pi / 2 / max(span, 1)
	prior := max(s2, (me*me+mn*mn)/2)
	keep := prior / (prior + v)
	out.Photos = len(e)
	out.E, out.N, out.StdErr = keep*me, keep*mn, math.Sqrt(v)
	return out
}

// median returns the median of values, which it leaves as they are.
func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
