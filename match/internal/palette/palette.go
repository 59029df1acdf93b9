// Package palette has the colours and marks of the verdicts, for all that is
// coloured: the record, its drawings, and the styles written into files. Verdicts
// are told apart by mark, border and width too, so that nothing is lost in black
// and white or to an eye that sees fewer colours.
package palette

import "example.com/phototie/match"

// Look is how a verdict is shown.
type Look struct {
	// Ink is the colour of text, borders and lines, as #rrggbb. On white its
	// contrast is at least 7:1, the enhanced level of WCAG 2.2.
	Ink string
	// Fill is the colour of marks and lines on a drawing; at least 4.5:1.
	Fill string
	// Mark is a character with the shape of the verdict's mark: a circle, a
	// triangle, a square, a cross.
	Mark string
	// Border is the style of a border, in the words of CSS, and its width in
	// pixels.
	Border      string
	BorderWidth int
	// Line is the width of a line on a drawing in pixels, Scale the size of a mark
	// relative to others'.
	Line, Scale float64
}

// Of has the look of each verdict.
var Of = map[match.Verdict]Look{
	match.Within:   {Ink: "#1c4f7c", Fill: "#1c4f7c", Mark: "\u25cb", Border: "solid", BorderWidth: 1, Line: 1, Scale: 0.8},
	match.Over:     {Ink: "#7a4300", Fill: "#a65e00", Mark: "\u25b2", Border: "dashed", BorderWidth: 2, Line: 1.6, Scale: 0.9},
	match.Gross:    {Ink: "#7d0f1b", Fill: "#7d0f1b", Mark: "\u25a0", Border: "solid", BorderWidth: 3, Line: 2.2, Scale: 1.1},
	match.Unjudged: {Ink: "#3d4146", Fill: "#3d4146", Mark: "\u00d7", Border: "dotted", BorderWidth: 1, Line: 1, Scale: 0.7},
}
