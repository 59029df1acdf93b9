package pointfile

import (
	"cmp"
	"encoding/xml"
	"errors"
	"io"
	"io/fs"
	"strings"

	"example.com/phototie/grid"
)

// linearUnits are the values of linearUnit in the schema of LandXML 1.2
// (metLinear and impLinear), from memory. A foot is the international one, and
// the mile and inch follow from it.
var linearUnits = map[string]*grid.Unit{
	"millimeter":   {Name: "millimetre", Symbol: "mm", Metres: 0.001},
	"centimeter":   {Name: "centimetre", Symbol: "cm", Metres: 0.01},
	"meter":        &grid.Metre,
	"kilometer":    {Name: "kilometre", Symbol: "km", Metres: 1000},
	"foot":         &grid.Foot,
	"USSurveyFoot": &grid.USSurveyFoot,
	"inch":         {Name: "inch", Symbol: "in", Metres: 0.0254},
	"mile":         {Name: "mile", Symbol: "mi", Metres: 1609.344},
}

// landXML reads the CgPoint elements of LandXML.
type landXML struct{ *xmlStream }

// landHead is what a document says of all its points.
type landHead struct {
	units, system   bool // whether there is one
	unit, elevation string
	metric          bool
	// crs is a code or WKT, systemName what else the system is called.
	crs, systemName string
	rotation        string
	several         bool
}

func (s *xmlStream) openLandXML(fsys fs.FS, root xml.StartElement, opt Options) error {
	s.header.Format = LandXML
	s.src = landXML{s}
	if v := attr(root, "version"); v != "" && v != "1.2" {
		s.notes.plain("the file says version %s of LandXML and is read by the rules of 1.2", clip(v))
	}
	f, err := openFile(fsys, s.header.File)
	if err != nil {
		return err
	}
	defer f.Close()
	first := newXMLStream(s.Reader, newInput(f))
	head, err := first.landHead(fsys)
	switch {
	case err != nil:
		return first.explain(err)
	case head.several && opt.CRS == "":
		return s.problem(0, "say which one the points are in (points.crs)", "there is more than one CoordinateSystem")
	case head.several:
		head.crs = ""
	}
	s.setCRS(head.crs, opt)
	if s.header.Axes == Unstated {
		s.header.Axes = Plane
	}
	switch {
	case s.header.CRS != "":
	case head.systemName != "":
		s.notes.plain("the file names its system %q without a code; the points are taken to be on the job's grid", clip(head.systemName))
	default:
		s.notes.plain("the file names no system; the points are taken to be on the job's grid")
	}
	if strings.Trim(head.rotation, "+-0.") != "" {
		s.notes.plain("the CoordinateSystem has a rotationAngle of %s, which is not applied", clip(head.rotation))
	}
	s.met(colNorthing, "the first number of CgPoint", "")
	s.met(colEasting, "the second number of CgPoint", "")
	return s.landUnits(head)
}

// landUnits sets the units of the coordinates and of the heights.
func (s *xmlStream) landUnits(head landHead) error {
	if !head.units {
		s.notes.plain("the file states no unit; that of its system or of the job's grid is taken")
		return nil
	}
	u := linearUnits[head.unit]
	if u == nil {
		return s.problem(0, "write one that LandXML 1.2 has, such as meter, foot or USSurveyFoot", "linearUnit %q is not a unit of LandXML", clip(head.unit))
	}
	s.header.Unit, s.header.HeightUnit = u, u
	switch head.elevation {
	case "":
	case "meter", "kilometer":
		s.header.HeightUnit = linearUnits[head.elevation]
	case "feet":
		if u != &grid.USSurveyFoot {
			s.header.HeightUnit = &grid.Foot
		}
		if head.metric {
			s.notes.plain("elevationUnit says feet without saying which; the international foot is taken (the other is longer by 2 parts in a million)")
		}
	default:
		return s.problem(0, "write meter or feet", "elevationUnit %q is not a unit known here", clip(head.elevation))
	}
	return nil
}

// landHead looks for Units and CoordinateSystem. They stand before the points in
// most files, but need not.
func (s *xmlStream) landHead(fsys fs.FS) (h landHead, err error) {
	asked := false
	for {
		e, err := s.start()
		if errors.Is(err, io.EOF) {
			return h, nil
		}
		if err != nil {
			return h, err
		}
		h.take(e, s.parent())
		if e.Name.Local == "CgPoint" && (!asked || h.units && h.system) {
			asked = true
			if more, err := h.follows(fsys, s.header.File); err != nil || !more {
				return h, err
			}
		}
	}
}

