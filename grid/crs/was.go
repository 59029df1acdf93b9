package crs

import "example.com/phototie/grid"

// Options and OperationError go by their names in package grid.
//
// Deprecated: these names, and OpenWith, go with the next step.
type (
	Options        = grid.OpenOptions
	OperationError = grid.OperationError
)

// OpenWith is OpenGrid with a *CRS.
//
// Deprecated: use OpenGrid.
func OpenWith(definition string, opt grid.OpenOptions) (*CRS, error) {
	return openWith(definition, opt)
}
