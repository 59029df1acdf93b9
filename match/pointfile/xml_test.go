package pointfile

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"example.com/phototie/grid"
)

// landXMLSample follows the schema of LandXML 1.2 (from memory): CgPoint text is
// northing, easting, elevation.
const landXMLSample = `<?xml version="1.0" encoding="UTF-8"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
  xsi:schemaLocation="http://www.landxml.org/schema/LandXML-1.2 http://www.landxml.org/schema/LandXML-1.2/LandXML-1.2.xsd"
  date="2026-06-03" time="12:00:00" version="1.2" language="English" readOnly="false">
  <Units><Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" temperatureUnit="celsius" pressureUnit="mmHG" angularUnit="decimal degrees" directionUnit="decimal degrees"/></Units>
  <CoordinateSystem name="ITM" desc="Irish Transverse Mercator" epsgCode="2157"/>
  <Project name="Port Velland"/>
  <CgPoints name="quay">
    <CgPoint name="B-01" code="BOL" desc="cast bollard" timeStamp="2026-06-03T09:15:00Z" eastingStdError="0.02" northingStdError="0.02">558204.75 714312.2 4.21</CgPoint>
    <CgPoint name="B-02" code="BOL" desc="cast bollard, bent" timeStamp="2026-06-03T09:17:30+01:00" eastingStdError="0.03" northingStdError="0.03">
      558201.25
      714320.5 4.25 </CgPoint>
    <CgPoint name="B-02a" pntRef="B-02"/>
    <CgPoint name="D-1" state="proposed">558200 714300</CgPoint>
    <CgPoints><CgPoint name="OUT-7" code="OUT" desc="outfall Ø300 &quot;north&quot;" timeStamp="2026-06-03T10:00:00.25Z" eastingStdError="0.015" northingStdError="0.015">558190.5<!-- low --> 714331.125 -0.4</CgPoint></CgPoints>
  </CgPoints>
  <Surfaces><Surface name="s"><Definition surfType="TIN"><Pnts><P id="1">1 2 3</P></Pnts></Definition></Surface></Surfaces>
</LandXML>
`

func TestLandXML(t *testing.T) {
	recs, h := good(t, landXMLSample, Options{})
	want := vellandRecords()
	for i := range want {
		want[i].Photos = nil
	}
	want = []Record{want[0], want[1], {ID: "D-1", X: 714300, Y: 558200}, want[2]}
	if got := places(recs); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if h.Format != LandXML || h.CRS != "EPSG:2157" || h.Axes != Plane || h.Unit != &grid.Metre {
		t.Errorf("%+v", h)
	}
	if recs[0].Line != 9 || recs[1].Line != 10 {
		t.Errorf("lines %d and %d, want 9 and 10", recs[0].Line, recs[1].Line)
	}
	wantNote(t, h, "only a reference to another (pntRef) is passed over (line 13)")
	wantNote(t, h, "designed, not surveyed")
}

func landXMLText(units, system, points string) string {
	return `<LandXML version="1.2">` + units + system + "<CgPoints>" + points + "</CgPoints></LandXML>"
}

func TestLandXMLUnits(t *testing.T) {
	const pt = `<CgPoint name="A">1 2 3</CgPoint>`
	imperial := func(a string) string { return "<Units><Imperial " + a + "/></Units>" }
	for _, c := range []struct {
		units        string
		unit, height *grid.Unit
	}{
		{imperial(`linearUnit="foot"`), &grid.Foot, &grid.Foot},
		{imperial(`linearUnit="USSurveyFoot"`), &grid.USSurveyFoot, &grid.USSurveyFoot},
		{imperial(`linearUnit="USSurveyFoot" elevationUnit="feet"`), &grid.USSurveyFoot, &grid.USSurveyFoot},
		{imperial(`linearUnit="foot" elevationUnit="meter"`), &grid.Foot, &grid.Metre},
		{`<Units><Metric linearUnit="meter" elevationUnit="feet"/></Units>`, &grid.Metre, &grid.Foot},
		{"", nil, nil},
	} {
		_, h := good(t, landXMLText(c.units, "", pt), Options{})
		if h.Unit != c.unit || h.HeightUnit != c.height {
			t.Errorf("%s: %v, %v", c.units, h.Unit, h.HeightUnit)
		}
		// The standard lets the head stand after the points.
		_, h = good(t, landXMLText("", "", pt+"</CgPoints>"+c.units+`<CoordinateSystem epsgCode="6543"/><CgPoints>`), Options{})
		if h.Unit != c.unit || h.HeightUnit != c.height || h.CRS != "EPSG:6543" {
			t.Errorf("%s after the points: %v, %v, %q", c.units, h.Unit, h.HeightUnit, h.CRS)
		}
	}
	wantError(t, landXMLText(imperial(`linearUnit="yard"`), "", pt), Options{}, `linearUnit "yard"`)
	wantError(t, landXMLText(imperial(`linearUnit="foot" elevationUnit="fathom"`), "", pt), Options{}, `elevationUnit "fathom"`)
}

