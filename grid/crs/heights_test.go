package crs

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// writeGTX writes a geoid model in the format of NOAA's VDatum (from memory): big
// endian, latitude and longitude of the south-west corner, the steps in degrees,
// rows and columns, then the values row by row from the south.
func writeGTX(t testing.TB, name string, south, west, step float64, rows, columns int, value func(lat, lon float64) float64) {
	t.Helper()
	var b bytes.Buffer
	for _, v := range []any{south, west, step, step, int32(rows), int32(columns)} {
		if err := binary.Write(&b, binary.BigEndian, v); err != nil {
			t.Fatal(err)
		}
	}
	for i := range rows {
		for k := range columns {
			if err := binary.Write(&b, binary.BigEndian, float32(value(south+float64(i)*step, west+float64(k)*step))); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(name, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

// malin writes a made-up geoid model under the name of Ireland's into a folder:
// an inclined plane, which bilinear interpolation gives back exactly.
func malin(lat, lon float64) float64 { return 55 + 0.5*(lat-53) + 0.25*(lon+6) }

func malinFolder(t testing.TB) string {
	folder := t.TempDir()
	writeGTX(t, filepath.Join(folder, "OSGM15_Malin.gtx"), 51, -11, 0.5, 11, 13, malin)
	return folder
}

func geoid(name string) grid.HeightRef {
	return grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: name}
}

var (
	ellipsoidal = grid.HeightRef{Surface: grid.HeightEllipsoid}
	bollard     = grid.EN{E: 719190.762, N: 734243.694}
	today       = grid.Frame{Datum: "WGS-84", Epoch: 2024.5}
)

func pointHeight(t testing.TB, c *CRS, at grid.EN, h float64, ref grid.HeightRef, frame grid.Frame) grid.HeightPlacement {
	t.Helper()
	p, err := c.EllipsoidalHeights(context.Background(), []grid.EN{at}, []grid.Height{{Metres: h, Ref: ref}}, []grid.Frame{frame})
	if err != nil || len(p) != 1 {
		t.Fatal(p, err)
	}
	return p[0]
}

func fixHeight(t testing.TB, c *CRS, f grid.Fix, h float64, ref grid.HeightRef) grid.HeightPlacement {
	t.Helper()
	p, err := c.FixHeights(context.Background(), []grid.Fix{f}, []grid.Height{{Metres: h, Ref: ref}})
	if err != nil || len(p) != 1 {
		t.Fatal(p, err)
	}
	return p[0]
}

// The geoid file is found in the caller's folder, by the vertical part of a
// compound definition, by Options and by name; the height goes on from ETRS89 to
// WGS 84 by the published parameters.
func TestGeoidModelInAFolder(t *testing.T) {
	folder := malinFolder(t)
	for _, tt := range []struct {
		definition string
		opt        grid.OpenOptions
		ref        grid.HeightRef
	}{
		{"EPSG:2157+5731", grid.OpenOptions{Folders: []string{folder}}, geoid("")},
		{"EPSG:2157", grid.OpenOptions{Folders: []string{folder}, Vertical: "EPSG:5731"}, geoid("")},
		{"EPSG:2157+5773", grid.OpenOptions{Folders: []string{folder}, Vertical: "malin head height"}, geoid("")},
		{"EPSG:2157", grid.OpenOptions{Folders: []string{folder}}, geoid("EPSG:5731")},
		{open(t, "EPSG:2157").WKT(), grid.OpenOptions{Folders: []string{folder}}, geoid("urn:ogc:def:crs:EPSG::5731")},
	} {
		c := withOptions(t, tt.definition, tt.opt)
		own, err := c.Geographic(bollard)
		if err != nil {
			t.Fatal(err)
		}
		want := 4.2 + malin(own.Lat, own.Lon)

		// In ETRS89 it is H + N. The model's file has 24 bits for a value: 4 um.
		p := pointHeight(t, c, bollard, 4.2, tt.ref, grid.Frame{Datum: "ETRS89"})
		if p.Err != nil {
			t.Errorf("%.30s: %v", tt.definition, p.Err)
			continue
		}
		near(t, "height in ETRS89", p.Metres, want, 2e-5)
		if p.Accuracy == nil || math.Abs(*p.Accuracy-0.023) > 0.001 || len(p.Steps) != 1 || !strings.Contains(p.Steps[0], "ETRS89 to Malin Head height (2)") {
			t.Errorf("%.30s: %+v", tt.definition, p)
		}

		// In WGS 84 the shift between the frames comes off, with the sign that
		// leads from ETRF2000 back to ITRF2014.
		_, _, up := itrf2014ToETRF2000.shift(own, today.Epoch)
		p = pointHeight(t, c, bollard, 4.2, tt.ref, today)
		if p.Err != nil {
			t.Fatal(p.Err)
		}
		near(t, "height in WGS 84", p.Metres, want-up, 2e-4)
		if p.Accuracy == nil || math.Abs(*p.Accuracy-math.Hypot(0.023, math.Hypot(0.1, 0.01))) > 0.001 || len(p.Steps) != 2 {
			t.Errorf("%.30s: %+v", tt.definition, p)
		}
	}
	// Outside the file there is no height, not a wrong one.
	c := withOptions(t, "EPSG:2157", grid.OpenOptions{Folders: []string{folder}})
	var e *grid.HeightError
	p := pointHeight(t, c, grid.EN{E: 600000, N: 1050000}, 4.2, geoid("EPSG:5731"), today)
	if !errors.As(p.Err, &e) || !errors.Is(p.Err, grid.ErrNoGeoid) {
		t.Errorf("north of the model: %+v", p)
	}
}

// Without its file, a model is named together with what to do, and other
// references still work.
func TestMissingGeoid(t *testing.T) {
	c := open(t, "EPSG:2157+5731")
	if v, err := c.vertical("EPSG:5731"); err != nil || len(v.ways) > 0 {
		t.Skip("the geoid model of Ireland is installed")
	}
	p := pointHeight(t, c, bollard, 4.2, geoid(""), today)
	var e *grid.HeightError
	if !errors.As(p.Err, &e) || !errors.Is(p.Err, grid.ErrGeoidMissing) || len(e.Missing) != 1 || e.Missing[0].Name != "uk_os_OSGM15_Malin.tif" {
		t.Fatalf("%+v", p)
	}
	for _, text := range []string{"Malin Head height", "uk_os_OSGM15_Malin.tif", "projsync --file", "PROJ_NETWORK=ON", "constant separation"} {
		if !strings.Contains(p.Err.Error(), text) {
			t.Errorf("%q lacks %q", p.Err, text)
		}
	}
}

// Heights go in and out in metres upwards, whatever the vertical system counts
// in, feet or downwards: 30.48 m above NAVD88 are 100 ft. The model is a made-up
// one, 30 m below the ellipsoid everywhere.
func TestVerticalUnits(t *testing.T) {
	folder := t.TempDir()
	writeGTX(t, filepath.Join(folder, "g2018u0.gtx"), 24, -100, 1, 31, 41, func(lat, lon float64) float64 { return -30 })
	c := withOptions(t, "EPSG:6543", grid.OpenOptions{Folders: []string{folder}})
	for _, name := range []string{"NAVD88", "EPSG:6360", "EPSG:8228", "NAVD88 depth", "NAVD88 depth (ftUS)"} {
		p := pointHeight(t, c, grid.EN{E: 2e6, N: 5e5}, 30.48, geoid(name), grid.Frame{Datum: "NAD83(2011)"})
		if p.Err != nil {
			t.Errorf("%s: %v", name, p.Err)
			continue
		}
		near(t, name, p.Metres, 0.48, 1e-6)
		if p.Accuracy == nil || *p.Accuracy != 0.015 {
			t.Errorf("%s: %+v", name, p)
		}
	}
}

// A file that is there but is no geoid model is not taken to be one, nor said to
// be installed. (PROJ remembers for the life of a process that it could open a
// file, so this is one that no other test makes.)
func TestDamagedGeoid(t *testing.T) {
	const file = "nz_linz_nzgeoid2016.tif"
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, file), []byte("not a grid"), 0o666); err != nil {
		t.Fatal(err)
	}
	c := withOptions(t, "EPSG:2193", grid.OpenOptions{Folders: []string{folder}})
	p := pointHeight(t, c, grid.EN{E: 1.75e6, N: 5.43e6}, 30, geoid("NZVD2016"), grid.Frame{Datum: "NZGD2000"})
	var e *grid.HeightError
	if !errors.As(p.Err, &e) || !errors.Is(p.Err, grid.ErrGeoidMissing) || len(e.Missing) != 1 || !e.Missing[0].Unreadable || !strings.Contains(p.Err.Error(), file+", which PROJ can't open: it is not installed, or damaged") {
		t.Errorf("%+v", p)
	}
}

// EGM96 at the six places that came with the program of the National Imagery and
// Mapping Agency that interpolates it (F477, OUTPUT file; from memory). The
// program interpolates by splines and PROJ bilinearly, which makes some
// centimetres.
func TestEGM96(t *testing.T) {
	c := open(t, "EPSG:3395")
	for _, tt := range []struct{ lat, lon, n float64 }{
		{38.6281550, 269.7791550 - 360, -31.628},
		{-14.6212170, 305.0211140 - 360, -2.969},
		{46.8743190, 102.4487290, -43.575},
		{-23.6174460, 133.8747120, 15.871},
		{38.6254730, -0.0005, 50.066},
		{-0.4667440, 0.0023000, 17.329},
	} {
		got := math.NaN()
		for _, name := range []string{"EGM96", "EPSG:5773", "egm96 height"} {
			p := fixHeight(t, c, fix(tt.lat, tt.lon, "", 2024.5), 100, geoid(name))
			if errors.Is(p.Err, grid.ErrGeoidMissing) {
				t.Skip(p.Err)
			}
			if p.Err != nil || p.Accuracy == nil || *p.Accuracy != 1 {
				t.Fatalf("%+v", p)
			}
			near(t, "EGM96", p.Metres-100, tt.n, 0.07)
			got = p.Metres
		}
		want := runTool(t, [][]float64{{tt.lat, tt.lon, 100}}, "cs2cs", "-f", "%.6f", "EPSG:4326+5773", "EPSG:4979")[0]
		near(t, "EGM96 by cs2cs", got, want[2], 1e-5)
	}
}

// Ellipsoidal heights between frames, against cs2cs with three-dimensional
// systems: NAD83(2011) and WGS 84 differ by more than a metre.
func TestEllipsoidalHeights(t *testing.T) {
	for _, tt := range []struct {
		definition, frame3D string
		lat, lon            float64
		least               float64
	}{
		{"EPSG:6543", "EPSG:6319", 35.1, -79, 1.3},
		{"EPSG:7855", "EPSG:7843", -37.9, 144.4, 0},
		{"EPSG:28355", "EPSG:4939", -37.9, 144.4, 0.05},
	} {
		c := open(t, tt.definition)
		at := toGrid(t, c, fix(tt.lat, tt.lon, "", 2024.5))[0].EN
		// cs2cs goes from WGS 84 to the frame; the height that comes out is the
		// point's.
		h := runTool(t, [][]float64{{tt.lat, tt.lon, 60, 2024.5}}, "cs2cs", "-f", "%.9f", "EPSG:9754", tt.frame3D)[0][2]
		p := pointHeight(t, c, at, h, ellipsoidal, today)
		if p.Err != nil {
			t.Fatal(p.Err)
		}
		near(t, tt.definition, p.Metres, 60, 1e-4)
		if d := math.Abs(h - 60); d < tt.least {
			t.Errorf("%s: the frames differ by %v m only", tt.definition, d)
		}
		if p.Accuracy == nil || *p.Accuracy > 0.1 || len(p.Steps) != 1 {
			t.Errorf("%+v", p)
		}
		// Named, the frame is the same.
		named := ellipsoidal
		named.Frame = tt.frame3D
		if q := pointHeight(t, c, at, h, named, today); q.Err != nil || q.Metres != p.Metres {
			t.Errorf("named: %+v", q)
		}
		// A tag's own height is what it is.
		if q := fixHeight(t, c, fix(tt.lat, tt.lon, "", 2024.5), 60, ellipsoidal); q.Err != nil || q.Metres != 60 || *q.Accuracy != 0 || len(q.Steps) != 0 {
			t.Errorf("tag: %+v", q)
		}
	}
}

// A constant separation: h = H + N, by hand.
func TestSeparation(t *testing.T) {
	c := open(t, "EPSG:2157")
	n := 55.7
	ref := grid.HeightRef{Surface: grid.HeightGeoid, Separation: &n, SeparationAccuracy: 0.05, Frame: "ETRS89"}
	p := pointHeight(t, c, bollard, 4.3, ref, grid.Frame{Datum: "ETRS89"})
	if p.Err != nil || math.Abs(p.Metres-60) > 1e-9 || p.Accuracy == nil || math.Abs(*p.Accuracy-0.05) > 1e-9 {
		t.Errorf("%+v", p)
	}
	ref.SeparationAccuracy = 0
	p = pointHeight(t, c, bollard, 4.3, ref, grid.Frame{Datum: "ETRS89"})
	if p.Err != nil || p.Accuracy != nil || len(p.Notes) != 1 {
		t.Errorf("no accuracy stated: %+v", p)
	}
	ref.Frame = ""
	if p = fixHeight(t, c, fix(53.3, -6.2, "", 2024.5), 4.3, ref); p.Err != nil || math.Abs(p.Metres-60) > 1e-9 {
		t.Errorf("tag: %+v", p)
	}
}

// What can't be compared is refused, each with its reason.
func TestHeightsRefused(t *testing.T) {
	itm, gb, ftUS := open(t, "EPSG:2157"), open(t, "EPSG:27700"), open(t, "EPSG:6543")
	caister := grid.EN{E: 651409, N: 313177}
	n := 55.7
	for _, tt := range []struct {
		name string
		p    grid.HeightPlacement
		want error
	}{
		{"unknown point", pointHeight(t, itm, bollard, 4, grid.HeightRef{}, today), grid.ErrHeightUnknown},
		{"unknown tag", fixHeight(t, itm, fix(53, -6, "", 2024), 4, grid.HeightRef{}), grid.ErrHeightUnknown},
		{"a geoid", pointHeight(t, itm, bollard, 4, geoid(""), today), grid.ErrGeoidUnknown},
		{"sea level of a tag", fixHeight(t, itm, fix(53, -6, "", 2024), 4, geoid("")), grid.ErrGeoidUnknown},
		// The compound's vertical part is the points', not the tags'.
		{"sea level of a tag, compound grid", fixHeight(t, open(t, "EPSG:2157+5773"), fix(53, -6, "", 2024), 4, geoid("")), grid.ErrGeoidUnknown},
		{"no such system", pointHeight(t, itm, bollard, 4, geoid("EPSG:2157"), today), grid.ErrGeoidUnknown},
		{"no such name", pointHeight(t, itm, bollard, 4, geoid("Atlantis"), today), grid.ErrGeoidUnknown},
		{"another country's", pointHeight(t, itm, bollard, 4, geoid("EPSG:7839"), today), grid.ErrNoGeoid},
		{"a classical frame", pointHeight(t, gb, caister, 50, ellipsoidal, today), grid.ErrNoHeightFrame},
		{"a separation from one", pointHeight(t, gb, caister, 4, grid.HeightRef{Surface: grid.HeightGeoid, Separation: &n}, today), grid.ErrNoHeightFrame},
		{"an unknown frame", pointHeight(t, gb, caister, 50, grid.HeightRef{Surface: grid.HeightEllipsoid, Frame: "Atlantis"}, today), grid.ErrNoHeightFrame},
		{"a tag in a classical frame", fixHeight(t, ftUS, fix(35, -79, "NAD27", 2024), 50, ellipsoidal), grid.ErrNoHeightFrame},
		// The registry has no operation between CGCS2000 and any other frame.
		{"nothing but a ballpark operation", pointHeight(t, open(t, "EPSG:4526"), grid.EN{E: 38500000, N: 3500000}, 50, ellipsoidal, today), grid.ErrNoHeightOperation},
		{"a site height without a site", pointHeight(t, itm, bollard, 4, grid.HeightRef{Surface: grid.HeightEllipsoid, Site: true}, today), grid.ErrNoHeights},
		{"not a number", pointHeight(t, itm, bollard, math.NaN(), ellipsoidal, today), grid.ErrNotFinite},
		{"infinite", fixHeight(t, itm, fix(53, -6, "", 2024), math.Inf(1), ellipsoidal), grid.ErrNotFinite},
		{"no place", fixHeight(t, itm, fix(95, -6, "", 2024), 4, ellipsoidal), grid.ErrOutside},
		{"no point", pointHeight(t, itm, grid.EN{E: math.NaN()}, 4, ellipsoidal, today), grid.ErrOutside},
	} {
		if !errors.Is(tt.p.Err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, tt.p.Err, tt.want)
		}
	}
	var unknown *grid.UnknownDatumError
	if p := pointHeight(t, itm, bollard, 4, ellipsoidal, grid.Frame{Datum: "Atlantis"}); !errors.As(p.Err, &unknown) {
		t.Errorf("unknown datum: %v", p.Err)
	}
	if _, err := itm.EllipsoidalHeights(t.Context(), make([]grid.EN, 2), make([]grid.Height, 2), nil); err == nil {
		t.Error("two heights and no frame: no error")
	}
	if _, err := itm.FixHeights(t.Context(), make([]grid.Fix, 2), nil); err == nil {
		t.Error("two fixes and no height: no error")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := itm.FixHeights(ctx, make([]grid.Fix, 1), make([]grid.Height, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := itm.EllipsoidalHeights(ctx, make([]grid.EN, 1), make([]grid.Height, 1), make([]grid.Frame, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// A tag above EGM96 against a point above Malin Head: both go to the ellipsoid of
// WGS 84, by models that have nothing in common.
func TestCompareHeights(t *testing.T) {
	c := withOptions(t, "EPSG:2157+5731", grid.OpenOptions{Folders: []string{malinFolder(t)}})
	at, err := c.FromGrid(t.Context(), []grid.EN{bollard}, []grid.Frame{today})
	if err != nil || at[0].Err != nil {
		t.Fatal(err, at[0].Err)
	}
	tag := at[0].Fix
	ask := func(tagRef, pointRef grid.HeightRef) grid.HeightDiscrepancy {
		d, err := grid.CompareHeights(t.Context(), c, []grid.HeightPair{{Fix: tag, Tag: grid.Height{Metres: 6, Ref: tagRef}, At: bollard, Point: grid.Height{Metres: 4.2, Ref: pointRef}}})
		if err != nil || len(d) != 1 {
			t.Fatal(d, err)
		}
		return d[0]
	}
	d := ask(ellipsoidal, geoid(""))
	if d.Err != nil {
		t.Fatal(d.Err)
	}
	near(t, "dH", d.DH, 6-pointHeight(t, c, bollard, 4.2, geoid(""), today).Metres, 1e-9)
	if d.Accuracy == nil || math.Abs(*d.Accuracy-0.103) > 0.002 {
		t.Errorf("%+v", d)
	}
	if d := ask(geoid("EGM96"), geoid("")); d.Err == nil {
		near(t, "dH above EGM96", d.DH, d.Tag.Metres-d.Point.Metres, 1e-9)
		if d.Accuracy == nil || *d.Accuracy < 1 || math.Abs(d.DH) > 5 {
			t.Errorf("%+v", d)
		}
	} else if !errors.Is(d.Err, grid.ErrGeoidMissing) {
		t.Error(d.Err)
	}
	if d := ask(grid.HeightRef{}, geoid("")); !errors.Is(d.Err, grid.ErrHeightUnknown) || !strings.Contains(d.Err.Error(), "height of the tag") {
		t.Errorf("%v", d.Err)
	}
	if d := ask(ellipsoidal, grid.HeightRef{}); !errors.Is(d.Err, grid.ErrHeightUnknown) || !strings.Contains(d.Err.Error(), "height of the point") {
		t.Errorf("%v", d.Err)
	}
}

// Any text may be given for a vertical system or a frame.
func FuzzHeightRef(f *testing.F) {
	for _, s := range []string{"", "EPSG:5731", "EGM96", "Malin Head height", "EPSG:2157", "+proj=longlat", `VERTCRS["x"`, "\x00own", "x\x00y", "urn:ogc:def:crs:EPSG::5773", "NAD83(2011)", "%_"} {
		f.Add(s, true)
		f.Add(s, false)
	}
	c, err := Open("EPSG:2157")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string, up bool) {
		ref := grid.HeightRef{Surface: grid.HeightGeoid, VerticalCRS: s}
		if up {
			ref = grid.HeightRef{Surface: grid.HeightEllipsoid, Frame: s}
		}
		p := pointHeight(t, c, bollard, 4.2, ref, today)
		if p.Err == nil && (!finite(p.Metres, 0) || math.Abs(p.Metres) > 200) {
			t.Fatalf("%q: %+v", s, p)
		}
		if p.Err != nil && p.Err.Error() == "" {
			t.Fatalf("%q: an error without words", s)
		}
	})
}
