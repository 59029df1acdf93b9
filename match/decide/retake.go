package decide

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"html/template"
	"io"
	"maps"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/page"
	"example.com/phototie/match/internal/words"
)

// retakes are the kinds of finding that are answered by taking a photo (again).
var retakes = []match.FindingCode{match.FindingAgain, match.FindingPointWithoutPhoto, match.FindingTooFew, match.FindingBlurred, match.FindingTooSmall,
	match.FindingClipped, match.FindingLowQuality, match.FindingUndecodable, match.FindingUnreadable}

// RetakeFormat is the format of a list of what is to be taken again by the name of its
// file: html, csv, gpx or geojson. The error names them.
func RetakeFormat(file string) (string, error) {
	ext := strings.TrimPrefix(strings.ToLower(path.Ext(file)), ".")
	if !slices.Contains([]string{"html", "csv", "gpx", "geojson"}, ext) {
		return "", fmt.Errorf("%s: end its name in .html, .csv, .gpx or .geojson", file)
	}
	return ext, nil
}

// WroteRetake reports whether a file of a format begins as Retake writes it.
func WroteRetake(format string, head []byte) bool {
	return bytes.Contains(head, []byte(map[string]string{"html": retakeHeading + "</title>", "csv": strings.Join(retakeColumns, ","), "gpx": "<gpx ", "geojson": `"` + retakeHeading + `"`}[format]))
}

const retakeHeading = "To be taken again"

// stop is a place to go to once more, or, without a point, photos that no place is
// known of.
type stop struct {
	point  int // in the result; -1 for none
	why    []string
	photos []string
	at     grid.LatLon // WGS 84; no numbers where it is not known
}

// stops gathers what is to be taken again, by point, in the order of a short walk.
func stops(ctx context.Context, job *dataset.Checked, opt Options) ([]*stop, error) {
	ties := map[string]string{}
	for i := range job.Photos {
		if t := job.Photos[i].Tie; t != nil {
			ties[job.Photos[i].Name] = t.Point
		}
	}
	of := map[string]*stop{}
	for _, f := range opt.Outcome.Kept {
		if !slices.Contains(retakes, f.Code) {
			continue
		}
		id := cmp.Or(ties[f.Photo], f.Point)
		s := of[id]
		if s == nil {
			s = &stop{point: -1}
			of[id] = s
		}
		why := words.Safe(f.Message)
		if f.Photo != "" {
			why = words.Safe(path.Base(f.Photo)) + ": " + why
			if !slices.Contains(s.photos, f.Photo) {
				s.photos = append(s.photos, f.Photo)
			}
		}
		s.why = append(s.why, why)
	}
	if len(of) == 0 {
		return nil, nil
	}
	at, err := job.Locate(ctx)
	if err != nil {
		return nil, err
	}
	var out []*stop
	for j := range job.Points {
		if s := of[job.Points[j].ID]; s != nil {
			s.point, s.at = j, at.Points[j]
			out = append(out, s)
			delete(of, job.Points[j].ID)
		}
	}
	slices.SortStableFunc(out, func(a, b *stop) int { return job.Points[a.point].Observed.Compare(job.Points[b.point].Observed) })
	walk(out, func(s *stop) grid.EN { return job.Points[s.point].EN })
	for _, id := range slices.Sorted(maps.Keys(of)) { // ids that were not surveyed, and photos without one
		s := of[id]
		s.at = grid.LatLon{Lat: math.NaN(), Lon: math.NaN()}
		out = append(out, s)
	}
	return out, nil
}

// mostImproved is how many stops there may be for a walk to be improved upon, which
// takes time by their square.
const mostImproved = 2000

// walk puts stops in the order of a short walk from the first: to the nearest that is
// left, and then turned round wherever that is shorter (2-opt: G. A. Croes, A method
// for solving traveling-salesman problems, 1958, from memory).
func walk(s []*stop, place func(*stop) grid.EN) {
	far := func(i, j int) float64 {
		a, b := place(s[i]), place(s[j])
		return math.Hypot(a.E-b.E, a.N-b.N)
	}
	for i := 1; i < len(s); i++ {
		best := i
		for j := i + 1; j < len(s); j++ {
			if far(i-1, j) < far(i-1, best) {
				best = j
			}
		}
		s[i], s[best] = s[best], s[i]
	}
	for better := len(s) <= mostImproved; better; {
		better = false
		for i := 1; i < len(s)-1; i++ {
			for j := i + 1; j < len(s); j++ {
				was, is := far(i-1, i), far(i-1, j)
				if j+1 < len(s) {
					was, is = was+far(j, j+1), is+far(i, j+1)
				}
				if is < was-1e-9 {
					slices.Reverse(s[i : j+1])
					better = true
				}
			}
		}
	}
}

