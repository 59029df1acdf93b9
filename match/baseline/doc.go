// Package baseline keeps the findings of a job that somebody has accepted, so
// that a gate fails on what is new and not on what is known.
//
// A baseline is a TOML file of its own, beside the dataset or in it:
//
//	version = 1
//
//	[[accept]]
//	code = "tag-over-budget"
//	photo = "photos/day1/QA0037.jpg"
//	point = "B12"
//	reason = "taken from the far side of the basin; the bollard is legible"
//	by = "office"
//	expires = 2027-03-31
//
// An entry accepts the findings of one kind about one photo and one point, or about
// one cause of the job (code = "cause-found", cause = "clock-offset"), and nothing
// else: a tie that was changed, or a tag that got worse from
// tag-over-budget to tag-gross, counts as new.
//
// A wide entry accepts many findings of one kind for one reason. A star in the photo
// or point matches any characters but a slash, two stars for any at all; most
// accepts up to so many findings, and none of them where there are more. What a wide
// entry does not name may be anything:
//
//	[[accept]]
//	code = "photo-blurred"
//	photo = "photos/day1/*"
//	most = 5
//	reason = "fog until noon; the points were found again and are legible"
//	expires = 2027-03-31
//
// No acceptance changes a photo: a position that is accepted as it stands is not
// corrected by that.
//
// Each entry needs a reason and the
// last day on which it holds. From the day after, its findings count again and
// say that their acceptance has run out. An entry that accepts nothing any more
// is reported as a note, so that it can be taken out.
//
// The package reads and writes text; which file it is, and what becomes of the
// findings that are left, is up to the caller.
//
// Errors of Parse are *problem.Problem, joined, which errors.As finds; those of Write are of
// the io.Writer. A [Baseline] may be applied by many goroutines, and is not safe for
// concurrent use while somebody writes to it.
package baseline
