package crs

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// tool looks a reference program up. Without it the test is skipped, or fails
// where PHOTOTIE_REQUIRE_TOOLS is set.
func tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
		t.Fatalf("%s is not installed (Debian: proj-bin, geographiclib-tools): %v", name, err)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// runTool feeds lines of numbers to a program and returns the lines of numbers
// that it prints. A field that is no number ends its line.
func runTool(t testing.TB, lines [][]float64, name string, args ...string) [][]float64 {
	t.Helper()
	var in strings.Builder
	for _, l := range lines {
		for k, v := range l {
			if k > 0 {
				in.WriteByte(' ')
			}
			in.WriteString(strconv.FormatFloat(v, 'f', -1, 64))
		}
		in.WriteByte('\n')
	}
	cmd := exec.Command(tool(t, name), args...)
	cmd.Stdin = strings.NewReader(in.String())
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, stderr.String())
	}
	var result [][]float64
	for _, l := range strings.Split(strings.TrimRight(string(out), "\n"), "\n") {
		var row []float64
		for _, f := range strings.Fields(l) {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				break
			}
			row = append(row, v)
		}
		result = append(result, row)
	}
	if len(result) != len(lines) {
		t.Fatalf("%s %v: %d lines in, %d out", name, args, len(lines), len(result))
	}
	return result
}

// opened are the systems that tests have opened: what a test finds out about one, its
// operations above all, serves the next. None depends on a system that is new.
var opened sync.Map

// open opens a CRS or fails.
func open(t testing.TB, definition string) *CRS {
	t.Helper()
	if c, ok := opened.Load(definition); ok {
		return c.(*CRS)
	}
	c := mustOpen(t, definition)
	opened.Store(definition, c)
	return c
}

// mustOpen opens a CRS anew or fails.
func mustOpen(t testing.TB, definition string) *CRS {
	t.Helper()
	c, err := Open(definition)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// dms makes degrees.
func dms(d, m, s float64) float64 {
	if d < 0 {
		return d - m/60 - s/3600
	}
	return d + m/60 + s/3600
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if diff := got - want; !(diff <= tolerance && diff >= -tolerance) {
		t.Errorf("%s: got %s, want %s (tolerance %g)", what, full(got), full(want), tolerance)
	}
}

func full(v float64) string { return fmt.Sprintf("%.12g", v) }
