package walk

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// What is tempered is a distribution still, has the same order, and is sure of less: even
// odds stay as they are, and certainty stays certainty.
func TestTemper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		post := make([]float64, rapid.IntRange(1, 8).Draw(t, "states"))
		sum := 0.0
		for j := range post {
			post[j] = math.Exp(rapid.Float64Range(-30, 0).Draw(t, "log"))
			sum += post[j]
		}
		for j := range post {
			post[j] /= sum
		}
		best := slices.Index(post, slices.Max(post))
		was := slices.Clone(post)
		less := temper(post, best)
		sum = 0
		for j := range post {
			sum += post[j]
			if j != best && post[j] < was[j]*(1-1e-12) {
				t.Fatalf("%v became %v", was, post)
			}
			if j != best {
				if want := math.Log(was[best]/was[j]) - less; math.Abs(math.Log(post[best]/post[j])-want) > 1e-9 {
					t.Fatalf("%v became %v, which is not less by %v", was, post, less)
				}
			}
		}
		if math.Abs(sum-1) > 1e-9 || slices.Index(post, slices.Max(post)) != best {
			t.Fatalf("%v became %v", was, post)
		}
		if was[best] <= 0.75 && (less != 0 || !slices.Equal(was, post)) {
			t.Fatalf("%v became %v", was, post)
		}
	})
	// Odds of 48 to 1: 3 x 16^0.78 is 26.1 to 1.
	post := []float64{1. / 49, 48. / 49}
	if temper(post, 1); math.Abs(post[1]-0.9631) > 5e-5 {
		t.Errorf("48 to 1 became %v", post[1])
	}
	if post := []float64{1}; temper(post, 0) != 0 || post[0] != 1 {
		t.Errorf("certainty became %v", post)
	}
}
