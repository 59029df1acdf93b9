package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/report"
)

func newInit(e *env) *cobra.Command {
	var dryRun bool
	cmd := command("init", argsExactly(1, "the folder that has the photos, the points and the links"))
	format := addChoice(cmd, "format", "text", "how to print what was found", "text", "json")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "write nothing")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return e.init(cmd.Context(), args[0], report.Format(format.value), dryRun)
	}
	return cmd
}

func (e *env) init(ctx context.Context, dir string, format report.Format, dryRun bool) error {
	d, err := e.folder(ctx, dir)
	if err != nil {
		return err
	}
	defer d.Close()
	file, there := d.SettingsPath()
	if there && !dryRun {
		return usagef("%s is there already and is not written over; phototie check %s uses it, and --dry-run says what init would write", file, dir)
	}
	tell, done := progress(e.stderr, "reading photos")
	draft, err := intake.Read(ctx, d, crs.Search, crs.OpenGrid, tell)
	done()
	if err != nil {
		return err
	}
	next := []string{"phototie check " + dir + " judges every photo."}
	if !draft.Complete() {
		next = []string{"Put what is right in the place of what begins with a question mark in " + file + ", then phototie check " + dir + "."}
	}
	if dryRun {
		file, next = "", nil
	} else if err := create(file, draft.Text()); err != nil {
		return err
	}
	err = report.Print(e.stdout, format, report.Init{Dataset: jobName(dir), File: file, Draft: draft, Title: dir, Next: next})
	if err == nil && !draft.Complete() {
		err = errFindings
	}
	return err
}

// create writes a file that must not be there.
func create(name string, text []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return usagef("%s is there already and is not written over", name)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("%w (%w)", err, os.Remove(name))
	}
	return nil
}
