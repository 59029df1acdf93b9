package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

// starterDays is for how many days the entries of a new baseline hold.
const starterDays = 90

// gate is what check does with findings beyond printing them: it holds them
// against a baseline and writes files for other programs.
type gate struct {
	baseline, starter, today string
	propose                  string
	outs                     []string
	summary                  bool

	accepted *baseline.Baseline // nil where no baseline is named
	day      baseline.Date
	now      time.Time // for formats that state a time
	formats  []string  // of outs
}

func (g *gate) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringArrayVar(&g.outs, "out", nil, "also write FILE, in the format that its name ends in; may be repeated")
	f.BoolVar(&g.summary, "summary", false, fmt.Sprintf("print a summary of at most %d lines in place of the text", report.SummaryLines))
	f.StringVar(&g.baseline, "baseline", "", "the file of accepted findings, which don't count")
	f.StringVar(&g.starter, "write-baseline", "", "write a baseline of what fails the gate to this new file, for reasons to be filled in")
	f.StringVar(&g.propose, "propose", "", "write the files that the causes propose (links, points, settings) into this new folder")
	f.StringVar(&g.today, "today", "", "hold the baseline against this day, as 2027-03-31 (default today)")
}

// prepare reads what it can before the photos are read, so that a mistake in the
// flags costs no time.
func (g *gate) prepare(d *dataset.Dataset, dir string) error {
	now, err := buildTime()
	if err != nil {
		return err
	}
	if g.accepted, g.day, err = acceptance(g.baseline, g.today, now); err != nil {
		return err
	}
	if g.now = now; now.IsZero() {
		g.now = time.Now()
	}
	for _, out := range g.outs {
		format, err := formatOf(out)
		if err != nil {
			return err
		}
		if err := guard(d, dir, out); err != nil {
			return err
		}
		g.formats = append(g.formats, format)
	}
	if g.starter != "" {
		if _, err := os.Lstat(g.starter); err == nil {
			return usagef("--write-baseline: %s is there already; name a new file, so that no reasons are lost", g.starter)
		}
		if err := guard(d, dir, g.starter); err != nil {
			return err
		}
	}
	if g.propose != "" {
		switch there, err := os.ReadDir(g.propose); {
		case err == nil && len(there) > 0:
			return usagef("--propose: there are files in %s; name a new folder", g.propose)
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			return usagef("--propose: %v", err)
		}
		if err := guard(d, dir, g.propose); err != nil {
			return err
		}
	}
	return nil
}

// buildTime is the time that SOURCE_DATE_EPOCH gives, the environment of
// reproducible builds (see its specification, reproducible-builds.org); zero where
// that is not set.
func buildTime() (time.Time, error) {
	s := os.Getenv("SOURCE_DATE_EPOCH")
	if s == "" {
		return time.Time{}, nil
	}
	sec, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return time.Time{}, usagef("SOURCE_DATE_EPOCH is %q: want seconds since 1970", s)
	}
	return time.Unix(sec, 0).UTC(), nil
}

// acceptance reads the baseline that is named, and works out the day that it is
// held against.
func acceptance(name, today string, now time.Time) (*baseline.Baseline, baseline.Date, error) {
	if now.IsZero() {
		now = time.Now()
	}
	day := baseline.DateOf(now)
	if today != "" {
		t, err := time.Parse(time.DateOnly, today)
		if err != nil {
			return nil, day, usagef("--today %q is no day; write it as 2027-03-31", today)
		}
		day = baseline.DateOf(t)
	}
	if name == "" {
		return nil, day, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, day, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, baseline.MostBytes+1))
	if err != nil {
		return nil, day, err
	}
	b, err := baseline.Parse(name, text)
	return b, day, err
}

// apply holds findings against the baseline.
func (g *gate) apply(findings []match.Finding) baseline.Outcome {
	if g.accepted == nil {
		return baseline.Without(findings)
	}
	return g.accepted.Apply(findings, g.day)
}

