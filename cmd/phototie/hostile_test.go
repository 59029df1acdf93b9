package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

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
}

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
		{"check", "--format", "kml", job}, {"check", "--summary", job},
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
			for line := range strings.Lines(out) {
				for field := range strings.SplitSeq(strings.TrimSpace(line), ",") {
					if f := strings.Trim(field, `"`); f != "" && strings.ContainsAny(f[:1], "=@|") {
						t.Errorf("%q: a spreadsheet takes this for a formula: %s", args, field)
					}
				}
			}
		}
	}
	if !strings.Contains(first, "8 photos") {
		t.Errorf("the job was not checked: %s", first)
	}
	page, err := os.ReadFile(filepath.Join(dir, "record.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script>alert", "<img src=x", "]]><!--"} {
		if strings.Contains(string(page), bad) {
			t.Errorf("the record holds %q", bad)
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
