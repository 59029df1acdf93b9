package report

import (
	"encoding/json"
	"io"
	"slices"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
)

// The names and versions of the JSON documents. A version changes when a field
// goes or changes its meaning; new fields may come without.
const (
	CheckFormat   = "phototie-check"
	CompareFormat = "phototie-compare"
	CorrectFormat = "phototie-correct"
	RestoreFormat = "phototie-restore"
	PackFormat    = "phototie-pack"
	jsonVersion   = 1
)

// Check is the JSON document of a checked job, as schema/check-1.json describes
// it.
type Check struct {
	Head
	// Dataset is what the user called the dataset.
	Dataset string `json:"dataset"`
	*match.Result
	// Photos take the place of the Result's.
	Photos []CheckPhoto `json:"photos"`
	// Operations are the coordinate operations that transformed tags to the grid.
	Operations []*grid.Operation `json:"operations"`
	// Findings are those that count, Accepted those that a baseline accepts.
	Findings []match.Finding     `json:"findings"`
	Accepted []baseline.Accepted `json:"accepted,omitempty"`
	// Explanation has the causes of what is out; nil where none were looked for.
	Explanation *cause.Explanation `json:"explanation,omitempty"`
	// Survey is how the survey's side was understood; nil where it was not read
	// from files.
	Survey *dataset.SurveyRead `json:"survey,omitempty"`
}

// CheckPhoto is a photo of a Check document.
type CheckPhoto struct {
	*match.PhotoResult
	// Operation is the place in the document's Operations of the one used; it
	// takes the place of the PhotoResult's.
	Operation *int `json:"operation,omitempty"`
}

// NewCheck makes the Check document of a checked job.
func NewCheck(name string, r *match.Result, o baseline.Outcome) *Check {
	findings := o.Kept
	if findings == nil {
		findings = []match.Finding{}
	}
	doc := &Check{Head: Head{CheckFormat, jsonVersion}, Dataset: name, Result: r,
		Photos: make([]CheckPhoto, len(r.Photos)), Operations: []*grid.Operation{}, Findings: findings, Accepted: o.Accepted}
	for i := range r.Photos {
		doc.Photos[i] = checkPhoto(&r.Photos[i], &doc.Operations)
	}
	return doc
}

// checkPhoto is a photo as it stands in a document with these operations, which
// its own is added to where it is new.
func checkPhoto(p *match.PhotoResult, operations *[]*grid.Operation) CheckPhoto {
	row := CheckPhoto{PhotoResult: p}
	if p.Operation != nil {
		k := place(operations, p.Operation)
		row.Operation = &k
	}
	return row
}

// place is where an operation stands in a list, which it is added to where it
// is new.
func place(list *[]*grid.Operation, op *grid.Operation) int {
	k := slices.IndexFunc(*list, func(o *grid.Operation) bool { return o == op || sameOperation(o, op) })
	if k < 0 {
		k = len(*list)
		*list = append(*list, op)
	}
	return k
}

// sameOperation reports whether two operations are one.
func sameOperation(a, b *grid.Operation) bool {
	return a.Name == b.Name && a.Definition == b.Definition && a.Source == b.Source && a.Ballpark == b.Ballpark &&
		(a.Accuracy == nil) == (b.Accuracy == nil) && (a.Accuracy == nil || *a.Accuracy == *b.Accuracy) && slices.Equal(a.Notes, b.Notes)
}

// Document writes any value as indented JSON, without HTML escapes. Control
// characters and marks that turn the direction of writing are written as \u
// escapes, those too that JSON would let through. A *Check is written photo by
// photo, so that its text is not held.
func Document(w io.Writer, v any) error {
	if c, ok := v.(*Check); ok && c != nil && c.Result != nil && c.Photos != nil {
		return c.write(w)
	}
	enc := json.NewEncoder(jsonEscapes{w})
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// jsonEscapes writes JSON text, which comes whole, with more of it escaped.
type jsonEscapes struct{ w io.Writer }

func (j jsonEscapes) Write(p []byte) (int, error) {
	if _, err := io.WriteString(j.w, words.SafeJSON(string(p))); err != nil {
		return 0, err
	}
	return len(p), nil
}
