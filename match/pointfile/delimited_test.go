package pointfile

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// A projected grid whose eastings and northings can't be taken for each other:
// the area of use of ETRS89 / UTM zone 30N (EPSG:25830), rounded outwards.
var utm = Options{East: Range{220000, 780000}, North: Range{3900000, 8950000}}

// WGS 84 / UTM zone 30N (EPSG:32630) reaches down to the equator, so that a height
// can pass for a northing.
var equator = Options{East: Range{166000, 834000}, North: Range{0, 9330000}}

// Irish Transverse Mercator (EPSG:2157), rounded: around Port Velland both orders
// fit.
var itm = Options{East: Range{400000, 800000}, North: Range{500000, 1000000}}

// A place that is known to a kilometre, as the tags of the photos tell.
var near = Options{East: Range{713000, 716000}, North: Range{557000, 560000}}

// sniffText works out the layout of a text.
func sniffText(text string, opt Options) (Layout, error) {
	if err := opt.check(); err != nil {
		return Layout{}, err
	}
	fields, err := newFieldMap(opt.Fields)
	if err != nil {
		return Layout{}, err
	}
	sample := strings.TrimPrefix(text, bom)
	return sniff("", []byte(sample[:min(len(sample), sampleSize)]), len(sample) <= sampleSize, opt, fields)
}

