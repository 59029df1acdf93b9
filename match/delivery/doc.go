// Package delivery packs a checked job into one folder to hand over: the photos,
// corrected and named by their points, the points and links by those names, the
// photo record, the formats for programs, the ledger and a manifest.
//
//	README.txt             what is there
//	SHA256SUMS             the SHA-256 of every other file, for sha256sum -c
//	SHA256SUMS.sig         its signature, where a key was given, for ssh-keygen -Y
//	record.html            the photo record; record/index.html with many photos
//	photos/B01_1_2025-05-20.jpg
//	photos/untied/QA0071.jpg
//	points.csv             the points file, byte by byte, under this name
//	links.csv              photo, point, original, and offsets where there are any
//	control.csv            the control of a site system, where there is one
//	phototie.toml          the settings; the folder is a dataset itself
//	accepted.toml          the baseline, where there is one
//	formats/               photos.json, .csv, .geojson, .kml, .gpkg, .sarif, .xml
//	pack.json              what was done to each photo
//	phototie-ledger.jsonl  how to get every original byte back
//
// # What is judged
//
// The record and the formats are about the photos as they were taken: those of
// corrected photos would find every tag on its point. The delivery itself is
// checked too, as whoever gets it may do, before it is put in its place; its ties
// must be those of the job. A name that was made from a link is no evidence for
// the link, so what names say counts by the original names in links.csv.
//
// # Names
//
// See [Template]. Names are safe on Windows, macOS and Linux, differ in more than
// case, and depend on the photos alone: neither on the order of files nor on the
// day.
//
// # The same input gives the same bytes
//
// Nothing is taken from the clock. Records of the ledger have no time and the
// GeoPackage has the latest time that photos and points state, unless Options.Time
// gives the time of packing. The name of the job's folder is its title where no
// other is given, so it is part of the input. Times of files are not part of the
// output: photos keep theirs, other files have that of writing.
//
// # Whole or not there
//
// A delivery is made in a folder beside its place, synced, and renamed at the end.
// Whatever stops the work, there is no folder of the final name until it is whole.
//
// # Errors and concurrency
//
// Errors come wrapped: errors.Is finds [ErrNotCopied], [ErrUnsigned], [ErrSignature] and
// [ErrForeign], errors.As what package dataset returns. The functions are safe for
// concurrent use on different folders.
package delivery
