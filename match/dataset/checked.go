package dataset

import (
	"context"
	"fmt"
	"image"
	"io/fs"
	"runtime"
	"slices"
	"sync"

	"example.com/phototie/geotag/pixels"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/pictures"
	"example.com/phototie/match/suggest"
)

// PixelPolicy says whether the pixels of photos are measured. That takes many times
// as long as reading their metadata: each photo is read and decoded as a whole.
type PixelPolicy int

const (
	// PixelsAuto measures them where the settings require something of the photos.
	PixelsAuto PixelPolicy = iota
	// PixelsAlways measures them, and where the settings require nothing holds them
	// against pictures.DefaultRule.
	PixelsAlways
	// PixelsNever does not measure them. What the settings require is then held
	// against the number and the names of photos alone.
	PixelsNever
)

// CheckOptions say how a dataset is checked. The zero value checks as the settings
// say.
type CheckOptions struct {
	// Pixels says whether the pixels of photos are measured.
	Pixels PixelPolicy
	// Causes are those that are looked for; nil is cause.Default, and an empty list
	// none. Looking for them may take some seconds.
	Causes []cause.Cause
	// Photos are taken by their names in this dataset in place of reading them: those
	// that a Reader gave elsewhere, and those of a dataset that holds the same photos
	// under other names, checked with the same Pixels.
	Photos map[string]match.Photo
	// Measured are the measures of photos whose pixels were measured before, by their
	// names in this dataset: only the tags of these are read.
	Measured map[string]*pixels.Measures
	// See is shown the decoded pixels of each photo whose pixels are measured, as
	// pixels.Measure shows them, by several goroutines; nil for nobody.
	See func(photo string, img image.Image, orientation int)
	// Progress is told how many photos have been read; nil for nobody.
	Progress Progress
}

// Checked is a dataset that was checked: its photos, points, links and all findings
// in the Result, how the survey's side was understood, and what follows from it. It
// does not change, and its methods may be called in any order and are safe for concurrent
// use, as long as the dataset is open. The zero Checked is of no use: Dataset.Check makes
// one.
type Checked struct {
	*match.Result
	// SurveyRead is how the survey's side was understood.
	SurveyRead SurveyRead
	// Links are all links, those that the points themselves list among them.
	Links []match.Link
	// Explanation has the causes of what is out; nil where none were to be looked for.
	Explanation *cause.Explanation
	// Delivered is the frame that corrections are written in, as for the first photo that
	// was judged; nil without one, and where there is no way to that frame.
	Delivered *match.Delivered

	d   *Dataset
	opt match.Options
	// files are the photos as they were when they were read.
	files map[string]fs.FileInfo

	mu sync.Mutex // guards at, which is worked out when it is first asked for
	at *match.Located
}

// Check reads the whole dataset and checks it. Points that lie far from all tags
// but would lie among them in another unit, or with easting and northing swapped,
// are a *Problem that says so. Where the pixels of the photos are measured, as many
// photos are decoded at a time as there are processors, unless they are very large.
func (d *Dataset) Check(ctx context.Context, opt CheckOptions) (*Checked, error) {
	s, err := d.survey(ctx, opt.Photos)
	if err != nil {
		return nil, err
	}
	if opt.Pixels == PixelsAlways && s.Options.Requirements == nil {
		s.Options.Requirements = &pictures.Requirements{}
	}
	names := make([]string, len(s.Photos))
	for i, p := range s.Photos {
		names[i] = p.Name
	}
	c := &Checked{SurveyRead: s.SurveyRead, Links: s.Links, d: d, opt: s.Options, files: make(map[string]fs.FileInfo, len(names))}
	atOnce := readers()
	if d.MeasuresPixels(opt.Pixels) {
		atOnce = runtime.GOMAXPROCS(0)
	}
	photos := d.photos(ctx, names, atOnce, d.reader(ctx, opt, func(name string, info fs.FileInfo) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.files[name] = info
	}))
	c.Result, err = match.Check(ctx, d.proj, s.Points, s.Links, count(photos, s.Photos, opt.Progress), s.Options)
	if err != nil {
		return nil, err
	}
	c.Delivered = c.delivered(ctx)
	if opt.Causes == nil || len(opt.Causes) > 0 {
		c.Explanation, err = d.explain(ctx, c, opt.Causes)
	}
	return c, err
}

func (c *Checked) delivered(ctx context.Context) *match.Delivered {
	i := slices.IndexFunc(c.Photos, func(p match.PhotoResult) bool { return p.Discrepancy != nil })
	if i < 0 {
		return nil
	}
	p := &c.Photos[i]
	at := slices.IndexFunc(c.Points, func(x match.PointResult) bool { return x.ID == p.Tie.Point })
	// Where there is no way, Correct says so of each photo.
	if d, err := c.opt.DeliveredAt(ctx, c.d.proj, c.Points[at].EN, c.opt.Frame(p.Tag).Epoch); err == nil {
		return &d
	}
	return nil
}

// MeasuresPixels reports whether Check measures the pixels of the photos with a
// policy.
func (d *Dataset) MeasuresPixels(policy PixelPolicy) bool {
	return policy == PixelsAlways || policy == PixelsAuto && d.settings.Requirements != nil
}

// Dataset is the dataset that was checked, as long as it is open.
func (c *Checked) Dataset() *Dataset { return c.d }

// explain looks for the causes of what is out.
func (d *Dataset) explain(ctx context.Context, c *Checked, causes []cause.Cause) (*cause.Explanation, error) {
	in := cause.Input{Proj: d.proj, Options: c.opt, Result: c.Result, Open: d.openOther}
	if u, ok := units[d.settings.Points.Unit]; ok {
		in.PointUnit = u
	} else if u := c.SurveyRead.Points.Unit; u != nil {
		in.PointUnit = *u
	}
	return cause.Explain(ctx, in, causes...)
}

// Findings lists what somebody should know: those of the Result, and those of the
// causes.
func (c *Checked) Findings() []match.Finding {
	return append(c.Explanation.Advise(c.Result.Findings()), c.Explanation.Findings()...)
}

// Of is the part of the checked dataset that some photos have, judged in the context
// of all; see match.Result.Of. A name that no photo has is an error.
func (c *Checked) Of(names []string) (*Checked, error) {
	all := make([]string, len(c.Photos))
	for i := range c.Photos {
		all[i] = c.Photos[i].Name
	}
	wanted := make(map[string]bool, len(names))
	for _, name := range names {
		if !slices.Contains(all, name) {
			return nil, fmt.Errorf("%s: no photo of the job%s", name, suggest.Nearest(name, all...))
		}
		wanted[name] = true
	}
	return &Checked{Result: c.Result.Of(wanted), SurveyRead: c.SurveyRead, Links: c.Links, Explanation: c.Explanation.Of(wanted), Delivered: c.Delivered,
		d: c.d, opt: c.opt, files: c.files}, nil
}

// Locate has the points and the tags as WGS 84 positions; see match.Locate.
func (c *Checked) Locate(ctx context.Context) (*match.Located, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.at == nil {
		at, err := match.Locate(ctx, c.d.proj, c.Result, c.opt)
		if err != nil {
			return nil, err
		}
		c.at = at
	}
	return c.at, nil
}
