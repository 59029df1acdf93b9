// Package noise learns how the errors of one camera's tags behave, from the job
// itself: how large they are beside what the tags state, how much of an error
// lasts from one photo to the next and for how long, what a session has in common,
// and whether large errors are more frequent than normal ones. It works on plain
// values in metres and knows no photos.
//
// # The model
//
// The error of photo i of a camera, in each axis alike, is
//
//	e_i = k sigma_i ( sqrt(1 - w) s(t_i) + sqrt(w) z_i ) + b + standoff
//
// sigma_i is the standard deviation that the tag states or the budget has. k is the
// scale. z is white noise of unit variance, new in each photo. s is a Gauss-Markov
// process of unit variance, whose values a time t apart correlate by exp(-t/T). b
// is the offset of the session, with the prior variance (1 m)² + (k sigma / 2)²; a
// gap of an hour begins a new one. The standoff r, in any direction, has the variance
// r²/2 per axis. The distribution is a mixture, of a normal one and of Student's t
// with 4 degrees of freedom, both with the same 68.27 % radius; 2 % are blunders or
// wrong ties, which say nothing of noise.
//
// w, T, k and the tails have a grid of values with priors:
//
//	w      0, 0.1, 0.25, 0.5, 0.75, 1    0.15, 0.2, 0.2, 0.2, 0.1, 0.15
//	T      15, 45, 150, 500, 2000 s      alike
//	k      0.2 to 10                     log-normal about 1, deviation 0.5
//	tails  normal, heavy                 0.6, 0.4
//
// For each place of the grid a Kalman filter gives the density of all residuals
// (Harvey, Forecasting, structural time series models and the Kalman filter, 1989,
// 3.4: the prediction error decomposition). With the prior that makes the posterior.
// No single correlation time is right for all receivers, and so none is chosen:
// [Model.Correlation], [Model.LogLikelihood] and [Model.Mean] are means over it.
//
// What far-out residuals do to the filter is an approximation: they move its state
// by as much less as Student's t has them weigh less.
package noise
