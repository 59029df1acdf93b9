package grid

// Clues are what is known of coordinates whose system is not: pairs of numbers,
// and rough positions of the same places.
type Clues struct {
	// Coordinates are the points' coordinates as they stand: the first number and
	// the second. Which of them counts east, and in which unit, is not known.
	Coordinates [][2]float64
	// Fixes are positions at the points, good to metres, such as the tags of
	// photos.
	Fixes []Fix
	// Pairs gives for each fix the index of the coordinates that it belongs to, as
	// far as somebody says so, or -1. Nil where nobody says anything.
	Pairs []int
	// Within, where not 0, asks for hints in place of findings: the systems, in their
	// own unit and order of axes, that put the middle of the points within so many
	// metres of the middle of the fixes, whatever the rest says.
	Within float64
}

// RankedSystem is a system that puts the points where the fixes are.
type RankedSystem struct {
	// Definition is the system's code, "EPSG:2157", and Name its name.
	Definition string `json:"crs"`
	Name       string `json:"name"`
	// Unit is the unit that the coordinates are in. OwnUnit says that it is the
	// system's own.
	Unit    Unit `json:"unit"`
	OwnUnit bool `json:"own_unit"`
	// NorthFirst says that the first number counts north (or south), and WestSouth
	// that the numbers count west and south, as the system's own axes do.
	NorthFirst bool `json:"north_first"`
	WestSouth  bool `json:"west_south"`
	// Near is the share of the fixes that are at a point, and Distance their median
	// distance from it in metres.
	Near     float64 `json:"near"`
	Distance float64 `json:"distance_m"`
	// Score is the logarithm of the likelihood over that of fixes that have nothing
	// to do with the points.
	Score float64 `json:"score"`
	// Alike says that the fixes can't tell the system from the first of the list;
	// Apart is how far the two put the points apart, in metres.
	Alike bool    `json:"alike"`
	Apart float64 `json:"apart_m"`
	// Rough says that no operation is installed or known from the frame of the fixes
	// to the system's, so that the positions are compared but for a common offset.
	Rough bool `json:"rough"`
}

// ListedSystem is a projected system of the registry.
type ListedSystem struct {
	// Definition is its code, "EPSG:2157", and Name its name.
	Definition string `json:"crs"`
	Name       string `json:"name"`
	// Unit is the unit of its coordinates.
	Unit Unit `json:"unit"`
	// Area is where it is meant to be used.
	Area Area `json:"area"`
	// Near says that the place which was asked about is in the area.
	Near bool `json:"near"`
}
