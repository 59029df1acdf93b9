package crs

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// best is the operation of one fix.
func best(t *testing.T, code string, lat, lon, epoch float64) *grid.Operation {
	t.Helper()
	p := toGrid(t, open(t, code), fix(lat, lon, "", epoch))[0]
	if p.Err != nil {
		t.Fatal(code, p.Err)
	}
	return p.Op
}

// What the registry states for a null transformation from WGS 84 has the 2 m of
// the ensemble in it: "NAD83 to WGS 84 (1)" is 4 m, "NAD83(2011) to WGS 84 (1)"
// 2 m, whose remarks say so, and "ETRS89 to WGS 84 (1)" states 1 m, of which the
// 2 m is the larger (EPSG registry). Where only the ensemble is left, it counts
// once.
func TestEnsembleCountsOnce(t *testing.T) {
	for _, tt := range []struct {
		steps []step
		want  float64
	}{
		{[]step{{accuracy: 2, ensemble: true}, {accuracy: 4}}, 4},
		{[]step{{accuracy: 2, ensemble: true}, {accuracy: 0, conversion: true}, {accuracy: 1}}, 2},
		{[]step{{accuracy: 2, ensemble: true}, {accuracy: 0, conversion: true}}, 2},
		{[]step{{accuracy: 3}, {accuracy: 2, ensemble: true}, {accuracy: 4}}, 5},
		{[]step{{accuracy: 0.1}, {accuracy: 999}}, math.NaN()},
		{[]step{{accuracy: 0.1}, {accuracy: 998}}, math.NaN()},
		{[]step{{accuracy: -1}}, math.NaN()},
	} {
		if got := accuracy(tt.steps); got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%+v: %v, want %v", tt.steps, got, tt.want)
		}
	}
	if op := best(t, "EPSG:2264", 35.5, -80, 0); op.Accuracy == nil || *op.Accuracy != 4 {
		t.Errorf("NAD83 by the null transformation: %+v", op)
	}
	if op := best(t, "EPSG:6543", 35.5, -80, 0); op.Accuracy == nil || *op.Accuracy != 2 {
		t.Errorf("NAD83(2011) by the null transformation: %+v", op)
	}
}

// An accuracy of 999 m in the registry means that none is known: "Herat North to
// WGS 84 (1)", EPSG:1139 (the registry states 999 for it).
func TestAccuracy999IsUnknown(t *testing.T) {
	c := open(t, "EPSG:32641") // WGS 84 / UTM zone 41N
	list, err := c.Candidates(context.Background(), nil, grid.Frame{Datum: "Herat North"})
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(list, func(c grid.Candidate) bool { return strings.Contains(c.Name, "Herat North to WGS 84") })
	if i < 0 {
		t.Fatalf("no such operation among %+v", list)
	}
	if a := list[i].Accuracy; a != nil {
		t.Errorf("accuracy %v m", *a)
	}
}

// NAD27 to the grid without NADCON's file takes a coarse operation, and says as
// a fact what would be better and what it lacks: a machine that has the file
// judges otherwise.
func TestBetterOperationIsAFact(t *testing.T) {
	if !lacks(t, "EPSG:32019") {
		t.Skip("the grid file of NAD27 is installed here")
	}
	op := best(t, "EPSG:32019", 35.5, -80, 2024.5)
	if b := op.Better; b == nil || b.Accuracy == nil || op.Accuracy != nil && *b.Accuracy >= *op.Accuracy || len(b.Missing) == 0 || b.Missing[0].Name == "" || b.Missing[0].Install == "" {
		t.Errorf("%+v: better %+v", op, op.Better)
	}
	if op := best(t, "EPSG:2157", 53.3, -6.3, 2024.5); op.Better != nil {
		t.Errorf("ITM: %+v", op.Better)
	}
	// The advice names the files for the points, all of them, in one command: NADCON's
	// for the forty-eight states, and none of Alaska or Hawaii.
	c := open(t, "EPSG:32019")
	at := toGrid(t, c, fix(35.5, -80, "", 2024.5))[0].EN
	list, err := c.Candidates(context.Background(), []grid.EN{at}, grid.Frame{Epoch: 2024.5})
	if err != nil {
		t.Fatal(err)
	}
	files, command := grid.FilesToInstall(list)
	if len(files) == 0 || strings.Count(command, "projsync --file ") != len(files) || strings.Contains(command, "alaska") || strings.Contains(command, "hawaii") {
		t.Errorf("%+v by %q", files, command)
	}
	for _, f := range files {
		if !strings.Contains(command, f.Name) || strings.Contains(f.Install, "package") {
			t.Errorf("%q lacks %s; %q", command, f.Name, f.Install)
		}
	}
}

