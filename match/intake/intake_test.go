package intake_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"golang.org/x/text/encoding/unicode"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/intake"
)

// The quay of the tests: bollards in Irish Transverse Mercator, one photo each.
type bollard struct {
	id    string
	e, n  float64
	photo string
}

func quay() []bollard {
	var out []bollard
	for i := range 14 {
		// Not on a line, and not alike when turned.
		e, n := 690200+13.7*float64(i%5)+31*float64(i/5), 604800+17.3*float64(i/3)+float64(i*i%7)*4.1
		out = append(out, bollard{fmt.Sprintf("B%02d", i+1), e, n, fmt.Sprintf("IMG_%04d.JPG", 11+i)})
	}
	return out
}

// rows writes a line for each bollard; {i} is its number, and E, N its coordinates.
func rows(format func(i int, b bollard) string) string {
	var s strings.Builder
	for i, b := range quay() {
		s.WriteString(format(i, b) + "\n")
	}
	return s.String()
}

func comma(v float64) string { return strings.Replace(fmt.Sprintf("%.2f", v), ".", ",", 1) }

// folder writes a job: its photos into a folder, with tags some metres off, and files.
func folder(t *testing.T, photos string, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	proj, err := crs.Open("EPSG:2157")
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, text []byte) {
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var at []grid.EN
	for i, b := range quay() {
		at = append(at, grid.EN{E: b.e + float64(i*5%7) - 3, N: b.n + float64(i*3%5) - 2})
	}
	placed, err := proj.FromGrid(context.Background(), at, make([]grid.Frame, len(at)))
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range quay() {
		if photos == "" {
			break
		}
		var blank bytes.Buffer
		if err := jpeg.Encode(&blank, image.NewGray(image.Rect(0, 0, 16, 12)), nil); err != nil {
			t.Fatal(err)
		}
		out, _, err := geotag.Rewrite(blank.Bytes(), geotag.Edit{Lat: placed[i].Fix.Lat, Lon: placed[i].Fix.Lon, HPositioningError: 3})
		if err != nil {
			t.Fatal(err)
		}
		write(photos+"/"+b.photo, out)
	}
	for name, text := range files {
		write(name, []byte(text))
	}
	return dir
}

func pointsCSV(i int, b bollard) string { return fmt.Sprintf("%s,%.2f,%.2f,4.2", b.id, b.e, b.n) }

