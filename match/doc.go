// Package match ties photos to surveyed points, compares the tags with the points
// on the grid, and judges the differences by an accuracy budget.
//
// It works on values in memory and knows no file, flag or format. Tags come from
// package geotag, the grid and its projection from package grid (package grid/crs
// has one that is backed by PROJ; this package needs none in particular and
// builds without cgo). A caller brings three lists:
//
//   - points, surveyed to centimetres, on the grid;
//   - links, the crew's or the office's word for which photo shows which point;
//   - photos, each with the tag that was read from it, as a sequence.
//
// [Check] takes them through four steps and returns a [Result] in which every
// photo, every point and every link is accounted for:
//
//  1. Tie. Each photo gets the point that the links list for it. What has no
//     link, several, or one to a point that is not there is said so. The nearest
//     point is shown as a hint and never taken for a tie.
//  2. Compare. The tag is carried onto the grid in the frame and at the epoch it
//     was observed in. The discrepancy is tag minus point: dE, dN, distance, and
//     the bearing from the point to the tag.
//  3. Judge. The [Budget] is worked out for the photo as an [Allowance]: the
//     handheld's own error, the survey's, the frame's and motion as variances,
//     and the distance between camera and point, which makes the threshold a
//     quantile of Rice's distribution. Within and over are told by the threshold
//     alone. Gross is told by the p-value after Holm's adjustment, so that the
//     chance of calling any photo of an honest job gross stays below
//     Budget.GrossLevel however many photos there are.
//  4. Sum up. [SetStats] has what the judged photos say together: root mean
//     squares, the NSSDA accuracy where there are enough of them, centre, spread,
//     error ellipse, a test for a common shift, and whether more photos are over
//     the budget than honest noise puts there.
//
// [CompareOne] does the same for a single photo and a single point.
//
// # Units
//
// Coordinates, discrepancies and set statistics are in the grid's unit. The
// budget and the allowance are in metres, since devices, registries and settings
// state them so; JSON names of such figures end in _m.
//
// # What a verdict is not
//
// A verdict says whether a tag fits a point under the stated budget. It does not
// say that the photo shows the point: a tag may be right and the tie wrong by
// less than a handheld can tell. It is no licensed surveyor's certification.
package match
