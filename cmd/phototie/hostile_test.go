package main

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

// hostileNames are what files, points and descriptions are called by one who
// means harm: to a terminal (sequences that clear it, set its title, or write
// backwards), to a spreadsheet, to a browser, to a workflow's log, to XML.
var hostileNames = []string{
	"\x1b[2J\x1b]0;owned\x07",
	"\u009b31m\u202egpj.exe\u2066",
	"=cmd|' -C calc'!A0",
	"<script>alert(1)<&script>",
	`"><img src=x onerror=alert(1)>`,
	"::error::not an error\n::set-output name=x::y",
	"]]><!--&lt;",
	"a,b;c\td\re",
	"\u202egpj.\u2066exe\u200f",
	"+1+1;=1+1\t@SUM(1)",
	"-2+3",
	"@SUM(1+1)*cmd",
	"CON",
	"{point}{{n}}%s%!d(x)$(id)`id`",
}

// hostileIDs are ids of points that no file can have for its name.
var hostileIDs = []string{"..", "../../etc/passwd", "/etc/passwd", `C:\windows\x`, "B01.", "b01 .", "B01", "b01", "u\u0308ber", "\u00fcber", strings.Repeat("Long", 2500), "NUL.txt", "COM\u00b9"}

// hostileJob writes a job in which all that has a name has such a one.
func hostileJob(t *testing.T, dir string) {
	t.Helper()
	quote := func(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
	links, points := "photo,point\n", "id,easting,northing,code,description\n"
	if err := os.MkdirAll(filepath.Join(dir, "photos"), 0o755); err != nil {
		t.Fatal(err)
	}
	for i, n := range hostileNames {
		photo, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271, Lon: -6.680190 + float64(i*i)*0.001, HPositioningError: 3, ProcessingMethod: "GPS"})
		if err != nil {
			t.Fatal(err)
		}
		name := "photos/" + n + ".jpg"
		if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), photo, 0o644); err != nil {
			t.Skipf("this system has no such file names: %v", err)
		}
		id := n
		if strings.ContainsFunc(n, unicode.IsControl) {
			id = fmt.Sprintf("P%d", i) // ids are refused that hold any
		}
		points += fmt.Sprintf("%s,%d,604873.007,%s,%s\n", quote(id), 690242+10*i, quote(n), quote(n))
		links += quote(name) + "," + quote(id) + "\n" + quote("photos/gone "+n+".jpg") + "," + quote("no "+n) + "\n"
	}
	for i, id := range hostileIDs {
		photo, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271, Lon: -6.680190 + float64(i)*0.0001, HPositioningError: 3, ProcessingMethod: "GPS"})
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("photos/id%d.jpg", i)
		put(t, dir, filepath.FromSlash(name), string(photo))
		points += fmt.Sprintf("%s,%d,604873.007,%s,\n", quote(id), 690242+10*i, quote(id[:min(len(id), 20)]))
		links += quote(name) + "," + quote(id) + "\n"
	}
	put(t, dir, "points.csv", points)
	put(t, dir, "links.csv", links)
	put(t, dir, "phototie.toml", "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n")
}

