package noise

import "testing"

// Photos that share an error count for little more than one, and what is further off
// than any receiver's errors is not explained.
func TestExceed(t *testing.T) {
	inFull(t)
	tags := func(n int, apart, off float64) Camera {
		var c Camera
		for i := range n {
			// About a circle, so that nothing but off is common to all.
			c.Residuals = append(c.Residuals, Residual{Time: float64(i) * apart, E: off + float64(i%3-1), N: float64(i%5 - 2), Sigma: 2})
			c.Limits = append(c.Limits, 4.9) // 95 %
		}
		c.Model = Learn(c.Residuals)
		return c
	}
	far, near := tags(60, 300, 0), tags(60, 2, 0)
	// The count of many photos is taken for normal: what is exceeded half the time by so
	// many just short of that is exceeded half the time by twice as many.
	many := tags(60, 300, 0)
	long := func(n int) Camera {
		c := many
		c.Residuals, c.Limits = nil, nil
		for i := range n {
			r := many.Residuals[i%60]
			r.Time = float64(i) * 300
			c.Residuals, c.Limits = append(c.Residuals, r), append(c.Limits, 4.9)
		}
		return c
	}
	half := 0
	for Exceed([]Camera{long(15_000)}, half) > 0.5 {
		half += 20
	}
	for _, c := range []struct {
		name   string
		camera Camera
		over   int
		lo, hi float64
	}{
		{"none", far, 0, 1, 1},
		{"one in twenty", far, 3, 0.02, 1},
		{"most, minutes apart", far, 45, 0, 0.001},
		{"most, in one visit", near, 45, 0.001, 1},
		{"many photos", long(30_000), 2 * half, 0.2, 0.8},
		{"many photos, a fifth of them", long(30_000), 2*half + 6000, 0, 0.001},
		{"errors ten times as large as stated", tags(60, 300, 0).wider(10), 30, 0, 0},
	} {
		if p := Exceed([]Camera{c.camera}, c.over); p < c.lo || p > c.hi {
			t.Errorf("%s: %v, wanted %v to %v", c.name, p, c.lo, c.hi)
		}
	}
	if p := Exceed(nil, 1); p != 0 {
		t.Errorf("no camera: %v", p)
	}
}

// wider is a camera with errors so many times as large.
func (c Camera) wider(k float64) Camera {
	for i := range c.Residuals {
		c.Residuals[i].E *= k
		c.Residuals[i].N *= k
	}
	c.Model = Learn(c.Residuals)
	return c
}
