package intake

import (
	"context"
	"slices"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/problem"
)

// fixOf is the position of a tag; false where it has none of use.
func fixOf(t *geotag.Tag) (grid.Fix, bool) {
	if t == nil || t.Position == nil {
		return grid.Fix{}, false
	}
	at := grid.LatLon{Lat: t.Position.Lat, Lon: t.Position.Lon}
	return grid.Fix{LatLon: at, Frame: match.Options{}.Frame(t)}, at.Valid() && at != grid.LatLon{}
}

// Distances in metres: what is further from its tag may be in another system, and what
// that must bring it within.
const (
	suspect = 300.0
	fits    = 50.0
)

// Fitting finds the systems that put one pair of coordinates at a fix: that of grid/crs,
// for instance.
type Fitting func(context.Context, [2]float64, grid.Fix) ([]grid.RankedSystem, error)

// Fits finds the systems, units and orders of the axes in which coordinates that are far
// from a photo's tag would be at it, three at most: those of the system that was meant,
// named by its code, first. There are none where the two are not far apart. An error is
// one of fitting.
func Fits(ctx context.Context, fitting Fitting, code string, at grid.EN, p match.PhotoResult) ([]grid.RankedSystem, error) {
	fix, ok := fixOf(p.Tag)
	if !ok || p.Discrepancy != nil && p.Discrepancy.Geodesic != nil && p.Discrepancy.Geodesic.Distance < suspect {
		return nil, nil
	}
	found, err := fitting(ctx, [2]float64{at.E, at.N}, fix)
	if err != nil {
		return nil, err
	}
	found = slices.DeleteFunc(found, func(s grid.RankedSystem) bool {
		return s.Distance > fits || s.Definition == code && s.OwnUnit && !s.NorthFirst && !s.WestSouth
	})
	slices.SortStableFunc(found, func(a, b grid.RankedSystem) int {
		switch {
		case (a.Definition == code) == (b.Definition == code):
			return 0
		case a.Definition == code:
			return -1
		}
		return 1
	})
	return found[:min(len(found), 3)], nil
}

// Where is the middle of the tags of a folder's photos.
func Where(ctx context.Context, d *dataset.Dataset) (grid.LatLon, error) {
	r := &reader{d: d, draft: &Draft{}}
	if err := r.readPhotos(ctx, nil); err != nil {
		return grid.LatLon{}, err
	}
	var lats, lons []float64
	for _, f := range r.fixes {
		lats, lons = append(lats, f.Lat), append(lons, f.Lon)
	}
	if len(lats) == 0 {
		return grid.LatLon{}, &problem.Problem{File: ".", What: "no photo there has a position", Remedy: "name one that has, or give the place as LAT,LON"}
	}
	slices.Sort(lats)
	slices.Sort(lons)
	return grid.LatLon{Lat: lats[len(lats)/2], Lon: lons[len(lons)/2]}, nil
}
