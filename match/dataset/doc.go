// Package dataset opens a job's folder: it reads the settings, the points, the
// links and the photos of it, has package match check them, and writes
// corrections.
//
// A dataset is a folder with
//
//	phototie.toml    grid, site system, points and links files, budget, frames, heights
//	points.csv       the surveyed points, in any format of package pointfile
//	links.csv        photo, point, offsets: what each photo shows (optional)
//	control.csv      pairs that a site system is fitted to (optional)
//	photos/          the photos, at any depth
//
// phototie help settings explains phototie.toml key by key. What is wrong
// with a file is told as a [Problem] with file, line, column and remedy, all
// problems of a file at once. All paths stay inside the folder: a path or a
// symbolic link that leads out of it is refused.
//
// The package needs no PROJ: the caller passes an Opener to Dataset.Projection,
// that of package grid/crs or of an engine of its own.
//
// # The survey's side
//
// Points come in the survey's own coordinates: on the grid that grid.crs names,
// or on a site system on it that [site] gives or has fitted; in that grid's unit,
// or in the one that points.unit names. A points file that names a system or a
// unit of its own must agree with the settings, and one of longitudes and
// latitudes (RFC 7946, GPX) is transformed to the grid in its frame at the epoch of
// the observation. Nothing is converted that was not asked for: what does not
// agree is a *Problem that names the likely mistake. SurveyRead says how
// everything was understood.
//
// # Errors
//
// Errors come wrapped. What somebody can put right is a [*Problem], with file, line and
// remedy, and why nothing may be written a [*StopError]: errors.As finds both. errors.Is
// finds [ErrReplaced], and the variables of the ledger, of geotag and of io/fs.
package dataset
