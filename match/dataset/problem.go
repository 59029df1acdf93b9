package dataset

import (
	"errors"
	"fmt"

	"example.com/phototie/match/problem"
)

// Problem is something in a file of the dataset that must be put right before it
// can be used. It says where, what and how.
type Problem = problem.Problem

// maxProblems is how many problems of one file are told at once.
const maxProblems = 20

// problems gathers the problems of one file, so that a user can mend them in
// one go.
type problems struct {
	file string
	list []error
	more int
}

func (ps *problems) add(line, col int, remedy, format string, args ...any) {
	ps.take(&Problem{File: ps.file, Line: line, Column: col,
		What: fmt.Sprintf(format, args...), Remedy: remedy})
}

// take adds an error as it is.
func (ps *problems) take(err error) {
	if len(ps.list) >= maxProblems {
		ps.more++
		return
	}
	ps.list = append(ps.list, err)
}

func (ps *problems) err() error {
	if ps.more > 0 {
		return errors.Join(append(ps.list, fmt.Errorf("%s: and %d more problems", ps.file, ps.more))...)
	}
	return errors.Join(ps.list...)
}