// take takes what an element says of all points.
func (h *landHead) take(e xml.StartElement, parent string) {
	switch name := e.Name.Local; {
	case name == "CoordinateSystem" && parent == "LandXML":
		h.setSystem(e)
	case (name == "Metric" || name == "Imperial") && parent == "Units" && !h.units:
		h.units, h.metric = true, name == "Metric"
		h.unit, h.elevation = attr(e, "linearUnit"), attr(e, "elevationUnit")
	}
}

// follows reports whether what has not been met can be in the rest of the file.
func (h *landHead) follows(fsys fs.FS, file string) (bool, error) {
	var words []string
	if !h.system {
		words = append(words, "<CoordinateSystem", ":CoordinateSystem")
	}
	if !h.units {
		words = append(words, "Metric", "Imperial")
	}
	if len(words) == 0 {
		return false, nil
	}
	return contains(fsys, file, words...)
}

func (h *landHead) setSystem(e xml.StartElement) {
	crs := cmp.Or(epsg(attr(e, "epsgCode")), strings.TrimSpace(attr(e, "ogcWktCode")))
	h.several = h.several || h.system && crs != h.crs
	h.system, h.crs, h.rotation = true, crs, strings.TrimSpace(attr(e, "rotationAngle"))
	h.systemName = strings.TrimSpace(cmp.Or(attr(e, "horizontalCoordinateSystemName"), attr(e, "name"), attr(e, "desc")))
}

// epsg reads the attribute epsgCode: a number, with or without "EPSG:".
func epsg(code string) string {
	code = strings.TrimSpace(code)
	if code == "" || strings.Trim(code, "0123456789") != "" {
		return crsName(code)
	}
	if strings.Trim(code, "0") == "" {
		return "" // 0 is no system
	}
	return "EPSG:" + code
}

func (l landXML) next() (Record, error) {
	for {
		e, err := l.start()
		if err != nil {
			return Record{}, err
		}
		if e.Name.Local != "CgPoint" {
			continue
		}
		if l.parent() != "CgPoints" {
			l.notes.at(onLine(l.line()), "a CgPoint outside CgPoints is passed over")
			continue
		}
		line := l.line()
		r := row{Reader: l.Reader, rec: Record{Line: line, Where: onLine(line)}}
		switch use, err := l.point(&r, e); {
		case err != nil:
			return Record{}, err
		case use:
			return r.done()
		}
	}
}

// numbers reads the text of the CgPoint that has begun.
func (l landXML) numbers(line int) ([]string, error) {
	var text strings.Builder
	for depth := len(l.open); len(l.open) >= depth; {
		tok, err := l.xmlStream.next()
		if err != nil {
			return nil, err
		}
		if t, ok := tok.(xml.CharData); ok && len(l.open) == depth {
			if text.Len() > 1<<10 {
				return nil, l.problem(line, "write northing, easting and elevation", "the text of the CgPoint is too long to be a position")
			}
			text.Write(t)
		}
	}
	return strings.Fields(text.String()), nil
}

// landAttributes are the attributes of a CgPoint that are read.
var landAttributes = map[string]column{
	"name": colID, "code": colCode, "desc": colDesc, "timeStamp": colObserved,
	"eastingStdError": colSigmaE, "northingStdError": colSigmaN,
}

// point reads a CgPoint whose start has been read. use is false for one that gives
// no position of its own.
func (l landXML) point(r *row, e xml.StartElement) (use bool, err error) {
	var v cells
	for _, a := range e.Attr {
		if c, ok := landAttributes[a.Name.Local]; ok && a.Name.Space == "" {
			v[c] = a.Value
			l.met(c, "attribute", a.Name.Local)
		}
	}
	reference, state := attr(e, "pntRef"), attr(e, "state") // the token holds until the next
	numbers, err := l.numbers(r.rec.Line)
	if err != nil {
		return false, err
	}
	if len(numbers) == 0 && reference != "" {
		l.notes.at(r.rec.Where, "a CgPoint that has only a reference to another (pntRef) is passed over")
		return false, nil
	}
	if strings.EqualFold(state, "proposed") {
		l.notes.at(r.rec.Where, `a CgPoint says state="proposed": it was designed, not surveyed`)
	}
	if len(numbers) != 2 && len(numbers) != 3 {
		r.add(-1, "write northing, easting and, if there is one, elevation", "the CgPoint has %d numbers for a position", len(numbers))
		return true, nil
	}
	north, east := r.num(colNorthing, numbers[0]), r.num(colEasting, numbers[1])
	var z *float64
	if len(numbers) == 3 {
		z = r.height(numbers[2])
		l.met(colHeight, "the third number of CgPoint", "")
	}
	r.position(east, north, z)
	r.fill(&v)
	return true, nil
}