// fileFormats are the formats that --out knows, by how a file's name ends.
var fileFormats = []struct{ suffix, format string }{
	{".sarif.json", "sarif"}, {".sarif", "sarif"}, {".geojson", "geojson"}, {".json", "json"}, {".csv", "csv"},
	{".xml", "junit"}, {".kml", "kml"}, {".gpkg", "gpkg"}, {".txt", "text"},
}

func formatOf(name string) (string, error) {
	low := strings.ToLower(name)
	for _, f := range fileFormats {
		if strings.HasSuffix(low, f.suffix) {
			return f.format, nil
		}
	}
	return "", usagef("--out %s: the format follows the name, which has to end in .sarif, .xml (JUnit), .json, .csv, .geojson, .kml, .gpkg or .txt", name)
}

// guard refuses to write over what the dataset consists of.
func guard(d *dataset.Dataset, dir, out string) error {
	s := d.Settings
	inputs := []string{dataset.SettingsFile, s.Points.File, s.Links.File, ledger.FileName}
	if s.Site != nil {
		inputs = append(inputs, s.Site.Control)
	}
	there, err := os.Stat(out)
	for _, name := range inputs {
		if name == "" || err != nil {
			continue
		}
		if info, err := os.Stat(filepath.Join(dir, filepath.FromSlash(name))); err == nil && os.SameFile(info, there) {
			return usagef("%s is a file of the dataset; write somewhere else", out)
		}
	}
	folder, err := filepath.EvalSymlinks(filepath.Join(dir, filepath.FromSlash(s.Photos.Folder)))
	if err != nil {
		return nil // there is none; check will say so
	}
	at, err := filepath.EvalSymlinks(filepath.Dir(out))
	if err != nil {
		return err
	}
	for _, p := range []*string{&folder, &at} {
		if *p, err = filepath.Abs(*p); err != nil {
			return err
		}
	}
	if at == folder || strings.HasPrefix(at, folder+string(filepath.Separator)) {
		return usagef("%s would lie among the photos; write somewhere else", out)
	}
	return nil
}

// files writes the files of --out.
func (g *gate) files(p *printing) error {
	for i, out := range g.outs {
		if err := writeWhole(out, func(w io.Writer) error { return p.write(w, g.formats[i], g.now) }); err != nil {
			return err
		}
	}
	return nil
}

// proposals writes what the causes propose, and says on messages what is where.
func (g *gate) proposals(p *printing, messages io.Writer) error {
	ex, err := p.explanation()
	if err != nil {
		return err
	}
	files, notes, err := p.d.Propose(ex)
	if err != nil {
		return err
	}
	for _, f := range files {
		out := filepath.Join(g.propose, filepath.FromSlash(f.File))
		if err := os.MkdirAll(filepath.Dir(out), 0o777); err != nil {
			return err
		}
		err := writeWhole(out, func(w io.Writer) error {
			_, err := w.Write(f.Text)
			return err
		})
		if err != nil {
			return err
		}
		fmt.Fprintf(messages, "%s: changed from %s in %d rows or keys; compare the two, then put it in the place of that\n", out, f.File, f.Changes)
	}
	for _, n := range notes {
		fmt.Fprintf(messages, "not in the files: %s\n", n)
	}
	if len(files) == 0 && len(notes) == 0 {
		fmt.Fprintln(messages, "no cause proposes a change of links, points or settings")
	}
	return nil
}

// start writes a new baseline of the findings that fail the gate, and says what
// to do with it.
func (g *gate) start(w io.Writer, o baseline.Outcome, failOn match.Severity, dir string) error {
	day := time.Date(g.day.Year, g.day.Month, g.day.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, starterDays)
	if failOn != "" {
		// What does not fail the gate needs no acceptance.
		o.Kept = slices.DeleteFunc(slices.Clone(o.Kept), func(f match.Finding) bool { return !f.Severity.AtLeast(failOn) })
	}
	b, left := baseline.Starter(o, baseline.DateOf(day))
	if err := writeWhole(g.starter, b.Write); err != nil {
		return err
	}
	for _, f := range left {
		if _, err := fmt.Fprintf(w, "left out: %s %q: the name is not UTF-8; rename the photo\n", f.Code, f.Photo); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "%s: %d entries, until %s\n\nNext\n  Write a reason into each, or take it out and mend what it is about.\n  phototie check --baseline %s %s\n",
		g.starter, len(b.Entries), baseline.DateOf(day), g.starter, dir)
	return err
}

