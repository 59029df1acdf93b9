package walk

import (
	"math"
	"slices"
	"sync"
	"time"

	"example.com/phototie/match/noise"
)

// camera is what the model knows of one camera: of its Clock in seconds, and of its
// tags.
type camera struct {
	Clock
	offset, scale float64
	// baseE and baseN are a shift of all tags that is larger than noise, metres, and
	// found the number of photos that tell what tags have in common.
	baseE, baseN float64
	found        int
	// noise is nil where it is fixed or nothing is known of it. times is the factor
	// on the deviations, and wide the share of wide errors.
	noise       *noise.Model
	times, wide float64
	// lasting is the share of photos that come as long after the survey of their
	// point as the one before did, and slack the scale of the difference of the two, seconds.
	lasting, slack float64
}

// shift is what the tags about a time have in common.
func (c *camera) shift(t float64) noise.Session {
	if c.noise == nil {
		return noise.Session{E: c.baseE, N: c.baseN}
	}
	s := c.noise.Offset(t)
	s.E, s.N = s.E+c.baseE, s.N+c.baseN
	return s
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
func (m *model) estimate(c *chain, ties func(k int) int) {
	clk := &c.cam
	clk.Clock = Clock{Camera: c.camera}
	diffs, gaps, zoned := m.lags(c, ties)
	inOrder := slices.Clone(diffs)
	clk.Photos = len(diffs)
	clk.offset, clk.scale, clk.lasting = 0, 0, 0
	steps := make([]float64, max(0, len(diffs)-1))
	for i := range steps {
		steps[i] = math.Abs(diffs[i+1] - diffs[i])
	}
	slices.Sort(diffs)
	if len(diffs) < fewest {
		// Too few to estimate an offset; a zoned clock is taken at its word if
		// they bear it out.
		if !zoned || len(diffs) == 0 || math.Abs(diffs[len(diffs)/2]) > window {
			return
		}
		clk.Used = true
		clk.scale = stdScale
		clk.Scale, clk.StdErr = seconds(clk.scale), seconds(clk.scale)
		return
	}
	in := densest(diffs)
	if float64(len(in)) < gathered*float64(len(diffs)) {
		return
	}
	centre := in[len(in)/2]
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
	clk.scale = scale
	clk.persists(steps, m.p.Dwell.Seconds())
	if !m.explains(clk, centre, inOrder, gaps) {
		return
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
}

// explains says whether times are likelier with an offset than by the gaps between photos
// alone: in a few photos out of order some always come as long after their points.
func (m *model) explains(c *camera, offset float64, diffs, gaps []float64) bool {
	var better float64
	for i, d := range diffs {
		f := m.atTime(d-offset, c.scale)
		if i > 0 {
			f = c.lasts(f, d-diffs[i-1])
		}
		better += math.Log((1-m.p.OtherTime)*f/m.leave(gaps[i]) + m.p.OtherTime)
	}
	return better > 0
}

// persists finds how much of a lag lasts from one visit to the next, by the absolute
// steps between them: the median of those is as large as the mean absolute lag times
// 1.19 where lags are independent, and two-sided exponential. A crew that works at its
// own pace makes them smaller, and so does a clock that drifts; then ten lags are no
// ten witnesses.
func (c *camera) persists(steps []float64, dwell float64) {
	slices.Sort(steps)
	const independent = 1.19
	step := steps[len(steps)/2] / independent
	c.lasting = min(max(1-step*step/(c.scale*c.scale), 0), 0.98)
	if c.lasting < 0.2 {
		c.lasting = 0 // as good as none
	}
	c.slack = max(step, leastScale) + dwell/2
}

// lasts mixes the density of a lag by itself with that of one as long as the lag before,
// which differs by so many seconds.
func (c *camera) lasts(f, differs float64) float64 {
	return f + c.lasting*(fall(math.Abs(differs)/c.slack)/(2*c.slack)-f)
}

// lags lists the times from the survey of a point to a photo of it, one for each
// visit, with the gap to the photo before, and says whether all photos are zoned. It sets
// the clock's difference to the times of fixes.
func (m *model) lags(c *chain, ties func(k int) int) (diffs, gaps []float64, zoned bool) {
	var gps []float64
	zoned = true
	last, lastAt, before := None, 0.0, math.Inf(1)
	for k, i := range c.photos {
		p := &c.all[i]
		t, ok := m.photoTime(p)
		if !ok {
			continue
		}
		zoned = zoned && p.Zoned
		gap := max(0, t-before)
		before = t
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
		diffs, gaps = append(diffs, t-m.route.obs[j]), append(gaps, gap)
	}
	if len(gps) > 0 {
		slices.Sort(gps)
		c.cam.GPS, c.cam.GPSOK = seconds(gps[len(gps)/2]), true
	}
	return diffs, gaps, zoned
}

// leave is the density of the time in seconds from a photo to the next of another point.
func (m *model) leave(gap float64) float64 {
	w := m.p.Between.Seconds()
	return 1 / (w * (1 + gap/w) * (1 + gap/w))
}

// densest is the part of sorted differences within a window that has most of them.
func densest(diffs []float64) []float64 {
	best, at := 0, 0
	for lo, hi := 0, 0; hi < len(diffs); hi++ {
		for diffs[hi]-diffs[lo] > window {
			lo++
		}
		if n := hi - lo + 1; n > best {
			best, at = n, lo
		}
	}
	return diffs[at : at+best]
}

func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1e3)) * time.Millisecond
}

