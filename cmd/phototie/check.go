package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

// check is the command check with its flags.
type check struct {
	*env
	all, explain, stream, summary bool
	format, failOn, pixels        *choice
	outs, photos                  []string
	starter, propose              string
	accept                        acceptance
	output                        output

	explicit func(flag string) bool // whether a flag was given
	formats  []report.Format        // of outs
}

func newCheck(e *env) *cobra.Command {
	c := &check{env: e}
	cmd := command("check", argsBetween(1, math.MaxInt, "the dataset's folder"))
	c.format = addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv", "geojson", "sarif", "junit", "kml")
	c.failOn = addChoice(cmd, "fail-on", "warning", "the least severity that makes the exit code 1", "error", "warning", "note", "never")
	f := cmd.Flags()
	f.BoolVar(&c.all, "all", false, "list every photo and every finding in the text")
	f.BoolVar(&c.explain, "explain", true, "look for causes of what is out; --explain=false leaves that out")
	f.BoolVar(&c.stream, "stream", false, "hold no photos in memory, for very large jobs: with --format json; ties are not weighed")
	c.pixels = addPixels(cmd)
	f.StringArrayVar(&c.outs, "out", nil, "also write FILE, in the format that its name ends in; may be repeated")
	f.BoolVar(&c.summary, "summary", false, fmt.Sprintf("print a summary of at most %d lines in place of the text", report.SummaryLines))
	f.StringVar(&c.starter, "write-baseline", "", "write a baseline of what fails the gate to this new file, for reasons to be filled in")
	f.StringVar(&c.propose, "propose", "", "write the files that the causes propose (links, points, settings) into this new folder")
	c.accept.flags(cmd)
	c.output.flags(cmd)
	c.explicit = f.Changed
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		c.photos = args[1:]
		return c.run(cmd.Context(), args[0])
	}
	return cmd
}

