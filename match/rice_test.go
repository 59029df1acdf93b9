package match

import (
	"math"
	"testing"
)

// The table of the project's DESIGN.md, section 5: thresholds R_p / s for
// standoff r / s, made there by numerical integration of the Rice density. Its
// first row is the closed form, as printed in circular-error tables.
var thresholdTable = []struct {
	r    float64
	want [5]float64
}{
	{0, [5]float64{1.1774, 1.5152, 2.1460, 2.4477, 3.0349}},
	{0.5, [5]float64{1.2516, 1.6093, 2.2746, 2.5917, 3.2060}},
	{1, [5]float64{1.4755, 1.8769, 2.6019, 2.9398, 3.5845}},
	{2, [5]float64{2.2458, 2.6969, 3.4734, 3.8263, 4.4915}},
	{3, [5]float64{3.1652, 3.6290, 4.4197, 4.7772, 5.4494}},
	{5, [5]float64{5.0997, 5.5705, 6.3704, 6.7311, 7.4083}},
}

func TestThresholdTable(t *testing.T) {
	for _, row := range thresholdTable {
		for i, p := range []float64{0.50, 0.6827, 0.90, 0.95, 0.99} {
			got := RiceQuantile(p, row.r, 1)
			if math.Round(got*1e4)/1e4 != row.want[i] {
				t.Errorf("r/s %v, p %v: got %.6f, want %.4f", row.r, p, got, row.want[i])
			}
		}
	}
}
