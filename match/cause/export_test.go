package cause

// Adjacent is for tests: whether two names are of neighbouring zones.
func Adjacent(a, b string) bool { return adjacent(a, b) }