func TestSniff(t *testing.T) {
	const rest = "B-02;714320,5;558201,25;4,25;BOL;cast bollard, bent\n"
	for _, c := range []struct {
		name, text string
		opt        Options
		want       Layout
	}{
		{"commas", "id,easting,northing\nA,1,2\n", Options{}, Layout{",", ".", true, []string{"id", "easting", "northing"}, nil, nil}},
		{"semicolons and decimal comma", "id;easting;northing\nA;1,5;2,5\n", Options{}, Layout{";", ",", true, []string{"id", "easting", "northing"}, nil, nil}},
		{"tabs", "pt\tN\tE\tnotes\nA\t2.5\t1.5\tby the door\n", Options{}, Layout{"\t", ".", true, []string{"id", "northing", "easting", "description"}, nil, nil}},
		{"bars", "pt|N|E\nA|2.5|1.5\n", Options{}, Layout{"|", ".", true, []string{"id", "northing", "easting"}, nil, nil}},
		{"blanks", "  pt      N     E\n  A    2.5   1.5\n  B   12.5  11.5\n", Options{}, Layout{" ", ".", true, []string{"id", "northing", "easting"}, nil, nil}},
		{"columns of the user's own", "crew,PT_NO,X,Y\ntwo,A,1,2\n", Options{Fields: map[string]string{"PT_NO": "id", "X": "northing", "y": "easting"}}, Layout{",", ".", true, []string{"-", "id", "northing", "easting"}, nil, nil}},
		{"one of two ids", "id,name,e,n\n1,A,1,2\n", Options{Fields: map[string]string{"name": "id"}}, Layout{",", ".", true, []string{"-", "id", "easting", "northing"}, nil, nil}},
		{"a header alone", "id,e,n\n", Options{}, Layout{",", ".", true, []string{"id", "easting", "northing"}, nil, nil}},
		{"longitude and latitude", "id,lat,lon\nA,51,-6\n", Options{}, Layout{",", ".", true, []string{"id", "latitude", "longitude"}, nil, nil}},
		{"columns given", "A,x,1,2\n", Options{Columns: []string{"P", "-", "E", "N"}}, Layout{",", ".", false, []string{"id", "-", "easting", "northing"}, nil, nil}},
		{"columns given, header too", "P,x,E,N\nA,x,1,2\n", Options{Columns: []string{"P", "-", "E", "N"}}, Layout{",", ".", true, []string{"id", "-", "easting", "northing"}, nil, nil}},
		{"columns given, a header not known", "Punkt,Rechts,Hoch\nA,1,2\n", Options{Columns: []string{"P", "E", "N"}}, Layout{",", ".", true, []string{"id", "easting", "northing"}, nil, nil}},
		{"columns given, decimal comma", "A;1,5;2\nB;1;2,25\n", Options{Columns: []string{"P", "E", "N"}}, Layout{";", ",", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"columns given, blanks and a text at the end", "A 1.5 2 by the door\nB 1 2 kerb\n", Options{Columns: []string{"P", "E", "N", "D"}}, Layout{" ", ".", false, []string{"id", "easting", "northing", "description"}, nil, nil}},
		{"commas in texts between semicolons", "B-01;714312,2;558204,75;4,21;BOL;cast, plain\n" + rest, near, Layout{";", ",", false, []string{"id", "easting", "northing", "height", "code", "description"}, nil, nil}},

		// Without a header: the orders that data collectors export (common practice,
		// no source).
		{"P,N,E,Z,D", "1,5558204.75,514312.2,4.21,BOL\n2,5558201.25,514320.5,4.25,LAD\n", utm, Layout{",", ".", false, []string{"id", "northing", "easting", "height", "description"}, nil, nil}},
		{"P,E,N,Z,D", "1,514312.2,5558204.75,4.21,BOL\n2,514320.5,5558201.25,4.25,LAD\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing", "height", "description"}, nil, nil}},
		{"P,E,N", "1,514312.2,5558204.75\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"P,N,E,Z,C,D by a known place", "B-01,558204.75,714312.2,4.21,BOL,cast bollard\nB-02,558201.25,714320.5,,BOL,cast bollard\n", near, Layout{",", ".", false, []string{"id", "northing", "easting", "height", "code", "description"}, nil, nil}},
		{"E,N,Z,P", "514312.2,5558204.75,4.21,A1\n514320.5,5558201.25,4.25,A2\n", utm, Layout{",", ".", false, []string{"easting", "northing", "height", "id"}, nil, nil}},
		{"blanks", "  1  514312.2  5558204.75  4.21 BOL\n  2  514320.5  5558201.25  4.25 LAD\n", utm, Layout{" ", ".", false, []string{"id", "easting", "northing", "height", "description"}, nil, nil}},
		{"blanks and decimal commas", "1 514312,2 5558204,75\n2 514320,5 5558201,25\n", utm, Layout{" ", ",", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"a comma and a blank", "1, 514312.2, 5558204.75\n2, 514320.5, 5558201.25\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"whole numbers", "1, 514312, 5558204\n2, 514320, 5558201\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"small ids are no northings", "1,514312.2,5558204.75\n2,514320.5,5558201.25\n", equator, Layout{",", ".", false, []string{"id", "easting", "northing"}, nil, nil}},
		{"whole numbers after northing are no height", "1,514312.2,5558204.75,101\n2,514320.5,5558201.25,102\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing", "-"}, nil, nil}},
		{"a time", "1,514312.2,5558204.75,2026-06-03T09:15:00Z,kerb\n2,514320.5,5558201.25,2026-06-03T09:15:00Z,kerb\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing", "observed", "description"}, nil, nil}},
		{"an empty column at the end", "1,514312.2,5558204.75,\n2,514320.5,5558201.25,\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing", "-"}, nil, nil}},
		{"a row out of step", "1,514312.2,5558204.75\n2,514320.5,5558201.25\n3,514320.5,5558201.25,kerb, red\n4,514320.5,5558201.25\n", utm, Layout{",", ".", false, []string{"id", "easting", "northing"}, nil, nil}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := sniffText(c.text, c.opt)
			if err != nil {
				t.Fatal(err)
			}
			if got.Separator != c.want.Separator || got.Decimal != c.want.Decimal || got.Header != c.want.Header || !slices.Equal(got.Columns, c.want.Columns) {
				t.Errorf("got  %q %q %v %q\nwant %q %q %v %q", got.Separator, got.Decimal, got.Header, got.Columns, c.want.Separator, c.want.Decimal, c.want.Header, c.want.Columns)
			}
			// What was worked out, given as settings, leads to the same.
			opt := Options{Columns: got.Columns, Separator: got.Separator, Decimal: got.Decimal, Fields: c.opt.Fields}
			again, err := sniffText(c.text, opt)
			if err != nil || again.Separator != got.Separator || again.Decimal != got.Decimal || again.Header != got.Header || !slices.Equal(again.Columns, got.Columns) {
				t.Errorf("given back: %+v, %v", again, err)
			}
		})
	}
}

