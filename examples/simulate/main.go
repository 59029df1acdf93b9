// Command simulate says what phototie can tell apart on a job like yours. It draws
// jobs of which the truth is known, plants a blunder in each, has phototie explain
// them, and prints what was named for what was planted.
//
//	go run ./examples/simulate -h
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	switch err := run(ctx, os.Args[1:], os.Stdout, os.Stderr); {
	case errors.Is(err, flag.ErrHelp):
	case err != nil:
		fmt.Fprintln(os.Stderr, "simulate:", err)
		os.Exit(2)
	}
}

const usage = `simulate draws survey jobs of which the truth is known, plants a blunder in each,
lets phototie look at them, and counts what it names.

    go run ./examples/simulate [flags] [scenario ...]

A scenario is a kind of blunder; with a comma and an extent for a part of the job;
with plus signs between for several at once; or "nothing", an honest job. Without
any, it is nothing and every kind.

    go run ./examples/simulate -sets 200 nothing late-run "flipped-longitude, one day"
    go run ./examples/simulate -spacing 10 -radius 5 late-run    # too close to tell?
    go run ./examples/simulate -list                             # kinds and extents

Each row of the table is a scenario. Found is the share of jobs in which every
blunder planted was named, exact that in which nothing else was; of honest jobs,
that in which nothing was named. Then comes a column for each name. Figures hold
for the noise and the walk of the flags, which are plausible and no more.

Flags:
`

func run(ctx context.Context, args []string, out, messages io.Writer) error {
	cfg := sim.Default()
	fs := flag.NewFlagSet("simulate", flag.ContinueOnError)
	fs.SetOutput(messages)
	fs.Usage = func() {
		fmt.Fprint(messages, usage)
		fs.PrintDefaults()
	}
	var (
		sets    = fs.Int("sets", 20, "jobs of each scenario")
		by      = fs.String("by", "cause", "who looks: cause names causes; check shows that something is wrong, not what,\nand whatever it shows counts as found")
		list    = fs.Bool("list", false, "list the kinds of blunder and their extents, and end")
		format  = fs.String("format", "text", "text or json; json has the seeds of the jobs that went wrong")
		stated  = fs.String("stated", string(cfg.Noise.Stated), "what tags state of their own error: true, flat or none")
		layout  = fs.String("layout", string(cfg.Layout), "how the points lie: line, plots or road")
		order   = fs.String("field-order", string(cfg.FieldOrder), "point-then-photo, photo-then-point, id-entered or linked-later")
		extents = fs.String("extents", string(sim.Usual), "extents of the kinds, comma between, where no scenarios are given; all for all")
	)
	fs.Uint64Var(&cfg.Seed, "seed", 1, "seed of the first job; the others follow")
	fs.IntVar(&cfg.Photos, "photos", cfg.Photos, "photos of a job")
	fs.IntVar(&cfg.Points, "points", cfg.Points, "points of a job")
	fs.Float64Var(&cfg.Spacing, "spacing", cfg.Spacing, "metres between points; some kinds take more")
	fs.Float64Var(&cfg.Noise.Radius95, "radius", cfg.Noise.Radius95, "95 % radius of the handheld in metres, outside multipath")
	fs.DurationVar(&cfg.Noise.Time, "correlation", cfg.Noise.Time, "correlation time of its error")
	fs.Float64Var(&cfg.Noise.MultipathShare, "multipath", cfg.Noise.MultipathShare, "share of time in multipath")
	fs.Float64Var(&cfg.Standoff, "standoff", cfg.Standoff, "metres between camera and point")
	fs.IntVar(&cfg.Cameras, "cameras", cfg.Cameras, "cameras, each with a crew")
	fs.IntVar(&cfg.Days, "days", cfg.Days, "days")
	switch err := fs.Parse(args); {
	case errors.Is(err, flag.ErrHelp):
		return err
	case err != nil:
		return errors.New("see -h") // the flag package has said what is wrong
	}
	if *list {
		return printKinds(out)
	}
	cfg.Noise.Stated, cfg.Layout, cfg.FieldOrder = sim.Stated(*stated), sim.Layout(*layout), sim.FieldOrder(*order)
	if err := cfg.Validate(); err != nil {
		return err
	}
	if *format != "text" && *format != "json" {
		return fmt.Errorf("there is no format %q: want text or json", *format)
	}
	study := sim.Study{Base: cfg, Sets: *sets, Explain: byCause, Progress: progress(messages)}
	switch *by {
	case "cause":
	case "check":
		study.Explain, study.Right = byCheck, func(sim.Kind, string) bool { return true }
	default:
		return fmt.Errorf("there is nobody %q to look: want cause or check", *by)
	}
	rows, err := scenarios(fs.Args(), *extents)
	if err != nil {
		return err
	}
	table, err := study.Run(ctx, rows...)
	if err != nil {
		return err
	}
	if *format == "json" {
		return table.WriteJSON(out)
	}
	return table.WriteText(out)
}

