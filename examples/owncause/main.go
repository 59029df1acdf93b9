// Command owncause looks for a cause of its own beside those that phototie knows, and
// writes a report of its own: a Markdown list of points and their photos.
//
//	go run ./examples/owncause job > photos.md
//	go run ./examples/owncause > photos.md     a job drawn with the blunder in it
//
// The cause is in cause.go, the report in markdown.go. Both use nothing but what the
// packages export.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/sim"
)

func main() {
	if err := run(context.Background(), os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "owncause:", err)
		os.Exit(2)
	}
}

func run(ctx context.Context, args []string, w io.Writer) error {
	switch len(args) {
	case 0:
		return drawn(ctx, w)
	case 1:
		return folder(ctx, args[0], w)
	}
	return errors.New("give the dataset's folder, or nothing for a job that is drawn")
}

// causes are those of phototie and our own.
func causes() []cause.Cause { return append(cause.Default(), antennaOffset{}) }

// folder reports on a dataset.
func folder(ctx context.Context, dir string, w io.Writer) error {
	d, err := dataset.Open(ctx, dir, crs.OpenGrid)
	if err != nil {
		return err
	}
	defer d.Close()
	job, err := d.Check(ctx, dataset.CheckOptions{Causes: causes()})
	if err != nil {
		return err
	}
	return markdown(w, dir, job.Result, job.Explanation)
}

// drawn reports on a job of which the truth is known: one of its two handhelds writes
// the position of an antenna that is 6 m behind its camera and 5 m to the right.
func drawn(ctx context.Context, w io.Writer) error {
	cfg := sim.Default()
	cfg.Seed, cfg.Cameras, cfg.Days, cfg.DirectionShare = 1, 2, 2, 1
	set, err := sim.New(cfg)
	if err != nil {
		return err
	}
	if err := plant(ctx, set, 1, -6, 5); err != nil {
		return err
	}
	res, err := set.Check(ctx)
	if err != nil {
		return err
	}
	why, err := cause.Explain(ctx, cause.Input{Proj: set.Projection, Options: set.Options(), Result: res}, causes()...)
	if err != nil {
		return err
	}
	return markdown(w, "a job that was drawn", res, why)
}

// plant moves the tags of one camera of a drawn job, which count from 1, by an antenna
// offset in metres.
func plant(ctx context.Context, set *sim.Set, camera int, forward, right float64) error {
	geodesist, ok := set.Projection.(grid.Geodesist)
	if !ok {
		return errors.New("the projection knows no convergence")
	}
	unit := set.Projection.Grid().Unit.Metres
	for i := range set.Photos {
		tag := set.Photos[i].Tag
		if set.Truth[i].Camera != camera || tag.Position == nil || tag.Direction == nil {
			continue
		}
		frame := set.Options().Frame(tag)
		placed, err := set.Projection.ToGrid(ctx, []grid.Fix{{LatLon: grid.LatLon{Lat: tag.Position.Lat, Lon: tag.Position.Lon}, Frame: frame}})
		if err != nil {
			return err
		}
		at := placed[0].EN
		look, err := lookingAlong(geodesist, at, tag)
		if err != nil {
			return err
		}
		move := look.turn(match.Vector{E: right, N: forward})
		at.E, at.N = at.E+move.E/unit, at.N+move.N/unit
		back, err := set.Projection.FromGrid(ctx, []grid.EN{at}, []grid.Frame{frame})
		if err != nil {
			return err
		}
		moved := *tag.Position
		moved.Lat, moved.Lon = back[0].Lat, back[0].Lon
		changed := *tag
		changed.Position = &moved
		set.Photos[i].Tag = &changed
	}
	return nil
}
