package record

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

func TestFormats(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{length(3.456), "3.5"},
		{length(-3.456), "−3.5"},
		{length(9.996), "10.0"},
		{length(99.96), "100"},
		{length(999.97), "1000"},
		{length(915503.6), "915\u202f504"},
		{length(-12345), "−12\u202f345"},
		{length(3.2e12), "3.2e+12"},
		{percent(.82), "82\u00a0%"},
		{percent(.004), "0.4\u00a0%"},
		{percent(.999), "99.9\u00a0%"},
		{percent(1), "100\u00a0%"},
		{wind(0), "N"}, {wind(359), "N"}, {wind(22.4), "N"}, {wind(22.6), "NE"}, {wind(225), "SW"}, {wind(337.6), "N"},
		{bearing(grid.NewBearing(359.7)), "0° (N)"},
		{bearing(grid.Bearing{}), "no bearing"},
		{latLon(52.5, -6.25, 0), "52°30'00\"\u00a0N 6°15'00\"\u00a0W"},
		{latLon(-33.25, 151, 0), "33°15'00\"\u00a0S 151°00'00\"\u00a0E"},
		{tickLabel(-0.5, .5), "−0.5"}, {tickLabel(0, 5), "0"}, {tickLabel(690400, 100), "690400"}, {tickLabel(.02, .01), "0.02"}, {tickLabel(2.5, 2.5), "2.5"}, {tickLabel(.25, .25), "0.25"}, {tickLabel(5, 5), "5"},
		{f(-.04), "0"}, {f(12.96), "13"},
		{likely(.9999), ">\u00a099.9\u00a0%"}, {likely(.87), "87\u00a0%"}, {likely(.0004), "<\u00a00.1\u00a0%"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	for v, want := range map[float64]float64{1: 1, 1.9: 1, 2: 2, 4.99: 2, 5: 5, 9.9: 5, 10: 10, .03: .02, 730: 500} {
		if got := nice(v); math.Abs(got-want) > 1e-12*want {
			t.Errorf("nice(%g) = %g, want %g", v, got, want)
		}
	}
}

// The curve that the plot calls expected is Rice's distribution: at the
// thresholds of the design's table (numerical integration of the Rice density) it
// has the level of the column. The same for a mixture, against its parts.
func TestExpected(t *testing.T) {
	for _, c := range []struct{ r, threshold, level float64 }{
		{0, 2.4477, .95}, {1, 1.4755, .5}, {2, 3.8263, .95}, {5, 7.4083, .99},
	} {
		got := expected([]sample{{r: c.r, s: 1}}, c.threshold, 90)[90]
		if math.Abs(got-c.level) > 2e-5 {
			t.Errorf("standoff %g: %.5f at %g, want %g", c.r, got, c.threshold, c.level)
		}
	}
	mixed := expected([]sample{{r: 0, s: 1}, {r: 0, s: 1}, {r: 2, s: 3}}, 4, 90)
	if want := (2*match.RiceCDF(4, 0, 1) + match.RiceCDF(4, 2, 3)) / 3; math.Abs(mixed[90]-want) > 1e-12 || mixed[0] != 0 {
		t.Errorf("mixture: %g, want %g; at 0 %g", mixed[90], want, mixed[0])
	}
	// Sharing one computation among like photos costs less than a per cent.
	rng := rand.New(rand.NewPCG(1, 2))
	var q []sample
	for range 400 {
		q = append(q, sample{r: 2, s: 2 + 2*rng.Float64()})
	}
	shared := expected(q, 12, 30)
	for j, got := range shared {
		want := 0.0
		for _, x := range q {
			want += match.RiceCDF(12*float64(j)/30, x.r, x.s) / float64(len(q))
		}
		if math.Abs(got-want) > .003 {
			t.Errorf("at %g: %g, want %g", 12*float64(j)/30, got, want)
		}
	}
}

var dotPath = regexp.MustCompile(`d="((?:M[0-9.-]+ [0-9.-]+h\.01)+)"`)
var barRects = regexp.MustCompile(`<rect x="([0-9.]+)" y="[0-9.]+" width="([0-9.]+)" height="7"`)
var barLabel = regexp.MustCompile(`>([0-9.]+)\x{a0}(m|ftUS)</text>`)

// The scale bar is right, north is up and east to the right: measured on the
// drawing, points lie as far apart as they do on the grid.
func TestPlanScale(t *testing.T) {
	for _, u := range []grid.Unit{grid.Metre, grid.USSurveyFoot} {
		for _, pts := range [][]grid.EN{
			{{E: 690242.043, N: 604873.007}, {E: 690810, N: 605030}},
			{{E: 0, N: 0}, {E: 3, N: 900}},
			{{E: -40, N: 7}, {E: -40.5, N: 7.2}},
		} {
			r := &match.Result{Grid: grid.Grid{Unit: u}}
			for i, p := range pts {
				r.Points = append(r.Points, match.PointResult{Point: match.Point{ID: strconv.Itoa(i), EN: p}})
			}
			d := newDoc(&Input{Result: r})
			d.place(1 << 30)
			drawing := string(d.plans()[0].SVG)
			m := dotPath.FindStringSubmatch(drawing)
			if m == nil {
				t.Fatal("no points drawn")
			}
			var at [][2]float64
			for _, part := range strings.Split(strings.Trim(m[1], "M"), "M") {
				x, y, _ := strings.Cut(strings.TrimSuffix(part, "h.01"), " ")
				fx, err1 := strconv.ParseFloat(x, 64)
				fy, err2 := strconv.ParseFloat(y, 64)
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
				at = append(at, [2]float64{fx, fy})
			}
			rects := barRects.FindAllStringSubmatch(drawing, -1)
			label := barLabel.FindStringSubmatch(drawing)
			if len(rects) != 4 || label == nil {
				t.Fatalf("%d parts of the scale bar, label %v", len(rects), label)
			}
			wide, _ := strconv.ParseFloat(rects[0][2], 64)
			stands, _ := strconv.ParseFloat(label[1], 64)
			scale := 4 * wide / stands // pixels a unit
			tol := 0.3 + .004*math.Hypot(at[1][0]-at[0][0], at[1][1]-at[0][1])
			if dx := at[1][0] - at[0][0]; math.Abs(dx-scale*(pts[1].E-pts[0].E)) > tol {
				t.Errorf("%v: %g pixels east, want %g", pts, dx, scale*(pts[1].E-pts[0].E))
			}
			if dy := at[0][1] - at[1][1]; math.Abs(dy-scale*(pts[1].N-pts[0].N)) > tol {
				t.Errorf("%v: %g pixels north, want %g", pts, dy, scale*(pts[1].N-pts[0].N))
			}
		}
	}
}

// A drawing keeps its numbers finite whatever the job has.
func TestNoNaN(t *testing.T) {
	nan := math.NaN()
	far := grid.EN{E: 9e15, N: -9e15}
	one := 1.0
	results := []*match.Result{
		{},
		{Points: []match.PointResult{{Point: match.Point{ID: "a", EN: grid.EN{E: nan, N: 1}}}}},
		{Points: []match.PointResult{{Point: match.Point{ID: "a"}}, {Point: match.Point{ID: "b"}}}},
		{
			Points: []match.PointResult{{Point: match.Point{ID: "a"}}},
			Photos: []match.PhotoResult{
				{Photo: match.Photo{Name: "1"}, Verdict: match.Within, Tie: &match.Tie{Point: "a"}, OnGrid: &grid.EN{}, P: &one, PAdjusted: &one,
					Discrepancy: &grid.Discrepancy{Unit: grid.Metre}, Allowance: &match.Allowance{Confidence: .95}},
				{Photo: match.Photo{Name: "2"}, Verdict: match.Gross, Tie: &match.Tie{Point: "a"}, OnGrid: &far, P: &one, PAdjusted: &one,
					Discrepancy: &grid.Discrepancy{DE: 9e15, DN: -9e15, Distance: 1.3e16, Unit: grid.Metre}, Allowance: &match.Allowance{Confidence: .95, Sigma: 1, Threshold: 3}},
				{Photo: match.Photo{Name: "3"}, Verdict: match.Unjudged, OnGrid: &far},
			},
		},
	}
	for i, r := range results {
		r.Grid.Unit = grid.Metre
		var b strings.Builder
		if err := Write(t.Context(), &b, Input{Result: r}); err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{"NaN", "Inf", "%!"} {
			if strings.Contains(b.String(), bad) {
				at := strings.Index(b.String(), bad)
				t.Errorf("result %d: %s in %q", i, bad, b.String()[max(0, at-60):at+20])
			}
		}
	}
}
