package pictures

import (
	"cmp"
	"math"
	"slices"

	"example.com/phototie/match"
)

// Summary is what was measured of the photos of a job.
type Summary struct {
	// Measured is how many photos were, HeaderOnly how many of them by their header
	// alone.
	Measured, HeaderOnly int
	// Smallest and Largest are the longer and the shorter side in pixels.
	Smallest, Largest [2]int
	// Worst and Best are the ends of the JPEG qualities; 0 where there is none.
	Worst, Best int
	// Blur is the least, the median and the greatest blur in pixels; nil without any.
	Blur *[3]float64
}

// Summarize sums up what was measured.
func Summarize(r *match.Result) Summary {
	s := Summary{Worst: math.MaxInt}
	var sizes [][2]int
	var blur []float64
	for i := range r.Photos {
		m := Of(&r.Photos[i].Photo)
		if m == nil {
			continue
		}
		sizes = append(sizes, [2]int{max(m.Width, m.Height), min(m.Width, m.Height)})
		if m.Undecoded != "" {
			s.HeaderOnly++
		}
		if m.Quality != nil {
			s.Worst, s.Best = min(s.Worst, m.Quality.Low), max(s.Best, m.Quality.High)
		}
		if m.Blur != nil {
			blur = append(blur, *m.Blur)
		}
	}
	if s.Best == 0 {
		s.Worst = 0
	}
	if s.Measured = len(sizes); s.Measured > 0 {
		bySize := func(a, b [2]int) int { return cmp.Compare(a[0]*a[1], b[0]*b[1]) }
		s.Smallest, s.Largest = slices.MinFunc(sizes, bySize), slices.MaxFunc(sizes, bySize)
	}
	if n := len(blur); n > 0 {
		slices.Sort(blur)
		s.Blur = &[3]float64{blur[0], (blur[(n-1)/2] + blur[n/2]) / 2, blur[n-1]}
	}
	return s
}
