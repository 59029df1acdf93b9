package dataset

import (
	"errors"
	"fmt"
	"strings"
)

// Problem is something in a file of the dataset that must be put right before
// it can be used. It says where, what and how.
type Problem struct {
	// File is the file's path inside the dataset.
	File string `json:"file"`
	// Line and Column count from 1; 0 where they don't apply. Column counts
	// bytes for delimited text, as encoding/csv does, and characters for TOML.
	Line   int `json:"line,omitempty"`
	Column int `json:"column,omitempty"`
	// What says what is wrong, Remedy what to do about it.
	What   string `json:"what"`
	Remedy string `json:"remedy,omitempty"`
}

// Error gives file, line, column, problem and remedy on one line.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
		if p.Column > 0 {
			fmt.Fprintf(&b, ":%d", p.Column)
		}
	}
	b.WriteString(": ")
	b.WriteString(p.What)
	if p.Remedy != "" {
		b.WriteString("; ")
		b.WriteString(p.Remedy)
	}
	return b.String()
}

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
	if len(ps.list) >= maxProblems {
		ps.more++
		return
	}
	ps.list = append(ps.list, &Problem{File: ps.file, Line: line, Column: col,
		What: fmt.Sprintf(format, args...), Remedy: remedy})
}

func (ps *problems) err() error {
	if ps.more > 0 {
		return errors.Join(append(ps.list, fmt.Errorf("%s: and %d more problems", ps.file, ps.more))...)
	}
	return errors.Join(ps.list...)
}
