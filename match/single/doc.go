// Package single takes one photo and one surveyed position, in one call, to the
// discrepancy, the verdict and the corrected bytes. It works in memory and knows no
// file; package dataset has whole jobs, and match.Check sets of photos in memory.
package single
