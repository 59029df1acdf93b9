// Package grid holds plane coordinates, units, bearings and the comparison of
// two plane positions: what a surveyor writes down when a photo's tag is held
// against the surveyed point.
//
// # Shapes and frames
//
// A position on a grid is an [EN]: easting and northing in the unit of the grid,
// whatever order, direction or unit the registry gives its axes. A geographic
// position is a [LatLon] in degrees; together with the frame and the time of the
// observation it is a [Fix]. A [Projection] transforms fixes to the grid and
// back, and names the operation it used for each one. Package grid/crs has a
// Projection backed by PROJ. This package is plain Go and needs no PROJ, so a
// program with a projection engine of its own implements the interface and uses
// the rest.
//
// # Bearings
//
// A [Bearing] counts clockwise from grid north in [0, 360) degrees and may be
// undefined: two positions closer than the resolution of their coordinates have
// a distance but no direction. It prints as degrees, minutes and seconds and in
// quadrant notation.
//
// # Comparison
//
// [Compare] gives the [Discrepancy] between a tag and its point: tag minus
// point on the grid, the distance and the plane bearing from the point to the
// tag. Where the Projection is also a [Geodesist] it adds the distance at true
// scale, the geodesic on the ellipsoid, the convergence, the point scale factor
// and, where a height is given, the distance on the ground.
//
// # Sign of the convergence
//
// The convergence is the angle from true north to grid north, clockwise
// positive: a place east of the central meridian of a transverse Mercator grid
// in the northern hemisphere has a positive one. So
//
//	plane bearing = geodetic azimuth - convergence - arc-to-chord correction
//
// This package leaves the arc-to-chord correction (t-T) out. It is far below a
// second of arc over metres; over a 55 km line it reached 19" in the worked
// example used in the tests.
//
// Some offices and older tables use the opposite sign. Compare a known value
// before you mix figures.
//
// # Heights
//
// A height means nothing without what it counts from: the ellipsoid of a
// geodetic frame, or a geoid. A [HeightRef] says which, and
//
//	h = H + N
//
// with the ellipsoidal height h, the height H above the geoid and the geoid
// height N, all in metres and upwards positive; N is negative where the geoid
// lies below the ellipsoid. [CompareHeights] brings a tag's height and a point's
// to the same ellipsoid, that of the tag's frame at the tag's epoch, and gives
// tag minus point. What can't be brought there is refused with a [HeightError],
// which says why and what to install. A projection that can do heights is a
// [Heighter].
//
// The altitude of a tag comes with one of these references:
//
//	Exif 3.0, GPSAltitudeRef 0 or 1    HeightEllipsoid
//	GPSAltitudeRef 2 or 3              HeightGeoid, a model to be named (EGM96 and
//	                                   EGM2008 are usual in receivers; common
//	                                   practice, no source)
//	older Exif, or no reference        HeightUnknown: the standard said sea level
//	                                   and many devices wrote ellipsoidal heights
//
// # Optional interfaces
//
// Projection has three methods. What more a projection can do it shows by
// further interfaces: [Geodesist], [Heighter], [CandidateLister] (the operations
// that it chooses from) and [Bounded] (its area of use).
//
// # Errors and concurrency
//
// Errors come wrapped: errors.Is finds the variables of this package ([ErrNotFinite],
// [ErrOutside], [ErrNoSuchOperation] and others), errors.As the types
// [*UnknownDatumError], [*OperationError] and [*HeightError], which errors.Is sees
// through to their Reason. The types here are plain values: any number of goroutines may
// read one, and who writes to one has it alone.
package grid