// Retake writes what is to be taken again in one of the formats of RetakeFormat, and
// returns how many places and photos without one there are: points without photos or
// with too few, photos that are blurred, small or can't be read, and those that
// somebody decided to have taken again. What is accepted is left out.
func Retake(ctx context.Context, w io.Writer, format string, job *dataset.Checked, opt Options) (int, error) {
	list, err := stops(ctx, job, opt)
	if err != nil {
		return 0, err
	}
	r := retaking{job, opt, list}
	b := bufio.NewWriter(w)
	write := map[string]func(io.Writer) error{"html": r.html, "csv": r.csv, "gpx": r.gpx, "geojson": r.geojson}[format]
	if write == nil {
		return 0, fmt.Errorf("there is no list of what is to be taken again as %q", format)
	}
	if err := write(b); err != nil {
		return 0, err
	}
	return len(list), b.Flush()
}

// retaking is a list being written.
type retaking struct {
	job  *dataset.Checked
	opt  Options
	list []*stop
}

// about gives the id, the code and the description of a stop's point, made safe.
func (r *retaking) about(s *stop) (id, code, desc string) {
	if s.point < 0 {
		return "", "", ""
	}
	p := r.job.Points[s.point].Point
	return words.Safe(p.ID), words.Safe(p.Code), words.Safe(p.Desc)
}

func (s *stop) located() bool { return s.at.Valid() }

var retakeColumns = []string{"order", "point", "code", "description", "e", "n", "unit", "lat", "lon", "photos", "why"}

func (r *retaking) csv(w io.Writer) error {
	out := csv.NewWriter(w)
	rows := [][]string{retakeColumns}
	for k, s := range r.list {
		id, code, desc := r.about(s)
		row := []string{strconv.Itoa(k + 1), id, code, desc, "", "", "", "", "", words.Safe(strings.Join(s.photos, " ")), strings.Join(s.why, "; ")}
		if s.point >= 0 {
			p := r.job.Points[s.point].EN
			row[4], row[5], row[6] = fmt.Sprintf("%.3f", p.E), fmt.Sprintf("%.3f", p.N), r.job.Grid.Unit.Symbol
		}
		if s.located() {
			row[7], row[8] = fmt.Sprintf("%.8f", s.at.Lat), fmt.Sprintf("%.8f", s.at.Lon)
		}
		for i, v := range row { // nothing that a spreadsheet would take for a formula
			if v != "" && strings.ContainsRune("=+@\t\r", rune(v[0])) || i < 4 && strings.HasPrefix(v, "-") {
				row[i] = "'" + v
			}
		}
		rows = append(rows, row)
	}
	return out.WriteAll(rows)
}

// gpxPoint is a waypoint, or a point of a route, as GPX 1.1 has it
// (https://www.topografix.com/GPX/1/1/gpx.xsd, from memory).
type gpxPoint struct {
	Lat  string `xml:"lat,attr"`
	Lon  string `xml:"lon,attr"`
	Name string `xml:"name"`
	Desc string `xml:"desc"`
	Type string `xml:"type,omitempty"`
}