// The rotations of plates are those of PROJ's file ITRF2014 (Altamimi et al. 2017),
// which cct turns positions by: the Pacific plate moves by some 48 mm a year against
// North America at San Francisco.
func TestPlateSpeeds(t *testing.T) {
	moved := func(plate string, lat, lon float64) [3]float64 {
		out := runTool(t, [][]float64{{lon, lat, 0, 1}, {lon, lat, 0, 0}}, "cct", "-d", "6", "+proj=pipeline", "+step", "+proj=cart", "+ellps=sphere", "+R=6371008.8", "+step", "+init=ITRF2014:"+plate, "+t_epoch=0")
		return [3]float64{out[0][0] - out[1][0], out[0][1] - out[1][1], out[0][2] - out[1][2]}
	}
	for _, at := range [][2]float64{{37.5, -122.3}, {-26, 28}, {-23.5, -46.6}} {
		for plate := range plates {
			a, b := moved(plate, at[0], at[1]), moved("NOAM", at[0], at[1])
			if got, want := speed(plate, "", at[0], at[1]), math.Hypot(math.Hypot(a[0], a[1]), a[2]); math.Abs(got-want) > 1e-5 {
				t.Errorf("%s at %v: %.6f m a year, cct %.6f", plate, at, got, want)
			}
			if got, want := speed(plate, "NOAM", at[0], at[1]), math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2]); math.Abs(got-want) > 1e-5 {
				t.Errorf("%s against NOAM at %v: %.6f m a year, cct %.6f", plate, at, got, want)
			}
		}
	}
	if v := speed("PCFC", "NOAM", 37.5, -122.3); v < 0.046 || v > 0.051 {
		t.Errorf("San Francisco: %v m a year", v)
	}
}

// South Africa's frame is ITRF91 at 1994.0 and Brazil's ITRF2000 at 2000.4: a null
// transformation leaves out what their plates have moved since.
func TestMotionOfEpochlessOperations(t *testing.T) {
	for _, c := range []struct {
		code             string
		lat, lon, lo, hi float64 // metres moved by the end of 2026
	}{{"EPSG:2053", -26, 28, 0.8, 1}, {"EPSG:31983", -23.5, -46.6, 0.3, 0.4}} {
		op := best(t, c.code, c.lat, c.lon, 2026.4)
		if op.Motion == nil || op.Motion.Metres < c.lo || op.Motion.Metres > c.hi || op.Accuracy == nil || *op.Accuracy < op.Motion.Metres {
			t.Errorf("%s: %+v, accuracy %v, %s", c.code, op.Motion, op.Accuracy, op.Name)
		}
	}
}

// Coastal California moves by some 48 mm a year against the plate that
// NAD83(2011) is fixed to, and its coordinates are kept at 2010.0: at 2026.4 by
// some 0.8 m (0.048 x 16.4), which the operation's 0.01 m leaves out. Source of
// the rate: TestPlateSpeeds. North Carolina is on the plate.
func TestPlateMotion(t *testing.T) {
	op := best(t, "EPSG:6420", 37.5, -122.3, 2026.4)
	if op.Motion == nil || op.Motion.FrameEpoch != 2010 || op.Motion.Metres < 0.048*16.4 || op.Motion.Metres > 1 {
		t.Errorf("California: motion %+v", op.Motion)
	}
	if op.Accuracy == nil || *op.Accuracy < 0.78 || !hasNote(op, "kept at 2010.0") {
		t.Errorf("California: accuracy %v, notes %q", op.Accuracy, op.Notes)
	}
	if early := best(t, "EPSG:6420", 37.5, -122.3, 2011.2); *early.Accuracy >= *op.Accuracy/5 {
		t.Errorf("California in 2011: %v", *early.Accuracy)
	}
	if op := best(t, "EPSG:6543", 35.5, -80, 2026.4); op.Motion != nil || *op.Accuracy > 0.02 {
		t.Errorf("North Carolina: %+v", op)
	}
	if e := open(t, "EPSG:6420").Grid().FrameEpoch; e != 2010 {
		t.Errorf("the frame's epoch is %v", e)
	}
	// Back from the grid it is the same operation.
	c := open(t, "EPSG:6420")
	at := toGrid(t, c, fix(37.5, -122.3, "", 2026.4))[0]
	back, err := c.FromGrid(context.Background(), []grid.EN{at.EN}, []grid.Frame{{Epoch: 2026.4}})
	if err != nil || back[0].Op != at.Op {
		t.Errorf("back by %+v, %v", back[0].Op, err)
	}
}

// CGCS2000 is ITRF97 at 2000.0 and GDM2000 ITRF2000 at 2000.0: the registry has
// only a ballpark operation to the first from the realisation of WGS 84, and it
// is not out by hundreds of metres, but by what the plate has moved.
func TestAlignedFramesAreNotBallpark(t *testing.T) {
	for _, tt := range []struct {
		code     string
		lat, lon float64
	}{{"EPSG:4547", 35, 114}, {"EPSG:3375", 4, 103}} {
		op := best(t, tt.code, tt.lat, tt.lon, 2026.4)
		if op.Ballpark || op.Accuracy == nil || *op.Accuracy < 0.5 || *op.Accuracy > 3 {
			t.Errorf("%s: ballpark %v, accuracy %v, %s, %q", tt.code, op.Ballpark, op.Accuracy, op.Name, op.Notes)
		}
		if op.Accuracy != nil {
			t.Log(tt.code, op.Name, *op.Accuracy, op.Motion)
		}
	}
}

// A method that PROJ lacks is named, with PROJ's version.
func TestMethodThatPROJLacks(t *testing.T) {
	_, err := Open("EPSG:2218") // Scoresbysund 1952 / Greenland zone 5 east
	if err == nil {
		t.Skip("this PROJ has the method")
	}
	for _, s := range []string{"Lambert Conic Conformal (West Orientated)", "EPSG:9826", "PROJ 9"} {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%v: lacks %q", err, s)
		}
	}
}
