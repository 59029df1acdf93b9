package dataset

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// FrameUse is a frame that tags of a job are in, with the operations that lead
// from it to the grid.
type FrameUse struct {
	// Frame has the datum as the tags state it (or as the settings supply it), and
	// the median epoch of its tags.
	Frame grid.Frame `json:"frame"`
	// Tags is how many of the tags looked at are in it; 0 where there are none and
	// the frame is what the settings would supply.
	Tags int `json:"tags"`
	// Candidates are the operations, in the order in which they are tried.
	Candidates []grid.Candidate `json:"candidates"`
	// Delivered is the frame that corrections of such tags are written in; nil where there
	// is no way to it.
	Delivered *match.Delivered `json:"delivered,omitempty"`
	// Err says why there are none: an unknown datum, for instance.
	Err string `json:"error,omitempty"`
}

// errNoCandidates is returned for a projection that can't list the operations
// that it chooses from.
var errNoCandidates = errors.New("the projection engine can't list its operations")

// maxPositions is how many points stand for the area of a job.
const maxPositions = 200

// Frames lists the frames of the job's tags and, for the area of its points, the
// operations that lead from each to the grid; and how the points were understood. Up to 200 photos and 200 points
// are looked at, spread evenly.
func (d *Dataset) Frames(ctx context.Context) ([]FrameUse, SurveyRead, error) {
	points, _, reading, err := d.Points(ctx)
	if err != nil {
		return nil, SurveyRead{}, err
	}
	var at []grid.EN
	for _, p := range thin(points, maxPositions) {
		at = append(at, p.EN)
	}
	lister, ok := d.proj.(grid.CandidateLister)
	if !ok {
		return nil, SurveyRead{}, errNoCandidates
	}
	uses, err := d.frameUses(ctx)
	if err != nil {
		return nil, SurveyRead{}, err
	}
	for i := range uses {
		u := &uses[i]
		u.Candidates, err = lister.Candidates(ctx, at, u.Frame)
		var unknown *grid.UnknownDatumError
		switch {
		case errors.As(err, &unknown):
			u.Err = err.Error()
		case errors.Is(err, errors.ErrUnsupported):
			return nil, SurveyRead{}, errNoCandidates
		case err != nil:
			return nil, SurveyRead{}, err
		}
		if len(at) > 0 && u.Err == "" {
			if to, err := d.settings.options().DeliveredAt(ctx, d.proj, at[0], u.Frame.Epoch); err == nil {
				u.Delivered = &to
			}
		}
	}
	return uses, reading, nil
}

// frameUses gathers the frames of the tags, the most frequent first.
func (d *Dataset) frameUses(ctx context.Context) ([]FrameUse, error) {
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return nil, err
	}
	epochs := map[string][]float64{}
	tags, err := d.someTags(ctx, names, nil)
	if err != nil {
		return nil, err
	}
	for _, t := range tags {
		f := d.settings.options().Frame(t)
		epochs[f.Datum] = append(epochs[f.Datum], f.Epoch)
	}
	var out []FrameUse
	for _, datum := range slices.Sorted(maps.Keys(epochs)) {
		e := epochs[datum]
		slices.Sort(e)
		out = append(out, FrameUse{Frame: grid.Frame{Datum: datum, Epoch: e[len(e)/2]}, Tags: len(e)})
	}
	slices.SortStableFunc(out, func(a, b FrameUse) int { return cmp.Compare(b.Tags, a.Tags) })
	if len(out) == 0 {
		out = []FrameUse{{Frame: grid.Frame{Datum: d.settings.Frame.Datum, Epoch: d.settings.Frame.Epoch}}}
	}
	return out, nil
}

// thin takes up to n of a list, spread evenly.
func thin[T any](list []T, n int) []T {
	if len(list) <= n {
		return list
	}
	out := make([]T, n)
	for i := range out {
		out[i] = list[i*len(list)/n]
	}
	return out
}
