package demo

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"example.com/phototie/grid"
)

// Job is an example job: the contents of its folder and the truth about it.
type Job struct {
	// Name is the name of the place, "Port Velland" for instance.
	Name string
	// Settings, Points, Links and ReadMe are the contents of phototie.toml,
	// points.csv, links.csv and README.txt.
	Settings, Points, Links, ReadMe []byte
	// Photos are the photos in the order in which they were taken.
	Photos []Photo
	// Planted lists the troubles put into the job, in the order of their kinds. No
	// photo is in more than one of them.
	Planted []Trouble
}

// Photo is one photo of a Job. The image itself is drawn by [Photo.JPEG]. It is safe for
// concurrent use (the same pixels each time); the zero Photo can't be drawn.
type Photo struct {
	// Name is the path of the photo inside the job's folder, with slashes:
	// "photos/day1/quay/QA0001.jpg".
	Name string
	// Shows is the id of the point that the photo truly shows.
	Shows string
	// Linked is the id of the point that links.csv names for it. It differs from
	// Shows only where a LateRun was planted.
	Linked string
	// Taken is the true time of the photo, to the hundredth of a second, in the
	// zone of the job.
	Taken time.Time
	// Camera is where the camera truly was, on the job's grid and in its unit.
	Camera grid.EN
	// Tag is the geographic position written into the photo in degrees, before it
	// is rounded to a thousandth of an arc second; nil where the photo has none.
	Tag *grid.LatLon
	// HPositioningError is the horizontal accuracy written with it in metres, a
	// radius at 68.27 %; 0 where Tag is nil.
	HPositioningError float64

	meta  meta
	scene scene
}

// A Kind names a kind of planted trouble. The strings are stable.
type Kind string

// The kinds of trouble.
const (
	// LateRun: the photos are linked to the next point of the walk instead of
	// the one that they show.
	LateRun Kind = "late-run"
	// FrozenFix: the photos carry the tag of an earlier photo, taken at another
	// point.
	FrozenFix Kind = "frozen-fix"
	// FlippedLongitude: the longitude reference is E where it should be W. The
	// value is right.
	FlippedLongitude Kind = "flipped-longitude"
	// NoTag: the photos have no position.
	NoTag Kind = "no-tag"
	// Undersized: the photos have far fewer pixels than the others.
	Undersized Kind = "undersized"
	// Blurred: nothing in the photos can be read. The tag is sound.
	Blurred Kind = "blurred"
)

// Trouble is something wrong that was put into a job on purpose.
type Trouble struct {
	Kind Kind
	// Photos are the names of the photos concerned, in the order taken.
	Photos []string
	// Origin is, for a FrozenFix, the photo whose sound tag the others repeat;
	// else empty.
	Origin string
	detail string // in words what was done
}

// The files of a job.
const (
	settingsName = "phototie.toml"
	pointsName   = "points.csv"
	linksName    = "links.csv"
	readMeName   = "README.txt"
)

// ErrGrid is returned where the projection passed in is not of the job's grid.
var ErrGrid = errors.New("the projection is not of the grid that the example job is on")

func checkGrid(g grid.Grid, code string, unit grid.Unit) error {
	if g.Code != code || g.Unit.Metres != unit.Metres {
		return fmt.Errorf("%w: it is %q in %s, the job needs %s in %s", ErrGrid, g.Code, g.Unit.Symbol, code, unit.Symbol)
	}
	return nil
}

// jobs has the settings and the README.txt of each job.
//
//go:embed jobs
var jobs embed.FS

// job takes the photos of a plan. The troubles are planted where the plan has any.
func (p *plan) job(ctx context.Context, proj grid.Projection, texts string, seed uint64, rng *rand.Rand) (*Job, error) {
	shots := p.walk(rng)
	if err := locate(ctx, proj, shots); err != nil {
		return nil, err
	}
	j := &Job{Name: p.name, Photos: p.photos(shots, seed)}
	if p.troubled {
		if err := j.plant(p, shots, rng); err != nil {
			return nil, err
		}
	}
	var err error
	read := func(ending string) []byte {
		text, e := jobs.ReadFile("jobs/" + texts + ending)
		err = cmp.Or(err, e)
		return text
	}
	j.Settings = read(".toml")
	j.ReadMe = bytes.Replace(read(".txt"), []byte("{{planted}}"), []byte(j.planted()), 1)
	j.Points, j.Links = p.points(), links(j.Photos)
	return j, err
}
