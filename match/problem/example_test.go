package problem_test

import (
	"fmt"

	"example.com/phototie/match/problem"
)

func Example() {
	fmt.Println(&problem.Problem{File: "points.csv", Line: 4, Column: 1, What: `point id "A" stands already in line 2`, Remedy: "give each point an id of its own"})
	// Output: points.csv:4:1: point id "A" stands already in line 2; give each point an id of its own
}
