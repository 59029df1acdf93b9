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