// inProcess runs the command without a process of its own.
func inProcess(t *testing.T, args ...string) (string, int) {
	t.Helper()
	var out bytes.Buffer
	code := run(t.Context(), args, &out, &out)
	return out.String(), code
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// formula finds what a spreadsheet takes for a formula in CSV, whatever it takes for
// the separator.
func formula(text string) string {
	for _, sep := range ",;\t" {
		r := csv.NewReader(strings.NewReader(text))
		r.Comma, r.LazyQuotes, r.FieldsPerRecord = sep, true, -1
		rows, err := r.ReadAll()
		if err != nil {
			return err.Error()
		}
		for _, row := range rows {
			for _, cell := range row {
				if _, err := strconv.ParseFloat(cell, 64); cell != "" && err != nil && strings.ContainsAny(cell[:1], "=+-@\t\r\n|") {
					return cell
				}
			}
		}
	}
	return ""
}

// unsafe finds what may not reach a terminal: control characters other than line
// feeds and tabs, marks that turn the direction of writing, text that is not
// UTF-8.
func unsafe(out string) string {
	for i, r := range out {
		switch {
		case r == '\n' || r == '\t':
		case r == utf8.RuneError, unicode.IsControl(r), unicode.Is(unicode.Bidi_Control, r):
			return fmt.Sprintf("%q in %q", r, out[max(0, i-30):min(len(out), i+30)])
		}
	}
	return ""
}

// TestHostileNames: whatever is printed about such a job, as a result or as a
// message, does nothing to a terminal, and what is written for spreadsheets and
// browsers does nothing there.
func TestHostileNames(t *testing.T) {
	dir := inMemory(t)
	job := filepath.Join(dir, "job")
	hostileJob(t, job)
	var first string
	for _, args := range [][]string{
		{"check", job}, {"check", "--all", job}, {"check", "--format", "json", job}, {"check", "--format", "csv", job},
		{"check", "--format", "geojson", job}, {"check", "--format", "sarif", job}, {"check", "--format", "junit", job},
		{"check", "--format", "kml", job}, {"check", "--summary", job}, {"check", "--format", "json", "--stream", job},
		{"pack", "--dry-run", job}, {"pack", "--dry-run", "--format", "csv", job}, {"pack", "--dry-run", "--format", "json", job},
		{"correct", "--dry-run", "--in-place", "--format", "csv", job}, {"correct", "--dry-run", "--in-place", "--format", "json", job}, {"frames", "--format", "json", job},
		{"check", "--propose", filepath.Join(dir, "proposed"), job},
		{"check", "--write-baseline", filepath.Join(dir, "accepted.toml"), job}, {"frames", job},
		{"compare", "--crs", "EPSG:2157", "--at", "690242,604873", filepath.Join(job, "photos", hostileNames[0]+".jpg")},
		{"compare", "--crs", "EPSG:2157", "--at", "690242,604873", filepath.Join(job, "photos", "gone"+hostileNames[0])},
		{"check", filepath.Join(dir, "gone"+hostileNames[0])}, {"check", "--format", hostileNames[0], job}, {hostileNames[0]},
		{"report", "--pixels", "never", "--out", filepath.Join(dir, "record.html"), job},
		{"correct", "--in-place", "--dry-run", job}, {"correct", "--in-place", job}, {"restore", "--format", "csv", job}, {"restore", "--format", "json", job}, {"restore", job},
	} {
		out, code := inProcess(t, args...)
		if strings.TrimSpace(out) == "" {
			t.Errorf("%q printed nothing (exit %d)", args, code)
		}
		if bad := unsafe(out); bad != "" {
			t.Errorf("%q: %s", args, bad)
		}
		if code == 3 {
			t.Errorf("%q: an internal error: %s", args, out)
		}
		if first == "" {
			first = out
		}
		if strings.Contains(strings.Join(args, " "), "--format csv") {
			if bad := formula(out); bad != "" {
				t.Errorf("%q: a spreadsheet takes this for a formula: %.200q", args, bad)
			}
		}
	}
	if !strings.Contains(first, fmt.Sprintf("%d photos", len(hostileNames)+len(hostileIDs))) {
		t.Errorf("the job was not checked: %s", first)
	}
	page, err := os.ReadFile(filepath.Join(dir, "record.html"))
	if err != nil {
		t.Fatal(err)
	}
	if bad := unsafe(string(page)); bad != "" {
		t.Errorf("the record: %s", bad)
	}
	for _, bad := range []string{"<script>alert", "<img src=x", "]]><!--"} {
		if strings.Contains(string(page), bad) {
			t.Errorf("the record holds %q", bad)
		}
	}
}

// TestHostilePack: what is packed of such a job, with the worst of templates, has
// names that every system takes, stays in its folder, and holds texts that act on
// nothing.
func TestHostilePack(t *testing.T) {
	dir := inMemory(t)
	job := filepath.Join(dir, hostileNames[1])
	hostileJob(t, job)
	photos := len(hostileNames) + len(hostileIDs)
	for i, template := range []string{"{point}", "{code}/{point}-{name}-{n}", "{name}", "{camera}{date}/{code}"} {
		in := filepath.Join(dir, fmt.Sprintf("into%d", i))
		into := filepath.Join(in, "delivery")
		if err := os.Mkdir(in, 0o755); err != nil {
			t.Fatal(err)
		}
		out, code := inProcess(t, "pack", "--into", into, "--names", template, "--despite-findings", "--only", "within,over,gross", "--contradicted", "--pixels", "never", "--pictures", "embedded", "--all", job)
		if bad := unsafe(out); bad != "" || code != 0 {
			t.Fatalf("%s: exit %d, %s: %s", template, code, bad, out)
		}
		if es, err := os.ReadDir(in); err != nil || len(es) != 1 {
			t.Errorf("%s: there is more than the delivery: %v, %v", template, es, err)
		}
		got := 0
		seen := map[string]bool{}
		if err := fs.WalkDir(os.DirFS(into), ".", func(name string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			base, _, _ := strings.Cut(strings.ToLower(e.Name()), ".")
			if key := strings.ToLower(norm.NFC.String(name)); seen[key] || strings.ContainsAny(name, `<>:"\|?*`) || unsafe(name) != "" || strings.Contains(name+"/", "./") ||
				base == "con" || base == "nul" || base == "com\u00b9" || strings.HasSuffix(e.Name(), ".") || strings.HasSuffix(base, " ") || len(e.Name()) > 150 {
				t.Errorf("%s: %q is no name for every system", template, name)
			} else {
				seen[key] = true
			}
			if strings.HasPrefix(name, "photos/") {
				got++
				return nil
			}
			text, err := os.ReadFile(filepath.Join(into, filepath.FromSlash(name)))
			if err != nil {
				return err
			}
			switch {
			case strings.HasPrefix(name, "points"), name == "links.csv", strings.HasSuffix(name, ".gpkg"):
				return nil // the surveyor's own texts, and a database
			case strings.HasSuffix(name, ".kmz"):
				z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
				if err != nil {
					return err
				}
				if text, err = fs.ReadFile(z, "doc.kml"); err != nil {
					return err
				}
			}
			if bad := unsafe(string(text)); bad != "" {
				t.Errorf("%s: %s: %s", template, name, bad)
			}
			if strings.HasSuffix(name, ".csv") {
				if bad := formula(string(text)); bad != "" {
					t.Errorf("%s: %s: a spreadsheet takes this for a formula: %.200q", template, name, bad)
				}
			}
			if strings.HasSuffix(name, ".html") && (bytes.Contains(text, []byte("<script>alert")) || bytes.Contains(text, []byte("<img src=x"))) {
				t.Errorf("%s: %s runs a script", template, name)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if got != photos {
			t.Errorf("%s: %d photos of %d", template, got, photos)
		}
	}
	for _, template := range append(slices.Clone(hostileNames), "../{n}", "/{n}", strings.Repeat("{n}", 100_000), strings.Repeat("{", 100_000), strings.Repeat("x/", 100_000)+"{n}", strings.Repeat("x", 100_000)+"{n}") {
		out, code := inProcess(t, "pack", "--dry-run", "--names", template, job)
		if bad := unsafe(out); bad != "" || code == 3 || len(out) > 20_000 {
			t.Errorf("%.50q: exit %d, %s, %d bytes: %.300s", template, code, bad, len(out), out)
		}
	}
}

// TestHostileText: the same for what is wrong with a job's files, whose texts the
// messages repeat.
func TestHostileText(t *testing.T) {
	const good = "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"
	for i, n := range []string{hostileNames[0] + hostileNames[1] + hostileNames[7], hostileNames[5]} {
		q := `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\x1b", `\u001b`, "\x07", `\u0007`, "\n", `\n`, "\r", `\r`, "\t", `\t`).Replace(n) + `"`
		csv := `"` + strings.ReplaceAll(n, `"`, `""`) + `"`
		for what, files := range map[string][3]string{ // settings, points, links
			"grid":       {strings.Replace(good, `"EPSG:2157"`, q, 1), "", ""},
			"key":        {good + q + " = 1\n", "", ""},
			"points":     {strings.Replace(good, `"points.csv"`, q, 1), "", ""},
			"outside":    {strings.Replace(good, `"points.csv"`, `"../`+q[1:], 1), "", ""},
			"links":      {strings.Replace(good, `"links.csv"`, q, 1), "", ""},
			"folder":     {good + "[photos]\nfolder = " + q + "\n", "", ""},
			"datum":      {good + "[frame]\ndatum = " + q + "\n", "", ""},
			"operation":  {good + "[frame]\noperation = " + q + "\n", "", ""},
			"column":     {strings.Replace(good, "[links]", "columns = ["+q+"]\n[links]", 1), "", ""},
			"raw":        {good + n, "", ""},
			"heading":    {good, csv + ",easting\n1,2\n", ""},
			"number":     {good, "id,easting,northing\nA," + csv + ",1\n", ""},
			"twice":      {good, "id,easting,northing\n" + csv + ",1,1\n" + csv + ",2,2\n", ""},
			"raw points": {good, n, ""},
			"link":       {good, "", "photo,point\n" + csv + "," + csv + "," + csv + "\n"},
			"raw links":  {good, "", n},
		} {
			dir := inMemory(t)
			put(t, dir, "phototie.toml", files[0])
			points, links := files[1], files[2]
			if points == "" {
				points = "id,easting,northing\nA,690242.043,604873.007\n"
			}
			if links == "" {
				links = "photo,point\n"
			}
			put(t, dir, "points.csv", points)
			put(t, dir, "links.csv", links)
			if err := os.Mkdir(filepath.Join(dir, "photos"), 0o755); err != nil {
				t.Fatal(err)
			}
			put(t, dir, "photos/1.jpg", string(geotagtest.Plain()))
			out, code := inProcess(t, "check", dir)
			if bad := unsafe(out); bad != "" {
				t.Errorf("%s, name %d: %s", what, i, bad)
			}
			if code == 3 {
				t.Errorf("%s, name %d: an internal error: %s", what, i, out)
			}
		}
	}
}
