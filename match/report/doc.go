// Package report writes what package match found, each format to an io.Writer:
//
//   - Text and Summary for people, at a terminal and in the log of a pipeline;
//   - JSON and CheckJSON as a versioned document with a JSON Schema (see Schemas),
//     CSV as a table that a spreadsheet can open without running anything;
//   - SARIF 2.1.0 and JUnit for code hosts and CI systems;
//   - GeoJSON (RFC 7946) and KML (OGC KML 2.2) as WGS 84 positions, for maps;
//   - GeoPackage (OGC 12-128r17) on the job's own grid, for work in a GIS.
//
// It computes nothing. WGS 84 positions come from match.Locate, and what counts
// after a baseline of accepted findings from package baseline.
//
// Every format accounts for every photo, in the order of the result; the same
// result gives the same bytes. Names are the user's: in texts and XML control
// characters in them are written as Go escapes, each format escapes what means
// something to it, and no name becomes markup, a link, a formula or a part of a
// path.
//
// A writer's error is that of the io.Writer, wrapped for errors.Is, and with a context that
// of the context. Nothing here keeps or changes what it is given: the functions are safe
// for concurrent use.
package report