// scenarios reads the arguments. The default is nothing and every kind.
func scenarios(args []string, extents string) ([]sim.Scenario, error) {
	var rows []sim.Scenario
	for _, a := range args {
		s, err := sim.ParseScenario(a)
		if err != nil {
			return nil, fmt.Errorf("%w; -list has what there is", err)
		}
		rows = append(rows, s)
	}
	if len(rows) > 0 {
		return rows, nil
	}
	var of []sim.Extent
	for e := range strings.SplitSeq(extents, ",") {
		of = append(of, sim.Extent(strings.TrimSpace(e)))
	}
	if extents == "all" {
		of = sim.Extents
	}
	rows = append([]sim.Scenario{sim.Honest()}, sim.Scenarios(of...)...)
	if len(rows) == 1 {
		return nil, fmt.Errorf("no kind of blunder has the extent %q; -list has what there is", extents)
	}
	return rows, nil
}

func printKinds(w io.Writer) error {
	for _, k := range sim.Kinds() {
		var has []string
		for _, e := range sim.Extents {
			if _, err := sim.NewScenario(k, e); err == nil && e != sim.Usual {
				has = append(has, string(e))
			}
		}
		if _, err := fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%-22s in the %-7s %s", k, k.In(), strings.Join(has, ", ")), " ")); err != nil {
			return err
		}
	}
	return nil
}

// progress shows how far the study is, on a terminal, once it has taken a second.
func progress(w io.Writer) func(done, all int) {
	f, ok := w.(*os.File)
	if !ok {
		return nil
	}
	if s, err := f.Stat(); err != nil || s.Mode()&os.ModeCharDevice == 0 {
		return nil
	}
	last := time.Now()
	shown := false
	return func(done, all int) {
		switch {
		case done == all && shown:
			fmt.Fprint(w, "\r\033[K")
		case done < all && time.Since(last) > time.Second:
			last, shown = time.Now(), true
			fmt.Fprintf(w, "\r%d of %d jobs", done, all)
		}
	}
}

// byCause names the causes that explain what the check shows. The neighbouring
// zones and all datums that the grid knows are given to it, as a user's own
// projection engine would.
func byCause(ctx context.Context, set *sim.Set) ([]string, error) {
	res, err := set.Check(ctx)
	if err != nil {
		return nil, err
	}
	in := cause.Input{Proj: set.Projection, Options: set.Options(), Result: res}
	if p, ok := set.Projection.(*sim.Plane); ok {
		in.Datums = p.Datums()
		in.Neighbours = []grid.Projection{p.Zone(-1), p.Zone(1)}
	}
	found, err := cause.Explain(ctx, in)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, f := range found.Causes {
		names = append(names, f.Name)
	}
	return names, nil
}

// byCheck names what the check alone shows: that something is wrong and not what.
// Whatever it names counts as found.
func byCheck(ctx context.Context, set *sim.Set) ([]string, error) {
	res, err := set.Check(ctx)
	if err != nil {
		return nil, err
	}
	var names []string
	if res.Counts[match.Gross] > 0 {
		names = append(names, "gross photos")
	}
	if res.Counts[match.Unjudged] > 0 {
		names = append(names, "unjudged photos")
	}
	// Twice the share that honest noise puts there, and some more for its
	// correlation.
	n := float64(len(res.Photos))
	if expected := (1 - res.Budget.Confidence) * n; float64(res.Counts[match.Over]) > 2*expected+3*math.Sqrt(expected) {
		names = append(names, "too many over the budget")
	}
	return names, nil
}
