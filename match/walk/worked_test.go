package walk_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"example.com/phototie/grid"
	"example.com/phototie/match/walk"
)

// The worked example of the package's doc: three bollards in a row, four photos.
var (
	workedIDs    = []string{"B03", "B04", "B05"}
	workedPoints = []walk.Point{{EN: grid.EN{E: 0}}, {EN: grid.EN{E: 10}}, {EN: grid.EN{E: 20}}}
	workedTags   = []grid.EN{{E: 1, N: 1}, {E: 12, N: -1}, {E: 9, N: 2}, {E: 19, N: 0}}
	workedLinks  = []int{0, 2, 2, 2}
)

func worked() ([]walk.Photo, []walk.Point, walk.Params) {
	p := walk.DefaultParams()
	p.Fixed = true    // the rates as they are
	p.Correlation = 0 // tags are independent of one another
	p.Slack = 1
	p.JumpLength = 50
	p.Roam = 15
	photos := make([]walk.Photo, len(workedTags))
	for i := range photos {
		photos[i] = walk.Photo{Pos: &workedTags[i], Sigma: 3, Listed: []int{workedLinks[i]}}
	}
	return photos, workedPoints, p
}

func name(j int) string {
	if j == walk.None {
		return "none"
	}
	return workedIDs[j]
}

// Four photos of three points that are ten metres apart. The second and the third
// are linked to the point after the one that they show.
func Example() {
	photos, points, params := worked()
	ties, err := walk.Decode(context.Background(), photos, points, params)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, t := range ties.Photos {
		fmt.Printf("photo %d: listed %s, shows %s %.4f, else %s %.4f; link %s\n",
			i+1, name(t.Listed), name(t.Point), t.Probability, name(t.RunnerUp), t.RunnerUpProbability, t.Status)
	}
	e := ties.Photos[1].Evidence
	fmt.Printf("photo 2, %s against %s: position %+.2f, link %+.2f, walk %+.2f\n",
		name(ties.Photos[1].Point), name(e.Against), e.Position, e.Listed, e.Walk)
	// Output:
	// photo 1: listed B03, shows B03 0.9968, else B04 0.0032; link confirmed
	// photo 2: listed B05, shows B04 0.8343, else B05 0.1650; link doubtful
	// photo 3: listed B05, shows B04 0.8319, else B05 0.1679; link doubtful
	// photo 4: listed B05, shows B05 0.8624, else B04 0.1374; link doubtful
	// photo 2, B04 against B05: position +3.20, link -3.10, walk +1.52
}

