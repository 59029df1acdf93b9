package cause

// NeighbourCodes is for tests: the codes that a grid's neighbours have.
func NeighbourCodes(code string) []string { return neighbourCodes(code) }
