package dataset

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"example.com/phototie/grid"
)

// A row that says exactly what an earlier one says is left out with a note; one
// that says something else of the same point is an error.
func TestRepeatedPoints(t *testing.T) {
	read := func(file, text string) ([]string, error) {
		r := &pointsReader{fsys: fstest.MapFS{file: {Data: []byte(text)}}, set: PointSettings{File: file, CRS: ownGrid}, proj: plane{grid.Metre}}
		err := r.run(t.Context())
		var ids []string
		for _, p := range r.out {
			ids = append(ids, p.ID)
		}
		return append(ids, r.read.Notes...), err
	}
	const head = "id,e,n,h,code,desc,observed,sigma,photos\n"
	row := func(id string) string { return id + ",1,2,3,BOL,x,2026-06-03T09:15:00Z,0.02,a.jpg\n" }
	got, err := read("p.csv", head+row("A")+row("B")+row("A"))
	if want := []string{"A", "B", "line 4 repeats line 2 exactly and is left out"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, %v", got, err)
	}
	got, err = read("p.csv", head+row("A")+row("A")+row("A"))
	if want := []string{"A", "2 rows repeat an earlier one exactly and are left out, the first of them line 3, which repeats line 2"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, %v", got, err)
	}
	for _, other := range []string{"A,1.001,2,3,BOL,x,2026-06-03T09:15:00Z,0.02,a.jpg\n", "A,1,2,,BOL,x,2026-06-03T09:15:00Z,0.02,a.jpg\n", "A,1,2,3,LAD,x,2026-06-03T09:15:00Z,0.02,a.jpg\n",
		"A,1,2,3,BOL,y,2026-06-03T09:15:00Z,0.02,a.jpg\n", "A,1,2,3,BOL,x,2026-06-03T09:15:01Z,0.02,a.jpg\n", "A,1,2,3,BOL,x,2026-06-03T09:15:00Z,,a.jpg\n", "A,1,2,3,BOL,x,2026-06-03T09:15:00Z,0.02,b.jpg\n"} {
		if _, err := read("p.csv", head+row("A")+other); err == nil || !strings.Contains(err.Error(), `p.csv:3:1: point id "A" stands already in line 2`) {
			t.Errorf("%q: %v", other, err)
		}
	}
	feature := `{"type":"Feature","properties":{"id":"A"},"geometry":{"type":"Point","coordinates":[1,2]}}`
	got, err = read("p.json", `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:2157"}},"features":[`+feature+",\n"+feature+`]}`)
	if err != nil || got[0] != "A" || !strings.Contains(strings.Join(got, "\n"), "line 2 repeats line 1") {
		t.Errorf("%q, %v", got, err)
	}
}

// A job has a number of points that it can hold.
func TestPointsAreBounded(t *testing.T) {
	defer func(n, text int) { mostPoints, mostPointText = n, text }(mostPoints, mostPointText)
	mostPoints, mostPointText = 10, 1<<20
	rows := func(n int, desc string) string {
		var b strings.Builder
		b.WriteString("id,e,n,desc\n")
		for i := range n {
			fmt.Fprintf(&b, "P%d,1,2,%s\n", i, desc)
		}
		return b.String()
	}
	for text, want := range map[string]string{
		rows(10, "x"):                         "",
		rows(11, "x"):                         "more than 10 points",
		rows(9, strings.Repeat("x", 100<<10)): "",
		rows(9, strings.Repeat("x", 200<<10)): "take more than 1 MiB",
	} {
		_, err := points(t, text, PointSettings{})
		var p *Problem
		if want == "" && err != nil || want != "" && (!errors.As(err, &p) || !strings.Contains(p.What, want) || p.Remedy == "") {
			t.Errorf("%d bytes: %v, want %q", len(text), err, want)
		}
	}
}

// A control file is read like any other list: words in a first row where numbers
// are due are a header, and a row that is there twice counts once.
func TestControlRows(t *testing.T) {
	read := func(columns []string, text string) (control, error) {
		s := &SiteSettings{Control: "c.csv", Columns: columns}
		return s.readControl(fstest.MapFS{"c.csv": {Data: []byte(text)}})
	}
	columns := []string{"id", "site_e", "site_n", "base_e", "base_n"}
	c, err := read(columns, "Punkt,Rechts,Hoch,X,Y\nC1,1,2,690001,604002\nC2,3,4,690003,604004\nC1,1,2,690001,604002\n")
	if err != nil || len(c.pairs) != 2 || c.pairs[0].ID != "C1" || !slices.Equal(c.notes, []string{
		`the first row of c.csv, ["Punkt" "Rechts" "Hoch" "X" "Y"], is taken for a header`, "line 4 repeats line 2 exactly and is left out"}) {
		t.Errorf("%+v, %v", c, err)
	}
	// A first row with a slip in a number is no header.
	if _, err := read(columns, "C1,1,2,69OOO1,604002\nC2,3,4,690003,604004\n"); err == nil || !strings.Contains(err.Error(), `c.csv:1:8: base_e "69OOO1" is not a number`) {
		t.Error(err)
	}
	if _, err := read(nil, "id,site_e,site_n,base_e,base_n\nC1,1,2,690001,604002\nC1,1,2.001,690001,604002\n"); err == nil || !strings.Contains(err.Error(), `control pair "C1" stands already in line 2`) {
		t.Error(err)
	}
}
