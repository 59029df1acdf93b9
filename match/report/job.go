package report

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
)

// Format is a format for programs in which a Job can be written.
type Format string

// The formats.
const (
	FormatJSON       Format = "json"
	FormatCSV        Format = "csv"
	FormatGeoJSON    Format = "geojson"
	FormatKML        Format = "kml"
	FormatGeoPackage Format = "gpkg"
	FormatSARIF      Format = "sarif"
	FormatJUnit      Format = "junit"
	// FormatText is the text for people, at its full length.
	FormatText Format = "text"
)

// endings are the formats by how a file's name ends.
var endings = []struct {
	ending string
	format Format
}{
	{".sarif.json", FormatSARIF}, {".sarif", FormatSARIF}, {".geojson", FormatGeoJSON}, {".json", FormatJSON}, {".csv", FormatCSV},
	{".xml", FormatJUnit}, {".kml", FormatKML}, {".gpkg", FormatGeoPackage}, {".txt", FormatText},
}

// FormatOf is the format of a file by how its name ends.
func FormatOf(name string) (Format, error) {
	low := strings.ToLower(name)
	for _, e := range endings {
		if strings.HasSuffix(low, e.ending) {
			return e.format, nil
		}
	}
	return "", fmt.Errorf("%s: the format follows the name, which has to end in .sarif, .xml (JUnit), .json, .csv, .geojson, .kml, .gpkg or .txt", name)
}

// marks are what the beginning of each file that Write writes holds, and hardly one
// of another program does.
var marks = map[Format]*regexp.Regexp{
	FormatJSON:    regexp.MustCompile(`^\{\s*"format": "` + CheckFormat + `"`),
	FormatCSV:     regexp.MustCompile(`^(\x{FEFF})?photo,point,verdict,reason,`),
	FormatGeoJSON: regexp.MustCompile(`^\{"type":"FeatureCollection","format":"phototie-geojson"`),
	FormatKML:     regexp.MustCompile(`(?s)<kml .*<description>Lengths are in `),
	// Names of tables, as SQLite's own table has each twice.
	FormatGeoPackage: regexp.MustCompile(`(?s)^SQLite format 3.*vectorsvectors.*tagstags`),
	FormatSARIF:      regexp.MustCompile(`"driver": \{\s*"name": "phototie"|"text": "the folder that paths count from: `),
	FormatJUnit:      regexp.MustCompile(`<testsuites name="phototie `),
	FormatText:       regexp.MustCompile(`^[^\n]*\ngrid +`),
}

// Wrote reports whether a file that begins with head looks like one that Write
// wrote in a format.
func Wrote(format Format, head []byte) bool { return marks[format] != nil && marks[format].Match(head) }

// Job is a checked dataset with what its writers need besides.
type Job struct {
	*dataset.Checked
	// Name is what the dataset is called in documents.
	Name string
	// Outcome has the findings that count, and those that a baseline accepts.
	Outcome baseline.Outcome
	// FailOn is the least severity that fails; empty for none.
	FailOn match.Severity
	// Version is the program's, for SARIF.
	Version string
	// Root is the dataset's folder, and Baseline the file of accepted findings, as
	// Files has them.
	Root, Baseline string
	// Time is the time that a GeoPackage states, which can't do without.
	Time time.Time
	// Text is how the text is written. Its Facts, Explanation and Outcome are those
	// of the job.
	Text TextOptions
}

// Write writes the job in a format.
func (j *Job) Write(ctx context.Context, w io.Writer, format Format) error {
	switch format {
	case FormatJSON:
		doc := NewCheck(j.Name, j.Result, j.Outcome)
		doc.Survey = &j.SurveyRead
		doc.Explanation = j.Explanation
		return Document(w, doc)
	case FormatCSV:
		return CSV(w, j.Result)
	case FormatSARIF:
		s := j.Dataset().Settings()
		return SARIF(w, j.Name, j.Version, j.Result, j.Outcome,
			Files{Root: j.Root, Points: s.Points.File, Links: s.Links.File, Settings: dataset.SettingsFile, Baseline: j.Baseline})
	case FormatJUnit:
		return JUnit(w, j.Name, j.Result, j.Outcome, j.FailOn)
	case FormatGeoPackage:
		opt := GeoPackageOptions{Time: j.Time}
		proj := j.Dataset().Projection()
		if s, ok := proj.(Based); ok {
			opt.Site, proj = s, s.Base()
		}
		if text, ok := proj.(interface{ WKT() string }); ok {
			opt.WKT = text.WKT()
		}
		return GeoPackage(ctx, w, j.Result, opt)
	case FormatGeoJSON, FormatKML:
		at, err := j.Locate(ctx)
		if err != nil {
			return err
		}
		if format == FormatKML {
			return KML(w, j.Name, j.Result, at)
		}
		return GeoJSON(w, j.Name, j.Result, at)
	case FormatText:
		opt := j.Text
		opt.Facts = SurveyFacts(j.SurveyRead, j.Grid.Unit)
		if d := j.Delivered; d != nil && d.Misread != nil && d.Misread.Off >= mattering {
			opt.Facts = append(opt.Facts, deliveredFact(*d, j.Grid.Unit))
		}
		if j.Baseline != "" || len(j.Outcome.Accepted)+len(j.Outcome.Expired)+len(j.Outcome.Unused) > 0 {
			opt.Outcome = &j.Outcome
		}
		opt.Explanation = j.Explanation
		return Text(w, j.Result, opt)
	}
	return fmt.Errorf("there is no format %q", format)
}
