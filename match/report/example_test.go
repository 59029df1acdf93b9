package report_test

import (
	"context"
	"fmt"
	"os"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/report"
)

// degrees is a toy grid for the example, whose unit is a metre at the equator.
type degrees struct{}

const metresPerDegree = 111320

var exact = 0.01

func (degrees) Grid() grid.Grid { return grid.Grid{Name: "example grid", Unit: grid.Metre} }

func (degrees) ToGrid(_ context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		out[i] = grid.Placement{EN: grid.EN{E: f.Lon * metresPerDegree, N: f.Lat * metresPerDegree}, Op: &grid.Operation{Name: "example", Accuracy: &exact}}
	}
	return out, nil
}

func (degrees) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].LatLon = grid.LatLon{Lat: p.N / metresPerDegree, Lon: p.E / metresPerDegree}
		out[i].Op = &grid.Operation{Name: "example", Accuracy: &exact}
	}
	return out, nil
}

// A job is checked, one finding is accepted, and the rest is written for a person
// and for a map.
func Example() {
	ctx := context.Background()
	points := []match.Point{{ID: "B01", EN: grid.EN{E: 1000, N: 2000}}}
	tagged := func(name string, e, n float64) match.Photo {
		return match.Photo{Name: name, Tag: &geotag.Tag{Position: &geotag.Position{Lat: n / metresPerDegree, Lon: e / metresPerDegree}}}
	}
	photos := []match.Photo{tagged("a.jpg", 1003, 2000), tagged("b.jpg", 1400, 2000), tagged("c.jpg", 1003, 1999)}
	links := []match.Link{{Photo: "a.jpg", Point: "B01"}, {Photo: "b.jpg", Point: "B01"}}
	res, err := match.Check(ctx, degrees{}, points, links, match.All(photos), match.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}

	accepted := baseline.Baseline{Entries: []baseline.Entry{{Code: match.FindingGross, Photo: "b.jpg", Point: "B01",
		Reason: "seen by eye: it shows B01", Expires: baseline.Date{Year: 2027, Month: 3, Day: 31}}}}
	outcome := accepted.Apply(res.Findings(), baseline.Date{Year: 2026, Month: 6, Day: 3})
	if err := report.Summary(os.Stdout, res, outcome, report.SummaryOptions{Title: "quay", FailOn: match.SeverityError, Baseline: "accepted.toml"}); err != nil {
		fmt.Println(err)
	}

	at, err := match.Locate(ctx, degrees{}, res, match.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	f, err := os.CreateTemp("", "quay-*.geojson")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.Remove(f.Name())
	if err := report.GeoJSON(f, "quay", res, at); err != nil {
		fmt.Println(err)
	}
	if err := f.Close(); err != nil {
		fmt.Println(err)
	}
	// Output:
	// quay: 2 of 3 photos to look at, 2 tied; 1 of 1 point with a photo
	// grid example grid, metre
	// within 1, over 0, gross 1, unjudged 1
	// RMSE radial 3.0 m of the 1 judged and not gross
	// 1 check point: no NSSDA (FGDC-STD-007.3-1998 asks for 20 check points or more)
	//
	// warning     1  photo-untied           c.jpg
	//
	// baseline accepted.toml: 1 finding accepted, 0 entries run out, 0 unused
	// PASSED: no finding at error or above
}
