package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

func newCheck(e *env) *cobra.Command {
	var (
		all, explain bool
		stream       bool
		g            gate
	)
	cmd := &cobra.Command{
		Use:   "check [flags] DIR",
		Short: "Judge every photo of a dataset against its surveyed point",
		Long: `check reads the dataset in the folder DIR (phototie.toml names its grid, points,
links and photos), puts every tag on the grid, compares it with the point the
photo is tied to, and judges the difference against the accuracy budget:

  within    no further from the point than the budget allows
  over      further
  gross     so much further that handheld noise can't explain it
  unjudged  nothing to judge, with the reason

What is out is explained where a cause leaves its signature: links that are one
point late, a frozen fix, a hemisphere flipped, another datum, zone or foot. Causes
come first in the text, with what to do; nothing is changed. --propose writes the
links file, the points file or the settings as the causes would have them into a
new folder, for you to compare and to put in their places.

With [photo_requirements] in phototie.toml the photos are looked at as pictures
too: whether they are large and sharp enough, clipped, copies of each other, marked
up, and enough of them for each point, by the code of the point. That takes a while,
since each photo is decoded; --pixels never leaves it out, but for the number of
photos, and --pixels always does it without the table too.

Every photo, every point and every link is accounted for. The exit code is 1
where there are findings at or above --fail-on.

--stream is for jobs of very many photos: it reads each photo twice and holds none,
weighs no ties, looks for no causes and measures no pixels.

--format says what is printed. --out writes files besides, each in the format
that its name ends in: .sarif, .xml (JUnit), .json, .csv, .geojson, .kml, .gpkg
(GeoPackage) or .txt.

As a gate: --baseline names a file of accepted findings, each with a reason and
the last day on which it holds. They don't count. What has run out counts again.
--write-baseline makes such a file of what is found, for you to fill in.`,
		Example: `  phototie check job
  phototie check --all job                          list the photos within budget too
  phototie check --format json job > job.json
  phototie check --fail-on error job                pass with warnings
  phototie check --pixels always job                look for small and blurred photos
  phototie check --out job.geojson --out job.gpkg job
  phototie check --propose mended job               then: diff job/links.csv mended/links.csv
  phototie check --write-baseline accepted.toml job
  phototie check --summary --baseline accepted.toml --out job.sarif --out job.xml job`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv", "geojson", "sarif", "junit", "kml")
	failOn := addChoice(cmd, "fail-on", "warning", "the least severity that makes the exit code 1", "error", "warning", "note", "never")
	cmd.Flags().BoolVar(&all, "all", false, "list every photo and every finding in the text")
	cmd.Flags().BoolVar(&explain, "explain", true, "look for causes of what is out; --explain=false leaves that out")
	cmd.Flags().BoolVar(&stream, "stream", false, "hold no photos in memory, for very large jobs: with --format json; ties are not weighed")
	pixels := addPixels(cmd)
	g.flags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		d, proj, err := openDataset(args[0])
		if err != nil {
			return err
		}
		defer d.Close()
		if g.propose != "" && !explain {
			return usagef("--propose writes what the causes propose; leave --explain=false out")
		}
		d.Pixels = pixelPolicies[pixels.value]
		if g.summary && (all || cmd.Flags().Changed("format")) {
			return usagef("--summary takes the place of the text; leave --format and --all out, or write a file with --out")
		}
		if err := g.prepare(d, args[0]); err != nil {
			return err
		}
		tell, done := progress(e.stderr, "reading photos")
		if stream {
			if err := g.streams(d, format.value, all, cmd.Flags().Changed("explain") && explain); err != nil {
				return err
			}
			out, err := streamed(cmd.Context(), e.stdout, args[0], d, proj, tell, g.apply)
			done()
			if err != nil {
				return err
			}
			return verdictOn(out.Kept, failOn.value)
		}
		res, err := d.Check(cmd.Context(), proj, tell)
		done()
		if err != nil {
			return err
		}
		p := printing{ctx: cmd.Context(), dir: args[0], d: d, proj: proj, res: res, baseline: g.baseline, all: all, explain: explain,
			outcome: g.apply(d.Findings(res))}
		if failOn.value != "never" {
			p.failOn = match.Severity(failOn.value)
		}
		if err := g.files(&p); err != nil {
			return err
		}
		if g.propose != "" {
			if err := g.proposals(&p, e.stderr); err != nil {
				return err
			}
		}
		if g.starter != "" {
			return g.start(e.stdout, p.outcome, p.failOn, args[0])
		}
		show := format.value
		if g.summary {
			show = "summary"
		}
		if err := p.write(e.stdout, show, g.now); err != nil {
			return err
		}
		p.unplaced(e.stderr)
		return verdictOn(p.outcome.Kept, failOn.value)
	}
	return cmd
}