func TestLandXMLSystem(t *testing.T) {
	const pt = `<CgPoint name="A">1 2 3</CgPoint>`
	for system, want := range map[string]string{
		``: "", `<CoordinateSystem epsgCode="2157"/>`: "EPSG:2157", `<CoordinateSystem epsgCode="EPSG:2157"/>`: "EPSG:2157",
		`<CoordinateSystem epsgCode="0" name="site"/>`:                             "",
		`<CoordinateSystem ogcWktCode="PROJCS[&quot;x&quot;,GEOGCS[]]" name="x"/>`: `PROJCS["x",GEOGCS[]]`,
	} {
		recs, h := good(t, landXMLText("", system, pt), Options{})
		if h.CRS != want || h.Axes != Plane || recs[0].X != 2 || recs[0].Y != 1 {
			t.Errorf("%s: %q %q %+v", system, h.CRS, h.Axes, recs)
		}
	}
	_, h := good(t, landXMLText("", `<CoordinateSystem name="site 7" rotationAngle="12.5"/>`, pt), Options{})
	wantNote(t, h, `names its system "site 7" without a code`)
	wantNote(t, h, "rotationAngle of 12.5, which is not applied")
	_, h = good(t, landXMLText("", `<CoordinateSystem epsgCode="2157"/>`, pt), Options{CRS: "EPSG:29903"})
	if h.CRS != "EPSG:29903" {
		t.Errorf("crs %q", h.CRS)
	}
	wantNote(t, h, "the file says that it is in EPSG:2157; it is taken to be in EPSG:29903")
	two := `<CoordinateSystem epsgCode="2157"/><CoordinateSystem epsgCode="29903"/>`
	wantError(t, landXMLText("<Units><Metric linearUnit='meter'/></Units>", two, pt), Options{}, "more than one CoordinateSystem")
	if _, h = good(t, landXMLText("", two, pt), Options{CRS: "EPSG:2157"}); h.CRS != "EPSG:2157" {
		t.Errorf("crs %q", h.CRS)
	}
}

func TestLandXMLProblems(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{landXMLText("", "", `<CgPoint>1 2</CgPoint>`), "the point has no id"},
		{landXMLText("", "", `<CgPoint name="A"/>`), "0 numbers for a position"},
		{landXMLText("", "", `<CgPoint name="A">1 2 3 4</CgPoint>`), "4 numbers for a position; write northing, easting"},
		{landXMLText("", "", `<CgPoint name="A">1 INF</CgPoint>`), `easting "INF" is not a number`},
		{landXMLText("", "", `<CgPoint name="A">NaN 1</CgPoint>`), `northing "NaN" is not a number`},
		{landXMLText("", "", `<CgPoint name="A">1,5 1</CgPoint>`), `northing "1,5" is not a number; write digits with a decimal point`},
		{landXMLText("", "", `<CgPoint name="A" timeStamp="2026-06-03T09:15:00">1 2</CgPoint>`), "does not say its offset"},
		{landXMLText("", "", `<CgPoint name="A">1 2</CgPoint>`) + "x<", "points:1"},
		{`<LandXML><CgPoints><CgPoint name="A">1 2`, "cut off"},
		{`<LandXML><CgPoints></LandXML>`, "mend the XML"},
		{`<LandXML><CgPoints><CgPoint name="A">` + strings.Repeat("1 ", 2000) + `<b/>2</CgPoint>`, "too long to be a position"},
		{`<LandXML>` + strings.Repeat("<a>", 300), "nested more than 256"},
		{"<?xml version='1.0' encoding='klingon'?><LandXML/>", `"klingon" is not known`},
		{"<LandXML><!--" + strings.Repeat("x", maxItem+1<<20), "one item takes more than"},
	} {
		wantError(t, c.text, Options{}, c.want)
	}
	// Times without an offset can be placed by the settings.
	recs, _ := good(t, landXMLText("", "", `<CgPoint name="A" timeStamp="2026-06-03T09:15:00">1 2</CgPoint>`), Options{Location: time.FixedZone("", 3600)})
	if want := time.Date(2026, 6, 3, 8, 15, 0, 0, time.UTC); !recs[0].Observed.Equal(want) {
		t.Errorf("observed %v", recs[0].Observed)
	}
	// A character encoding other than UTF-8.
	recs, _ = good(t, "<?xml version='1.0' encoding='ISO-8859-1'?>"+landXMLText("", "", "<CgPoint name='A' desc='\xD8300'>1 2</CgPoint>"), Options{})
	if recs[0].Desc != "Ø300" {
		t.Errorf("description %q", recs[0].Desc)
	}
	// A CgPoint elsewhere is no point of the survey.
	recs, h := good(t, `<LandXML><Alignments><CgPoint name="A">1 2</CgPoint></Alignments></LandXML>`, Options{})
	if len(recs) != 0 {
		t.Errorf("%+v", recs)
	}
	wantNote(t, h, "a CgPoint outside CgPoints")
}

