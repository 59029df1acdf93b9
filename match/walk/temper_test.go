package walk

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// What is tempered is a distribution still and has the same order: even odds stay as they
// are, those of up to 3 to 1 grow, high ones fall, and certainty stays certainty.
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
			if j != best {
				if want := math.Log(was[best]/was[j]) - less; math.Abs(math.Log(post[best]/post[j])-want) > 1e-9 {
					t.Fatalf("%v became %v, which is not less by %v", was, post, less)
				}
			}
		}
		if math.Abs(sum-1) > 1e-9 || slices.Index(post, slices.Max(post)) != best {
			t.Fatalf("%v became %v", was, post)
		}
		if grew := post[best] > was[best]; was[best] > 0.501 && was[best] < 0.8 && !grew || was[best] > 0.85 && grew || was[best] < 0.5 && less != 0 {
			t.Fatalf("%v became %v", was, post)
		}
	})
	// Odds of 48 to 1: 3^1.1 x 16^0.7 is 23.3 to 1; 2 to 1: 2^1.1 is 2.144 to 1.
	post := []float64{1. / 49, 48. / 49}
	if temper(post, 1); math.Abs(post[1]-0.9589) > 5e-5 {
		t.Errorf("48 to 1 became %v", post[1])
	}
	post = []float64{1. / 3, 2. / 3}
	if temper(post, 1); math.Abs(post[1]-0.6819) > 5e-5 {
		t.Errorf("2 to 1 became %v", post[1])
	}
	if post := []float64{1}; temper(post, 0) != 0 || post[0] != 1 {
		t.Errorf("certainty became %v", post)
	}
}
