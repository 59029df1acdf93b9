// Package pictures holds the photos of a checked job against what is required of
// them as pictures: whether they are large and sharp enough, clipped, copies of each
// other, marked up, and enough of them for each point, by the code of the point.
//
// [Requirements] go into match.Options, and the photos need what pixels.Measure of
// package geotag/pixels says of them. Where the figures of [DefaultRule] are from
// stands with them.
//
// What can't be in Requirements is a [*RequirementError], which errors.As finds. The types
// are plain values, safe for concurrent use while nobody writes to them.
package pictures
