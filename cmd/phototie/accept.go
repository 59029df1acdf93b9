package main

import (
	"io"
	"os"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
)

// acceptance is the baseline that findings are held against, and the day.
type acceptance struct {
	file string // empty where none is named
	day  string

	baseline *baseline.Baseline
	today    baseline.Date
	build    time.Time // see buildTime
	now      time.Time // the same, or else the time of the clock
}

// flags gives a command the flags --baseline and --today.
func (a *acceptance) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&a.file, "baseline", "", "the file of accepted findings, which don't count")
	cmd.Flags().StringVar(&a.day, "today", "", "hold the baseline against this day, as 2027-03-31 (default today)")
}

// prepare reads the baseline that is named, and works out the day that it is held
// against.
func (a *acceptance) prepare() error {
	var err error
	if a.build, err = buildTime(); err != nil {
		return err
	}
	if a.now = a.build; a.now.IsZero() {
		a.now = time.Now()
	}
	a.today = baseline.DateOf(a.now)
	if a.day != "" {
		t, err := time.Parse(time.DateOnly, a.day)
		if err != nil {
			return usagef("--today %q is no day; write it as 2027-03-31", a.day)
		}
		a.today = baseline.DateOf(t)
	}
	if a.file == "" {
		return nil
	}
	f, err := dataset.OpenFile(a.file)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, baseline.MaxBytes+1))
	if err != nil {
		return err
	}
	a.baseline, err = baseline.Parse(a.file, text)
	return err
}

// apply holds findings against the baseline.
func (a *acceptance) apply(findings []match.Finding) baseline.Outcome {
	return a.baseline.Apply(findings, a.today)
}

// buildTime is the time that SOURCE_DATE_EPOCH gives, the environment of
// reproducible builds (see its specification, reproducible-builds.org); zero where
// that is not set.
func buildTime() (time.Time, error) {
	s := os.Getenv("SOURCE_DATE_EPOCH")
	if s == "" {
		return time.Time{}, nil
	}
	sec, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return time.Time{}, usagef("SOURCE_DATE_EPOCH is %q: want seconds since 1970", s)
	}
	return time.Unix(sec, 0).UTC(), nil
}
