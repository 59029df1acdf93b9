// Package demo makes example jobs: a folder with settings, surveyed points,
// links and drawn photos, as a survey crew would bring it home. The places, the
// instruments and the crews are invented; the geometry, the noise and the Exif
// metadata are made to be what a real job has.
//
// There are two jobs. [PortVelland] is a quay furniture survey of 60 points and
// 150 photos in Irish Transverse Mercator, with trouble planted in it: a run of
// photos tied one point late, a frozen fix, a flipped longitude reference,
// photos without a tag, one that is too small and one that is blurred.
// [TallowCreek] is a small survey of footbridges in ground coordinates, US survey
// feet scaled about a project point and cut, with nothing planted at all.
//
// What was planted is returned with the job and is written in words into its
// README.txt, so a check of the folder can be compared with the truth.
//
// # What is honest
//
// Every photo has a true camera position, about two metres from the point it
// shows, and a tag that is that position plus the error of the handheld. The
// error is a Gauss-Markov process (it wanders, with a time constant of some
// minutes, as GNSS errors do) whose standard deviation per axis at the moment
// is h/1.5152, where h is the GPSHPositioningError written beside it: the
// reported accuracy is the true 68.27 % radius. Outside the planted troubles
// the noise is therefore just what a budget at 95 % expects, and about one
// honest photo in twenty lies over it.
//
// # Repeatable
//
// The same seed, the same projection and the same architecture give the same
// bytes. The package is pure Go; the caller passes the [grid.Projection] that
// turns grid positions into geographic ones.
//
// Errors come wrapped: errors.Is finds [ErrGrid] and [ErrNotEmpty].
package demo