func (c *check) run(ctx context.Context, dir string) error {
	d, err := c.open(ctx, dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := c.prepare(d); err != nil {
		return err
	}
	tell, done := progress(c.stderr, "reading photos")
	if c.stream {
		out, err := c.streamed(ctx, d, dir, tell)
		done()
		if err != nil {
			return err
		}
		return verdictOn(out.Kept, c.failOn.value)
	}
	opt := dataset.CheckOptions{Pixels: pixelPolicies[c.pixels.value], Progress: tell}
	if !c.explain {
		opt.Causes = []cause.Cause{}
	}
	job, err := d.Check(ctx, opt)
	done()
	if err != nil {
		return err
	}
	if len(c.photos) > 0 {
		if job, err = job.Of(photosOf(dir, c.photos)); err != nil {
			return usageError{err}
		}
	}
	j := &report.Job{Checked: job, Name: jobName(dir), Outcome: c.accept.apply(job.Findings()), FailOn: severity(c.failOn),
		Version: version(), Root: fromTop(dir, dir), Baseline: fromTop(dir, c.accept.file), Time: c.accept.now,
		Text: report.TextOptions{Title: dir, All: c.all, Next: nextAfterCheck(dir, job.Result)}}
	for i, out := range c.outs {
		if err := writeWhole(out, func(w io.Writer) error { return j.Write(ctx, w, c.formats[i]) }); err != nil {
			return err
		}
	}
	if c.propose != "" {
		if err := c.proposals(ctx, job); err != nil {
			return err
		}
	}
	if c.starter != "" {
		return c.start(j.Outcome, j.FailOn, dir)
	}
	if err := c.print(ctx, j); err != nil {
		return err
	}
	return verdictOn(j.Outcome.Kept, c.failOn.value)
}

// print prints the job, and tells of what a map leaves out.
func (c *check) print(ctx context.Context, j *report.Job) error {
	show := report.Format(c.format.value)
	if c.summary {
		err := report.Summary(c.stdout, j.Result, j.Outcome, report.SummaryOptions{Title: j.Text.Title, FailOn: j.FailOn, Baseline: c.accept.file})
		if err != nil {
			return err
		}
	} else if err := j.Write(ctx, c.stdout, show); err != nil {
		return err
	}
	if !slices.ContainsFunc(append(slices.Clone(c.formats), show), func(f report.Format) bool { return f == report.FormatGeoJSON || f == report.FormatKML }) {
		return nil
	}
	at, err := j.Locate(ctx)
	if err == nil && len(at.Faults) > 0 {
		fmt.Fprintf(c.stderr, "phototie: %d without a place on the map; the first: %s\n", len(at.Faults), at.Faults[0])
	}
	return err
}

// prepare looks at the flags and reads what it can before the photos are read, so
// that a mistake costs no time.
func (c *check) prepare(d *dataset.Dataset) error {
	switch {
	case c.propose != "" && !c.explain:
		return usagef("--propose writes what the causes propose; leave --explain=false out")
	case c.propose != "" && len(c.photos) > 0:
		return usagef("--propose is about the whole job; leave the photos out")
	case c.summary && (c.all || c.explicit("format")):
		return usagef("--summary takes the place of the text; leave --format and --all out, or write a file with --out")
	}
	if err := errors.Join(c.accept.prepare(), c.guardOuts(d)); err != nil {
		return err
	}
	if c.stream {
		return c.streams(d)
	}
	return nil
}

// guardOuts looks at the places of all that is to be written.
func (c *check) guardOuts(d *dataset.Dataset) error {
	for _, out := range c.outs {
		format, err := report.FormatOf(out)
		if err != nil {
			return usagef("--out %w", err)
		}
		if err := c.output.guard(d, out, func(head []byte) bool { return report.Wrote(format, head) }); err != nil {
			return err
		}
		c.formats = append(c.formats, format)
	}
	if c.starter != "" {
		if _, err := os.Lstat(c.starter); err == nil {
			return usagef("--write-baseline: %s is there already; name a new file, so that no reasons are lost", c.starter)
		}
		if err := c.output.guard(d, c.starter, nil); err != nil {
			return err
		}
	}
	if c.propose == "" {
		return nil
	}
	if err := dataset.Vacant(c.propose); err != nil {
		return usagef("--propose: %w", err)
	}
	return c.output.guard(d, c.propose, nil)
}

// streams refuses what can't be had of a job that is not held in memory.
func (c *check) streams(d *dataset.Dataset) error {
	switch {
	case c.format.value != "json":
		return usagef("--stream writes photo by photo, which only --format json does")
	case c.summary || c.all || c.explicit("explain") && c.explain || len(c.outs) > 0 || c.starter != "" || c.propose != "" || len(c.photos) > 0:
		return usagef("--stream holds no photos; leave names of photos, --all, --explain, --summary, --out, --propose and --write-baseline out")
	case d.MeasuresPixels(pixelPolicies[c.pixels.value]):
		return usagef("--stream measures no pixels, and the settings ask something of them; say --pixels never to leave that out")
	case d.Settings().Links.Decisions != "":
		return usagef("--stream weighs no decisions, and links.decisions in %s names some", dataset.SettingsFile)
	case d.Settings().Ties.InferUntied:
		return usagef("--stream weighs no ties, and ties.infer_untied in %s asks for it", dataset.SettingsFile)
	}
	return nil
}

// streamed checks a dataset photo by photo and prints it as it goes.
func (c *check) streamed(ctx context.Context, d *dataset.Dataset, dir string, tell dataset.Progress) (baseline.Outcome, error) {
	s, reading, err := d.Stream(ctx, tell)
	if err != nil {
		return baseline.Outcome{}, err
	}
	b := bufio.NewWriterSize(c.stdout, 1<<20)
	out, err := report.StreamJSON(ctx, b, jobName(dir), s, &reading, c.accept.apply)
	return out, errors.Join(err, b.Flush())
}

// proposals writes what the causes propose, and says what is where.
func (c *check) proposals(ctx context.Context, job *dataset.Checked) error {
	files, notes, err := job.Propose(ctx)
	if err != nil {
		return err
	}
	for _, f := range files {
		out := filepath.Join(c.propose, filepath.FromSlash(f.File))
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
		if f.Decisions {
			fmt.Fprintf(c.stderr, "%s: decisions proposed, which nobody has made yet: %d; phototie decide shows them with the photos\n", out, f.Changes)
			continue
		}
		fmt.Fprintf(c.stderr, "%s: changed from %s in %d rows or keys; compare the two, then put it in the place of that\n", out, f.File, f.Changes)
	}
	for _, n := range notes {
		fmt.Fprintf(c.stderr, "not in the files: %s\n", n)
	}
	if len(files) == 0 && len(notes) == 0 {
		fmt.Fprintln(c.stderr, "no cause proposes a change of links, points or settings")
	}
	return nil
}

// starterDays is for how many days the entries of a new baseline hold.
const starterDays = 90

// start writes a new baseline of the findings that fail the gate, and says what
// to do with it.
func (c *check) start(o baseline.Outcome, failOn match.Severity, dir string) error {
	today := c.accept.today
	day := time.Date(today.Year, today.Month, today.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, starterDays)
	if failOn != "" {
		// What does not fail the gate needs no acceptance.
		o.Kept = slices.DeleteFunc(slices.Clone(o.Kept), func(f match.Finding) bool { return !f.Severity.AtLeast(failOn) })
	}
	b, left := baseline.Starter(o, baseline.DateOf(day))
	if err := writeWhole(c.starter, b.Write); err != nil {
		return err
	}
	for _, f := range left {
		if _, err := fmt.Fprintf(c.stdout, "left out: %s %q: the name is not UTF-8 or has a star; rename the photo\n", f.Code, f.Photo); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(c.stdout, "%s: %d entries, until %s\n\nNext\n  Write a reason into each, or take it out and mend what it is about.\n  phototie check --baseline %s %s\n",
		c.starter, len(b.Entries), baseline.DateOf(day), c.starter, dir)
	return err
}

// folder opens a folder, or the ZIP of one, without settings.
func (e *env) folder(ctx context.Context, dir string) (*dataset.Dataset, error) {
	tell, done := progress(e.stderr, "unpacking")
	defer done()
	return dataset.OpenFolder(ctx, dir, tell)
}

// open opens the dataset in a folder, or in the ZIP of one.
func (e *env) open(ctx context.Context, dir string) (*dataset.Dataset, error) {
	d, err := e.folder(ctx, dir)
	if err != nil {
		return nil, err
	}
	if err := d.Settle(crs.OpenGrid); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

// checked opens and checks a dataset, with progress, unless one of may refuses it. The
// caller closes it.
func checked(ctx context.Context, e *env, dir string, opt *dataset.CheckOptions, may ...func(*dataset.Dataset) error) (*dataset.Checked, error) {
	d, err := e.open(ctx, dir)
	if err != nil {
		return nil, err
	}
	for _, f := range may {
		if err := f(d); err != nil {
			return nil, errors.Join(err, d.Close())
		}
	}
	tell, done := progress(e.stderr, "reading photos")
	defer done()
	opt.Progress = tell
	job, err := d.Check(ctx, *opt)
	if err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return job, nil
}

// jobName is what a dataset is called: its folder, or the ZIP of it without its ending.
func jobName(dir string) string {
	if ext := filepath.Ext(dir); strings.EqualFold(ext, ".zip") {
		dir = strings.TrimSuffix(dir, ext)
	}
	if abs, err := filepath.Abs(dir); err == nil {
		return filepath.Base(abs)
	}
	return filepath.Base(dir)
}

// pixelPolicies are the values of --pixels.
var pixelPolicies = map[string]dataset.PixelPolicy{"auto": dataset.PixelsAuto, "always": dataset.PixelsAlways, "never": dataset.PixelsNever}

// addPixels gives a command the flag --pixels.
func addPixels(cmd *cobra.Command) *choice {
	return addChoice(cmd, "pixels", "auto", "measure the pixels of the photos; auto does where the settings require something of them", "auto", "always", "never")
}

// severity is the value of --fail-on; empty for never.
func severity(failOn *choice) match.Severity {
	if failOn.value == "never" {
		return ""
	}
	return match.Severity(failOn.value)
}

// verdictOn turns findings at or above a severity into errFindings.
func verdictOn(findings []match.Finding, failOn string) error {
	if failOn == "never" {
		return nil
	}
	for _, f := range findings {
		if f.Severity.AtLeast(match.Severity(failOn)) {
			return errFindings
		}
	}
	return nil
}

// fromTop is the path of a file relative to the top of the repository that dir is in,
// or, where it is in none, to the working folder, with slashes; empty where the file
// is not below that.
func fromTop(dir, name string) string {
	if name == "" {
		return ""
	}
	top, err := filepath.Abs(dir)
	for parent := filepath.Dir(top); err == nil; parent = filepath.Dir(top) {
		if _, gone := os.Lstat(filepath.Join(top, ".git")); gone == nil {
			break
		}
		if top == parent {
			top, err = os.Getwd()
			break
		}
		top = parent
	}
	if err != nil {
		return ""
	}
	abs, err := filepath.Abs(name)
	if err != nil {
		return ""
	}
	rel, err := filepath.Rel(top, abs)
	if err != nil || !filepath.IsLocal(rel) {
		return ""
	}
	return filepath.ToSlash(rel)
}

// photosOf has the names that photos have in a job, of which each is given by that
// name or by its path from the working folder.
func photosOf(dir string, args []string) []string {
	names := make([]string, len(args))
	for i, arg := range args {
		names[i] = filepath.ToSlash(arg)
		if rel, err := filepath.Rel(dir, arg); err == nil && filepath.IsLocal(rel) {
			names[i] = filepath.ToSlash(rel)
		}
	}
	return names
}

// nextAfterCheck words what to do after a check.
func nextAfterCheck(dir string, res *match.Result) []string {
	var next []string
	if res.Counts[match.Gross]+res.Counts[match.Over] > 0 {
		next = append(next, fmt.Sprintf("phototie decide --out decide.html %s shows the photos in question on a page.", dir))
		next = append(next, fmt.Sprintf("phototie check --propose NEW %s writes the files as the causes propose.", dir))
	}
	if len(next) == 0 && len(res.Photos) > res.Counts[match.Unjudged] {
		next = append(next, fmt.Sprintf("phototie correct --into DIR %s writes corrected copies.", dir))
	}
	return next
}
