package cause_test

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"testing"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/dataset/demo"
)

// tables reads the points and links of a demo job.
func tables(t *testing.T, job *demo.Job) (points []match.Point, links []match.Link) {
	t.Helper()
	rows := func(text []byte) (map[string]int, [][]string) {
		all, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		at := map[string]int{}
		for i, h := range all[0] {
			at[h] = i
		}
		return at, all[1:]
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	at, list := rows(job.Points)
	for i, r := range list {
		p := match.Point{ID: r[at["id"]], Line: i + 2}
		p.E, p.N = number(r[at["easting"]]), number(r[at["northing"]])
		when, err := time.Parse(time.RFC3339, r[at["observed"]])
		if err != nil {
			t.Fatal(err)
		}
		p.Observed = when
		points = append(points, p)
	}
	at, list = rows(job.Links)
	for i, r := range list {
		links = append(links, match.Link{Photo: r[at["photo"]], Point: r[at["point"]], Line: i + 2})
	}
	return points, links
}