func (r *retaking) gpx(w io.Writer) error {
	type route struct {
		Name   string     `xml:"name"`
		Points []gpxPoint `xml:"rtept"`
	}
	doc := struct {
		XMLName xml.Name   `xml:"http://www.topografix.com/GPX/1/1 gpx"`
		Version string     `xml:"version,attr"`
		Creator string     `xml:"creator,attr"`
		Name    string     `xml:"metadata>name"`
		Points  []gpxPoint `xml:"wpt"`
		Route   *route     `xml:"rte"`
	}{Version: "1.1", Creator: words.Safe(r.opt.Tool), Name: retakeHeading + ": " + words.Safe(r.opt.Title)}
	for _, s := range r.list {
		if !s.located() {
			continue
		}
		id, code, desc := r.about(s)
		why := strings.Join(s.why, "; ")
		if desc != "" {
			why = desc + ": " + why
		}
		doc.Points = append(doc.Points, gpxPoint{fmt.Sprintf("%.8f", s.at.Lat), fmt.Sprintf("%.8f", s.at.Lon), id, why, code})
	}
	if len(doc.Points) > 0 {
		doc.Route = &route{retakeHeading, doc.Points}
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	enc := xml.NewEncoder(w)
	enc.Indent("", " ")
	return cmp.Or(enc.Encode(doc), enc.Close())
}

func (r *retaking) geojson(w io.Writer) error {
	type feature struct {
		Type     string         `json:"type"`
		Geometry any            `json:"geometry"`
		Props    map[string]any `json:"properties"`
	}
	doc := struct {
		Type     string    `json:"type"`
		Name     string    `json:"name"`
		Features []feature `json:"features"`
	}{"FeatureCollection", retakeHeading, []feature{}}
	for k, s := range r.list {
		id, code, desc := r.about(s)
		f := feature{Type: "Feature", Props: map[string]any{"order": k + 1, "point": id, "code": code, "description": desc, "why": s.why}}
		if s.located() { // RFC 7946: longitude first; no place is null
			f.Geometry = map[string]any{"type": "Point", "coordinates": [2]float64{math.Round(s.at.Lon*1e8) / 1e8, math.Round(s.at.Lat*1e8) / 1e8}}
		}
		doc.Features = append(doc.Features, f)
	}
	return json.NewEncoder(w).Encode(doc)
}

//go:embed retake.html
var retakeText string

var retakePage = template.Must(template.New("retake").Parse(retakeText))

func (r *retaking) html(w io.Writer) error {
	type listed struct {
		ID, About, Place string
		Why              []string
	}
	stops := make([]listed, len(r.list))
	for i, s := range r.list {
		id, code, desc := r.about(s)
		stops[i] = listed{ID: id, About: strings.TrimSpace(code + " " + desc), Why: s.why}
		if s.point >= 0 {
			p := r.job.Points[s.point].EN
			stops[i].Place = fmt.Sprintf("E %.2f, N %.2f %s", p.E, p.N, r.job.Grid.Unit.Symbol)
		}
	}
	return retakePage.Execute(w, map[string]any{"Policy": page.Policy(""), "Title": words.Safe(r.opt.Title), "Heading": retakeHeading, "Tool": words.Safe(r.opt.Tool),
		"Count": words.Plural(len(r.list), "stop"), "Plan": r.plan(), "Stops": stops})
}

// spot is a place in the plan, with the number of its stop.
type spot struct {
	X, Y   float64
	Number int
}

// plan is where the points and the stops stand, in a drawing that is 760 wide; nil
// where there are no places.
func (r *retaking) plan() map[string]any {
	lo, hi := grid.EN{E: math.Inf(1), N: math.Inf(1)}, grid.EN{E: math.Inf(-1), N: math.Inf(-1)}
	for _, p := range r.job.Points {
		lo, hi = grid.EN{E: min(lo.E, p.E), N: min(lo.N, p.N)}, grid.EN{E: max(hi.E, p.E), N: max(hi.N, p.N)}
	}
	span := max(hi.E-lo.E, hi.N-lo.N, 1/r.job.Grid.Unit.Metres)
	if !(span < math.MaxFloat64) {
		return nil
	}
	const size, edge = 760.0, 40.0
	k := (size - 2*edge) / span
	at := func(point, number int) spot {
		p := r.job.Points[point].EN
		return spot{edge + (p.E-lo.E)*k, edge + (hi.N-p.N)*k, number}
	}
	var points, stops []spot
	for j := range r.job.Points {
		points = append(points, at(j, 0))
	}
	for i, s := range r.list {
		if s.point >= 0 {
			stops = append(stops, at(s.point, i+1))
		}
	}
	bar := math.Pow(10, math.Floor(math.Log10(span/3)))
	return map[string]any{"High": (hi.N-lo.N)*k + 2*edge + 20, "Points": points, "Stops": stops, "Bar": bar * k, "Scale": fmt.Sprintf("%g %s", bar, r.job.Grid.Unit.Symbol)}
}
