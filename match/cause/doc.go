// Package cause explains what is out in a checked job.
//
// A [Cause] is one thing that can put tags out, or tie photos to wrong points: a
// hemisphere flipped, a datum or a zone that is not the stated one, feet for
// metres, a frozen fix, links that are one point late. It proposes hypotheses,
// each a set of photos with what becomes of them if it holds, and [Explain]
// weighs those of all causes by one rule:
//
//   - The gain is the logarithm of the likelihood of the tags with the hypothesis
//     over that without, under the budget of each photo (the Rice distribution of
//     the distance, or the covariance), against a flat background for tags that
//     are no fix at all. Because the noise of a receiver correlates along time,
//     the gain counts by the number of independent photos, not of photos.
//   - The penalty grows with the figures fitted (half the logarithm of the number
//     of independent photos for each, as in the Bayesian information criterion),
//     with the alternatives tried, with how special the set of photos is, and
//     with the number of kinds tried.
//   - A cause is accepted where gain less penalty exceeds [MinScore], in
//     natural logarithms. Then the rest is looked at again with the cause accounted
//     for. In the end the score of each is what the explanation is better with it
//     than the best one without it; causes below the bar are dropped one by one, and
//     so are those that do not bring their photos back to what their budgets allow or
//     make more of them worse than better.
//   - A cause that predicts a shift with no figure fitted, such as a datum or other
//     feet, is named only where the prediction holds in size and direction, and where
//     a shift of unknown cause is clearly worse. What can't be told apart is in
//     [Found].Rivals.
//   - Jobs of a few photos get only causes that a single photo shows; see
//     [Explanation].TooFew. What forbids writing corrections is in
//     [Explanation.Stops].
//
// Causes hold for all photos, for those of a camera or a day, or for a run of
// them. An [Explanation] has for each what it concerns, before and after, the
// figures, the evidence, a remedy in words and, where it can be applied, a
// proposal for the links, the points or the settings. Nothing is applied.
//
// Links are weighed with the walk's inference beside them: the runs, pairs and single
// photos that it contradicts are hypotheses whose choice costs nothing, since it has paid
// for that.
//
// How often it is right was measured on jobs of package field that nobody had looked at, in
// December 2026 (seeds from 15,000,000, and with blunders from 15,010,000). Of 4,000 honest
// jobs 20 got a cause (0.5 %; 95 %: 0.3 to 0.8), and 61 a reason not to write; of 374,331
// right links none was contradicted. With each blunder there were 60 jobs; named, of those of
// 20 photos and more in which it was of a size to be told, 12 m and twice what the tags were
// off by anyway: late-run 19 of 20, early-run 18 of 18, swapped-ties 28 of 32, wrong-tie 32 of
// 35, frozen-fix 33 of 34, copied tags 29 of 29, flipped signs and swapped axes 149 of 150,
// feet-for-metres 41 of 42, point-datum 35 of 38, tag-datum 33 of 33, neighbouring-zone 46 of
// 46, clock-offset 22 of 22, decimal-minutes 36 of 37, rounded-tags 29 of 30, ground-as-grid
// 26 of 26, common-shift 27 of 30. Other feet are less than that on most grids. Of 420 jobs
// with blunders that no cause was made for (copied tags, points numbered anew, a neighbour's
// points, a tower's position or home's, rolled-over dates, rounding) 6 got one that is none of
// theirs (1.4 %).
//
// A shift that nothing explains is a reason not to write where noise alone comes to it once
// in ten thousand jobs; the two feet may differ by less than that, and then it is noted that
// nothing states which foot the points are in.
//
// A cause that moves tags by less than the noise is not seen. The package needs no
// PROJ; datums and zones are tried through the job's own projection and
// [Input].Open.
//
// Errors are those of the job's projection, of a Cause and of the context, wrapped for
// errors.Is and errors.As. Explain is safe for concurrent use if the causes are.
package cause
