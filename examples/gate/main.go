// Command gate checks a delivered dataset and fails a pipeline on errors: it
// prints a line a finding and exits with 1 where one is an error.
//
//	go run ./examples/gate job
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

var errGate = errors.New("the dataset has errors")

func main() {
	switch err := run(context.Background(), os.Args[1:], os.Stdout); {
	case errors.Is(err, errGate):
		os.Exit(1)
	case err != nil:
		fmt.Fprintln(os.Stderr, "gate:", err)
		os.Exit(2)
	}
}

func run(ctx context.Context, args []string, w io.Writer) error {
	if len(args) != 1 {
		return errors.New("give the dataset's folder")
	}
	d, err := dataset.Open(ctx, args[0], crs.OpenGrid)
	if err != nil {
		return err
	}
	defer d.Close()
	job, err := d.Check(ctx, dataset.CheckOptions{})
	if err != nil {
		return err
	}
	var failed error
	for _, f := range job.Findings() {
		fmt.Fprintf(w, "%s %s %s %s: %s\n", f.Severity, f.Code, f.Photo, f.Point, f.Message)
		if f.Severity.AtLeast(match.SeverityError) {
			failed = errGate
		}
	}
	return failed
}
