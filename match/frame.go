package match

import (
	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Frame is the frame that a tag is taken to be in: the datum that it states, by
// way of Options.Datums, else Options.Datum, at the epoch of its GPSTime, else of
// the time taken, else Options.Epoch.
func (o Options) Frame(t *geotag.Tag) grid.Frame {
	f := grid.Frame{Datum: t.MapDatum, Epoch: o.Epoch}
	if known, ok := o.Datums[f.Datum]; ok {
		f.Datum = known
	}
	if f.Datum == "" {
		f.Datum = o.Datum
	}
	switch {
	case t.GPSTime != nil && !t.GPSTime.IsZero():
		f.Epoch = grid.Epoch(*t.GPSTime)
	case t.Taken != nil && !t.Taken.Time.IsZero():
		f.Epoch = grid.Epoch(t.Taken.Time)
	}
	return f
}
