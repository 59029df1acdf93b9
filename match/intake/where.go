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

// Where is the middle of the tags of a folder's photos, of 200 at most.
func Where(ctx context.Context, d *dataset.Dataset) (grid.LatLon, error) {
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return grid.LatLon{}, err
	}
	if n := len(names); n > mostTags {
		names = slices.Collect(func(yield func(string) bool) {
			for i := range mostTags {
				if !yield(names[i*n/mostTags]) {
					return
				}
			}
		})
	}
	var lats, lons []float64
	for p, err := range d.Photos(ctx, names) {
		if err != nil {
			return grid.LatLon{}, err
		}
		if f, ok := fixOf(p.Tag); ok {
			lats, lons = append(lats, f.Lat), append(lons, f.Lon)
		}
	}
	if len(lats) == 0 {
		return grid.LatLon{}, &problem.Problem{File: ".", What: "no photo with a position is below the folder", Remedy: "name a photo that has one, or give the place as LAT,LON"}
	}
	slices.Sort(lats)
	slices.Sort(lons)
	return grid.LatLon{Lat: lats[len(lats)/2], Lon: lons[len(lons)/2]}, nil
}

// mostTags is how many tags are read to know where a job is.
const mostTags = 200