// TestWorkedExample works the example out from the formulas of the package's
// doc, by weighing each of the 4^4 walks, with none of the package's code.
func TestWorkedExample(t *testing.T) {
	const (
		sigma, roam, jumpLength                = 3.0, 15.0, 50.0
		noPoint                                = 0.03
		wideShare, wideFactor                  = 0.05, 3.0
		wildShare, wildRadius                  = 0.005, 1000.0
		runStart, runEnd, slip                 = 0.012, 0.1, 0.01
		anywhere, stayOff, strayLink, returnTo = 0.1, 0.3, 0.15, 0.3
		comingBack, fromHere, resume           = 0.35, 0.3, 0.05
	)
	at := []float64{0, 10, 20}
	kernel := func(d, l float64) float64 { return math.Pow(1+d*d/(l*l), -2) }
	crowd := func(l float64) float64 {
		var sum float64
		for _, a := range at {
			for _, b := range at {
				sum += kernel(a-b, l) / 3
			}
		}
		return math.Max(1, sum)
	}
	near, back := crowd(jumpLength), crowd(returnTo*jumpLength)
	normal := func(d2, v float64) float64 { return math.Exp(-d2/2/v) / (2 * math.Pi * v) }
	wild := wildShare / (math.Pi * wildRadius * wildRadius)
	tag := func(i, k int) float64 {
		d2 := func(k int) float64 {
			return math.Pow(workedTags[i].E-at[k], 2) + math.Pow(workedTags[i].N, 2)
		}
		if k == 3 {
			closest := math.Sqrt(math.Min(d2(0), math.Min(d2(1), d2(2))))
			crew := closest // where it was at the photo before
			if i > 0 {
				crew = math.Hypot(workedTags[i].E-workedTags[i-1].E, workedTags[i].N-workedTags[i-1].N)
			}
			spread := 0.9*kernel(crew, roam)/(math.Pi*roam*roam) + 0.1/((20+2*roam)*2*roam)
			return (1-wildShare)*spread*kernel(closest, 3*roam) + wild
		}
		return (1-wideShare-wildShare)*normal(d2(k), sigma*sigma) + wideShare*normal(d2(k), sigma*sigma*wideFactor*wideFactor) + wild
	}
	// Steps of the walk.
	scale := (1 - noPoint) / (0.45 + 0.40 + 0.04 + 0.09)
	stay, next, previous, jump := 0.45*scale, 0.40*scale, 0.04*scale, 0.09*scale
	pass := []float64{0, 0.80, 0.14}
	// Links: 0 right, 1 late, 2 early, 3 other.
	class := func(i, k int) int {
		switch {
		case k == 3:
			return 3
		case workedLinks[i] == k:
			return 0
		case workedLinks[i] > k:
			return 1
		}
		return 2
	}
	off := []float64{0, 0.75, 0.17}
	link := func(i, k int) float64 {
		// Within the budget, which is 95 %, of its listed point a photo shows a point.
		if d := math.Hypot(workedTags[i].E-at[workedLinks[i]], workedTags[i].N); k == 3 && d <= sigma*math.Sqrt(-2*math.Log(0.05)) {
			return 0
		}
		switch class(i, k) {
		case 0:
			return 1
		case 1:
			return off[workedLinks[i]-k]
		case 2:
			return off[k-workedLinks[i]]
		}
		return strayLink / near
	}
	half := runStart / 2
	in := 1 + runStart/runEnd + slip/0.7
	first := []float64{1 / in, half / runEnd / in, half / runEnd / in, slip / 0.7 / in}
	after := [][]float64{
		{1 - runStart - slip, half, half, slip},
		{0.68 * runEnd, 1 - runEnd, 0.25 * runEnd, 0.07 * runEnd},
		{0.68 * runEnd, 0.25 * runEnd, 1 - runEnd, 0.07 * runEnd},
		{0.7 - runStart, half, half, 0.3},
	}
	nearby := func(d float64) float64 {
		return (kernel(d, jumpLength)/near + kernel(d, returnTo*jumpLength)/back) / 2
	}
	from := func(j, k int) float64 {
		if j == k {
			return stay
		}
		n := nearby(at[j] - at[k])
		w := jump * ((1-comingBack)*((1-anywhere)*n+anywhere/3) + comingBack*(n+1.0/3)/2)
		if k > j {
			return w + next*pass[k-j]
		}
		return w + previous*pass[j-k]
	}
	// What each photo shows most probably by itself.
	var crew [4]int
	for i := range crew {
		for k := range 3 {
			own := func(k int) float64 { return first[class(i, k)] * link(i, k) * tag(i, k) }
			if own(k) > own(crew[i]) {
				crew[i] = k
			}
		}
	}
	// From photo i - 1 in state j to photo i in state k.
	move := func(i, j, k int) float64 {
		switch {
		case j == 3 && k == 3:
			return stayOff
		case k == 3:
			return noPoint
		case j == 3:
			n := nearby(math.Hypot(workedTags[i-1].E-at[k], workedTags[i-1].N))
			here := (1-comingBack)*n + comingBack*(n+1.0/3)/2
			if i == 1 {
				return (1 - stayOff) * here
			}
			return (1 - stayOff) * (fromHere*here + (1-fromHere)*from(crew[i-2], k))
		case i == 1 || crew[i-2] == j:
			return from(j, k)
		}
		return (1-resume)*from(j, k) + resume*from(crew[i-2], k)
	}
	var total float64
	var post [4][4]float64
	for walk := range 256 {
		w, last := 1.0, 0
		for i := range 4 {
			k := walk >> (2 * i) & 3
			if i == 0 {
				if k == 3 {
					w *= noPoint
				} else {
					w *= (1 - noPoint) / near
				}
				w *= first[class(0, k)]
			} else {
				w *= move(i, last, k) * after[class(i-1, last)][class(i, k)]
			}
			w *= tag(i, k) * link(i, k)
			last = k
		}
		total += w
		for i := range 4 {
			post[i][walk>>(2*i)&3] += w
		}
	}
	photos, points, params := worked()
	ties, err := walk.Decode(context.Background(), photos, points, params)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(ties.LogLikelihood-math.Log(total)) > 1e-9 {
		t.Errorf("log-likelihood %v, by hand %v", ties.LogLikelihood, math.Log(total))
	}
	// The figures that the doc's text gives for photo 2.
	for _, f := range []struct {
		what      string
		got, want float64
	}{
		{"density at B04", tag(1, 1), 0.0128}, {"density at B05", tag(1, 2), 0.000517},
		{"position", math.Log(tag(1, 1) / tag(1, 2)), 3.20}, {"right", first[0], 0.882}, {"late", first[1], 0.0529},
		{"link", math.Log(first[1] * 0.75 / first[0]), -3.10},
	} {
		if math.Abs(f.got-f.want) > 0.005*math.Abs(f.want) {
			t.Errorf("%s is %v, in the doc %v", f.what, f.got, f.want)
		}
	}
	// Package match has them in short.
	short, err := os.ReadFile("../doc.go")
	if err != nil {
		t.Fatal(err)
	}
	e := ties.Photos[1].Evidence
	odds := post[1][1] / post[1][2]
	for _, line := range []string{
		fmt.Sprintf("position  %+.2f   the tag is %.0f times", e.Position, math.Exp(e.Position)),
		fmt.Sprintf("listed    %+.2f   a late link is %.0f times", e.Listed, math.Exp(-e.Listed)),
		fmt.Sprintf("walk      %+.2f", e.Walk),
		fmt.Sprintf("sum       %+.2f   %.1f to 1: %.3f for B04, %.3f for B05", math.Log(odds), odds, post[1][1]/total, post[1][2]/total),
	} {
		if !strings.Contains(string(short), line) {
			t.Errorf("the doc of package match lacks %q", line)
		}
	}
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	for i, tie := range ties.Photos {
		p := post[i]
		for k := range p {
			p[k] /= total
		}
		index := func(j int) int {
			if j == walk.None {
				return 3
			}
			return j
		}
		if math.Abs(tie.Probability-p[index(tie.Point)]) > 1e-9 || math.Abs(tie.RunnerUpProbability-p[index(tie.RunnerUp)]) > 1e-9 {
			t.Errorf("photo %d: %s %.6f, %s %.6f; by hand %.6f", i+1, name(tie.Point), tie.Probability, name(tie.RunnerUp), tie.RunnerUpProbability, p)
		}
		// The doc has them as a table.
		row := fmt.Sprintf("%d      %s     %.4f  %.4f  %.4f  %.4f", i+1, workedIDs[workedLinks[i]], p[0], p[1], p[2], p[3])
		if !strings.Contains(string(doc), row) {
			t.Errorf("the package's doc lacks the row %q", row)
		}
	}

	// With a handheld of 1.5 m the two are told.
	for i := range photos {
		photos[i].Sigma = 1.5
	}
	ties, err = walk.Decode(context.Background(), photos, points, params)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []walk.Status{walk.Confirmed, walk.Contradicted, walk.Contradicted, walk.Confirmed} {
		if tie := ties.Photos[i]; tie.Status != want {
			t.Errorf("photo %d with 1.5 m: %s, want %s", i+1, tie.Status, want)
		}
	}
}