var strangers = []struct {
	name   string
	photos string // their folder
	files  map[string]string
	crs    string // empty: left to decide
	links  int
	has    []string // in the settings
	lacks  string
	says   string // in what is left or noted
	fails  string // of the error
}{
	{name: "as the documents say", photos: "photos", crs: "EPSG:2157", links: 14,
		files: map[string]string{"points.csv": "id,easting,northing,height\n" + rows(pointsCSV), "links.csv": "photo,point\n" + rows(func(i int, b bollard) string { return b.photo + "," + b.id })},
		has:   []string{`file = "points.csv"`, `file = "links.csv"`, `folder = "photos"`}},
	{name: "headings of another language, decimal commas, blocks", photos: "Bilder/Tag 1", crs: "EPSG:2157", links: 14,
		files: map[string]string{"Büro/Koordinaten Süd.txt": "Punktnummer;Rechtswert;Hochwert;Höhe\n" + rows(func(i int, b bollard) string { return b.id + ";" + comma(b.e) + ";" + comma(b.n) + ";4,20" }),
			"Büro/Zuordnung.txt": rows(func(i int, b bollard) string { return b.id + ": " + b.photo })},
		has: []string{`folder = "Bilder/Tag 1"`, `"Rechtswert" = "easting"`, `"Hochwert" = "northing"`, `"Punktnummer" = "id"`}},
	{name: "no header, northing first, between blanks, no links", photos: "DCIM", crs: "EPSG:2157",
		files: map[string]string{"export.asc": rows(func(i int, b bollard) string { return fmt.Sprintf("%d  %.3f  %.3f  4.20  BOL", i+1, b.n, b.e) })},
		has:   []string{`columns = ["id", "northing", "easting", "height", "code"]`, "northing from column 2, easting from column 3"}, says: "no file says"},
	{name: "X and Y, photos in columns of the same file", photos: "p", crs: "EPSG:2157", links: 14,
		files: map[string]string{"all.csv": "Asset;X;Y;Image 1;Image 2\n" + rows(func(i int, b bollard) string { return fmt.Sprintf("%s;%.2f;%.2f;%s;", b.id, b.n, b.e, b.photo) })},
		has:   []string{`"X" = "northing"`, `"Y" = "easting"`, `file = "all.csv"`}},
	{name: "headings the wrong way round", photos: "p",
		files: map[string]string{"pts.csv": "id,easting,northing\n" + rows(func(i int, b bollard) string { return fmt.Sprintf("%s,%.2f,%.2f", b.id, b.n, b.e) })},
		has:   []string{`crs = "? EPSG:2157 | `, `"easting" = "northing"`}},
	{name: "in feet", photos: "p", crs: "EPSG:2157",
		files: map[string]string{"pts.csv": "id,easting,northing\n" + rows(func(i int, b bollard) string { return fmt.Sprintf("%s,%.2f,%.2f", b.id, b.e/0.3048, b.n/0.3048) })},
		has:   []string{`unit = "ft"`}},
	{name: "among other things", photos: "Photos from Tom", crs: "EPSG:2157", links: 14,
		files: map[string]string{"Photos from Tom/pts (2).txt": "id,easting,northing\n" + rows(pointsOnly), "list.html": "<table><tr><th>Bild<th>Punkt</tr>" + rows(func(i int, b bollard) string {
			return "<tr><td><img src='" + b.photo + "'></td><td>" + b.id + "</td></tr>"
		}) + "</table>",
			".DS_Store": "\x00\x01", "report.pdf": "%PDF-1.4\n\x00\x01", "readme.txt": "Dear office,\nhere are the photos.\n", "empty.csv": "",
			"tags.csv": "filename,latitude,longitude\n" + rows(func(i int, b bollard) string { return fmt.Sprintf("%s,52.1%d,-6.2%d", b.photo, i, i) })},
		has: []string{`file = "Photos from Tom/pts (2).txt"`, `file = "list.html"`}},
	{name: "longitudes and latitudes", photos: "p",
		files: map[string]string{"marks.geojson": `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"id":"B01"},"geometry":{"type":"Point","coordinates":[-6.68,52.18]}}]}`},
		has:   []string{`crs = "? EPSG:32629"`}},
	{name: "site coordinates with links", photos: "p", links: 14,
		files: map[string]string{"site.csv": "id,e,n\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f", b.id, 5000+b.n-604800, 1000-(b.e-690200))
		}), "l.csv": "photo,point\n" + rows(func(i int, b bollard) string { return b.photo + "," + b.id })},
		has: []string{`crs = "? EPSG:32629"`, "[site.similarity]", "site-to-base", "in a site system"}},
	{name: "site coordinates without links", photos: "p",
		files: map[string]string{"site.csv": "id,e,n\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f", b.id, 5000+b.n-604800, 1000-(b.e-690200))
		})},
		has: []string{`crs = "? the system`, "control points known in both systems"}},
	{name: "points of another place", photos: "p", links: 14,
		files: map[string]string{"pts.csv": "id,e,n\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f", b.id, 450000+37*float64(i*i%11), 300000+29*float64(i*i*i%13))
		}), "l.csv": "photo,point\n" + rows(func(i int, b bollard) string { return b.photo + "," + b.id })},
		has: []string{`crs = "? the system`, "nothing here tells which"}},
	{name: "points of a neighbouring site", photos: "p", links: 14,
		files: map[string]string{"pts.csv": "id,e,n\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f", b.id, b.e+4000+37*float64(i*i%11), b.n+29*float64(i*i*i%13))
		}), "l.csv": "photo,point\n" + rows(func(i int, b bollard) string { return b.photo + "," + b.id })},
		has: []string{`crs = "? EPSG:2157 | the system`, "nothing here tells which. The nearest is EPSG:2157 (IRENET95 / Irish Transverse Mercator), which puts them 4121 m"}},
	{name: "a list of links for each day", photos: "p", links: 10,
		files: map[string]string{"pts.csv": "id,easting,northing\n" + rows(pointsOnly),
			"day1.csv": "photo,point\n" + strings.Join(strings.SplitAfter(rows(func(i int, b bollard) string { return b.photo + "," + b.id }), "\n")[:10], ""),
			"day2.csv": "photo,point\n" + strings.Join(strings.SplitAfter(rows(func(i int, b bollard) string { return b.photo + "," + b.id }), "\n")[10:], "")},
		has: []string{`crs = "EPSG:2157"`, `file = "? day1.csv | day2.csv"`, "put their rows into one file"}, says: "day1.csv and day2.csv both have links"},
	{name: "UTF-16 without a header", photos: "p", crs: "EPSG:2157",
		files: map[string]string{"pts.txt": utf16(rows(func(i int, b bollard) string { return fmt.Sprintf("%s\t%.3f\t%.3f\t4.2\tBüro", b.id, b.n, b.e) }))},
		has:   []string{`columns = ["id", "northing", "easting", "height"`}},
	{name: "times without an offset", photos: "p",
		files: map[string]string{"pts.csv": "id,easting,northing,time\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f,2026-05-14 09:%02d:00", b.id, b.e, b.n, i)
		})},
		has: []string{`crs = "EPSG:2157"`, `time_zone = "? an IANA name`}},
	{name: "dates that may be read two ways", photos: "p",
		files: map[string]string{"pts.csv": "id,easting,northing,Date,Time\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f,3/%d/2026,9:%02d AM", b.id, b.e, b.n, 4+i%3, i)
		})},
		has: []string{`date_order = "? day-month | month-day"`, `time_zone = "? an IANA name`}},
	{name: "dates of which one shows the order", photos: "p",
		files: map[string]string{"pts.csv": "id,easting,northing,Date,Time\n" + rows(func(i int, b bollard) string {
			return fmt.Sprintf("%s,%.2f,%.2f,3/%d/2026,9:%02d AM", b.id, b.e, b.n, 10+i, i)
		})},
		has: []string{`crs = "EPSG:2157"`, `time_zone = "? an IANA name`}, lacks: "date_order"},
	{name: "two sets of points", photos: "p",
		files: map[string]string{"a.csv": "id,easting,northing\n" + rows(pointsOnly), "b.csv": "id,easting,northing\n" + rows(func(i int, b bollard) string { return "X" + pointsOnly(i, b) })},
		has:   []string{`file = "? a.csv | b.csv"`}},
	{name: "the same points twice", photos: "p", crs: "EPSG:2157",
		files: map[string]string{"a.csv": "id,easting,northing\n" + rows(pointsOnly), "b.txt": "id;northing;easting\n" + rows(func(i int, b bollard) string { return fmt.Sprintf("%s;%.2f;%.2f", b.id, b.n, b.e) })}},
	{name: "hostile names", photos: "a \"b\" #c", crs: "EPSG:2157", links: 14,
		files: map[string]string{"x\n[grid]\ncrs = \"EPSG:1\".csv": "id,easting,northing\n" + rows(pointsOnly), "l\u202e .csv": "photo,point\n" + rows(func(i int, b bollard) string { return b.photo + "," + b.id })}},
	{name: "no points", photos: "p", files: map[string]string{"readme.txt": "nothing"}, fails: "no file below the folder can be read as points"},
	{name: "no photos", files: map[string]string{"p.csv": "id,easting,northing\n" + rows(pointsOnly)}, fails: "no photos below the folder"},
}

