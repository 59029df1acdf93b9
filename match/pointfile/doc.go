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
// is laid out, it is worked out: see [Layout]. Westings and southings, as some systems count
// (EPSG:2053, EPSG:5513), change their sign: records count to the east and to the
// north.
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
// Everything is streamed: memory does not grow with the number of points. The text
// formats can be read from any fs.FS; a GeoPackage needs one whose files can seek,
// and is read row by row through SQLite, without a copy on disk. Its layer must be
// a table: the rows of a view or a virtual table are worked out, and not in the
// file. In WebAssembly there is no SQLite, and a GeoPackage is refused.
//
// # What a file may claim
//
// Whatever a file says, reading it takes no more than 384 MiB at a time, and time
// in proportion to its size. What is beyond the following is refused, with the
// place where there is one:
//
//	a row of delimited text                1 MiB
//	a Feature, an item of XML text, a
//	row of a GeoPackage                    16 MiB
//	coordinates of a Feature               64 KiB
//	properties of a Feature                10,000; each that is read 1 MiB
//	a start tag                            1 MiB
//	elements of XML text                   256 deep; entities none but the five of XML
//	objects and lists of JSON text         10,000 deep
//	text of a GPX waypoint's element       1 MiB
//	text of a LandXML CgPoint              1 KiB
//	list of a GeoPackage's layers          16 MiB
//	rows of a GeoPackage's table           the bytes of the file
//	looking through a GeoPackage's schema  1 minute
//
// # Errors
//
// What somebody can put right in the file is a [*Problem], which errors.As finds however
// it is wrapped; what it was read through may give others, those of io/fs for instance.
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
