package match

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
)

// broadcastDatum is the GPSMapDatum of the frame that receivers report in.
const broadcastDatum = "WGS-84"

// OwnFrame, as the datum of Options.Delivered, is the grid's own frame by its name.
const OwnFrame = "grid"

// Delivered is the frame that corrected tags are in, and how else they may be read.
type Delivered struct {
	// Frame has the datum as GPSMapDatum states it, and the epoch that the position is
	// at; 0 where it is not known.
	grid.Frame
	// Source names the realisation.
	Source string `json:"source"`
	// Misread is the reading that is furthest off; nil where none is.
	Misread *Misreading `json:"misread,omitempty"`
}

// Misreading is what a program may take a position for that it is not.
type Misreading struct {
	// As says how it is taken, in words.
	As string `json:"as"`
	// Off is how far off that is, in metres.
	Off float64 `json:"off_m"`
}

// method is what GPSProcessingMethod says of the frame.
func (d Delivered) method() string {
	s := surveyed + "; " + strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' || r == ';' {
			return '_'
		}
		return r
	}, d.Source)
	if len(s) > 200 {
		s = s[:200]
	}
	if d.Epoch != 0 {
		s += atEpoch + strings.TrimRight(strings.TrimRight(strconv.FormatFloat(d.Epoch, 'f', 3, 64), "0"), ".")
	}
	return s
}

// What a GPSProcessingMethod begins with that a correction wrote, and what its epoch
// follows.
const surveyed, atEpoch = "SURVEY", "; epoch "

// writtenEpoch is the epoch that a correction put a tag's position at.
func writtenEpoch(t *geotag.Tag) (float64, bool) {
	_, text, ok := strings.Cut(t.ProcessingMethod, atEpoch)
	if !ok || !strings.HasPrefix(t.ProcessingMethod, surveyed) {
		return 0, false
	}
	year, err := strconv.ParseFloat(text, 64)
	return year, err == nil && year > 1900 && year < 2200
}

// alike is the largest distance in metres between two frames that programs take for
// one another: a realisation of WGS 84 and a regional one are metres apart at most,
// and registries have null transformations between them. Classical datums are
// further off, and are transformed.
const alike = 5

// DeliveredAt says which frame a correction would write the tag of a photo of an epoch
// (0 for unknown) in, at a place on the grid, and how else it may be read.
func (o Options) DeliveredAt(ctx context.Context, proj grid.Projection, at grid.EN, epoch float64) (Delivered, error) {
	photo := grid.Frame{Datum: broadcastDatum, Epoch: epoch}
	placed, err := fromGrid(ctx, proj, []grid.EN{at, at}, []grid.Frame{o.delivered(proj, photo), photo})
	if err != nil {
		return Delivered{}, err
	}
	if placed[0].Err != nil {
		return Delivered{}, placed[0].Err
	}
	return delivered(proj, at, placed[0], placed[1]), nil
}

// delivered is the frame that the new tag of a photo is written in.
func (o Options) delivered(proj grid.Projection, photo grid.Frame) grid.Frame {
	f := grid.Frame{Datum: broadcastDatum, Epoch: photo.Epoch}
	if d := o.Delivered.Datum; d == OwnFrame {
		f.Datum = proj.Grid().Frame
	} else if d != "" {
		f.Datum = d
	}
	if o.Delivered.Epoch != 0 {
		f.Epoch = o.Delivered.Epoch
	}
	return f
}

// delivered says what a place on the grid is written as, where broadcast is the same in
// WGS 84 at the photo's epoch.
func delivered(proj grid.Projection, at grid.EN, written, broadcast grid.FixPlacement) Delivered {
	d := Delivered{Frame: written.Frame, Source: written.Datum}
	if written.Op != nil {
		d.Source = written.Op.Source
	}
	if g := proj.Grid(); d.Datum == g.Frame {
		d.Epoch = g.FrameEpoch
	}
	consider := func(as string, p grid.LatLon) {
		if off := apart(written.LatLon, p); off <= alike && off >= 0.001 && (d.Misread == nil || off > d.Misread.Off) {
			d.Misread = &Misreading{As: as, Off: off}
		}
	}
	if broadcast.Err == nil {
		as := "WGS 84 as it is broadcast"
		if broadcast.Epoch != 0 {
			as += fmt.Sprintf(", at %.1f", broadcast.Epoch)
		}
		consider(as, broadcast.LatLon)
	}
	if g, ok := proj.(grid.Geodesist); ok {
		if own, err := g.Geographic(at); err == nil {
			consider(proj.Grid().Frame, own)
		}
	}
	return d
}

// apart is the distance of two places in metres, good to half a per cent over metres.
func apart(a, b grid.LatLon) float64 {
	return metresPerDegree * math.Hypot(a.Lat-b.Lat, (a.Lon-b.Lon)*math.Cos(a.Lat*math.Pi/180))
}
