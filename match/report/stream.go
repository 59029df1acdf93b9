package report

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
)

// StreamJSON writes a streamed job as the Check document that CheckJSON writes of
// a job in memory, photo by photo. Only the findings are held. judge makes the
// outcome of all of them, those of the survey (which may be nil) among them; the
// outcome is returned.
func StreamJSON(ctx context.Context, w io.Writer, name string, s *match.Stream, survey *dataset.SurveyRead, judge func([]match.Finding) baseline.Outcome) (baseline.Outcome, error) {
	var none baseline.Outcome
	c := checkWriter{w: w}
	if err := c.head(CheckFormat, jsonVersion, name, s.Result); err != nil {
		return none, err
	}
	operations := []*grid.Operation{}
	var findings []match.Finding
	for p, err := range s.Photos(ctx) {
		if err != nil {
			return none, err
		}
		findings = append(findings, s.PhotoFindings(p)...)
		if err := c.photo(checkPhoto(p, &operations)); err != nil {
			return none, err
		}
	}
	findings = append(findings, s.Result.Findings()...)
	outcome := judge(findings)
	doc := NewCheck(name, &match.Result{}, outcome)
	doc.Operations, doc.Survey = operations, survey
	return outcome, c.tail(doc)
}

// checkWriter writes a Check document photo by photo, in the bytes that Document
// writes of any other value: as a whole its text would be held several times over.
type checkWriter struct {
	w      io.Writer
	b      bytes.Buffer
	photos int
}

// head writes the fields up to the photos.
func (c *checkWriter) head(format string, version int, name string, r *match.Result) error {
	head := struct {
		Format  string `json:"format"`
		Version int    `json:"version"`
		Dataset string `json:"dataset"`
		*match.Result
		Photos *struct{} `json:"photos,omitempty"` // in the place of the Result's, and never written
	}{Format: format, Version: version, Dataset: name, Result: r}
	if err := Document(&c.b, head); err != nil {
		return err
	}
	_, err := fmt.Fprintf(c.w, "%s,\n  \"photos\": [", bytes.TrimSuffix(c.b.Bytes(), []byte("\n}\n")))
	return err
}

// photo writes the next photo.
func (c *checkWriter) photo(p CheckPhoto) error {
	c.b.Reset()
	enc := json.NewEncoder(jsonEscapes{&c.b})
	enc.SetEscapeHTML(false)
	enc.SetIndent("    ", "  ")
	if err := enc.Encode(p); err != nil {
		return err
	}
	before := ","
	if c.photos == 0 {
		before = ""
	}
	c.photos++
	_, err := fmt.Fprintf(c.w, "%s\n    %s", before, bytes.TrimSuffix(c.b.Bytes(), []byte("\n")))
	return err
}

// tail writes the fields after the photos.
func (c *checkWriter) tail(doc *Check) error {
	tail := struct {
		Operations  []*grid.Operation   `json:"operations"`
		Findings    []match.Finding     `json:"findings"`
		Accepted    []baseline.Accepted `json:"accepted,omitempty"`
		Explanation *cause.Explanation  `json:"explanation,omitempty"`
		Survey      *dataset.SurveyRead `json:"survey,omitempty"`
	}{doc.Operations, doc.Findings, doc.Accepted, doc.Explanation, doc.Survey}
	c.b.Reset()
	if err := Document(&c.b, tail); err != nil {
		return err
	}
	closing := "\n  ],\n"
	if c.photos == 0 {
		closing = "],\n"
	}
	_, err := fmt.Fprintf(c.w, "%s%s", closing, bytes.TrimPrefix(c.b.Bytes(), []byte("{\n")))
	return err
}

// write writes the document photo by photo.
func (c *Check) write(w io.Writer) error {
	out := checkWriter{w: w}
	if err := out.head(c.Format, c.Version, c.Dataset, c.Result); err != nil {
		return err
	}
	for _, p := range c.Photos {
		if err := out.photo(p); err != nil {
			return err
		}
	}
	return out.tail(c)
}
