package dataset

import (
	"context"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
)

// Explain looks for the causes of what is out in a checked dataset; proj is what
// it was checked on. open opens other grids, to see whether the points are in a
// neighbouring zone; with nil that is not looked at. causes are those to look for;
// without any they are those of cause.Default.
func (d *Dataset) Explain(ctx context.Context, proj grid.Projection, res *match.Result, open Opener, causes ...cause.Cause) (*cause.Explanation, error) {
	return cause.Explain(ctx, cause.Input{Proj: proj, Options: d.Options(), Result: res, Open: open}, causes...)
}
