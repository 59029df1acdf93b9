package main

import (
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

func newCheck(e *env) *cobra.Command {
	var all bool
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

Every photo, every point and every link is accounted for. The exit code is 1
where there are findings at or above --fail-on.`,
		Example: `  phototie check job
  phototie check --all job                          list the photos within budget too
  phototie check --format json job > job.json
  phototie check --fail-on error job                pass with warnings`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	failOn := addChoice(cmd, "fail-on", "warning", "the least severity that makes the exit code 1", "error", "warning", "note", "never")
	cmd.Flags().BoolVar(&all, "all", false, "list every photo and every finding in the text")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		d, proj, err := openDataset(args[0])
		if err != nil {
			return err
		}
		defer d.Close()
		tell, done := progress(e.stderr, "reading photos")
		res, err := d.Check(cmd.Context(), proj, tell)
		done()
		if err != nil {
			return err
		}
		switch format.value {
		case "json":
			err = report.JSON(e.stdout, filepath.Base(args[0]), res)
		case "csv":
			err = report.CSV(e.stdout, res)
		default:
			err = report.Text(e.stdout, res, report.TextOptions{Title: args[0], Facts: report.ReadingFacts(d.Reading()), All: all, Next: nextAfterCheck(args[0], res)})
		}
		if err != nil {
			return err
		}
		return verdictOn(append(res.Findings(), d.Reading().Findings()...), failOn.value)
	}
	return cmd
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
