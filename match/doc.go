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
//     point is shown as a hint and never taken for a tie. Beside it stands what
//     all the evidence says: see "How a tie is weighed".
//  2. Compare. The tag is transformed to the grid in the frame and at the epoch it
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
// [CompareOne] does the same for a single photo and a single point, and [CorrectOne] has
// its new tag; package single goes from bytes to bytes.
//
// # How a tie is weighed
//
// Links are made in haste: to the point before instead of the next, a whole run
// by one, two swapped. So every photo also gets an [Inference]: the point that
// it shows by the evidence of the tag, the time, ids in its name and metadata, the
// link and the photos before and after, with a probability, a runner-up, and
// whether the link is confirmed, doubtful or contradicted. Nothing is changed by
// it; with TieOptions.InferUntied photos without a link are tied by it.
//
// Take three bollards in a row, 10 m apart, and four photos with tags good to 3 m
// per axis. The first shows B03 and is linked to it. The tags of the next two are
// 2.2 m from B04, but they are linked to B05, and so is the last, whose tag is 1 m
// from B05. For the second photo, B04 against B05, in natural logarithms of
// likelihood ratios:
//
//	position  +3.20   the tag is 25 times as likely at B04
//	listed    -3.10   a late link is 22 times as rare as a right one
//	walk      +1.52   B03, B04, B04, B05 passes over no point; the next link is late too
//	sum       +1.62   5.1 to 1: 0.834 for B04, 0.165 for B05
//
// The link is doubtful: probably wrong, and not proved so. With tags good to 2 m
// it would be contradicted. Package walk teaches the model behind these figures;
// its tests work them out by enumeration of all walks.
//
// A link is doubtful, too, where nothing can tell: points closer than the noise,
// no tag and no time. It is confirmed only where tags, times and names say without
// any links what it says.
//
// # Parts of a job
//
// A job may be compared in parts, by several machines: [Tally] gathers what the
// photos say together, and tallies merge into what the whole says, to the last
// bit: verdicts with Holm's adjustment, counts and set statistics. Ties are weighed
// over a whole walk, so a job whose ties are to be weighed is not parted: many jobs
// at a time is the way to share that work out.
//
// # Units
//
// Coordinates, discrepancies and set statistics are in the grid's unit. The
// budget and the allowance are in metres, since devices, registries and settings
// state them so; JSON names of such figures end in _m.
//
// # Errors and concurrency
//
// Errors come wrapped: errors.As finds a [*BudgetError], which names the figure of the
// budget that can't be used, errors.Is the context's, and those of grid and geotag that a
// caller's Projection or photos gave. What is wrong with one photo is no error: its result
// has a reason. The functions are safe for concurrent use. The types are plain values that
// nothing changes after they were returned, so that any number of goroutines may read
// one; those of which that is not so, [Tally] and [Stream], say it.
//
// # What a verdict is not
//
// A verdict says whether a tag fits a point under the stated budget. It does not
// say that the photo shows the point: a tag may be right and the tie wrong by
// less than a handheld can tell. It is no licensed surveyor's certification.
package match
