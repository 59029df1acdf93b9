package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/report"
)

func newPack(e *env) *cobra.Command {
	var (
		opt    delivery.Options
		only   []string
		all    bool
		names  string
		accept acceptance
	)
	cmd := &cobra.Command{
		Use:   "pack --into DELIVERY [flags] DIR",
		Short: "Pack a dataset into one folder to hand over",
		Long: `pack checks the dataset in the folder DIR and makes the folder DELIVERY, which must
be new or empty: the photos, corrected and named by their points; the points; the
links by the new names; the photo record; the formats for other programs; the
ledger, from which phototie restore gets every original byte back; and SHA256SUMS,
which sha256sum -c verifies. The delivery is a dataset itself. DIR is not changed.

Nothing is packed, and the exit code is 1, where there are findings at or above
--fail-on that no --baseline accepts. --despite-findings packs all the same; the
delivery then says so. Photos that correct would leave as they are (over budget, a
link that is contradicted, no point) go in as they are, and the record says that.

--names is a template for the photos' names, without the extension, which each
photo keeps. A slash makes folders. The placeholders are:

` + placeholders() + `
Names are made safe for Windows, macOS and Linux; one that is taken gets "-2".
Photos without a point keep their names, in photos/` + delivery.UntiedFolder + `. links.csv, pack.json and the
CSV have the names before.

The same dataset gives the same bytes on any day. No time of packing is written
unless SOURCE_DATE_EPOCH gives it. A pack that is stopped leaves no DELIVERY.`,
		Example: `  phototie pack --into delivery job
  phototie pack --into delivery --dry-run --names '{code}/{point}_{nn}' job     show the names
  phototie pack --into delivery --baseline accepted.toml job
  phototie pack --into delivery --only within,over --despite-findings job`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	f := cmd.Flags()
	f.StringVar(&opt.Into, "into", "", "make this folder, which must be new or empty")
	f.StringVar(&names, "names", delivery.DefaultTemplate, "the template for the photos' names")
	f.BoolVar(&opt.DryRun, "dry-run", false, "show the names, write nothing")
	f.StringSliceVar(&only, "only", []string{"within"}, "the verdicts to correct, with commas between")
	f.BoolVar(&opt.Policy.Contradicted, "contradicted", false, "correct photos too whose link the rest of the evidence contradicts")
	f.BoolVar(&opt.Policy.AllowSigned, "break-signature", false, "change images that carry a signed provenance manifest (C2PA), which breaks the signature")
	f.BoolVar(&opt.Sidecars, "sidecars", false, "correct the positions in side-car files (.xmp) beside photos that are not raw, too")
	f.BoolVar(&opt.Despite, "despite-findings", false, "pack all the same where findings stand in the way")
	accept.flags(cmd)
	f.StringVar(&opt.Title, "title", "", "the job's name (default the dataset's folder)")
	f.BoolVar(&all, "all", false, "list every photo with its two names")
	position := addChoice(cmd, "position", "subject", "what the new position stands for", "subject", "camera")
	pixels := addPixels(cmd)
	pictures := addChoice(cmd, "pictures", "drawn", "the small pictures of the record", "drawn", "embedded", "none")
	failOn := addChoice(cmd, "fail-on", "warning", "the least severity that stands in the way", "error", "warning", "note", "never")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if opt.Into == "" && !opt.DryRun {
			return usagef("say where the delivery goes: --into DELIVERY (--dry-run shows the names)")
		}
		var err error
		if opt.Template, err = delivery.ParseTemplate(names); err != nil {
			return usagef("--names: %w", err)
		}
		if opt.Policy.Only, err = verdicts(only); err != nil {
			return err
		}
		if position.value == "camera" {
			opt.Policy.Meaning = geotag.CameraPosition
		}
		opt.FailOn = severity(failOn)
		opt.Pictures = delivery.Pictures(pictures.value)
		opt.Program, opt.Version = "phototie", version()
		if err := accept.prepare(); err != nil {
			return err
		}
		opt.Baseline, opt.Today, opt.Time = accept.baseline, accept.today, accept.build
		if opt.Title == "" {
			opt.Title = jobName(args[0])
		}
		d, err := dataset.Open(args[0], crs.OpenGrid)
		if err != nil {
			return err
		}
		defer d.Close()
		opt.Pixels = pixelPolicies[pixels.value]
		opt.Progress = func(what string) (dataset.Progress, func()) { return progress(e.stderr, what) }
		tell, done := progress(e.stderr, "reading photos")
		job, err := d.Check(cmd.Context(), dataset.CheckOptions{Pixels: opt.Pixels, Progress: tell})
		done()
		if err != nil {
			return err
		}
		doc, err := delivery.Pack(cmd.Context(), job, opt)
		if err != nil {
			return err
		}
		switch format.value {
		case "json":
			err = report.PackJSON(e.stdout, *doc)
		case "csv":
			err = report.PackCSV(e.stdout, *doc)
		default:
			err = report.PackText(e.stdout, *doc, all || opt.DryRun, nextAfterPack(args[0], doc))
		}
		if err == nil && !doc.Packed && !doc.DryRun {
			err = errFindings
		}
		return err
	}
	return cmd
}

// placeholders lists the placeholders of names, one a line.
func placeholders() string {
	var b strings.Builder
	for _, p := range delivery.Placeholders() {
		fmt.Fprintf(&b, "  %-9s %s\n", p[0], p[1])
	}
	return b.String()
}

// nextAfterPack words what to do after packing.
func nextAfterPack(dir string, doc *report.Pack) []string {
	switch {
	case doc.DryRun:
		return []string{"Nothing was written. Give --into DELIVERY without --dry-run to pack."}
	case !doc.Packed:
		return []string{
			fmt.Sprintf("phototie check --all %s lists all there is to look at. Mend the links and settings that are wrong.", dir),
			fmt.Sprintf("phototie check --write-baseline accepted.toml %s makes a file of the rest, for reasons; then pack with --baseline accepted.toml.", dir),
			"--despite-findings packs as it is, and the delivery says so.",
		}
	}
	check := "phototie check " + doc.Into
	if doc.Delivery.Accepted > 0 {
		check = fmt.Sprintf("phototie check --baseline %s %s", filepath.Join(doc.Into, delivery.AcceptedFile), doc.Into)
	}
	var next []string
	if n := len(doc.LeftOut); n > 0 {
		next = append(next, fmt.Sprintf("%d files among the photos belong to none of them and were left out, %s first; %s lists them.", n, doc.LeftOut[0], delivery.PackFile))
	}
	return append(next,
		fmt.Sprintf("(cd %s && sha256sum -c --quiet %s) verifies every file.", doc.Into, delivery.SumsFile),
		check+" judges the delivery as whoever gets it can.",
		fmt.Sprintf("phototie restore DIR takes the photos of a copy of %s back to their original bytes.", doc.Into),
	)
}
