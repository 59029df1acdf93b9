package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
	"example.com/phototie/match/suggest"
)

func newCorrect(e *env) *cobra.Command {
	var (
		opt  dataset.CorrectOptions
		only []string
		all  bool
	)
	cmd := &cobra.Command{
		Use:   "correct (--into DIR | --in-place) [flags] DIR",
		Short: "Write the surveyed positions into the photos",
		Long: `correct checks the dataset in the folder DIR and writes, into each photo whose
verdict --only allows, the position of the point it is tied to. Every other byte
of the photo stays as it is. The position of a raw photo goes into its side-car
file (IMG.xmp or IMG.NEF.xmp beside IMG.NEF), which is created where there is none.

With --into the corrected copies go to another folder, together with copies of
the settings, points, links and remaining photos, and the originals are not
touched. With --in-place the photos themselves are changed. Either way a ledger
(phototie-ledger.jsonl) records how to get every original byte back; see
phototie restore.

By default only photos within budget are corrected: a discrepancy over budget may
mean that the photo is tied to the wrong point, and an unjudged photo has nothing
to confirm its tie. Once you have looked at them, name them too with
--only within,over,gross,unjudged. A photo whose link is contradicted by the rest of
the evidence is left in any case, unless you say --contradicted: mend the link.

Nothing is written, and the exit code is 1, where the points may be wrong as a
whole: a grid, a unit or a datum that does not fit, or a shift of all tags that
nothing explains. --despite-findings writes all the same. A photo that was replaced
since it was judged is left, and the exit code is 1.

--position subject (the default) makes the tag the point's position. --position
camera leaves the tag where the camera was and writes the point as the
destination.`,
		Example: `  phototie correct --dry-run job
  phototie correct --into job-corrected job
  phototie correct --in-place --only within,over job`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	f := cmd.Flags()
	f.StringVar(&opt.Into, "into", "", "write corrected copies into this folder")
	f.BoolVar(&opt.InPlace, "in-place", false, "change the photos themselves")
	f.BoolVar(&opt.DryRun, "dry-run", false, "show each change, write nothing")
	f.StringSliceVar(&only, "only", []string{"within"}, "the verdicts to correct, with commas between")
	f.BoolVar(&opt.Policy.Contradicted, "contradicted", false, "correct photos too whose link the rest of the evidence contradicts")
	f.BoolVar(&opt.Policy.AllowSigned, "break-signature", false, "change images that carry a signed provenance manifest (C2PA), which breaks the signature")
	f.BoolVar(&opt.Despite, "despite-findings", false, "write where the points may be wrong as a whole, too")
	f.BoolVar(&opt.Sidecars, "sidecars", false, "correct the positions in side-car files (.xmp) beside photos that are not raw, too")
	f.BoolVar(&all, "all", false, "list every photo")
	position := addChoice(cmd, "position", "subject", "what the new position stands for", "subject", "camera")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.MarkFlagsMutuallyExclusive("into", "in-place")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if opt.Into == "" && !opt.InPlace && !opt.DryRun {
			return usagef("say where the corrected photos go: --into DIR for copies, or --in-place to change the photos themselves (--dry-run shows what would be done)")
		}
		var err error
		if opt.Policy.Only, err = verdicts(only); err != nil {
			return err
		}
		if position.value == "camera" {
			opt.Policy.Meaning = geotag.CameraPosition
		}
		opt.Tool = "phototie " + version()
		d, err := dataset.Open(args[0], crs.OpenGrid)
		if err != nil {
			return err
		}
		defer d.Close()
		tell, done := progress(e.stderr, "reading photos")
		// No correction depends on the pixels.
		job, err := d.Check(cmd.Context(), dataset.CheckOptions{Pixels: dataset.PixelsNever, Progress: tell})
		done()
		if err != nil {
			return err
		}
		tell, done = progress(e.stderr, "correcting photos")
		doc := report.Correct{Dataset: args[0], Into: opt.Into, DryRun: opt.DryRun, Position: position.value, Changes: []dataset.Change{}}
		for c, cerr := range job.Correct(cmd.Context(), opt) {
			if cerr != nil {
				err = cerr
				break
			}
			doc.Changes = append(doc.Changes, c)
			if tell != nil {
				tell(len(doc.Changes), len(job.Photos))
			}
		}
		done()
		var stop *dataset.StopError
		if errors.As(err, &stop) {
			return err
		}
		if err != nil {
			return fmt.Errorf("%w\nafter %d of %d photos; those before it are written and on record, run the same command again to go on", err, len(doc.Changes), len(job.Photos))
		}
		switch format.value {
		case "json":
			err = report.CorrectJSON(e.stdout, doc)
		case "csv":
			err = report.CorrectCSV(e.stdout, doc)
		default:
			err = report.CorrectText(e.stdout, doc, all || opt.DryRun, nextAfterCorrect(args[0], opt, doc))
		}
		if err != nil {
			return err
		}
		if doc.Count(dataset.Refused) > 0 {
			return errFindings
		}
		return nil
	}
	return cmd
}

var verdictNames = []string{"within", "over", "gross", "unjudged"}

// verdicts reads the words of --only.
func verdicts(words []string) ([]match.Verdict, error) {
	var out []match.Verdict
	for _, w := range words {
		v := match.Verdict(strings.TrimSpace(w))
		if !slices.Contains(match.Verdicts, v) {
			return nil, usagef("--only: %q is no verdict%s", w, suggest.Nearest(string(v), verdictNames...))
		}
		out = append(out, v)
	}
	if len(out) == 0 {
		return nil, usagef("--only names no verdict; they are within, over, gross, unjudged")
	}
	return out, nil
}

// nextAfterCorrect words what to do after correcting.
func nextAfterCorrect(dir string, opt dataset.CorrectOptions, doc report.Correct) []string {
	var next []string
	left := map[match.Verdict]int{}
	for _, c := range doc.Changes {
		if c.Outcome == dataset.Left && c.Point != "" {
			left[c.Verdict]++
		}
	}
	var parts []string
	for _, v := range match.Verdicts {
		if left[v] > 0 && !slices.Contains(opt.Policy.Only, v) {
			parts = append(parts, fmt.Sprintf("%d %s", left[v], v))
		}
	}
	if len(parts) > 0 {
		next = append(next, "Left as they are: "+strings.Join(parts, ", ")+". Look at them, mend the links where they are wrong, then name their verdicts with --only.")
	}
	switch {
	case opt.DryRun:
		next = append(next, "Nothing was written. Give --into DIR or --in-place without --dry-run to write.")
	case opt.InPlace:
		next = append(next, fmt.Sprintf("phototie restore %s takes every photo back to its original bytes.", dir))
	default:
		next = append(next, fmt.Sprintf("phototie check %s judges the corrected copies; the originals in %s are as they were.", opt.Into, dir))
	}
	return next
}
