// Package sim draws survey jobs of which the truth is known: points, the photos
// that a crew takes of them, tags with the noise of a handheld, the crew's links,
// and blunders planted on purpose. It serves tests, and users who want to know
// what phototie can tell apart on a job like theirs.
//
// A [Config] says what a job is like; start from [Default]. [New] draws it. All
// that is drawn follows from the seed: the same Config gives the same [Set], and
// planting a blunder changes nothing but what the blunder does. A Set has what
// [match.Check] takes, and beside it, photo by photo, the [Truth].
//
// # The walk
//
// Crews visit their points in order. At each they observe the point and photograph
// it, before or after as the field order has it, from the standoff. Points
// lie on a line, in plots or along a road. Days and cameras share the points out in
// stretches. The grid is a [Plane], which needs no projection engine, or whatever
// grid.Projection the Config brings.
//
// # The noise
//
// A handheld's error is Gaussian on both axes, with a standard deviation s that
// swings slowly and is multiplied in bursts of multipath. Over a time t it
// correlates by
//
//	(1 - d) exp(-t/T) + d exp(-t/D)
//
// with the correlation time T, the share d of drift and its time D: two
// Gauss-Markov processes. Bursts are a two-state Markov process. With StatedTrue
// the image states the 68.27 % radius that s gives at that moment, so that a share
// of 0.95 of honest photos lies within a budget at 95 %; but in a single job the
// share scatters more than it would with independent photos, as real ones do. A
// tool that takes photos for independent finds shifts and trends in such noise
// that are not there.
//
// Left out: errors that are not Gaussian within a moment, noise that cameras have
// in common, receivers that pull a position onto the track walked, and points that
// are wrong one by one.
//
// # The blunders
//
// A [Plant] plants a [Kind] of blunder in the tags, the points or the links, on
// all photos or on some. [Truth.Moved] says by how much a photo's discrepancy was
// changed by it. A [Scenario] varies a blunder from seed to seed; a [Study] puts an
// explainer to many sets and makes the [Confusion] table.
//
// A rate found here is one for the noise and the walk assumed here. It does not
// say how often a real crew blunders.
package sim
