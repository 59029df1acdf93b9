package main

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/intake"
	"example.com/phototie/match/report"
)

func newCompare(e *env) *cobra.Command {
	var (
		crsName, at string
		height      float64
		all         bool
		opt         = match.Options{Budget: match.DefaultBudget()}
	)
	cmd := command("compare", argsExactly(1, "the photo"))
	f := cmd.Flags()
	f.StringVar(&crsName, "crs", "", "the projected system of --at: EPSG code, WKT or PROJ string")
	f.StringVar(&at, "at", "", "the surveyed position: easting,northing")
	f.Float64Var(&height, "height", math.NaN(), "the point's height in metres, for the ground distance")
	f.StringVar(&opt.Datum, "datum", "", "the datum of a tag that states none (WGS 84 else)")
	f.Float64Var(&opt.Epoch, "epoch", 0, "the decimal year of a photo that carries no time")
	f.Float64Var(&opt.Budget.Confidence, "confidence", opt.Budget.Confidence, "the probability that the budget holds for")
	f.Float64Var(&opt.Budget.Handheld, "handheld", opt.Budget.Handheld, "error radius of the device class, m, where the tag states none; a median (50 %)")
	f.Float64Var(&opt.Budget.PointSigma, "point-sigma", opt.Budget.PointSigma, "the survey's standard deviation per axis, m")
	f.Float64Var(&opt.Budget.Standoff, "standoff", opt.Budget.Standoff, "how far the camera stood from the point, m")
	f.BoolVar(&all, "all", false, "every figure, to the millimetre and the second")
	format := addChoice(cmd, "format", "text", "how to print the result", "text", "json", "csv")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if crsName == "" || at == "" {
			return usagef("compare needs --crs and --at, for instance --crs EPSG:2157 --at 714312.20,558204.75")
		}
		en, err := parseEN(at)
		if err != nil {
			return err
		}
		if err := opt.Budget.Validate(); err != nil {
			return usageError{err}
		}
		proj, err := crs.Open(crsName)
		if err != nil {
			return fmt.Errorf("--crs: %w", err)
		}
		tag, err := readFile(args[0])
		if err != nil {
			return err
		}
		point := match.Point{ID: "--at", EN: en}
		if cmd.Flags().Changed("height") {
			point.Height = &height
		}
		res, err := match.CompareOne(cmd.Context(), proj, match.Photo{Name: filepath.ToSlash(args[0]), Tag: tag}, point, opt)
		if err != nil {
			return err
		}
		fits, err := intake.Fits(cmd.Context(), crs.Fitting, proj.Grid().Code, en, res)
		if err != nil {
			return err
		}
		err = report.Print(e.stdout, report.Format(format.value), report.Compare{Grid: proj.Grid(), Photo: res, Fits: fits, All: all})
		if err == nil && res.Verdict != match.Within {
			err = errFindings
		}
		return err
	}
	return cmd
}

// parseEN reads "easting,northing".
func parseEN(s string) (grid.EN, error) {
	e, n, ok := strings.Cut(s, ",")
	if ok {
		ev, err1 := strconv.ParseFloat(strings.TrimSpace(e), 64)
		nv, err2 := strconv.ParseFloat(strings.TrimSpace(n), 64)
		if err1 == nil && err2 == nil && !math.IsNaN(ev+nv) && !math.IsInf(ev, 0) && !math.IsInf(nv, 0) {
			return grid.EN{E: ev, N: nv}, nil
		}
	}
	return grid.EN{}, usagef("--at %q is not easting,northing; write it as --at 714312.20,558204.75", s)
}

// readFile reads the tag of one image.
func readFile(name string) (*geotag.Tag, error) {
	f, err := dataset.OpenFile(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	tag, err := geotag.Read(f, info.Size())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return tag, nil
}
