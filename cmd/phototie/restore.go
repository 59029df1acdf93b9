package main

import (
	"errors"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/report"
)

func newRestore(e *env) *cobra.Command {
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "restore [flags] DIR [PHOTO...]",
		Short: "Take corrected photos back to their original bytes",
		Long: `restore reads the ledger in the folder DIR and takes every photo on record, or
just the named ones (paths below DIR), back to the bytes it had before its first
correction. The SHA-256 of what comes out is proven before a photo is replaced.
A photo that something else changed since is left alone and reported. A file
that a correction created is removed.

A photo that was renamed is found by its bytes: restore says what it is called
now, and naming that file restores it where it is. So it is with two photos
that were swapped.

Where the ledger's last line was cut off, or records are missing from it,
restore says so before all else and what is known of the photo concerned;
what was cut off is kept in phototie-ledger.torn. All that is on record is
restored. With --dry-run nothing is written, to the ledger neither.

The exit code is 1 where a photo could not be taken back to its original.`,
		Example: `  phototie restore job
  phototie restore --dry-run job
  phototie restore job photos/day1/IMG_0012.jpg`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("%s needs the folder that was corrected; see %s --help", cmd.CommandPath(), cmd.CommandPath())
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "prove that it can be done, write nothing")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		doc := report.Restore{Dataset: args[0], DryRun: dryRun, Photos: []ledger.Outcome{}}
		var errs []error
		for o, err := range dataset.Restore(cmd.Context(), args[0], "phototie "+version(), args[1:], dryRun) {
			if err != nil {
				errs = append(errs, err)
			}
			if o.Photo != "" {
				doc.Photos = append(doc.Photos, o)
			}
		}
		if len(doc.Photos) > 0 {
			var err error
			switch format.value {
			case "json":
				err = report.RestoreJSON(e.stdout, doc)
			case "csv":
				err = report.RestoreCSV(e.stdout, doc)
			default:
				err = report.RestoreText(e.stdout, doc)
			}
			errs = append(errs, err)
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
		if doc.Count(ledger.Restored)+doc.Count(ledger.Original) != len(doc.Photos) {
			return errFindings
		}
		return nil
	}
	return cmd
}
