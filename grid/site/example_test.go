package site_test

import (
	"context"
	"errors"
	"fmt"

	"example.com/phototie/grid"
	"example.com/phototie/grid/site"
)

// plane stands for the base grid here: package grid/crs has real ones.
type plane struct{ unit grid.Unit }

func (p plane) Grid() grid.Grid { return grid.Grid{Name: "state plane", Unit: p.unit} }

func (plane) ToGrid(context.Context, []grid.Fix) ([]grid.Placement, error) {
	return nil, errors.New("this plane has no geographic frame")
}

func (plane) FromGrid(context.Context, []grid.EN, []grid.Frame) ([]grid.FixPlacement, error) {
	return nil, errors.New("this plane has no geographic frame")
}

// The footbridges on Tallow Creek were surveyed in ground coordinates: US survey
// feet, scaled about a project point, 1 750 000 and 500 000 ft taken off. By
// hand: the bridge lies 10 000 ft east and 2 000 ft south of the project point on
// the ground. Times 0.9999 that is 9 999 and 1 999.8 ft on the grid.
func Example() {
	ground := site.GroundScale{
		Origin:         grid.EN{E: 2000000, N: 600000}, // project point on the grid
		SiteOrigin:     grid.EN{E: 250000, N: 100000},  // less what is taken off
		CombinedFactor: 0.9999,
	}
	creek, err := site.New(plane{grid.USSurveyFoot}, site.Definition{
		Name: "Tallow Creek ground", Unit: grid.USSurveyFoot, GroundScale: &ground,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	bridge := grid.EN{E: 260000, N: 98000}
	onGrid := creek.(*site.System).ToBase(bridge)
	fmt.Printf("%s: E %.1f N %.1f on the grid\n", creek.Grid().Name, onGrid.E, onGrid.N)
	// Output:
	// Tallow Creek ground: E 2009999.0 N 598000.2 on the grid
}

// Four corners of a 100 m square, site east lying south on the base: base E =
// 1000 + site N and base N = 2000 - site E. The easting of B was written down
// 80 mm too large. By hand, with E² + N² adding up to 20 000 over the corners:
// M cos θ becomes 0 + 50 x 0.08 / 20000 = 0.0002, M sin θ 1 - 0.0002, and the
// origin moves 0.08 / 4 = 0.02 east. So half of the error shows in its own
// residual, as the redundancy of 0.5 says, and the rest bends the fit.
func ExampleFitSimilarity() {
	pairs := []site.ControlPair{
		{ID: "A", Site: grid.EN{E: -50, N: -50}, Base: grid.EN{E: 950, N: 2050}},
		{ID: "B", Site: grid.EN{E: 50, N: -50}, Base: grid.EN{E: 950.080, N: 1950}},
		{ID: "C", Site: grid.EN{E: 50, N: 50}, Base: grid.EN{E: 1050, N: 1950}},
		{ID: "D", Site: grid.EN{E: -50, N: 50}, Base: grid.EN{E: 1050, N: 2050}},
	}
	fit, err := site.FitSimilarity(pairs, site.FitOptions{Sigma: 0.010})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("rotation %s, scale %.6f, S0 %.2f\n", grid.FormatAngle(fit.Params.Rotation, 0), fit.Params.Scale, *fit.S0)
	for _, r := range fit.Residuals() {
		fmt.Printf("%s %5.1f mm\n", r.ID, 1000*r.Length)
	}
	for _, s := range fit.Suspects {
		fmt.Printf("%s is suspect in %s: w %.1f over %.2f, %+.3f against the others\n", s.ID, s.Axis, s.Statistic, *fit.Critical, s.DE)
	}

	fit, err = site.FitSimilarity(pairs, site.FitOptions{Sigma: 0.010, RejectOutliers: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("without %s: rotation %s, scale %.6f, S0 %.2f\n", fit.Removed[0].ID, grid.FormatAngle(fit.Params.Rotation, 0), fit.Params.Scale, *fit.S0)
	// Output:
	// rotation 89°59'19", scale 0.999800, S0 2.83
	// A  28.3 mm
	// B  40.0 mm
	// C  28.3 mm
	// D   0.0 mm
	// B is suspect in E: w -5.7 over 3.29, -0.080 against the others
	// without B: rotation 90°00'00", scale 1.000000, S0 0.00
}

// The usual form of an office: the scale is the job's combined factor and is not
// fitted, so that three pairs leave three observations to check by. The control
// does not fit: one northing is 0.3 m out.
func ExampleFitRigid() {
	pairs := []site.ControlPair{
		{ID: "A", Site: grid.EN{E: 0, N: 0}, Base: grid.EN{E: 5000, N: 7000}},
		{ID: "B", Site: grid.EN{E: 400, N: 0}, Base: grid.EN{E: 5399.960, N: 7000}},
		{ID: "C", Site: grid.EN{E: 0, N: 300}, Base: grid.EN{E: 5000, N: 7300.270}},
	}
	fit, err := site.FitRigid(pairs, 0.9999, site.FitOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("fails:", fit.Fails())
	for _, f := range fit.Facts {
		fmt.Println(f)
	}
	fmt.Printf("good to %.1f m in the middle, %.1f m a kilometre east of it\n", fit.Precision.AtCentre, fit.Precision.At(grid.EN{E: fit.Precision.Centre.E + 1000, N: fit.Precision.Centre.N}))
	// Output:
	// fails: true
	// The control does not fit: residuals of up to 0.175 m (A, C) are over the tolerance of 0.05 m.
	// good to 0.2 m in the middle, 0.5 m a kilometre east of it
}
