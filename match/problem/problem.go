// Package problem has the error of a file that somebody can put right: where it is,
// what is wrong and what to do about it. errors.As finds a [*Problem] however it is
// wrapped; packages that return it have it as their own Problem.
package problem

import (
	"fmt"
	"strings"
)

// Problem is something in a file of a job that must be put right before it, or
// what it is about, can be used.
type Problem struct {
	// File is the file's name as it was given, or its path inside the dataset.
	File string `json:"file"`
	// Line and Column count from 1; 0 where they don't apply. Column counts
	// bytes in delimited text, as encoding/csv does, and characters in TOML.
	Line   int `json:"line,omitempty"`
	Column int `json:"column,omitempty"`
	// Item names the part of the file where lines do not find it, for instance
	// "feature 3" or "layer quay, fid 7".
	Item string `json:"item,omitempty"`
	// What says what is wrong, Remedy what to do about it.
	What   string `json:"what"`
	Remedy string `json:"remedy,omitempty"`
}

// Error gives file, line, column, item, problem and remedy on one line.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.File == "" {
		b.WriteString("line")
	}
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
		if p.Column > 0 {
			fmt.Fprintf(&b, ":%d", p.Column)
		}
	}
	b.WriteString(": ")
	if p.Item != "" {
		b.WriteString(p.Item)
		b.WriteString(": ")
	}
	b.WriteString(p.What)
	if p.Remedy != "" {
		b.WriteString("; ")
		b.WriteString(p.Remedy)
	}
	return b.String()
}
