package match_test

import (
	"context"
	"fmt"
	"log"
	"math"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// quay is a projection good enough for one quay: a tangent plane. A program
// would open one with package grid/crs, or wrap its own engine like this.
type quay struct{}

const (
	lat0, lon0 = 53.3400, -6.2000
	radius     = 6371008.8
)

func (quay) Grid() grid.Grid { return grid.Grid{Name: "Port Velland quay", Unit: grid.Metre} }

func (quay) ToGrid(_ context.Context, fixes []grid.Fix) ([]grid.Placement, error) {
	op := &grid.Operation{Name: "tangent plane", Source: "WGS 84", Accuracy: new(float64)}
	out := make([]grid.Placement, len(fixes))
	for i, f := range fixes {
		out[i].Op = op
		out[i].E = (f.Lon - lon0) * math.Pi / 180 * radius * math.Cos(lat0*math.Pi/180)
		out[i].N = (f.Lat - lat0) * math.Pi / 180 * radius
	}
	return out, nil
}

func (quay) FromGrid(_ context.Context, at []grid.EN, frames []grid.Frame) ([]grid.FixPlacement, error) {
	out := make([]grid.FixPlacement, len(at))
	for i, p := range at {
		out[i].Frame = frames[i]
		out[i].Lat = lat0 + p.N/radius*180/math.Pi
		out[i].Lon = lon0 + p.E/radius/math.Cos(lat0*math.Pi/180)*180/math.Pi
	}
	return out, nil
}

// tag stands for one that geotag read from an image.
func tag(lat, lon, herr float64) *geotag.Tag {
	return &geotag.Tag{
		Position:          &geotag.Position{Lat: lat, Lon: lon, Step: 1e-7},
		HPositioningError: &herr,
	}
}

// A job of two bollards and four photos: two are as they should be, one was tied
// to the wrong bollard, and one has no link.
func Example() {
	points := []match.Point{
		{ID: "BO-01", EN: grid.EN{E: 10, N: 20}, Desc: "bollard"},
		{ID: "BO-02", EN: grid.EN{E: 70, N: 24}, Desc: "bollard"},
	}
	links := []match.Link{
		{Photo: "photos/0001.jpg", Point: "BO-01"},
		{Photo: "photos/0002.jpg", Point: "BO-02"},
		{Photo: "photos/0003.jpg", Point: "BO-01"},
	}
	photos := func(yield func(match.Photo, error) bool) {
		for _, p := range []match.Photo{
			{Name: "photos/0001.jpg", Tag: tag(53.34019, -6.19983, 3.1)},
			{Name: "photos/0002.jpg", Tag: tag(53.34020, -6.19898, 3.1)},
			{Name: "photos/0003.jpg", Tag: tag(53.34022, -6.19893, 3.1)},
			{Name: "photos/0004.jpg", Tag: tag(53.34021, -6.19894, 3.1)},
		} {
			if !yield(p, nil) {
				return
			}
		}
	}

	res, err := match.Check(context.Background(), quay{}, points, links, photos, match.Options{})
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range res.Photos {
		if p.Verdict == match.Unjudged {
			fmt.Printf("%s: %s: %s; nearest is %s\n", p.Name, p.Verdict, p.Why, p.Nearest.Point)
			continue
		}
		fmt.Printf("%s: %s: %.1f m from %s, nearest is %s\n", p.Name, p.Verdict, p.Discrepancy.Distance, p.Tie.Point, p.Nearest.Point)
	}
	fmt.Println(res.Photos[0].Allowance)
	// Output:
	// photos/0001.jpg: within: 1.7 m from BO-01, nearest is BO-01
	// photos/0002.jpg: within: 2.9 m from BO-02, nearest is BO-02
	// photos/0003.jpg: gross: 61.2 m from BO-01, nearest is BO-02
	// photos/0004.jpg: unjudged: no link says which point the photo shows; nearest is BO-02
	// 3.1 m handheld, 0.02 m survey, 2 m standoff -> 6.3 m at 95 %
}

// One photo against one position, with a budget of one's own.
func ExampleCompareOne() {
	opt := match.Options{Budget: match.DefaultBudget()}
	opt.Budget.Standoff = 5 // the fenders were photographed from across the basin

	point := match.Point{ID: "FE-07", EN: grid.EN{E: 40, N: 8}}
	r, err := match.CompareOne(context.Background(), quay{}, match.Photo{Tag: tag(53.34013, -6.19939, 4)}, point, opt)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s: %.1f m, bearing %.0f, p = %.2f\n", r.Verdict, r.Discrepancy.Distance, r.Discrepancy.Bearing.Degrees(), *r.P)
	for _, c := range r.Allowance.Components {
		fmt.Printf("%-8s %.2f m: %s\n", c.Name, c.Stated, c.Source)
	}
	// Output:
	// within: 6.5 m, bearing 4, p = 0.40
	// handheld 4.00 m: GPSHPositioningError 4 m taken as a 63.21 % radius
	// survey   0.02 m: standard deviation per axis of the points, from the budget
	// standoff 5.00 m: distance between camera and point in an unknown direction, from the budget
}

// The budget alone, without any photo.
func ExampleBudget_Allowance() {
	b := match.DefaultBudget()
	herr := 3.1
	a, err := b.Allowance(&geotag.Tag{HPositioningError: &herr}, match.Point{ID: "BO-01"},
		&grid.Operation{Name: "exact", Accuracy: new(float64)}, match.AllowanceOptions{})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(a)
	fmt.Printf("9 m north of the point: p = %.4f\n", a.Judge(0, 9))
	// Output:
	// 3.1 m handheld, 0.02 m survey, 2 m standoff -> 6.3 m at 95 %
	// 9 m north of the point: p = 0.0016
}

func ExampleRiceQuantile() {
	// The 95 % circle of a handheld good to 2 m per axis: photographed from on top
	// of the point, and from 4 m away.
	fmt.Printf("%.4f m, %.4f m\n", match.RiceQuantile(0.95, 0, 2), match.RiceQuantile(0.95, 4, 2))
	// Output: 4.8955 m, 7.6525 m
}

// A job compared in two parts, each perhaps on a machine of its own, and judged
// as one.
func ExampleTally() {
	points := []match.Point{{ID: "BO-01", EN: grid.EN{E: 10, N: 20}}, {ID: "BO-02", EN: grid.EN{E: 70, N: 24}}}
	links := []match.Link{{Photo: "0001.jpg", Point: "BO-01"}, {Photo: "0002.jpg", Point: "BO-02"}, {Photo: "0003.jpg", Point: "BO-01"}}
	parts := [][]match.Photo{
		{{Name: "0001.jpg", Tag: tag(53.34019, -6.19983, 3.1)}, {Name: "0002.jpg", Tag: tag(53.34020, -6.19898, 3.1)}},
		{{Name: "0003.jpg", Tag: tag(53.34022, -6.19893, 3.1)}, {Name: "0004.jpg", Tag: tag(53.34021, -6.19894, 3.1)}},
	}
	var compared []match.PhotoResult
	var whole match.Tally
	for _, part := range parts {
		res, err := match.Check(context.Background(), quay{}, points, links, match.All(part), match.Options{Ties: match.TieOptions{Off: true}})
		if err != nil {
			log.Fatal(err)
		}
		tally := match.NewTally(res.Grid.Unit, res.Budget)
		for i := range res.Photos {
			if err := tally.Add(&res.Photos[i]); err != nil {
				log.Fatal(err)
			}
		}
		compared = append(compared, res.Photos...)
		if err := whole.Merge(tally); err != nil { // in any order
			log.Fatal(err)
		}
	}
	for i := range compared {
		if err := whole.Judge(&compared[i]); err != nil {
			log.Fatal(err)
		}
		fmt.Println(compared[i].Name, compared[i].Verdict)
	}
	all, withoutGross := whole.Sets()
	fmt.Printf("radial RMSE %.1f m of %d, %.1f m of %d without the gross\n", all.RMSER, all.N, withoutGross.RMSER, withoutGross.N)
	// Output:
	// 0001.jpg within
	// 0002.jpg within
	// 0003.jpg gross
	// 0004.jpg unjudged
	// radial RMSE 35.4 m of 3, 2.4 m of 2 without the gross
}
