package crs

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

func withOptions(t testing.TB, definition string, o grid.OpenOptions) *CRS {
	t.Helper()
	c, err := openWith(definition, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Forcing and forbidding, against cs2cs by the operation that must come out: the
// null transformation from EPSG:4326, and the realisation-aware one from
// EPSG:9755.
func TestForcedOperations(t *testing.T) {
	const lat, lon, epoch = 40.7, -74, 2024.5
	aware := runTool(t, [][]float64{{lat, lon, 0, epoch}}, "cs2cs", "-f", "%.9f", "EPSG:9755", "EPSG:6543")[0]
	null := runTool(t, [][]float64{{lat, lon}}, "cs2cs", "-f", "%.9f", "EPSG:4326", "EPSG:6543")[0]
	for _, tt := range []struct {
		name string
		opt  grid.OpenOptions
		want []float64
	}{
		{"no choice", grid.OpenOptions{}, aware},
		{"only by code", grid.OpenOptions{Only: []string{"EPSG:9774"}}, null},
		{"only by code, small letters", grid.OpenOptions{Only: []string{" epsg:9774 "}}, null},
		{"only by name", grid.OpenOptions{Only: []string{"nad83(2011) to wgs 84 (1)"}}, null},
		{"only, two of them", grid.OpenOptions{Only: []string{"EPSG:9774", "EPSG:8970"}}, aware},
		{"forbidden by code", grid.OpenOptions{Forbid: []string{"EPSG:8970"}}, null},
		{"forbidden by name", grid.OpenOptions{Forbid: []string{"ITRF2014 to NAD83(2011)"}}, null},
		{"forbidden ensemble", grid.OpenOptions{Forbid: []string{"datum ensemble"}}, aware},
		{"forced and forbidden", grid.OpenOptions{Only: []string{"EPSG:9774", "EPSG:8970"}, Forbid: []string{"EPSG:8970"}}, null},
	} {
		c := withOptions(t, "EPSG:6543", tt.opt)
		p := toGrid(t, c, fix(lat, lon, "", epoch))[0]
		if p.Err != nil {
			t.Errorf("%s: %v", tt.name, p.Err)
			continue
		}
		near(t, tt.name+": E", p.E, tt.want[0], 1e-4/0.3048)
		near(t, tt.name+": N", p.N, tt.want[1], 1e-4/0.3048)
		back, err := c.FromGrid(t.Context(), []grid.EN{p.EN}, []grid.Frame{{Epoch: epoch}})
		if err != nil || back[0].Err != nil || back[0].Op != p.Op {
			t.Errorf("%s: the way back goes by another operation: %v, %+v", tt.name, err, back)
			continue
		}
		near(t, tt.name+": latitude", back[0].Lat, lat, 1e-9)
		near(t, tt.name+": longitude", back[0].Lon, lon, 1e-9)
	}

	// Forced without a date, it takes the reference epoch, says so, and states no
	// accuracy; the null transformation does not step in.
	p := toGrid(t, withOptions(t, "EPSG:6543", grid.OpenOptions{Only: []string{"EPSG:8970"}}), fix(lat, lon, "", 0))[0]
	if p.Err != nil || p.Op.Accuracy != nil || !hasNote(p.Op, "the epoch 2010.0 was assumed") {
		t.Errorf("forced without a date: %+v %+v", p, p.Op)
	}
}

func TestSelectorErrors(t *testing.T) {
	var e *grid.OperationError
	for _, tt := range []struct {
		definition string
		opt        grid.OpenOptions
		reason     error
		texts      []string
	}{
		{"EPSG:6543", grid.OpenOptions{Only: []string{"EPSG:897"}}, grid.ErrNoSuchOperation, []string{"(EPSG:897)", "EPSG:8970", "0.01 m", "NAD83(2011) / North Carolina (ftUS)"}},
		{"EPSG:6543", grid.OpenOptions{Only: []string{"EPSG:9774", "the good one"}}, grid.ErrNoSuchOperation, []string{"(the good one)"}},
		{"EPSG:6543", grid.OpenOptions{Forbid: []string{"EPSG:1"}}, grid.ErrNoSuchOperation, []string{"(EPSG:1)"}},
		{"EPSG:6543", grid.OpenOptions{Only: []string{"EPSG:9774"}, Forbid: []string{"datum ensemble"}}, grid.ErrAllExcluded, []string{"only EPSG:9774", "not datum ensemble"}},
		{"EPSG:2157", grid.OpenOptions{Only: []string{"Tokyo to WGS 84"}}, grid.ErrNoSuchOperation, []string{"from WGS 84 to IRENET95"}},
		{"EPSG:27700", grid.OpenOptions{Only: []string{"EPSG:7710"}}, grid.ErrNotRunnable, []string{"uk_os_OSTN15_NTv2_OSGBtoETRS.tif, which is not installed", "projsync"}},
	} {
		if tt.reason == grid.ErrNotRunnable && !lacks(t, tt.definition) {
			continue
		}
		c, err := openWith(tt.definition, tt.opt)
		if c != nil || !errors.As(err, &e) || !errors.Is(err, tt.reason) || len(e.Candidates) == 0 {
			t.Errorf("%s %+v: %v", tt.definition, tt.opt, err)
			continue
		}
		for _, text := range tt.texts {
			if !strings.Contains(err.Error(), text) {
				t.Errorf("%s %+v: %q lacks %q", tt.definition, tt.opt, err, text)
			}
		}
	}
	for _, o := range []grid.OpenOptions{
		{Only: []string{""}}, {Forbid: []string{"  a "}}, {Folders: []string{""}}, {Folders: []string{"/does/not/exist"}}, {Folders: []string{"options_test.go"}},
		{Vertical: "EPSG:2157"}, {Vertical: "EPSG:4979"}, {Vertical: "no such height"}, {Vertical: "EPSG:999999"},
	} {
		if c, err := openWith("EPSG:2157", o); err == nil || c != nil || errors.As(err, &e) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	var unknown *grid.UnknownDatumError
	if _, err := openWith("EPSG:2157", grid.OpenOptions{Only: []string{"EPSG:1611"}, Datums: []string{"Atlantis"}}); !errors.As(err, &unknown) {
		t.Errorf("selectors for an unknown datum: %v", err)
	}
}

// lacks reports whether grid files for the grid are missing here.
func lacks(t *testing.T, definition string) bool {
	p, err := open(t, definition).plan("")
	if err != nil {
		t.Fatal(err)
	}
	return len(p.missing) > 0
}

// A choice holds for every datum of a tag: one that it leaves nothing for gets
// an error, and never another operation.
func TestSelectorsForDatums(t *testing.T) {
	c := withOptions(t, "EPSG:6677", grid.OpenOptions{Only: []string{"Tokyo to JGD2011 (2)", "Tokyo to WGS 84 (108)"}, Datums: []string{"TOKYO"}})
	p := toGrid(t, c, fix(35.68, 139.76, "TOKYO", 0), fix(35.68, 139.76, "", 2024))
	var e *grid.OperationError
	if p[0].Err != nil && !errors.Is(p[0].Err, grid.ErrOutside) || p[0].Err == nil && !strings.Contains(p[0].Op.Name, "Tokyo") {
		t.Errorf("%+v", p[0])
	}
	if !errors.As(p[1].Err, &e) || !errors.Is(p[1].Err, grid.ErrAllExcluded) || p[1].Op != nil {
		t.Errorf("WGS 84 where only Tokyo is allowed: %+v", p[1])
	}
	// The error is found once and kept.
	again := toGrid(t, c, fix(35.68, 139.76, "", 2024))[0]
	if again.Err != p[1].Err {
		t.Errorf("the error was worked out twice")
	}
}

// The caller's slices are the caller's.
func TestOptionsAreCopied(t *testing.T) {
	o := grid.OpenOptions{Only: []string{"EPSG:9774"}}
	c := withOptions(t, "EPSG:6543", o)
	o.Only[0] = "EPSG:1"
	p := toGrid(t, c, fix(40.7, -74, "NAD83(2011)", 0), fix(40.7, -74, "", 2024))
	if p[1].Err != nil || !strings.Contains(p[1].Op.Name, "NAD83(2011) to WGS 84 (1)") {
		t.Errorf("%+v", p[1])
	}
}

func TestCandidates(t *testing.T) {
	c := open(t, "EPSG:27700")
	// Norwich, London and a place in the sea off Portugal.
	at := []grid.EN{{E: 623000, N: 308000}, {E: 530000, N: 180000}, {E: 0, N: -900000}}
	list, err := c.Candidates(t.Context(), at, grid.Frame{Epoch: 2024.5})
	if err != nil {
		t.Fatal(err)
	}
	chosen, best, missing, ballpark := 0, -1, false, false
	for i, o := range list {
		chosen += o.Chosen
		if o.Chosen > 0 && best < 0 {
			best = i
		}
		if o.Name == "" || o.Source == "" || o.Why == "" || o.Covers > len(at) || o.Chosen > o.Covers && !strings.Contains(o.Why, "outside") && o.Covers == 0 {
			t.Errorf("%+v", o)
		}
		for _, m := range o.Missing {
			missing = missing || m.Name == "uk_os_OSTN15_NTv2_OSGBtoETRS.tif" && strings.HasPrefix(m.URL, "https://") && strings.Contains(m.Install, "projsync --file "+m.Name)
			if o.Usable || o.Chosen > 0 {
				t.Errorf("%s lacks a file and is usable", o.Name)
			}
		}
		if i > 0 && o.Usable && !list[i-1].Usable {
			t.Errorf("%s comes after one that can't be used", o.Name)
		}
		if o.Ballpark {
			ballpark = true
			if o.Accuracy != nil || o.Chosen > 0 {
				t.Errorf("%+v", o)
			}
		}
	}
	if chosen != len(at) {
		t.Errorf("chosen for %d of %d positions", chosen, len(at))
	}
	if lacks(t, "EPSG:27700") != missing || !ballpark {
		t.Errorf("missing file reported: %v, ballpark: %v", missing, ballpark)
	}
	// What is listed is what is done.
	fixes, err := c.FromGrid(t.Context(), at[:1], []grid.Frame{{Epoch: 2024.5}})
	if err != nil || fixes[0].Op.Name != list[best].Name || fixes[0].Op.Definition != list[best].Definition {
		t.Errorf("used %s, listed %s", fixes[0].Op.Name, list[best].Name)
	}

	// A dated operation is passed over without a date.
	nad, err := open(t, "EPSG:6543").Candidates(t.Context(), []grid.EN{{E: 2e6, N: 5e5}}, grid.Frame{})
	if err != nil || !nad[0].TimeDependent || nad[0].Chosen != 0 || !strings.Contains(nad[0].Why, "needs the date") || len(nad[0].Codes) == 0 {
		t.Errorf("%v %+v", err, nad)
	}
	if codes := strings.Join(nad[0].Codes, " "); !strings.Contains(codes, "EPSG:8970") {
		t.Errorf("codes %s", codes)
	}
	// What the caller rules out is listed, with the reason; so is a choice that
	// leaves nothing.
	forced, err := withOptions(t, "EPSG:6543", grid.OpenOptions{Forbid: []string{"EPSG:8970"}}).Candidates(t.Context(), []grid.EN{{E: 2e6, N: 5e5}}, grid.Frame{Epoch: 2024})
	last := forced[len(forced)-1]
	if err != nil || !last.Excluded || last.Usable || !strings.Contains(last.Why, "forbidden (EPSG:8970)") || forced[0].Chosen != 1 {
		t.Errorf("%v %+v", err, forced)
	}
	nothing, err := withOptions(t, "EPSG:6543", grid.OpenOptions{Only: []string{"NAD27"}, Datums: []string{"NAD27"}}).Candidates(t.Context(), []grid.EN{{E: 2e6, N: 5e5}}, grid.Frame{Epoch: 2024})
	if err != nil || len(nothing) == 0 {
		t.Errorf("%v %+v", err, nothing)
	}
	for _, o := range nothing {
		if !o.Excluded || o.Chosen > 0 {
			t.Errorf("%+v", o)
		}
	}
	var unknown *grid.UnknownDatumError
	if _, err := c.Candidates(t.Context(), at, grid.Frame{Datum: "Atlantis"}); !errors.As(err, &unknown) {
		t.Errorf("unknown datum: %v", err)
	}
	if list, err := c.Candidates(t.Context(), nil, grid.Frame{}); err != nil || len(list) == 0 || list[0].Chosen != 0 {
		t.Errorf("no positions: %v, %+v", err, list)
	}
}

// A grid file in a folder of the caller's is found, and the registry still is.
func TestFolders(t *testing.T) {
	folder := t.TempDir()
	r := openRegistry(folder)
	defer r.close()
	if o := r.create("EPSG:2157"); o == nil {
		t.Fatal("with a folder of its own PROJ loses its database")
	} else {
	}
	if o := r.create("+proj=vgridshift +grids=phototie_test.gtx"); o != nil {
		t.Fatal("a file that does not exist is found")
	}
	writeGTX(t, filepath.Join(folder, "phototie_test.gtx"), 50, -10, 1, 8, 8, func(lat, lon float64) float64 { return 42 })
	o := r.create("+proj=vgridshift +grids=phototie_test.gtx")
	if o == nil {
		t.Fatal("the file in the folder is not found")
	}
}
