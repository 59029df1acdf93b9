package cause

import (
	"context"
	"math"
)

// known is a cause of this package.
type known struct {
	name string
	// family, where not empty, is shared with the cause that is the reverse.
	family string
	// evident says that a single photo can show it, so that it is looked for in
	// jobs of a few photos too.
	evident bool
	propose func(ctx context.Context, e *Evidence) ([]Hypothesis, error)
}

func (k known) Name() string { return k.name }

func (k known) Propose(ctx context.Context, e *Evidence) ([]Hypothesis, error) {
	return k.propose(ctx, e)
}

// table has the causes of this package. What each is about stands beside its
// function.
var table = []known{
	{"swapped-lat-lon", "", true, swappedLatLon},
	{"flipped-latitude", "", true, reread("flipped-latitude")},
	{"flipped-longitude", "", true, reread("flipped-longitude")},
	{"dropped-latitude-ref", "", true, dropped("GPSLatitudeRef")},
	{"dropped-longitude-ref", "", true, dropped("GPSLongitudeRef")},
	{"minutes-as-decimals", "sexagesimal", true, reread("minutes-as-decimals")},
	{"decimals-as-minutes", "sexagesimal", true, decimalsAsMinutes},
	{"tag-datum", "", false, tagDatum},
	{"common-shift", "", false, commonShift},
	{"rounded-tags", "", false, roundedTags},
	{"frozen-fix", "repeat", true, frozenFix},
	{"repeated-tag", "repeat", true, repeatedTag},
	{"null-island", "", true, nullIsland},
	{"zero-rationals", "", true, zeroRationals},
	{"track-offset", "", false, trackOffset},
	{"accuracy-understated", "budget", false, accuracyUnderstated},
	{"standoff-understated", "budget", false, standoffUnderstated},
	{"clock-offset", "", true, clockOffset},
	{"leap-seconds", "", true, leapSeconds},
	{"date-rollover", "", true, dateRollover},
	{"height-reference", "", false, heightReference},
	{"swapped-en", "", true, swappedEN},
	{"wrong-feet", "unit", false, wrongFeet},
	{"feet-for-metres", "unit", true, inFeet(1)},
	{"metres-for-feet", "unit", true, inFeet(-1)},
	{"neighbouring-zone", "", true, neighbouringZone},
	{"point-datum", "", false, pointDatum},
	{"ground-as-grid", "", false, groundAsGrid},
	{"wrong-grid", "", false, wrongGrid},
	{"late-run", "", false, shiftedRun(-1)},
	{"early-run", "", false, shiftedRun(1)},
	{"renumbered-points", "", false, renumberedPoints},
	{"swapped-ties", "", false, swappedTies},
	{"wrong-tie", "", false, wrongTie},
}

// Default returns the causes that this package knows, each a value that can be
// left out, by its Name, or joined by others. What they are:
//
//   - Tags: swapped-lat-lon, flipped-latitude, flipped-longitude (the hemisphere
//     reference is the other one, or a sign was lost), dropped-latitude-ref,
//     dropped-longitude-ref, minutes-as-decimals (52 11.4 written as 52.114),
//     decimals-as-minutes (the reverse), tag-datum, common-shift, rounded-tags,
//     frozen-fix (photos one after another repeat the last fix), repeated-tag (so
//     do scattered ones), null-island, zero-rationals, track-offset (tags taken
//     from a track by a clock that was off), height-reference.
//   - The budget: accuracy-understated (a camera's errors are larger than it states),
//     standoff-understated (photos were taken from further off than the settings say).
//   - Clocks, which move no tag: clock-offset, leap-seconds (GPS time for UTC),
//     date-rollover (dates of fixes 1024 weeks off).
//   - Points: swapped-en, wrong-feet (US survey for international feet or the
//     reverse, on grids in feet), feet-for-metres, metres-for-feet,
//     neighbouring-zone, point-datum, ground-as-grid, wrong-grid (tags lie so far
//     from their points that the grid must be another one).
//   - Links: late-run, early-run (the photos of a run have the link of the point
//     after, or before, in the order of the walk), renumbered-points (part of the list
//     was reversed), swapped-ties, wrong-tie.
func Default() []Cause {
	out := make([]Cause, len(table))
	for i, k := range table {
		out[i] = k
	}
	return out
}

// priced adds to each of several hypotheses what it cost to try that many.
func priced(hyps []Hypothesis) []Hypothesis {
	for k := range hyps {
		hyps[k].Cost += math.Log(float64(len(hyps)))
	}
	return hyps
}
