package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/report"
)

// pack is the command pack with its flags.
type pack struct {
	*env
	corrections
	opt                              delivery.Options
	all                              bool
	names, key                       string
	accept                           acceptance
	pixels, pictures, failOn, format *choice
}

func newPack(e *env) *cobra.Command {
	p := &pack{env: e}
	cmd := command("pack", argsExactly(1, "the dataset's folder"))
	f := cmd.Flags()
	f.StringVar(&p.opt.Into, "into", "", "make this folder, which must be new or empty")
	f.StringVar(&p.names, "names", delivery.DefaultTemplate, "the template for the photos' names")
	f.BoolVar(&p.opt.DryRun, "dry-run", false, "show the names, write nothing")
	p.flags(cmd, "pack all the same where findings stand in the way")
	p.accept.flags(cmd)
	f.StringVar(&p.opt.Title, "title", "", "the job's name (default that of the settings, else the dataset's folder)")
	f.BoolVar(&p.all, "all", false, "list every photo with its two names")
	f.StringVar(&p.key, "sign", "", "sign the sums with the SSH key in this FILE")
	p.pixels = addPixels(cmd)
	p.pictures = addChoice(cmd, "pictures", "drawn", "the small pictures of the record", "drawn", "embedded", "none")
	p.failOn = addChoice(cmd, "fail-on", "warning", "the least severity that stands in the way", "error", "warning", "note", "never")
	p.format = addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error { return p.run(cmd.Context(), args[0]) }
	return cmd
}

func (p *pack) run(ctx context.Context, dir string) error {
	if p.opt.Into == "" && !p.opt.DryRun {
		return usagef("say where the delivery goes: --into DELIVERY (--dry-run shows the names)")
	}
	var err error
	if p.opt.Template, err = delivery.ParseTemplate(p.names); err != nil {
		return usagef("--names: %w", err)
	}
	if err := p.prepare(); err != nil {
		return err
	}
	if err := p.accept.prepare(); err != nil {
		return err
	}
	p.opt.Policy, p.opt.Sidecars, p.opt.Override = p.policy, p.sidecars, p.despite
	p.opt.Label, p.opt.Relabel = p.label || p.relabel, p.relabel
	p.opt.FailOn, p.opt.Pixels = severity(p.failOn), pixelPolicies[p.pixels.value]
	p.opt.Program, p.opt.Version = "phototie", version()
	p.opt.Baseline, p.opt.Today, p.opt.Time = p.accept.baseline, p.accept.today, p.accept.build
	p.opt.Progress = func(what string) (dataset.Progress, func()) { return progress(p.stderr, what) }
	if p.key != "" {
		key, close, err := delivery.OpenSigner(p.key, os.Getenv("SSH_AUTH_SOCK"))
		if err != nil {
			return usagef("--sign: %w", err)
		}
		defer close()
		p.opt.Key = key
	}
	opt, pictures := dataset.CheckOptions{Pixels: p.opt.Pixels}, delivery.Pictures(p.pictures.value)
	if p.opt.DryRun {
		pictures = delivery.NoPictures
	}
	job, err := checked(ctx, p.env, dir, &opt, func(d *dataset.Dataset) (err error) {
		if p.opt.Gallery, err = delivery.NewGallery(ctx, d, pictures); p.opt.Gallery != nil {
			opt.See = p.opt.Gallery.See
		}
		return err
	})
	if p.opt.Gallery != nil {
		defer p.opt.Gallery.Close()
	}
	if err != nil {
		return err
	}
	defer job.Dataset().Close()
	p.opt.Title = cmp.Or(p.opt.Title, job.Dataset().Settings().Record.Title, jobName(dir))
	doc, err := delivery.Pack(ctx, job, p.opt)
	if err != nil {
		return err
	}
	doc.All, doc.Next = p.all || p.opt.DryRun, nextAfterPack(dir, doc)
	err = report.Print(p.stdout, report.Format(p.format.value), doc)
	if err == nil && !doc.Packed && !doc.DryRun {
		err = errFindings
	}
	return err
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
		next = append(next, fmt.Sprintf("Left out, as they belong to no photo: %d of the files among the photos, %s first; %s lists them.", n, doc.LeftOut[0], delivery.PackFile))
	}
	return append(next,
		fmt.Sprintf("(cd %s && sha256sum -c --quiet %s) verifies every file, as phototie verify does.", doc.Into, delivery.SumsFile),
		check+" judges the delivery as whoever gets it can.",
		fmt.Sprintf("phototie restore DIR takes the photos of a copy of %s back to their original bytes.", doc.Into),
	)
}
