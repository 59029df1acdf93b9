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
	"example.com/phototie/match/dataset"
)

// StreamJSON writes a streamed job as the Check document that CheckJSON writes of
// a job in memory, photo by photo. Only the findings are held. judge makes the
// outcome of all of them, those of the survey (which may be nil) among them; the
// outcome is returned.
func StreamJSON(ctx context.Context, w io.Writer, name string, s *match.Stream, survey *dataset.Reading, judge func([]match.Finding) baseline.Outcome) (baseline.Outcome, error) {
	var none baseline.Outcome
	// The document's fields in their order, up to the photos and from there on.
	head := struct {
		Format  string `json:"format"`
		Version int    `json:"version"`
		Dataset string `json:"dataset"`
		*match.Result
		Photos *struct{} `json:"photos,omitempty"` // in the place of the Result's, and never written
	}{Format: CheckFormat, Version: JSONVersion, Dataset: name, Result: s.Result}
	var b bytes.Buffer
	if err := Document(&b, head); err != nil {
		return none, err
	}
	open := bytes.TrimSuffix(b.Bytes(), []byte("\n}\n"))
	if _, err := fmt.Fprintf(w, "%s,\n  \"photos\": [", open); err != nil {
		return none, err
	}
	operations := []*grid.Operation{}
	var findings []match.Finding
	first := true
	for p, err := range s.Photos(ctx) {
		if err != nil {
			return none, err
		}
		findings = append(findings, s.Result.PhotoFindings(p)...)
		b.Reset()
		enc := json.NewEncoder(jsonEscapes{&b})
		enc.SetEscapeHTML(false)
		enc.SetIndent("    ", "  ")
		if err := enc.Encode(checkPhoto(p, &operations)); err != nil {
			return none, err
		}
		before := ","
		if first {
			before, first = "", false
		}
		if _, err := fmt.Fprintf(w, "%s\n    %s", before, bytes.TrimSuffix(b.Bytes(), []byte("\n"))); err != nil {
			return none, err
		}
	}
	closing := "\n  ],\n"
	if first {
		closing = "],\n"
	}
	findings = append(findings, s.Result.Findings()...)
	if survey != nil {
		findings = append(findings, survey.Findings()...)
	}
	outcome := judge(findings)
	doc := NewCheck(name, &match.Result{}, outcome)
	tail := struct {
		Operations []*grid.Operation   `json:"operations"`
		Findings   []match.Finding     `json:"findings"`
		Accepted   []baseline.Accepted `json:"accepted,omitempty"`
		Survey     *dataset.Reading    `json:"survey,omitempty"`
	}{operations, doc.Findings, doc.Accepted, survey}
	b.Reset()
	if err := Document(&b, tail); err != nil {
		return none, err
	}
	_, err := fmt.Fprintf(w, "%s%s", closing, bytes.TrimPrefix(b.Bytes(), []byte("{\n")))
	return outcome, err
}