// Where there are no grounds, the sniffer asks.
func TestSniffAsks(t *testing.T) {
	for _, c := range []struct {
		name, text string
		opt        Options
		want       []string
	}{
		{"nothing known of the area", "1,514312.2,5558204.75\n2,514320.5,5558201.25\n", Options{}, []string{"without the grid's area", `columns = ["id", "easting"`}},
		{"both orders fit", "1,714312.2,558204.75\n2,714320.5,558201.25\n", itm, []string{"more than one pair", "columns 2 and 3, or 3 and 2"}},
		{"neither fits", "1,14312.2,58204.75\n2,14320.5,58201.25\n", itm, []string{"no two columns side by side hold eastings from 400000 to 800000"}},
		{"two pairs fit", "1,514312.2,5558204.75,514312.3,5558204.76\n", utm, []string{"more than one pair"}},
		{"a height could be the northing", "1,5558204.75,514312.2,4.21\n2,5558201.25,514320.5,4.25\n", equator, []string{"columns 3 and 2, or 3 and 4"}},
		{"no id", "514312.2,5558204.75,4.21\n514320.5,5558201.25,4.25\n", utm, []string{"no column can be the id"}},
		{"an id twice", "A,514312.2,5558204.75\nA,514320.5,5558201.25\n", utm, []string{"no column can be the id"}},
		{"two ids after the coordinates", "514312.2,5558204.75,A,x\n514320.5,5558201.25,B,y\n", utm, []string{"columns 3 and 4 can both be the id"}},
		{"a header not known", "punkt,rechts,hoch\nA,514312.2,5558204.75\n", utm, []string{"the header has no column for id, easting, northing", `"punkt" "rechts" "hoch"`, "fields"}},
		{"x and y", "id,x,y\nA,514312.2,5558204.75\n", utm, []string{"no column for easting, northing"}},
		{"two headings that say the same", "id,name,e,n\n1,A,1,2\n", utm, []string{`columns 1 and 2 both say id ("id" and "name")`, `fields = { "name" = "id" }`}},
		{"a heading that is not there", "id,e,n\nA,1,2\n", Options{Fields: map[string]string{"PT": "code"}}, []string{`there is no column "PT"`}},
		{"decimals or thousands", "id;e;n\nA;514,312;558,204\n", Options{}, []string{"decimals or between thousands", `decimal = ","`}},
		{"columns of another number", "1,2,3,4\n", Options{Columns: []string{"P", "E", "N"}}, []string{"no separator splits the rows into the 3 columns"}},
		{"columns unknown", "1,2,3\n", Options{Columns: []string{"P", "E", "colour"}}, []string{`"colour" is not a column known here`}},
		{"columns twice", "1,2,3,4\n", Options{Columns: []string{"P", "E", "N", "easting"}}, []string{"the 2nd and the 4th column are both said to be the easting"}},
		{"columns too few", "1,2,3\n", Options{Columns: []string{"P", "E", "-"}}, []string{"columns names no column for northing"}},
		{"columns against the header", "P,N,E\nA,1,2\n", Options{Columns: []string{"P", "E", "N"}}, []string{`the header says "N" where columns in phototie.toml says "E"`}},
		{"a quote", "id,e,n,d\nA,1,2,12\" pipe\n", Options{}, []string{`bare "`, ":2:", `a quote inside a quoted text as ""`}},
		{"bare CR", "id,e,n\rA,1,2\r", Options{}, []string{"bare CR"}},
		{"no table", "dear all,\nhere are the points.\n", utm, []string{"not a header known here"}},
		{"two positions", "id,e,n,lat,lon\nA,1,2,3,4\n", Options{}, []string{"eastings or northings and longitudes or latitudes too"}},
		{"degrees of no system", "id,lat,lon\nA,51,-6\n", Options{}, []string{"nothing says of which system"}},
		{"eastings in degrees", "id,e,n\nA,51,-6\n", Options{CRS: "EPSG:4326"}, []string{"a system of longitudes and latitudes"}},
	} {
		t.Run(c.name, func(t *testing.T) { wantError(t, c.text, c.opt, c.want...) })
	}
}

