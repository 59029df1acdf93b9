// Package site holds the survey's own coordinates: site systems on a projected
// base grid, the fits that tie them, and the factors between grid and
// ground. It knows no photo and needs no PROJ.
//
// # Site systems
//
// A [Definition] describes a site system: its unit, one of three transforms to
// the base grid, and a vertical part where the site has heights of its own. [New]
// puts it on a base, which is any grid.Projection, and returns one again: fixes
// go from their frame to the base grid and on to the site, and back. Where the
// base can measure on its ellipsoid the site system can too, so grid.Compare
// works on it unchanged.
//
//	Similarity   EPSG method 9621: origin, scale, rotation
//	Affine       EPSG method 9624: A0 A1 A2 B0 B1 B2
//	GroundScale  scaling about a project point by a combined factor
//	Vertical     a constant or an inclined plane
//
// # Direction, sign, units
//
// Similarity and Affine lead from their source to their target, and a Definition
// must say which of the two is the site ([SiteToBase] or [BaseToSite]). The
// rotation has EPSG's sign: it is the bearing of the source's north axis on the
// target grid, clockwise from target north, in degrees.
//
// Coordinates of the site are in the site's unit and those of the base in the
// base's. A scale is target units per source unit, so it holds the ratio of the
// units; a combined factor is grid distance / ground distance with no unit in
// it. Heights and offsets are in the site's unit, slopes are pure numbers.
// Angles are in degrees.
//
// # Fits
//
// [FitSimilarity], [FitRigid] (the scale held), [FitAffine], [FitGroundScale],
// [FitVerticalPlane] and [FitVerticalConstant] find the parameters from control
// pairs, points known on both sides, by weighted least squares. A [Fit] has the
// residuals (transformed minus given, on the base), the standard error of unit
// weight, each parameter's standard error, and each observation's redundancy,
// test statistic and minimal detectable error.
//
// State standard errors where they are known. Then the statistic is Baarda's w
// (critical value 3.29 at the default significance of 0.001), S0 should be near
// 1, and the fit fails where it is too large for chance. Without, it is Pope's τ,
// S0 is the standard error of a coordinate, and the fit fails where a residual is
// over FitOptions.Tolerance. [Fit.Fails] says so, and the facts of the fit why.
//
// With FitOptions.Base, a scale that is not the grid's own but for the height of
// the ground, and a rotation of coordinates that are the grid's own less a round
// number, are refused with an [ImplausibleError].
//
// Pairs over the critical value are suspects, and stay in the fit. With
// FitOptions.RejectOutliers the worst is taken out and the fit repeated; every
// removal is in the result. Where the control can't tell which of several pairs
// is bad, as with three pairs and a similarity, the facts say so, the suspect
// names its rivals and nothing is removed. Control that doesn't determine the
// model is refused with a [GeometryError] that says what it needs.
//
// Standard errors of the parameters may look alarming where the site's own
// origin is far from the control, since the origin then hangs on a long lever.
// Fit.Precision gives what counts, the standard error at a place.
//
// # Grid and ground
//
//	ground distance = grid distance / combined factor
//	combined factor = point scale factor x height factor
//	height factor   = R / (R + h)
//
// with the ellipsoidal height h and a radius R; [grid.Compare] gives them for a
// place. One combined factor serves a site as long as its spread is small: it
// changes by 1 ppm for 6.4 m of height.
//
// # Accuracy
//
// A Definition may state how good it is, in metres: Accuracy for positions,
// HeightAccuracy for heights through the vertical part; that of a fit has its
// Precision instead, which grows outside the control. They join those of the
// base's operations as the root of the sum of the squares. One that states
// nothing adds nothing.
//
// # Heights
//
// A site system passes heights on to its base, where that is a [grid.Heighter].
// A height whose reference says Site goes through the vertical part first:
//
//	base height = site height - Offset - SlopeE (E - origin E) - SlopeN (N - origin N)
//
// and the rest of the reference says what base heights count from. Any other
// height is taken to be a base height.
//
// Errors come wrapped: errors.As finds [*GeometryError] and [*ImplausibleError], which
// say what is wrong with the control, and errors.Is finds [ErrNoHeights].
//
// A fit is a computation, not a licensed surveyor's certification.
package site
