package walk

// Ordered says whether the walk takes points in the order in which they were surveyed.
func Ordered(points []Point) bool { return newModel(points, nil, DefaultParams()).route.ordered }
