// Package field draws survey jobs in memory with their truth, for studies of how
// often phototie is right. It is the second generator beside package sim, and was
// written without a look at the first, at the model of the walk or at the causes:
// other layouts, other crews, other noise, and the recorded errors of real
// receivers. What holds on both may be hoped to hold elsewhere.
//
//	j := field.New(17, field.Config{Blunders: []string{"late-run"}})
//	res, err := j.Check(ctx)
//
// A seed and a Config give a job, always the same one: points on one of ten grids
// (planes of its own, so that no cgo is needed), photos with tags, links and
// settings; and Truth, which has what each photo shows, from where it was taken,
// what was planted and what was altered by that.
//
// # Honest jobs
//
// Points lie along a road, in a serpentine, a grid, clusters, both sides of a
// street, or scattered, 4 to 60 m apart. One to three crews survey them and take
// photos at once (after or before the survey of a point), following on, in
// reverse order, by number, or on a later day; some come back to points, and some
// photos show nothing surveyed or the site as a whole. Up to three cameras have
// clocks that are up to 20 s off and drift, counters that restart, and names by
// counter, clock, id or at random. Points may have times of observation, photos a
// zone, a time of the fix, a stated error; photos may have links, all of them, most
// or none.
//
// Noise, by Noises, metres per axis: white; slow (Gauss-Markov, 20 s to 2 h);
// smooth (second order, 8 to 40 s); a filter that lags by seconds; fixes handed
// out some seconds late; trees under which errors grow two to four times; jumps
// that last a minute; tails of Student's t; rounding to metres; and replay of
// recorded series (see testdata/README.md) with the offset of a session. Errors are
// stated honestly, as a constant, as a dilution, not at all, or too small by up to
// two. The crew stands half a
// metre to fifteen off, which the settings know or not.
//
// # Blunders
//
// Blunders lists them. A Plant says what one did, by how much, to which photos,
// which causes say so, and whether it could be told at all.
//
// # Study and held-out seeds
//
// Seeds from 1 to 10,000 are for study: their jobs may be looked at, and models
// tuned on them. Seeds from HeldOut up are only ever summed up, and nothing is tuned
// on them. Command trial, beside this package, runs both.
package field

// HeldOut is the first held-out seed.
const HeldOut = 1_000_000