// utf16 is a text as spreadsheets save it.
func utf16(text string) string {
	out, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(text)
	if err != nil {
		panic(err)
	}
	return out
}

func pointsOnly(i int, b bollard) string { return fmt.Sprintf("%s,%.2f,%.2f", b.id, b.e, b.n) }

// What a stranger's folder holds is found, whatever it is called and however it is laid
// out, and what is not sure is left to the user. What is complete reads as a check would
// read it, with as many links.
func TestStrangersFolders(t *testing.T) {
	for _, tt := range strangers {
		t.Run(tt.name, func(t *testing.T) {
			dir := folder(t, tt.photos, tt.files)
			d, draft, err := drafted(t, dir)
			_, zipped, zerr := drafted(t, zipOf(t, dir))
			if !reflect.DeepEqual(draft, zipped) || fmt.Sprint(err) != fmt.Sprint(zerr) {
				t.Errorf("a ZIP is read otherwise: %v %v\n%+v\n%+v", err, zerr, draft, zipped)
			}
			if tt.fails != "" {
				if err == nil || !strings.Contains(err.Error(), tt.fails) {
					t.Fatalf("error %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			text := string(draft.Text())
			if t.Failed() || testing.Verbose() {
				t.Log(text, draft.Open, draft.Notes)
			}
			for _, want := range tt.has {
				if !strings.Contains(strings.ReplaceAll(text, "\n# ", " "), want) {
					t.Errorf("%q is not in\n%s", want, text)
				}
			}
			if tt.lacks != "" && strings.Contains(text, tt.lacks) {
				t.Errorf("%q is in\n%s", tt.lacks, text)
			}
			if said := strings.Join(append(draft.Open, draft.Notes...), "\n"); !strings.Contains(said, tt.says) {
				t.Errorf("%q is not in %q", tt.says, said)
			}
			links := 0
			if draft.Links != nil {
				links = len(draft.Links.Links)
			}
			if links != tt.links {
				t.Errorf("%d links, want %d", links, tt.links)
			}
			if (tt.crs != "") != draft.Complete() {
				t.Errorf("left to decide: %q\n%s", draft.Open, text)
			}
			checked(t, d, draft, tt.crs, tt.links)
		})
	}
}

// drafted reads a folder or a ZIP.
func drafted(t *testing.T, path string) (*dataset.Dataset, *intake.Draft, error) {
	t.Helper()
	d, err := dataset.OpenFolder(context.Background(), path, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	draft, err := intake.Read(context.Background(), d, crs.Search, crs.OpenGrid, nil)
	return d, draft, err
}

// zipOf writes a folder as a ZIP.
func zipOf(t *testing.T, dir string) string {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	file := filepath.Join(t.TempDir(), "job.zip")
	if err := errors.Join(w.AddFS(os.DirFS(dir)), w.Close(), os.WriteFile(file, b.Bytes(), 0o644)); err != nil {
		t.Fatal(err)
	}
	return file
}

// checked holds a draft against the reading of a check.
func checked(t *testing.T, d *dataset.Dataset, draft *intake.Draft, code string, links int) {
	job, err := dataset.OpenFS(d.FS(), draft.Text(), crs.OpenGrid)
	if code == "" {
		if err == nil || !strings.Contains(err.Error(), "is still to be decided") {
			t.Errorf("a check takes it: %v\n%s", err, draft.Text())
		}
		return
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, draft.Text())
	}
	s, err := job.Survey(context.Background())
	if err != nil {
		t.Fatalf("%v\n%s", err, draft.Text())
	}
	if len(s.Points) != 14 || len(s.Photos) != 14 || len(s.Links) != links {
		t.Errorf("%d points, %d photos, %d links", len(s.Points), len(s.Photos), len(s.Links))
	}
	if job.Settings().Grid.CRS != code {
		t.Errorf("grid %s, want %s", job.Settings().Grid.CRS, code)
	}
	for i, p := range s.Points[:3] {
		if b := quay()[i]; math.Hypot(p.E-b.e, p.N-b.n) > 0.02 {
			t.Errorf("%s is at %v", p.ID, p.EN)
		}
	}
	if _, err := json.Marshal(draft); err != nil {
		t.Error(err)
	}
}