// The least number of photos and of points to find a shift of all tags from that is
// larger than noise, how many times larger it has to be, and the share of tags that
// have to be within three standard deviations of it: choices.
const (
	commonPhotos = 20
	commonPoints = 8
	commonTimes  = 2
	commonShare  = 0.5
)

// learnNoise learns what the errors of a camera's tags are like, about the points
// that tied says. A shift of all tags is more likely than that most links are wrong.
func (m *model) learnNoise(c *chain, tied func(k int) int) {
	c.cam.noise, c.cam.times, c.cam.wide = nil, 1, m.p.WideShare
	c.cam.baseE, c.cam.baseN, c.cam.found = 0, 0, 0
	if m.p.Fixed {
		return
	}
	var r []noise.Residual
	points := make(map[int]bool)
	var s2 float64
	for k, i := range c.photos {
		p := &c.all[i]
		if p.Pos == nil || c.stale[k] {
			continue
		}
		j := tied(k)
		if j == None {
			continue
		}
		q := &m.points[j]
		t, ok := m.photoTime(p)
		if !ok {
			t = math.NaN()
		}
		all, handheld := m.variance(p, &c.cam, 0)
		s2 += all
		points[j] = true
		r = append(r, noise.Residual{Time: t, E: p.Pos.E - q.E, N: p.Pos.N - q.N, Sigma: math.Sqrt(handheld), Standoff: p.Standoff})
	}
	c.cam.found = len(r)
	if len(r) >= commonPhotos && len(points) >= commonPoints {
		c.cam.baseE, c.cam.baseN = base(r, s2/float64(len(r)))
	}
	for i := range r {
		r[i].E, r[i].N = r[i].E-c.cam.baseE, r[i].N-c.cam.baseN
	}
	c.cam.noise = noise.Learn(r)
	c.cam.times = c.cam.noise.Scale
	c.cam.wide = m.p.WideShare * (1 + 2*c.cam.noise.HeavyTails)
}

// unknown is what is known of a camera of which no photo tells.
var unknown = sync.OnceValue(noise.Prior)

// base is the median of errors where it is larger than noise of that variance and
// most errors are near it; else 0.
func base(r []noise.Residual, s2 float64) (e, n float64) {
	var es, ns []float64
	for i := range r {
		es, ns = append(es, r[i].E), append(ns, r[i].N)
	}
	slices.Sort(es)
	slices.Sort(ns)
	e, n = es[len(es)/2], ns[len(ns)/2]
	if e*e+n*n < commonTimes*commonTimes*s2 {
		return 0, 0
	}
	within := 0
	for i := range r {
		if de, dn := r[i].E-e, r[i].N-n; de*de+dn*dn <= 9*s2 {
			within++
		}
	}
	if float64(within) < commonShare*float64(len(r)) {
		return 0, 0
	}
	return e, n
}

// common is what is reported of a camera's tags.
func (c *chain) common() Common {
	out := Common{Camera: c.camera, Photos: c.cam.found, Noise: c.cam.noise, E: c.cam.baseE, N: c.cam.baseN}
	if c.cam.noise == nil || len(c.cam.noise.Sessions) == 0 {
		return out
	}
	n := float64(len(c.cam.noise.Sessions))
	var v float64
	for _, s := range c.cam.noise.Sessions {
		out.E, out.N = out.E+s.E/n, out.N+s.N/n
		v += s.StdErr * s.StdErr
	}
	out.StdErr = math.Sqrt(v) / n
	return out
}
