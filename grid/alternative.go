package grid

import "context"

// AlternativeKind is what an alternative differs in.
type AlternativeKind string

// The kinds of alternative.
const (
	// AlternativeUnit: the same plane in another unit.
	AlternativeUnit AlternativeKind = "unit"
	// AlternativeZone: a zone beside, or another of the same family.
	AlternativeZone AlternativeKind = "zone"
	// AlternativeFrame: the same plane on another geodetic frame.
	AlternativeFrame AlternativeKind = "frame"
)

// Alternative is a system that coordinates may be meant in where they are not in
// the one that is stated.
type Alternative struct {
	Kind AlternativeKind `json:"kind"`
	// Definition is what an Opener opens, "EPSG:6542"; empty for the stated system
	// with its coordinates in Unit.
	Definition string `json:"definition,omitempty"`
	// Name is the system's name.
	Name string `json:"name"`
	// Unit is the unit of its coordinates, and Frame the name of its geodetic
	// frame; empty where it is the stated system's.
	Unit  Unit   `json:"unit"`
	Frame string `json:"frame,omitempty"`
}

// AlternativeLister is implemented by a Projection that knows what else
// coordinates may be meant in.
type AlternativeLister interface {
	// Alternatives lists what is plausible at a place in degrees: no unit, zone or
	// frame that nobody uses with this grid there.
	Alternatives(ctx context.Context, near LatLon) ([]Alternative, error)
}

// PlausibleUnits are the units that coordinates on a grid may be in: its own, and
// those of its alternatives. What explains a difference may name no other, unless
// a file does.
func PlausibleUnits(own Unit, alternatives []Alternative) []Unit {
	out := []Unit{own}
	for _, a := range alternatives {
		if a.Kind == AlternativeUnit && a.Unit != own {
			out = append(out, a.Unit)
		}
	}
	return out
}
