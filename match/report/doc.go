// Package report writes what package match found: as text for a terminal, as
// versioned JSON, and as CSV. It computes nothing.
package report
