// Package record writes the photo record of a checked job: HTML to read on a
// desk or a phone, to search, and to print and sign.
//
// A record has the job's summary and verdicts, the causes of what is out, a plan
// of points, tags and the vectors between them, plots of the discrepancies, the
// photos that somebody should look at, a register of all points, and a sheet for
// each point with its photos: picture, time, direction, discrepancy, verdict,
// correction.
//
// # One file or a folder
//
// Write makes one file that needs nothing else: styles, script, drawings and
// pictures are in it, so it works without a network, from a stick, by mail.
// WriteDir makes a folder of such files, an index and pages of sheets, for jobs
// of more than about 1500 photos, which one file would make slow to open. The
// same input gives the same bytes.
//
// # What readers can rely on
//
// Verdicts are told by word, shape and line, never by colour alone, so that a
// record can be printed in black and white. Headings, tables and drawings are
// described for those who don't see them; everything works by keyboard, and all
// but the search works without scripts. Printing starts a new page for each
// sheet and prints what the search shows.
//
// Texts from the job (names of points and photos, descriptions, notes) are
// hostile until shown otherwise: they are escaped for the place where they stand,
// marks that turn the direction of writing are shown as escapes, and each page
// forbids itself by its Content-Security-Policy all scripts but its own and any
// traffic at all.
//
// # Drawings
//
// Lengths are in the grid's unit and north is grid north. In the plot of the
// distribution the expected share is the mean over the photos of match.RiceCDF
// with each photo's own deviation and standoff.
//
// Errors come wrapped: errors.Is finds [ErrTaken], and of a picture [ErrTooLarge],
// [ErrTooSlow] and [ErrNotDrawn]. The functions are safe for concurrent use, on
// different folders.
//
// A record says whether tags fit points. It is no licensed surveyor's
// certification.
package record