func TestDelimitedProblems(t *testing.T) {
	const head = "id,e,n,z,observed,sigma_e,sigma_n,cov_en,photos\n"
	for _, c := range []struct{ name, text, want string }{
		{"no id", ",1,2,,,,,,\n", `points:2:1: the point has no id; give the point an id`},
		{"no easting", "A,,2,,,,,,\n", `points:2:3: easting "" is not a number; fill it in`},
		{"a decimal comma", "A;1;2,5\n", `set points.decimal`},
		{"not a number", "A,NaN,2,,,,,,\n", `easting "NaN" is not a number`},
		{"not a height", "A,1,2,low,,,,,\n", `height "low" is not a number`},
		{"fields", "A,1,2\n", `points:2: 3 fields where 9 are due; every row needs the same columns`},
		{"too many fields", "A,1,2,,,,,,,,\n", `decimal comma`},
		{"a time", "A,1,2,,3.6.26,,,,\n", `points:2:8: time "3.6.26" can't be read; write it as`},
		{"a time of no zone", "A,1,2,,2026-06-03T09:15:00,,,,\n", `does not say its offset from UTC; add the offset`},
		{"one sigma", "A,1,2,,,0.1,,,\n", `sigma_n "" is not a number`},
		{"a negative sigma", "A,1,2,,,-0.1,0.1,,\n", `sigma_e is negative`},
		{"a covariance alone", "A,1,2,,,,,1,\n", `cov_en stands without`},
		{"a covariance too large", "A,1,2,,,0.1,0.1,0.02,\n", `not one of real measurements`},
		{"not UTF-8", "A\xE9,1,2,,,,,,\n", `id "A�" is not UTF-8 text; save the file as UTF-8`},
		{"control characters", "\"A\nB\",1,2,,,,,,\n", `holds control characters`},
		{"photos", "A,1,2,,,,,,\"[\"\"a\"\", b]\"\n", `photos "[\"a\", b]" can't be read`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := head + c.text
			if strings.Contains(c.text, ";") {
				text = strings.ReplaceAll("id;e;n\n", ";", ";") + c.text
				wantError(t, text, Options{Decimal: "."}, c.want)
				return
			}
			wantError(t, text, Options{}, c.want)
		})
	}
	// All problems are told, and the good points come all the same.
	recs, problems, _, err := readAll(memory(head+",x,2,,,,,,\nA,1,2,,,,,,\nB,1\nC,1,2,,,,,,\n"), "points", Options{})
	if err != nil || len(recs) != 2 || len(problems) != 3 {
		t.Errorf("%d records, problems %v, %v", len(recs), problems, err)
	}
	// A date alone is no time of observation, and is said not to be.
	recs, h := good(t, "id,e,n,date\nA,1,2,2026-06-03\nB,1,2,2026-06-04\n", Options{})
	if !recs[0].Observed.IsZero() {
		t.Errorf("observed %v", recs[0].Observed)
	}
	wantNote(t, h, "a date without a time of day is not used as the time of observation (2 times, first at line 2)")
	// A quote that is not closed must not eat the memory.
	wantError(t, "id,e,n,d\nA,1,2,x\nB,1,2,\""+strings.Repeat("\n", 70000)+strings.Repeat("x", maxItem+1<<20), Options{}, "a quote that is not closed")
}

