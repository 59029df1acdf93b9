package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
	"example.com/phototie/match/suggest"
)

// corrections is what correct and pack take about corrections.
type corrections struct {
	policy            match.Policy
	only              []string
	position          *choice
	sidecars, despite bool
	label, relabel    bool
}

// flags gives a command the flags; despite says what --despite-findings does.
func (c *corrections) flags(cmd *cobra.Command, despite string) {
	f := cmd.Flags()
	f.StringSliceVar(&c.only, "only", []string{"within"}, "the verdicts to correct, with commas between")
	f.BoolVar(&c.policy.Contradicted, "contradicted", false, "correct photos too whose link the rest of the evidence contradicts")
	f.BoolVar(&c.policy.AllowSigned, "break-signature", false, "change images that carry a signed provenance manifest (C2PA), which breaks the signature")
	f.BoolVar(&c.sidecars, "sidecars", false, "correct the positions in side-car files (.xmp) beside photos that are not raw, too")
	f.BoolVar(&c.label, "label", false, "write the point's id, code and description into the corrected photos too; what is there is kept")
	f.BoolVar(&c.relabel, "relabel", false, "the same, in place of the title and description that are there")
	f.BoolVar(&c.despite, "despite-findings", false, despite)
	c.position = addChoice(cmd, "position", "subject", "what the new position is the position of", "subject", "camera")
}

// prepare puts the policy together.
func (c *corrections) prepare() (err error) {
	if c.position.value == "camera" {
		c.policy.Meaning = geotag.CameraPosition
	}
	c.policy.Only, err = verdicts(c.only)
	return err
}

// correct is the command correct with its flags.
type correct struct {
	*env
	corrections
	opt    dataset.CorrectOptions
	all    bool
	format *choice
}

func newCorrect(e *env) *cobra.Command {
	c := &correct{env: e}
	cmd := command("correct", argsExactly(1, "the dataset's folder"))
	f := cmd.Flags()
	f.StringVar(&c.opt.Into, "into", "", "write corrected copies into this folder")
	f.BoolVar(&c.opt.InPlace, "in-place", false, "change the photos themselves")
	f.BoolVar(&c.opt.DryRun, "dry-run", false, "show each change, write nothing")
	c.flags(cmd, "write where the points may be wrong as a whole, too")
	f.BoolVar(&c.all, "all", false, "list every photo")
	c.format = addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error { return c.run(cmd.Context(), args[0]) }
	return cmd
}

func (c *correct) run(ctx context.Context, dir string) error {
	if c.opt.Into != "" && c.opt.InPlace {
		return usagef("--into writes copies and --in-place changes the photos themselves; leave one of the two out")
	}
	if c.opt.Into == "" && !c.opt.InPlace && !c.opt.DryRun {
		return usagef("say where the corrected photos go: --into DIR for copies, or --in-place to change the photos themselves (--dry-run shows what would be done)")
	}
	if err := c.prepare(); err != nil {
		return err
	}
	c.opt.Policy, c.opt.Sidecars, c.opt.Override, c.opt.Tool = c.policy, c.sidecars, c.despite, "phototie "+version()
	c.opt.Label, c.opt.Relabel = c.label || c.relabel, c.relabel
	// No correction depends on the pixels.
	job, err := checked(ctx, c.env, dir, &dataset.CheckOptions{Pixels: dataset.PixelsNever}, func(d *dataset.Dataset) error { return d.MayCorrect(c.opt) })
	if err != nil {
		return err
	}
	defer job.Dataset().Close()
	tell, done := progress(c.stderr, "correcting photos")
	lost := false
	c.opt.Ledger = func(o ledger.Outcome) {
		lost = true
		fmt.Fprintf(c.stderr, "phototie: %s: %s\n", report.Plain(o.Photo), report.Plain(strings.Join(o.Notes, "; ")))
	}
	doc := report.Correct{Dataset: dir, Into: c.opt.Into, DryRun: c.opt.DryRun, Position: c.position.value, Unit: job.Result.Grid.Unit, Changes: []dataset.Change{}}
	for ch, cerr := range job.Correct(ctx, c.opt) {
		if cerr != nil {
			err = cerr
			break
		}
		doc.Changes = append(doc.Changes, ch)
		if tell != nil {
			tell(len(doc.Changes), len(job.Photos))
		}
	}
	done()
	if stop := (*dataset.StopError)(nil); errors.As(err, &stop) {
		return err
	}
	if err != nil {
		return fmt.Errorf("%w\nafter %d of %d photos; those before it are written and on record, run the same command again to go on", err, len(doc.Changes), len(job.Photos))
	}
	doc.All, doc.Next = c.all || c.opt.DryRun, nextAfterCorrect(dir, c.opt, doc)
	err = report.Print(c.stdout, report.Format(c.format.value), doc)
	if err == nil && (lost || doc.Count(dataset.Refused) > 0) {
		err = errFindings
	}
	return err
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
		next = append(next, fmt.Sprintf("phototie pack --into DELIVERY %s packs all there is to hand over.", dir))
	default:
		next = append(next, fmt.Sprintf("phototie check %s judges the corrected copies; the originals in %s are as they were.", opt.Into, dir))
		next = append(next, fmt.Sprintf("phototie pack --into DELIVERY %s packs all there is to hand over, corrected.", dir))
	}
	return next
}
