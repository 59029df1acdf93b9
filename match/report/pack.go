package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
)

// Pack is the JSON document of a delivery, as schema/pack-1.json describes it. It
// is in the delivery too, without Into.
type Pack struct {
	Head
	// Job is the job's title, Into the folder of the delivery.
	Job  string `json:"job"`
	Into string `json:"into,omitempty"`
	// Packed is false where findings stood in the way, and in a dry run.
	Packed bool `json:"packed"`
	DryRun bool `json:"dry_run"`
	// Tool is the program and version. Time is the time of packing; zero where none
	// was to be written.
	Tool string    `json:"tool"`
	Time time.Time `json:"time,omitzero"`
	// Template named the photos.
	Template string `json:"template"`
	// Position, Only and Contradicted say which photos were to be corrected, and
	// how.
	Position     string          `json:"position"`
	Only         []match.Verdict `json:"only"`
	Contradicted bool            `json:"contradicted"`
	// FailOn is the least severity that stands in the way, or "never";
	// DespiteFindings packs all the same.
	FailOn          string `json:"fail_on"`
	DespiteFindings bool   `json:"despite_findings"`
	// Standing are the findings about the job that stand in the way, by the names
	// in the delivery; where nothing was packed, by those in the job. Accepted is
	// how many findings a baseline accepts.
	Standing []match.Finding `json:"standing"`
	Accepted int             `json:"accepted"`
	// Delivery is what a check of the delivery finds; nil where there is none.
	Delivery *PackedCheck `json:"delivery,omitempty"`
	// Photos are the photos by their names in the delivery.
	Photos []PackedPhoto `json:"photos"`
	// LeftOut are files among the photos of the job that belong to no photo, and are
	// not in the delivery.
	LeftOut []string `json:"left_out,omitempty"`
	// For the text: whether every photo is listed with its two names, and what to do next.
	All  bool     `json:"-"`
	Next []string `json:"-"`
}

// PackedCheck is what a check of a delivery finds.
type PackedCheck struct {
	Counts   map[match.Verdict]int `json:"counts"`
	Standing []match.Finding       `json:"standing"`
	Accepted int                   `json:"accepted"`
}

// PackedPhoto is one photo of a delivery.
type PackedPhoto struct {
	// Photo is its path in the delivery, Source that in the job, and Original the
	// name that it had before an earlier renaming; empty for none.
	Photo    string `json:"photo"`
	Source   string `json:"source"`
	Original string `json:"original,omitempty"`
	// Point is the point that it is tied to; empty for none. Verdict is that on the
	// photo as it was taken.
	Point   string        `json:"point,omitempty"`
	Verdict match.Verdict `json:"verdict"`
	// Outcome says whether it was corrected; it is empty in a dry run. Why says
	// why not.
	Outcome dataset.ChangeOutcome `json:"outcome,omitempty"`
	Why     string                `json:"why,omitempty"`
	// Sidecar is the file in the delivery that the new tag of a raw photo stands in;
	// empty for other photos.
	Sidecar string `json:"sidecar,omitempty"`
	// Before and After are the SHA-256 of the file in the job and in the delivery:
	// of the side-car where there is one.
	Before string   `json:"sha256_before,omitempty"`
	After  string   `json:"sha256_after,omitempty"`
	Notes  []string `json:"notes,omitempty"`
}

// Count gives the number of photos with an outcome.
func (p *Pack) Count(o dataset.ChangeOutcome) int {
	n := 0
	for i := range p.Photos {
		if p.Photos[i].Outcome == o {
			n++
		}
	}
	return n
}

func (p Pack) document() any {
	p.Head = Head{PackFormat, jsonVersion}
	return p
}

func (p Pack) table() ([]string, [][]string) {
	rows := make([][]string, len(p.Photos))
	for i, ph := range p.Photos {
		rows[i] = []string{Cell(ph.Photo), Cell(ph.Source), Cell(ph.Original), Cell(ph.Point), string(ph.Verdict), string(ph.Outcome), ph.Before, ph.After, Cell(ph.Why), Cell(ph.Sidecar)}
	}
	return []string{"photo", "source", "original", "point", "verdict", "outcome", "sha256_before", "sha256_after", "why", "sidecar"}, rows
}

// mostStanding is how many findings in the way are listed.
const mostStanding = 10

// text tells what is in the delivery, or what stands in the way, and what to do next.
func (p Pack) text(t *printer) {
	switch {
	case p.DryRun:
		t.printf("%s to be packed\n", words.Plural(len(p.Photos), "photo"))
	case !p.Packed:
		t.printf("not packed\n")
	default:
		untied := 0
		for i := range p.Photos {
			if p.Photos[i].Point == "" {
				untied++
			}
		}
		bare := ""
		if untied > 0 {
			bare = fmt.Sprintf("; %s without a point", words.Count(untied))
		}
		t.para(0, 2, "%s: %s, %s corrected, %s unchanged, %s left alone, %s refused%s", p.Into, words.Plural(len(p.Photos), "photo"), words.Count(p.Count(dataset.Corrected)),
			words.Count(p.Count(dataset.Unchanged)), words.Count(p.Count(dataset.Left)), words.Count(p.Count(dataset.Refused)), bare)
	}
	t.standing(p)
	if p.All {
		rows := make([][]string, len(p.Photos))
		for i, ph := range p.Photos {
			rows[i] = []string{words.Safe(ph.Photo), words.Safe(ph.Source), words.Safe(ph.Point), string(ph.Verdict), string(ph.Outcome)}
		}
		t.printf("\n")
		t.table(0, []column{{head: "photo", path: true, most: 42}, {head: "was", path: true, most: 30}, {head: "point", most: 12},
			{head: "verdict", most: 8}, {head: "outcome", most: 9}}, rows)
	}
	for _, ph := range p.Photos {
		if ph.Outcome == dataset.Refused {
			t.para(0, 2, "%s", "refused "+words.Safe(ph.Photo)+": "+words.Safe(ph.Why))
		}
	}
	t.next(p.Next)
}

// standing lists the findings that stand in the way, or that were passed over.
func (t *printer) standing(p Pack) {
	at, findings := "the job has", p.Standing
	if len(findings) == 0 && p.Delivery != nil {
		at, findings = "the delivery has, and the job has not,", p.Delivery.Standing
	}
	if len(findings) == 0 {
		return
	}
	has := at + " " + words.Plural(len(findings), "finding")
	if p.Packed {
		// Whoever packs despite them knows them; the delivery lists them.
		kinds := map[match.FindingCode]int{}
		for _, f := range findings {
			kinds[f.Code]++
		}
		parts := make([]string, 0, len(kinds))
		for _, code := range slices.Sorted(maps.Keys(kinds)) {
			parts = append(parts, fmt.Sprintf("%s %s", words.Count(kinds[code]), code))
		}
		t.para(0, 2, "packed despite findings: %s at or above %s: %s", has, p.FailOn, strings.Join(parts, ", "))
		return
	}
	t.para(0, 2, "%s at or above %s", has, p.FailOn)
	// Errors first.
	findings = slices.Clone(findings)
	slices.SortStableFunc(findings, func(a, b match.Finding) int {
		return cmp.Compare(weight[a.Severity], weight[b.Severity])
	})
	for _, f := range findings[:min(len(findings), mostStanding)] {
		t.para(2, 4, "%s %s %s: %s", f.Severity, f.Code, words.Safe(cmp.Or(strings.TrimSpace(f.Photo), f.Point)), words.Safe(f.Message))
	}
	if n := len(findings) - mostStanding; n > 0 {
		t.printf("  … and %s more\n", words.Count(n))
	}
}
