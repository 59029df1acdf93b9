package match

import (
	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// Frame is the frame that a tag is taken to be in: the datum that it states, by
// way of Options.Datums, else Options.Datum, at the epoch of its GPSTime, else of
// the time taken, else Options.Epoch.
func (o Options) Frame(t *geotag.Tag) grid.Frame { return o.frame(t) }