func TestBlanksBetweenColumns(t *testing.T) {
	recs, _ := good(t, "  A   1.5\t2.5   by the  door \n\"B 2\" 3 4 \"said \"\"no\"\"\"\n\n", Options{Separator: " ", Columns: []string{"id", "e", "n", "d"}})
	if len(recs) != 2 || recs[0].Desc != "by the  door" || recs[1].ID != "B 2" || recs[1].Desc != `said "no"` || recs[1].Y != 4 {
		t.Errorf("%+v", recs)
	}
	wantError(t, "A 1 2\nB x 2\n", Options{Separator: " ", Columns: []string{"id", "e", "n"}}, "points:2:3: easting")
	wantError(t, "A 1 2\n\"B 1 2\n", Options{Separator: " ", Columns: []string{"id", "e", "n"}}, "points:2")
}

func TestDelimitedGeographic(t *testing.T) {
	recs, h := good(t, "id,latitude,longitude,h\nA,51.5,-6.25,3\n", Options{CRS: "EPSG:4258"})
	if h.Axes != Geographic || h.CRS != "EPSG:4258" || recs[0].X != -6.25 || recs[0].Y != 51.5 || *recs[0].Z != 3 {
		t.Errorf("%+v %+v", h, recs)
	}
	wantError(t, "id,latitude,longitude\nA,151.5,-6.25\n", Options{CRS: "EPSG:4258"}, "points:2: longitude -6.25 and latitude 151.5 are no place on Earth; longitude comes first")
}

// Systems that count to the west and to the south: a record counts to the east and
// to the north, as grid/crs does for EPSG:2053 (Hartebeesthoek94 / Lo29) and
// EPSG:5513 (S-JTSK / Krovak).
func TestWestingSouthing(t *testing.T) {
	for text, opt := range map[string]Options{
		"id,westing,southing,height,cov_en,sigma_e,sigma_n\nA,46246.675,3752681.842,4,0.0001,0.02,0.03\nB,-5,0,,,,\n": {},
		"id;W;South;h;sigma_e;sigma_n;cov_en\nA;46246,675;3752681,842;4;0,02;0,03;0,0001\nB;-5;0;;;;\n":               {Decimal: ","},
		"A 46246.675 3752681.842 4 0.02 0.03 0.0001\nB -5 0 \"\" \"\" \"\" \"\"\n":                                    {Columns: []string{"id", "westing", "southing", "h", "sigma_e", "sigma_n", "cov_en"}},
		"Pt,Y,X,h,sigma_e,sigma_n,cov_en\nA,46246.675,3752681.842,4,0.02,0.03,0.0001\nB,-5,0,,,,\n":                   {Fields: map[string]string{"Y": "westing", "X": "southing"}, CRS: "EPSG:2053"},
	} {
		recs, h := good(t, text, opt)
		want := []Record{{ID: "A", X: -46246.675, Y: -3752681.842, Z: ptr(4), Cov: &[3]float64{4e-4, 1e-4, 9e-4}}, {ID: "B", X: 5, Y: 0}}
		if got := places(recs); !reflect.DeepEqual(got, want) || math.Signbit(got[1].Y) {
			t.Errorf("%q: got %+v, want %+v", text, got, want)
		}
		wantNote(t, h, "westings and southings change their sign")
	}
	recs, _ := good(t, "id,west,northing\nA,3,4\n", Options{})
	if recs[0].X != -3 || recs[0].Y != 4 {
		t.Errorf("%+v", recs)
	}
	recs, _ = good(t, "id,e,n,w\nA,3,4,0.5\n", Options{}) // W for the width
	if recs[0].X != 3 || recs[0].Y != 4 {
		t.Errorf("%+v", recs)
	}
	wantError(t, "A,1,2,3\n", Options{Columns: []string{"id", "e", "w", "n"}}, "points.columns names eastings and westings too")
	for text, want := range map[string]string{
		"id,w,s\nA,1,2\n":            "no column for northing",
		"id,w,southing\nA,1,x\n":     `points:2:5: southing "x" is not a number`,
		"id,w,southing,lat\nA,1,2,3": "has eastings or northings and longitudes or latitudes too",
	} {
		wantError(t, text, Options{}, want)
	}
}
