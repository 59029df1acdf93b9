// Package walk finds out which surveyed point each photo of a job shows, and how
// sure that is, from everything the job has to say: where the photo's tag lies,
// when it was taken, which ids stand in its name and metadata, which point the
// links list for it, and what the photos before and after it show.
//
// It works on plain values in metres and knows no images, files or projections.
// [Decode] takes photos and points and returns one [Tie] for each photo.
//
// # The model
//
// The photos of one camera, in order of time, are a walk. Each photo has a state,
// which is hidden: the point that it shows, or [None]. A walk through the states
// has a weight, the product of a factor for each photo and one for each step
// from a photo to the next. The probability that photo i shows point k is the sum
// of the weights of all walks in which it does, over the sum of all. The
// forward-backward algorithm finds it, on logarithms, without listing the walks (Rabiner,
// A tutorial on hidden Markov models, Proceedings of the IEEE 77, 1989). Here are the
// factors; figures in capitals are fields of [Params].
//
// Position. If photo i shows point k its tag is wrong by e = tag - point - shift,
// which is circular normal with the variance
//
//	s² = (Slack k Sigma)² + Standoff²/2 + u²
//
// per axis, for a standoff r in any direction has r²/2 per axis. What errors are like
// is learnt for each camera from the photos that have a link or a name (package
// noise): k is the scale of the errors beside what tags state, shift what the tags of
// a session have in common and u its standard error, and rho(t) the correlation of the
// rest over a time t. It may come out as 0, for tags as good as independent, or as 0.9
// over minutes. A shift of all tags that is larger than noise is taken off first. Links
// are taken to be right for that. A run of wrong ones makes tags seem bad: where k is 1.2 or
// more, noise is learnt from the third of the photos nearest to their points as well, and if
// that halves k, from what is decoded with it. That is kept where more than a fifth of the
// links come out wrong, and all is better explained by 6 nats, links among it. So that no tag
// is worth more than it should be, the density is a mixture:
//
//	f(e) = (1 - wide - WildShare) n(e; s²) + wide n(e; WideFactor² s²) + WildShare / (pi WildRadius²)
//
// with n the circular normal density and wide from WideShare up to three times that,
// where tails are seen to be heavy. A photo without a point is somewhere about the
// site: with c the distance from the tag before, d that to the nearest candidate, A the
// area about the points and K(d, L) = (1 + d²/L²)^-2,
//
//	f(none) = (1 - WildShare) (0.9 K(c, Roam) / (pi Roam²) + 0.1/A) K(d, 3 Roam) + WildShare / (pi WildRadius²)
//
// Ten photos with the same error are no ten witnesses. So the density of an error is
// that given the error before it: after an ordinary error the first term becomes
// n(e - c e'; s²(1 - c²)), with e' the error that the photo before has in its state. c
// is the correlation of the two: by rho of the handheld's part, 0.7 of the standoff's,
// and 1 of the shift's. After a wide error the next may be as large again.
//
// Digits. A tag that repeats those of another of its camera is evidence for nothing.
// Of photos in a row the first keeps its tag, of scattered ones none does. Where the
// tags' step makes it likely that chance made two alike, only the second of two in a
// row is left out, and the repetition is not named.
//
// Time. Photos are taken about when their point is surveyed. The time of the first
// photo of a visit, less that of the survey and less the camera's offset, has a
// two-sided exponential density with the mean that the job shows, but for a share
// OtherTime. Where the links show that lags last from one visit to the next, by a share
// p, because a crew works at its own pace or a clock drifts, that density is mixed with
// p of one about the lag before; and of what a photo's time says by itself 1 - p counts.
// The next photo of the same point follows with the density (1 + t/Dwell)^-2 / Dwell.
// Where points have no times, coming to another point has that of Between. A camera's
// offset, with its zone, and the scale are estimated from the job, and used where times are
// likelier with them than by gaps alone; see [Clock].
//
// Walk. The next photo shows the same point, the next one of the walk (or one
// that is passed over to), a previous one, another one, or none, with the
// probabilities Stay, Next, Previous, Jump and NoPoint. The share of the photos of points
// that have a link is learnt, and of those without a point 0.15 times as many have one: where
// nearly all have a link, a photo without one shows none. Jumps go to points nearby: nine
// tenths by (K(d, JumpLength) + K(d, 0.3 JumpLength)) / 2, each over its mean sum, and
// one tenth anywhere. A third of the jumps come back to a point long after its survey:
// half of them to points nearby, half anywhere, at any time. After a photo without a
// point the walk goes on from the point before that or, with 0.3, from where the photo
// was taken; and after one photo aside it goes on from the point before with 0.05. Of
// the orders that the points were surveyed in and listed in, that with the shorter
// steps is the walk's.
//
// The site. Of the photos without a point a fifth show the site as a whole, half of
// those that begin or end a session, and nearly all whose name or texts say so
// ([Photo].Overview). [Tie].Site is that part of the probability.
//
// Links. A link stands to a point in one of four classes: right; late, if it
// lists a point further along the walk, by three at most; early; other. Classes
// follow one another along the walk: a link is wrong by itself with LinkError, and
// with RunStart it begins a run of late or early ones that ends with RunEnd. So a
// run of ten late links is one error and not ten, which is what lets tags that
// each prove little add up. [FieldOrder] says which class is to be expected.
//
// Names. An id in a name or in the metadata is wrong with NameError. Where it says
// what the link says it may be a copy of it, and counts half.
//
// What the model knows is never all that can go wrong, and what no link confirms would come
// out too sure. For a photo without a link odds o above 1 become o^1.1, and above 3 to 1
// 3^1.1 (o/3)^0.7, unless Params.Fixed.
//
// LinkError, RunStart, RunEnd, NoPoint and the steps of the walk start from the
// stated figures and are fitted to the job by one round of expectation and
// maximisation, unless Params.Fixed.
//
// # Confirmed, doubtful, contradicted
//
// A link is confirmed where the probability that it is right is Certain or more and
// its point is more likely right than not by tags, times and names alone, without any
// links: the crew's word does not confirm itself. It is contradicted where that
// probability is Contradict or less and what speaks against it is safe. All else is
// doubtful: points closer than the noise, or a photo with nothing to tell by. A late
// run among points that are 2 m apart, with a handheld of 5 m, can't be told and is
// not.
//
// # Safety
//
// No model holds everywhere, and an accusation that is wrong costs more than one that
// is missing. So these rules hold whatever the model says:
//
//   - A photo whose tag is within the budget of its linked point is never said to
//     show none.
//   - A link is neither contradicted nor called more likely wrong than right for a
//     point that the photo's own tag, time and name speak for less than for the
//     listed one, be the tag taken as it is or with the shift and the scale that were
//     learnt; unless in the same run of wrong links two photos or more that are out at
//     their listed points come within at the others, and more than the other way round.
//   - The photos of a run of wrong links must speak for the other points by 6 nats
//     themselves, all together. Tags do so by the density of all their errors at once,
//     those of the 8 photos before and after the run among them, at the other points
//     against that at the linked ones: under what was learnt of the camera, and under what
//     is known of any, whichever says less. So slow errors that put a stretch of tags off
//     alike are one witness, and how suddenly they begin and end is another. Times and
//     names count by as much as there are photos 40 s apart.
//   - A receiver that jumps, and stays so for a while, puts tags off alike. That has to
//     explain the run worse than wrong links do by 2 nats, and by 6 where it is of two
//     points, which one jump along a line suits as well, and times and names say less than
//     that: with v the variance, v' that of
//     the mean, r and a what tags are off by on the mean at the listed points and at the
//     others, and R and A the sums of squares about these,
//     ln(9 v/v') - a²/2v' + 1.5 ln(1 + r²/9v) + (R - A)/(2 v (1 - rho)), and what times and
//     names say. Photos of two points or more whose tags are off alike are not said to
//     show none.
//   - A photo that is within the budget of its linked point needs more than the word of
//     two others: three visits of its run that are out at their points and within at the
//     others, or 6 nats from such photos as itself.
//
// A run that breaks a rule is decoded again with the states barred that broke it, and
// its links are doubtful at best.
//
// # A worked example
//
// Three bollards stand in a row, B03 at E 0, B04 at E 10 and B05 at E 20, all at
// N 0. Four photos have tags with a deviation of 3 m per axis:
//
//	photo  tag E, N   listed
//	1       1,  1     B03
//	2      12, -1     B05
//	3       9,  2     B05
//	4      19,  0     B05
//
// There are no times. Tags are taken as independent (Correlation 0), Slack is 1,
// JumpLength 50 m, Roam 15 m, the rest as in [DefaultParams], and Fixed.
//
// Take photo 2. Its tag is 2.2 m from B04 and 8.1 m from B05. The densities are
// 0.945 n(2.2; 9) + 0.05 n(2.2; 81) = 0.0128 and 0.000517 per square metre, a
// factor of 25 for B04: +3.20 in natural logarithms. The link says B05. Before
// anything else is known it is right with 0.882 and late with 0.0529, and a late
// link lists the next point with 0.75: a factor of 22 for B05, -3.10. That leaves
// it open. The walk decides: photo 1 shows B03 for certain, and B03, B04, B04, B05
// passes over no point, while B03, B05, B05, B05 does; and if photo 2 is late,
// photo 3 is so with 0.9 rather than 0.006. That is +1.52, and the sum, +1.62, is the
// logarithm of 0.8343 / 0.1650.
//
// There are 4^4 walks. Weighing each of them gives
//
//	photo  listed  B03     B04     B05     none
//	1      B03     0.9968  0.0032  0.0000  0.0000
//	2      B05     0.0007  0.8343  0.1650  0.0000
//	3      B05     0.0002  0.8319  0.1679  0.0001
//	4      B05     0.0002  0.1374  0.8624  0.0000
//
// The links of photos 2 and 3 are doubtful: probably late, but five to one is
// not enough to say so. With tags good to 1.5 m per axis both are contradicted. A
// test repeats this table from the formulas, without this package's code.
//
// # What it can tell
//
// Measured on jobs that were drawn by a generator which knows nothing of this model
// (package field; ten grids, six layouts, ten kinds of noise, recorded errors among
// them), with seeds that nobody had looked at: 4,000 honest jobs from 15,000,000 on, and 60
// with a late run, and 60 with swapped links, from 15,010,000 on:
//
//	right links                    374,331   0 contradicted, 7.5 % doubtful
//	right links beside a late run    3,729   0 contradicted
//	late links                       1,617   0.7 % confirmed
//	right links beside swapped ones  7,358   0 contradicted
//	swapped links                      254   0 confirmed
//	ties inferred with 0.50 to 0.60  3,503   55.4 % right, 54.9 % stated on average
//	with 0.60 to 0.70                3,403   67.5 % right, 65.0 % stated
//	with 0.70 to 0.80                4,197   76.1 % right, 75.6 % stated
//	with 0.80 to 0.90                7,244   84.3 % right, 85.4 % stated
//	with 0.90 to 0.95                6,434   92.4 % right, 92.8 % stated
//	with 0.95 to 0.99               16,407   97.3 % right, 97.6 % stated
//	above 0.99                      60,789   99.8 % right, 99.8 % stated
//
// Points there are 4 to 60 m apart, and many a blunder is smaller than the noise: such
// links stay doubtful. Package sim, whose noise is tamer, has the tests' own figures.
//
// No probability makes a link right. It says where to look.
//
// Decode's errors are the context's, wrapped for errors.Is, and parameters that can't be.
// It changes nothing that it is given, and is safe for concurrent use.
package walk