// gpxSample follows the schema of GPX 1.1 (wptType; from memory).
const gpxSample = `<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="quay handheld" xmlns="http://www.topografix.com/GPX/1/1" xmlns:s="urn:example:survey">
  <metadata><name>quay</name><time>2026-06-03T12:00:00Z</time></metadata>
  <wpt lat="51.7644765" lon="-6.3438579">
    <ele>4.21</ele><time>2026-06-03T09:15:00Z</time><name>B-01</name><cmt>by the crane</cmt><desc>cast bollard</desc>
    <link href="photos/IMG%201.jpg"><text>front</text><type>image/jpeg</type></link>
    <link href="photos/IMG_2.JPG"/>
    <link href="https://example.com/a.jpg"/>
    <link href="sheet.pdf"/>
    <sym>Flag</sym><type>BOL</type><hdop>0.9</hdop>
    <extensions><s:survey><s:sigma>0.02</s:sigma><s:photos>IMG_3.jpg</s:photos><s:code>not me</s:code></s:survey></extensions>
  </wpt>
  <wpt lat="51.7644434" lon="-6.3437389"><name>B-02</name><cmt>bent</cmt><sym>Flag</sym></wpt>
  <trk><trkseg><trkpt lat="51" lon="-6"><name>no</name></trkpt></trkseg></trk>
</gpx>
`

func TestGPX(t *testing.T) {
	recs, h := good(t, gpxSample, Options{})
	want := []Record{
		{ID: "B-01", X: -6.3438579, Y: 51.7644765, Z: ptr(4.21), Code: "BOL", Desc: "cast bollard", Observed: time.Date(2026, 6, 3, 9, 15, 0, 0, time.UTC), Cov: &[3]float64{4e-4, 0, 4e-4}, Photos: []string{"photos/IMG 1.jpg", "photos/IMG_2.JPG", "IMG_3.jpg"}},
		{ID: "B-02", X: -6.3437389, Y: 51.7644434, Code: "Flag", Desc: "bent"},
	}
	if got := places(recs); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if h.Format != GPX || h.CRS != "OGC:CRS84" || h.Axes != Geographic || h.HeightUnit != &grid.Metre || h.EllipsoidalHeight {
		t.Errorf("%+v", h)
	}
	for _, n := range []string{"a dilution of precision is not an accuracy", "does not lead to an image", "an image elsewhere", "routes and tracks are passed over"} {
		wantNote(t, h, n)
	}
}

func TestGPXProblems(t *testing.T) {
	wpt := func(s string) string { return `<gpx version="1.1">` + s + `</gpx>` }
	for _, c := range []struct{ text, want string }{
		{wpt(`<wpt lat="51" lon="-6"/>`), "the point has no id"},
		{wpt(`<wpt lat="51"><name>A</name></wpt>`), `longitude "" is not a number`},
		{wpt(`<wpt lat="-96" lon="51"><name>A</name></wpt>`), "no place on Earth"},
		{wpt(`<wpt lat="51" lon="-6"><name>A</name><time>noon</time></wpt>`), `time "noon" can't be read`},
		{wpt(`<wpt lat="51" lon="-6"><name>A</name><extensions><code>a</code><c>b</c></extensions></wpt>`), `"code" and "c" both say code`},
		{`<gpx version="1.1"><wpt lat="51" lon="-6"><name>A`, "cut off"},
	} {
		wantError(t, c.text, Options{}, c.want)
	}
	// No matter where the standard's own element says it.
	good(t, wpt(`<wpt lat="51" lon="-6"><name>A</name><type>x</type><extensions><code>a</code><c>b</c></extensions></wpt>`), Options{})
	_, h := good(t, `<gpx version="1.0"/>`, Options{})
	wantNote(t, h, `version "1.0"`)
	// Elements of another name space are none of GPX's.
	recs, _ := good(t, `<gpx version="1.1" xmlns="urn:a" xmlns:b="urn:b"><b:wpt lat="1" lon="2"/><wpt lat="51" lon="-6"><b:name>no</b:name><name>A</name></wpt></gpx>`, Options{})
	if len(recs) != 1 || recs[0].ID != "A" {
		t.Errorf("%+v", recs)
	}
}
