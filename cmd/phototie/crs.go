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
	cmd := &cobra.Command{
		Use:   "crs WORDS... [--near DIR|PHOTO|LAT,LON]",
		Short: "Find a projected system by name, place and unit",
		Long: `crs lists the projected systems of the registry that go by all of the words: parts
of a name or of the place where it is used ("oregon north"), initials ("itm"), a
zone ("utm 29"), a code, a unit ("m", "ft", "ftus" for US survey feet). --near
brings those in use at a place to the front: that of a photo, that of a folder's
photos, or a latitude and a longitude. With --near, words may be left out.

What it lists as crs, and the name too, is what grid.crs in phototie.toml and
--crs take. The exit code is 1 where nothing goes by the words.`,
		Example: `  phototie crs irish
  phototie crs oregon north ft
  phototie crs utm --near job
  phototie crs --near 53.35,-6.26 --format json`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 && near == "" {
				return usagef("crs needs words to go by, or a place with --near; see phototie crs --help")
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&near, "near", "", "put systems in use there first: a folder of photos, a photo, or LAT,LON")
	cmd.Flags().BoolVar(&all, "all", false, "list every system in the text")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		doc := report.Systems{Words: append([]string{}, args...)}
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
		if format.value == "json" {
			err = report.SystemsJSON(e.stdout, doc)
		} else if len(doc.Systems) > 0 {
			err = report.SystemsText(e.stdout, doc, all)
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
