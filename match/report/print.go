package report

import (
	"fmt"
	"io"
)

// Printed is what a command has to say.
type Printed interface {
	// document is it as a JSON document, text as lines for a person.
	document() any
	text(p *printer)
}

// tabled is a Printed that is a table too, safe for spreadsheets as CSV is.
type tabled interface {
	table() (head []string, rows [][]string)
}

// Head is how each JSON document begins: with its name and its version.
type Head struct {
	Format  string `json:"format"`
	Version int    `json:"version"`
}

// Print writes what a command has to say: as one document in FormatJSON, with a row a
// photo in FormatCSV where it is about photos, else as text for a person, within the
// columns that w has (see Text).
func Print(w io.Writer, format Format, d Printed) error {
	switch format {
	case FormatJSON:
		return Document(w, d.document())
	case FormatCSV:
		t, ok := d.(tabled)
		if !ok {
			return fmt.Errorf("%T has no rows for CSV", d)
		}
		head, rows := t.table()
		return writeCSV(w, head, rows)
	}
	p := newPrinter(w)
	d.text(p)
	return p.err
}
