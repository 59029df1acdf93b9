// Command inmemory checks photos whose positions a program has in memory
// already. It uses package match without a file, a folder or a flag.
//
//	go run ./examples/inmemory
package main

import (
	"context"
	"fmt"
	"io"
	"os"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
)

func main() {
	if err := run(context.Background(), os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "inmemory:", err)
		os.Exit(2)
	}
}

func run(ctx context.Context, w io.Writer) error {
	itm, err := crs.Open("EPSG:2157") // Irish Transverse Mercator
	if err != nil {
		return err
	}
	points := []match.Point{
		{ID: "B01", EN: grid.EN{E: 690242.043, N: 604873.007}},
		{ID: "B02", EN: grid.EN{E: 690262.120, N: 604878.790}},
	}
	links := []match.Link{{Photo: "one", Point: "B01"}, {Photo: "two", Point: "B01"}}
	photos := []match.Photo{tagged("one", 52.188271, -6.680190), tagged("two", 52.188322, -6.679892)}

	res, err := match.Check(ctx, itm, points, links, match.All(photos), match.Options{Epoch: 2025.4})
	if err != nil {
		return err
	}
	for _, p := range res.Photos {
		fmt.Fprintf(w, "%s of %s: %s, %.1f m; budget %s; nearest %s\n",
			p.Name, p.Tie.Point, p.Verdict, p.Discrepancy.Distance, p.Allowance, p.Nearest.Point)
	}
	return nil
}

// tagged is a photo with a position and the error that the handheld states.
func tagged(name string, lat, lon float64) match.Photo {
	stated := 3.0
	return match.Photo{Name: name, Tag: &geotag.Tag{
		Position:          &geotag.Position{Lat: lat, Lon: lon},
		HPositioningError: &stated,
	}}
}