// printing is a checked job, ready for any format.
type printing struct {
	ctx     context.Context
	dir     string
	d       *dataset.Dataset
	proj    grid.Projection
	res     *match.Result
	outcome baseline.Outcome
	// baseline is the file's name; empty where there is none.
	baseline string
	failOn   match.Severity
	all      bool

	// explain looks for causes, at the first format that shows them.
	explain bool

	at *match.Located
	ex *cause.Explanation
}

// explanation has the causes of what is out; nil where none are wanted.
func (p *printing) explanation() (*cause.Explanation, error) {
	if p.explain && p.ex == nil {
		ex, err := p.d.Explain(p.ctx, p.proj, p.res, opener(p.d.Settings))
		if err != nil {
			return nil, err
		}
		p.ex = ex
	}
	return p.ex, nil
}

// write writes the job in one format.
func (p *printing) write(w io.Writer, format string, now time.Time) error {
	name := jobName(p.dir)
	switch format {
	case "json":
		doc, reading := report.NewCheck(name, p.res, p.outcome), p.d.Reading()
		doc.Survey = &reading
		var err error
		if doc.Explanation, err = p.explanation(); err != nil {
			return err
		}
		return report.Document(w, doc)
	case "csv":
		return report.CSV(w, p.res)
	case "sarif":
		return report.SARIF(w, name, version(), p.res, p.outcome, p.places())
	case "junit":
		return report.JUnit(w, name, p.res, p.outcome, p.failOn)
	case "gpkg":
		opt := report.GeoPackageOptions{Time: now}
		if text, ok := p.proj.(interface{ WKT() string }); ok {
			opt.WKT = text.WKT()
		}
		return report.GeoPackage(p.ctx, w, p.res, opt)
	case "geojson", "kml":
		if p.at == nil {
			at, err := match.Locate(p.ctx, p.proj, p.res, p.d.Settings.Options())
			if err != nil {
				return err
			}
			p.at = at
		}
		if format == "kml" {
			return report.KML(w, name, p.res, p.at)
		}
		return report.GeoJSON(w, name, p.res, p.at)
	case "summary":
		return report.Summary(w, p.res, p.outcome, report.SummaryOptions{Title: p.dir, FailOn: p.failOn, Baseline: p.baseline})
	}
	opt := report.TextOptions{Title: p.dir, Facts: report.ReadingFacts(p.d.Reading()), All: p.all, Next: nextAfterCheck(p.dir, p.res)}
	if p.baseline != "" {
		opt.Outcome = &p.outcome
	}
	var err error
	if opt.Explanation, err = p.explanation(); err != nil {
		return err
	}
	return report.Text(w, p.res, opt)
}

// unplaced tells of what a map leaves out.
func (p *printing) unplaced(w io.Writer) {
	if p.at == nil || len(p.at.Faults) == 0 {
		return
	}
	fmt.Fprintf(w, "phototie: %d without a place on the map; the first: %s\n", len(p.at.Faults), p.at.Faults[0])
}

// places says where the files of the dataset are, as seen from here.
func (p *printing) places() report.Files {
	s := p.d.Settings
	return report.Files{Root: fromHere(p.dir), Points: s.Points.File, Links: s.Links.File, Settings: dataset.SettingsFile, Baseline: fromHere(p.baseline)}
}

// fromHere is a path relative to the working folder, with slashes; empty where
// it is not below that.
func fromHere(name string) string {
	if name == "" {
		return ""
	}
	here, err := os.Getwd()
	if err != nil {
		return ""
	}
	abs, err := filepath.Abs(name)
	if err != nil {
		return ""
	}
	rel, err := filepath.Rel(here, abs)
	if err != nil || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return ""
	}
	return path.Clean(filepath.ToSlash(rel))
}
