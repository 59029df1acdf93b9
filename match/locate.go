package match

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.com/phototie/grid"
)

// Located has the points and the tags of a checked job as WGS 84 positions, for
// maps and formats that know no grid. All are at one epoch, so that a line from a
// point to a tag is the discrepancy and no plate motion. It is safe for concurrent use;
// the zero Located has no positions.
type Located struct {
	// Epoch is the decimal year of all positions: the median of the photos' own;
	// 0 where none has one.
	Epoch float64
	// Points has one position a point of the Result, Tags one a photo, in order.
	// Both coordinates are NaN where there is none; Faults says why.
	Points []grid.LatLon
	Tags   []grid.LatLon
	// beside has the places that photos show beside their points, by their index.
	beside map[int]*grid.LatLon
	// Operation is the operation between WGS 84 and the grid, nil where nothing
	// was transformed. Where positions took different ones, it is the first's.
	Operation *grid.Operation
	// Faults say what has a place on the grid and yet no position here, and why,
	// in words.
	Faults []string
}

// nowhere is the position of what has none.
var nowhere = grid.LatLon{Lat: math.NaN(), Lon: math.NaN()}

// Locate transforms the points and the tags of a checked job from the grid into
// WGS 84; opt must be the options that it was checked with. A tag comes from its
// place on the grid, whatever its own datum, and agrees with what the image says
// but for the datum and the motion of its plate between the photo's epoch and the
// job's. What only a ballpark operation transforms has no position, unless
// opt.AllowBallpark.
func Locate(ctx context.Context, proj grid.Projection, res *Result, opt Options) (*Located, error) {
	l := &Located{Points: make([]grid.LatLon, len(res.Points)), Tags: make([]grid.LatLon, len(res.Photos)), Epoch: opt.Epoch, beside: map[int]*grid.LatLon{}}
	var at []grid.EN
	var to []*grid.LatLon
	var what []string
	add := func(en grid.EN, p *grid.LatLon, name string) {
		at, to, what = append(at, en), append(to, p), append(what, name)
	}
	for i := range res.Points {
		l.Points[i] = nowhere
		add(res.Points[i].EN, &l.Points[i], "point "+res.Points[i].ID)
	}
	var epochs []float64
	for i := range res.Photos {
		p := &res.Photos[i]
		l.Tags[i] = nowhere
		switch {
		case p.OnGrid == nil || p.Tag == nil:
			continue
		case p.Operation != nil && p.Operation.Ballpark && !opt.AllowBallpark:
			l.Faults = append(l.Faults, fmt.Sprintf("tag of %s: only a ballpark operation leads from its frame to the grid", p.Name))
			continue
		}
		add(*p.OnGrid, &l.Tags[i], "tag of "+p.Name)
		if o := p.Tie.offset(); o != (Vector{}) && p.Discrepancy != nil {
			at := nowhere
			l.beside[i] = &at
			add(grid.EN{E: p.OnGrid.E - p.Discrepancy.DE, N: p.OnGrid.N - p.Discrepancy.DN}, &at, "what "+p.Name+" shows")
		}
		if e := opt.Frame(p.Tag).Epoch; e != 0 {
			epochs = append(epochs, e)
		}
	}
	if len(epochs) > 0 {
		slices.Sort(epochs)
		l.Epoch = epochs[len(epochs)/2]
	}
	for k := 0; k < len(at); k += batch {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		part := at[k:min(k+batch, len(at))]
		placed, err := fromGrid(ctx, proj, part, slices.Repeat([]grid.Frame{{Datum: "WGS-84", Epoch: l.Epoch}}, len(part)))
		if err != nil {
			return nil, err
		}
		for i, p := range placed {
			if fault := located(p, opt); fault != "" {
				l.Faults = append(l.Faults, what[k+i]+": "+fault)
				continue
			}
			*to[k+i] = p.LatLon
			if l.Operation == nil {
				l.Operation = p.Op
			}
		}
	}
	return l, nil
}

// From is where the line to the tag of a photo begins, both by their places in the Result:
// at the point, or at what the photo shows beside it.
func (l *Located) From(photo, point int) grid.LatLon {
	if at := l.beside[photo]; at != nil {
		return *at
	}
	return l.Points[point]
}

// located says why a position is of no use; empty where it is not so.
func located(p grid.FixPlacement, opt Options) string {
	switch {
	case p.Err != nil:
		return p.Err.Error()
	case p.Op != nil && p.Op.Ballpark && !opt.AllowBallpark:
		return "only a ballpark operation leads from the grid to WGS 84"
	case !p.LatLon.Valid():
		return fmt.Sprintf("the projection gives latitude %v, longitude %v", p.Lat, p.Lon)
	}
	return ""
}