// streams says what --stream can't go with.
func (g *gate) streams(d *dataset.Dataset, format string, all, explain bool) error {
	switch {
	case format != "json":
		return usagef("--stream writes photo by photo, which only --format json does")
	case g.summary || all || explain || len(g.outs) > 0 || g.starter != "" || g.propose != "":
		return usagef("--stream holds no photos; leave --all, --explain, --summary, --out, --propose and --write-baseline out")
	case d.MeasuresPixels():
		return usagef("--stream measures no pixels, and the settings ask something of them; say --pixels never to leave that out")
	case d.Settings.Ties.InferUntied:
		return usagef("--stream weighs no ties, and ties.infer_untied in %s asks for it", dataset.SettingsFile)
	}
	return nil
}

// streamed checks a dataset photo by photo and prints it as it goes.
func streamed(ctx context.Context, w io.Writer, dir string, d *dataset.Dataset, proj grid.Projection, tell dataset.Progress, judge func([]match.Finding) baseline.Outcome) (baseline.Outcome, error) {
	s, err := d.Stream(ctx, proj, tell)
	if err != nil {
		return baseline.Outcome{}, err
	}
	reading := d.Reading()
	b := bufio.NewWriterSize(w, 1<<20)
	out, err := report.StreamJSON(ctx, b, jobName(dir), s, &reading, judge)
	return out, errors.Join(err, b.Flush())
}

// jobName is what a dataset is called: its folder.
func jobName(dir string) string {
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

// openDataset opens a dataset and the grid that its points are on.
func openDataset(dir string) (*dataset.Dataset, site.MeasuredProjection, error) {
	d, err := dataset.Open(dir)
	if err != nil {
		return nil, nil, err
	}
	proj, err := d.Projection(opener(d.Settings))
	if err != nil {
		d.Close()
		return nil, nil, err
	}
	// A CRS can measure on its ellipsoid, and so can a site system on one.
	return d, proj.(site.MeasuredProjection), nil
}

// opener opens systems with PROJ, the job's grid with the choice of operations
// that the settings make.
func opener(s dataset.Settings) dataset.Opener {
	return func(definition string) (grid.Projection, error) {
		if definition != s.Grid.CRS {
			return opened(crs.Open(definition))
		}
		opt := crs.Options{Forbid: s.Frame.Forbid}
		if s.Frame.Operation != "" {
			opt.Only = []string{s.Frame.Operation}
		}
		if s.Frame.Datum != "" || len(s.Frame.Datums) > 0 {
			opt.Datums = append(slices.Collect(maps.Values(s.Frame.Datums)), s.Frame.Datum, "WGS-84")
		}
		c, err := opened(crs.OpenWith(definition, opt))
		var choice *crs.OperationError
		if errors.As(err, &choice) {
			err = &dataset.Problem{File: dataset.SettingsFile, What: "frame.operation and frame.forbid: " + err.Error(),
				Remedy: "phototie frames lists the operations once the two are out of the way"}
		}
		return c, err
	}
}

// opened keeps a nil *crs.CRS from becoming a projection.
func opened(c *crs.CRS, err error) (grid.Projection, error) {
	if err != nil {
		return nil, err
	}
	return c, nil
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

// nextAfterCheck words what to do after a check.
func nextAfterCheck(dir string, res *match.Result) []string {
	var next []string
	bad := res.Counts[match.Gross] + res.Counts[match.Over]
	if n := res.Counts[match.Gross]; n > 0 {
		next = append(next, fmt.Sprintf("Look at the %d gross photos first: does each show the point it is tied to? Mend the links file where not.", n))
	}
	if bad > 0 || res.Counts[match.Unjudged] > 0 {
		next = append(next, fmt.Sprintf("phototie check --format csv %s gives every photo with its figures.", dir))
	}
	if res.Counts[match.Within]+bad > 0 {
		next = append(next, fmt.Sprintf("phototie correct --into DIR %s writes corrected copies of the photos whose ties you trust.", dir))
	}
	return next
}
