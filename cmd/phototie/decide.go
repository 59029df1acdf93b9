package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/phototie/match/dataset"
	"example.com/phototie/match/decide"
)

// decision is the command decide with its flags.
type decision struct {
	*env
	out, title string
	retake     bool
	pixels     *choice
	accept     acceptance
	output     output
}

func newDecide(e *env) *cobra.Command {
	c := &decision{env: e}
	cmd := command("decide", argsExactly(1, "the dataset's folder"))
	f := cmd.Flags()
	f.StringVar(&c.out, "out", "", "the file to write")
	f.StringVar(&c.title, "title", "", "the job's name (default the dataset's folder)")
	f.BoolVar(&c.retake, "retake", false, "write the list of what is to be taken again")
	c.pixels = addPixels(cmd)
	c.accept.flags(cmd)
	c.output.flags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error { return c.run(cmd.Context(), args[0]) }
	return cmd
}

// earlierDecide reports whether a file begins as what decide wrote.
func earlierDecide(head []byte) bool {
	return bytes.HasPrefix(head, []byte("<!DOCTYPE html>")) && bytes.Contains(head, []byte(decide.Heading+"</title>"))
}

func (c *decision) run(ctx context.Context, dir string) error {
	if c.out == "" {
		return usagef("say where the page goes: --out decide.html")
	}
	format := ""
	if c.retake {
		var err error
		if format, err = decide.RetakeFormat(c.out); err != nil {
			return usagef("--out %w", err)
		}
	}
	if err := c.accept.prepare(); err != nil {
		return err
	}
	earlier := earlierDecide
	if c.retake {
		earlier = func(head []byte) bool { return decide.WroteRetake(format, head) }
	}
	job, err := checked(ctx, c.env, dir, &dataset.CheckOptions{Pixels: pixelPolicies[c.pixels.value]},
		func(d *dataset.Dataset) error { return c.output.guard(d, c.out, earlier) })
	if err != nil {
		return err
	}
	defer job.Dataset().Close()
	opt := decide.Options{Title: c.title, Tool: "phototie " + version(), Outcome: c.accept.apply(job.Findings()), Today: c.accept.today}
	if opt.Title == "" {
		opt.Title = jobName(dir)
	}
	n := 0
	if c.retake {
		err = writeWhole(c.out, func(w io.Writer) (err error) { n, err = decide.Retake(ctx, w, format, job, opt); return err })
		if err == nil {
			_, err = fmt.Fprintf(c.stdout, "%s: to be taken again: %d\n", c.out, n)
		}
		return err
	}
	if job.Dataset().Archive() == "" {
		if opt.PhotoLink, err = photoLinks(filepath.Dir(c.out), dir); err != nil {
			return err
		}
	}
	tell, done := progress(c.stderr, "drawing photos")
	opt.Progress = tell
	err = writeWhole(c.out, func(w io.Writer) (err error) { n, err = decide.Write(ctx, w, job, opt); return err })
	done()
	if err != nil {
		return err
	}
	put := fmt.Sprintf("put it beside %s as %s", dataset.SettingsFile, decide.SavedFile)
	if _, err := fmt.Fprintf(c.stdout, "%s: to be decided: %d\n", c.out, n); err != nil || n == 0 {
		return err
	}
	if named := job.Dataset().Settings().Links.Decisions; named != "" {
		put = "put it in the place of " + named
	} else {
		put += fmt.Sprintf(", and add decisions = %q under [links] there", decide.SavedFile)
	}
	_, err = fmt.Fprintf(c.stdout, "\nNext\n  Open %s, decide, save.\n  Of what it saves: %s.\n  phototie check %s\n", c.out, put, dir)
	return err
}
