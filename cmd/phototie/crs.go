package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/report"
)

func newCRS(e *env) *cobra.Command {
	var near string
	var all bool
	cmd := command("crs", func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 && near == "" {
			return usagef("crs needs words to go by, or a place with --near; see phototie crs --help")
		}
		return nil
	})
	cmd.Flags().StringVar(&near, "near", "", "put systems in use there first: a folder of photos, a photo, or LAT,LON")
	cmd.Flags().BoolVar(&all, "all", false, "list every system in the text")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		doc := report.Systems{Words: append([]string{}, args...), All: all}
		var err error
		if near != "" {
			if doc.Near, err = place(cmd.Context(), near); err != nil {
				return err
			}
		}
		if doc.Systems, err = crs.Lookup(cmd.Context(), args, doc.Near); err != nil {
			return err
		}
		if len(args) == 0 {
			doc.Systems = slices.DeleteFunc(doc.Systems, func(s grid.ListedSystem) bool { return !s.Near })
		}
		if show := report.Format(format.value); show == report.FormatJSON || len(doc.Systems) > 0 {
			err = report.Print(e.stdout, show, doc)
		}
		if err == nil && len(doc.Systems) == 0 {
			fmt.Fprintf(e.stderr, "phototie: no projected system of the registry goes by all of %q; leave a word out\n", args)
			err = errFindings
		}
		return err
	}
	return cmd
}

// place reads a place: a folder of photos, a photo, or LAT,LON.
func place(ctx context.Context, near string) (*grid.LatLon, error) {
	info, err := os.Stat(near)
	if err != nil {
		at := grid.LatLon{}
		if n, err := fmt.Sscanf(near, "%g,%g", &at.Lat, &at.Lon); n < 2 || err != nil || !at.Valid() {
			return nil, usagef("--near %q is no file, no folder and no latitude,longitude in degrees such as 53.35,-6.26", near)
		}
		return &at, nil
	}
	if !info.IsDir() && !strings.EqualFold(filepath.Ext(near), ".zip") {
		tag, err := readFile(near)
		if err != nil {
			return nil, err
		}
		if tag.Position == nil {
			return nil, usagef("--near: %s has no position", near)
		}
		return &grid.LatLon{Lat: tag.Position.Lat, Lon: tag.Position.Lon}, nil
	}
	d, err := dataset.OpenFolder(ctx, near, nil)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	at, err := intake.Where(ctx, d)
	if err != nil {
		return nil, usagef("--near: %s: %w", near, err)
	}
	return &at, nil
}
