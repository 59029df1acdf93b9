// Package dataset opens a job's folder: it reads the settings, the points, the
// links and the photos of it, has package match check them, and writes
// corrections.
//
// A dataset is a folder with
//
//	phototie.toml    grid, points and links files, budget, frames
//	points.csv       the surveyed points, as delimited text
//	links.csv        photo, point: which photo shows which point (optional)
//	photos/          the photos, at any depth
//
// README's settings reference explains phototie.toml key by key. What is wrong
// with a file is told as a [Problem] with file, line, column and remedy, all
// problems of a file at once. All paths stay inside the folder: a path or a
// symbolic link that leads out of it is refused.
//
// The package needs no PROJ: the caller opens the projection that
// Settings.Grid.CRS names, with package grid/crs or an engine of its own.
package dataset
