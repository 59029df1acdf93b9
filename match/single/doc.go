// Package single takes one photo and one surveyed position, in one call, to the
// discrepancy, the verdict and the corrected bytes. It works in memory and knows no
// file; package dataset has whole jobs, and match.Check sets of photos in memory.
//
// Errors come wrapped: errors.Is finds [ErrLeft], the variables of geotag and the
// context's, errors.As the types of grid and match. [Check] is safe for concurrent use.
package single
