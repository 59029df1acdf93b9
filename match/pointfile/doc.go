// Package pointfile reads surveyed points from the files that they come in:
// delimited text in any column order, GeoJSON, LandXML, GPX and GeoPackage.
//
// [Open] tells the format from the file's content, works out what stands where,
// and says so in the [Header], so that a program can have it confirmed.
// [Reader.Records] then yields one [Record] a point. A point is given as its
// file has it: in the file's own coordinate reference system and unit, which the
// Header names. Nothing is projected or converted here, so the package needs no
// projection engine and no cgo.
//
// # What is read of each format
//
// Delimited text (RFC 4180, and the same with semicolons, tabs, bars or runs of
// blanks): the columns of [Headings]. Where the settings do not say how the text
// is laid out, [Sniff] works it out.
//
// GeoJSON (RFC 7946): Features of Points in a FeatureCollection, in a text
// sequence (RFC 8142) or one a line. The "crs" member of the 2008 specification
// is honoured, since projected coordinates are still exchanged that way. The
// properties are matched with the same headings.
//
// LandXML 1.2: the CgPoint elements, whose text is northing, easting and
// elevation in that order; name, code, desc, timeStamp, eastingStdError and
// northingStdError; Units and CoordinateSystem.
//
// GPX 1.1: the wpt elements; name, type or else sym as the code, desc or else
// cmt as the description, time, ele, and links to images. Elements inside
// extensions are matched with the headings and fill in what is still empty.
//
// GeoPackage 1.x: a layer of points, with its spatial reference system. Its
// attributes are matched with the headings.
//
// Everything is streamed: memory does not grow with the number of points. A single
// point that takes more than 16 MiB is refused. The text formats can be read from
// any fs.FS; a GeoPackage needs one whose files can seek, and is read row by row
// through SQLite, without a copy on disk.
//
// # What is never done
//
// An easting is not told from a northing without grounds, a file that says that
// its system is unknown is not taken to be on the job's grid, a dilution of
// precision is not taken for an accuracy, and a time without an offset is not
// taken for UTC. Each is a [Problem] or a note. A point that can't be used is a
// Problem with file, line and remedy, and the reading goes on, so that a user
// can mend a file in one go.
package pointfile
