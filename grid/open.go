package grid

import (
	"context"
	"errors"
	"slices"
	"strings"
)

// Opener opens the projected system that a definition names: an authority code
// such as "EPSG:2157", WKT or a PROJ string. OpenGrid of package grid/crs is one
// that is backed by PROJ; a program with a projection engine of its own passes
// its own. The error is an [*OperationError] where the options are at fault.
type Opener func(definition string, opt OpenOptions) (Projection, error)

// OpenOptions are the choices that a system is opened with: which operations
// lead to it from the frames of tags. The zero value leaves them to the engine.
//
// A selector in Only or Forbid names operations: it is the registry code of one
// of their steps ("EPSG:8970"), or a part of the operation's name ("ITRF2014 to
// NAD83(2011) (1)", "null geographic offset", "ballpark"). Letters may be of
// either case. A code counts whole, so EPSG:897 doesn't select EPSG:8970.
type OpenOptions struct {
	// Only forces the choice: nothing but operations that one of the selectors
	// names is used, in the usual order where there are several. A fix that none
	// of them can transform gets an error, and no other operation. An operation
	// that is forced is used outside its area of use too, with a note, unless it
	// reads a grid file.
	Only []string
	// Forbid rules out every operation that one of the selectors names.
	Forbid []string
	// Datums are the datum names of tags that the selectors are checked against
	// when the system is opened; none means WGS 84 as broadcast alone. A selector
	// that names no operation from any of them is an [*OperationError].
	Datums []string
	// Folders are searched for grid files and geoid models before the folders
	// that the engine searches by itself.
	Folders []string
	// Vertical names the vertical system of heights whose reference is a geoid
	// but names none, by code or by name. Empty takes the vertical part of a
	// compound definition ("EPSG:2157+5731").
	Vertical string
}

// OperationError reports selectors that name no operation, or that leave none.
type OperationError struct {
	// Grid is the name of the grid.
	Grid string
	// Datum is the datum of the tags.
	Datum string
	// Selectors are the ones at fault.
	Selectors []string
	// Reason is ErrNoSuchOperation, ErrAllExcluded or ErrNotRunnable.
	Reason error
	// Candidates are the operations that there are, with no positions counted.
	Candidates []Candidate
	// Message says what is wrong, and which operations there are.
	Message string
}

// Error says what is wrong, and which operations there are.
func (e *OperationError) Error() string { return e.Message }

// Unwrap returns Reason.
func (e *OperationError) Unwrap() error { return e.Reason }

// What can be wrong with a choice of operations.
var (
	// ErrNoSuchOperation: a selector names no operation between the frames.
	ErrNoSuchOperation = errors.New("no operation goes by that name or code")
	// ErrAllExcluded: the selectors leave no operation.
	ErrAllExcluded = errors.New("the choice of operations leaves none")
	// ErrNotRunnable: what is left needs files that are not installed.
	ErrNotRunnable = errors.New("the chosen operation needs files that are not installed")
)

// MissingFile is a file that an operation needs and that is not installed.
type MissingFile struct {
	// Name is the file's name.
	Name string `json:"name"`
	// Package is the package of PROJ data that holds it; empty where the registry
	// names none.
	Package string `json:"package,omitempty"`
	// URL is where it can be had; empty where the registry knows of no place.
	URL string `json:"url,omitempty"`
	// Unreadable says that the file may be there, but the engine can't open it.
	Unreadable bool `json:"unreadable,omitempty"`
	// Install is what to do, for instance `projsync --file us_noaa_g2018u0.tif`.
	Install string `json:"install"`
}

// Candidate is an operation that leads from a frame to the grid, whether it can
// be used here or not.
type Candidate struct {
	// Operation is the operation, with the notes that hold for the whole area.
	Operation
	// Codes are the registry codes of its steps, "EPSG:8970"; steps without one
	// are left out.
	Codes []string `json:"codes,omitempty"`
	// Areas are the areas of use of its steps.
	Areas []Area `json:"areas,omitempty"`
	// TimeDependent says that the result depends on the epoch of the observation.
	TimeDependent bool `json:"time_dependent"`
	// Usable says that it can be run here and now.
	Usable bool `json:"usable"`
	// Missing are the files that it needs and that are not installed.
	Missing []MissingFile `json:"missing,omitempty"`
	// Excluded says that the caller's own choice rules it out.
	Excluded bool `json:"excluded"`
	// Covers is how many of the positions lie inside all its areas of use.
	Covers int `json:"covers"`
	// Chosen is how many of the positions it is chosen for.
	Chosen int `json:"chosen"`
	// Preferable says that it would be used in the place of what is, were its files
	// installed.
	Preferable bool `json:"preferable,omitempty"`
	// Why says in a sentence why it is chosen or passed over.
	Why string `json:"why"`
}

// Area is a box of latitudes and longitudes in degrees. Where West is greater
// than East it crosses the 180th meridian.
type Area struct {
	Name  string  `json:"name,omitempty"`
	South float64 `json:"south"`
	West  float64 `json:"west"`
	North float64 `json:"north"`
	East  float64 `json:"east"`
}

// CandidateLister is implemented by a Projection that can list the operations
// it chooses from.
type CandidateLister interface {
	// Candidates returns the operations from a frame to the grid, in the order
	// that they are tried in, for positions on the grid (the points of a job).
	// Without positions nothing is chosen or covered.
	Candidates(ctx context.Context, at []EN, frame Frame) ([]Candidate, error)
}

// Bounded is implemented by a Projection that knows where its grid is meant to
// be used.
type Bounded interface {
	// AreaOfUse returns the registry's area of use in degrees; ok is false where
	// none is stated. Where west is greater than east it crosses the 180th
	// meridian.
	AreaOfUse() (south, west, north, east float64, ok bool)
}

// FilesToInstall returns the files that the candidates lack which would be used
// in the place of what is, and one command that gets those that PROJ's store has.
// Of candidates for the points of a job they are the files of the job's area, by
// the names that the installed engine knows.
func FilesToInstall(candidates []Candidate) (files []MissingFile, command string) {
	var commands []string
	for _, c := range candidates {
		if !c.Preferable {
			continue
		}
		for _, f := range c.Missing {
			if slices.ContainsFunc(files, func(o MissingFile) bool { return o.Name == f.Name }) {
				continue
			}
			files = append(files, f)
			if f.URL != "" {
				commands = append(commands, "projsync --file "+f.Name)
			}
		}
	}
	return files, strings.Join(commands, " && ")
}
