// Package crs opens projected coordinate reference systems and transforms geotags
// to them. It is the only part of phototie that needs PROJ, and with it cgo.
//
// [Open] takes an EPSG code, WKT or a PROJ string. The result is a
// [grid.Projection] and a [grid.Geodesist].
//
// # Eastings and northings
//
// Positions on the grid are E, N in the grid's own unit, whatever the registry
// defines. Axis order, direction and unit are read from the CRS: EPSG:31467
// counts northing first, EPSG:2053 westing and southing, EPSG:2263 US survey
// feet. An axis that counts west or south changes its sign, so EPSG:5513
// (Krovak, southing and westing) comes out as the same E, N as EPSG:5514 (Krovak
// East North): both negative in the country. Where a point list holds westings
// and southings as they are, change the signs before use. On polar systems,
// whose axes all point north or all south, the axis called easting or X is E.
//
// # Which frame a tag is in
//
// A tag that states no map datum, or WGS 84 in any spelling, is in WGS 84 as it
// is broadcast: today the realisation WGS 84 (G2139), aligned with ITRF2014 to a
// centimetre, at the time of the photo. Regional frames move with their plates,
// so most are between half a metre and two metres off by now, and the ways that
// PROJ takes from plain EPSG:4326 are null transformations that ignore it. This
// package collects, for one grid:
//
//   - the operations from the realisation, directly or over ITRF2014;
//   - those over ETRF2000 into ETRS89 and on. PROJ does not cross from a member
//     of a datum ensemble to the ensemble on its own; the registry's accuracy of
//     the ensemble, 0.1 m, counts as a step of the way;
//   - those from the WGS 84 ensemble, which the registry holds good to 2 m. What
//     it states of a transformation from there includes them, so of the two the
//     larger counts.
//
// For each fix it takes the one with the best stated accuracy whose area of use
// holds the fix. Areas are boxes of latitude and longitude, as the registry
// states them, so near a border a neighbour's operation may be chosen. The
// accuracy of a way is the root of the sum of the squares of its steps'; if one
// step states none, or 998 or 999 m, the way has none. Ways without a stated
// accuracy come after those with one.
//
// A tag with another datum starts from that datum's geographic CRS: names that
// cameras write (TOKYO, NAD27, ED50, PZ-90 ...), names and codes of EPSG
// (EPSG:4258). A name that is unknown, or has more than one meaning, gives
// the fix a [*grid.UnknownDatumError] and no position.
//
// # Epoch
//
// Without an epoch, operations that depend on it are not used: the fix takes
// the next best, a null transformation good to 2 m as a rule, and a note says
// so. Only where nothing else leads to the grid is the operation's own
// reference epoch assumed, with a note and no accuracy. An epoch before 1980 or
// from 2100 on is a wrong clock and counts as unknown.
//
// A regional frame is kept at an epoch ([grid.Grid].FrameEpoch) while the ground
// may move in it near the edge of a plate. Where no deformation model is in the
// operation, what has moved since is in [grid.Operation].Motion and in the
// accuracy. Frames that are the ITRF at an epoch, such as CGCS2000, to which the
// registry has no operation, take WGS 84 as it is, and the same motion.
//
// # What is reported
//
// Each placement names its [grid.Operation]: steps, pipeline, source frame,
// accuracy, whether it is a ballpark one, a better one that lacks files, and
// notes: a position outside the area of use, a frame taken without its
// realisation. Nothing falls back in silence.
//
// # What else coordinates may be
//
// [CRS.Alternatives] lists what points may be in where they are not in the stated
// system: another unit, a zone beside, the same plane on another frame, each only
// as far as the registry has it at that place.
//
// # Choosing otherwise
//
// [OpenGrid] takes [grid.OpenOptions]: operations to force or to forbid, by the registry
// code of a step (EPSG:8970) or a part of the name, folders of grid files, and a
// vertical system. A selector that selects nothing is an [*grid.OperationError]
// that lists what there is. [CRS.Candidates] lists the operations for the points
// of a job: accuracy, area of use, whether it depends on the epoch, what it lacks
// and where to get that, which one is used and why.
//
// # Files
//
// Grid files, geoid models and deformation models are found where PROJ finds
// them: in OpenOptions.Folders, then in PROJ's user folder, in the folders of the
// environment variable PROJ_DATA and in PROJ's own; and with PROJ_NETWORK=ON on
// PROJ's server too, which PROJ asks for the parts of a file that it needs. To
// install a file for good, run "projsync --file NAME". The package proj-data of
// Debian 12 holds EGM96 and a few grids for France, Germany, Switzerland and New
// Zealand; the others come by projsync.
//
// # What is kept
//
// PROJ searches its registry for operations between two frames, over any third one where
// none is direct, in 20 to 40 ms; a system takes a handful of such searches. A process
// does each once for a system. [KeepSearches] names a folder in which programs that run
// for one photo find them from process to process.
//
// # Heights
//
// The CRS is a [grid.Heighter]. A height above a geoid goes by the registry's
// geoid models to the frame that the model was made for, NAD83(2011) for GEOID18
// and ETRS89 for most of Europe's, and from there to the frame asked for, at its
// epoch: those frames differ in height too, NAD83(2011) and WGS 84 by more than a
// metre. The vertical system is named in the height's reference, or is the
// vertical part of a compound definition ("EPSG:2157+5731"), or OpenOptions.Vertical;
// the latter two hold for points alone, since a tag's sea level is another one.
// World models (EGM96, EGM2008) count as made for WGS 84 in every realisation.
//
// Heights go in and come out in metres, upwards positive, whatever the unit and
// the direction of the vertical system: NAVD88 height (ftUS) takes metres too.
// Frames that the registry knows no heights for, the classical ones such as
// OSGB36 and NAD27, have no ellipsoidal heights here either: the ellipsoid of
// OSGB36 lies some 50 m from that of ETRS89, so the frame must be named.
//
// # Errors and concurrency
//
// Errors come wrapped: errors.As finds the [*DefinitionError] of [Open], errors.Is the
// variables of this package, and both those of package grid.
//
// Methods are safe for concurrent use. PROJ contexts are not, so each
// call borrows one from a pool, and one for each processor where it has some
// thousands of positions to transform; contexts stay in the pool for the life of the
// process, as many as were ever at work at the same time. One that found a grid file
// missing does not, so a file that is installed while a program runs is found for the
// next system that it opens.
package crs
