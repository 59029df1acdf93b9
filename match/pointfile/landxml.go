package pointfile

import (
	"encoding/xml"
	"errors"
	"fmt"
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
type landXML struct {
	s    *xmlStream
	rows *rowReader
	axes Axes
	met  func(c column, from string)
	seen [nColumns]bool
	text strings.Builder
}

// landHead is what a document says of all its points.
type landHead struct {
	units, system   bool
	unit, elevation string
	metric          bool
	// crs is a code or WKT, systemName what else the system is called.
	crs, systemName string
	rotation        string
	several         bool
}

func (r *Reader) openLandXML(fsys fs.FS, s *xmlStream, root xml.StartElement, opt Options) error {
	r.header.Format = LandXML
	if v := attr(root, "version"); v != "" && v != "1.2" {
		r.notes.plain("the file says version %s of LandXML and is read by the rules of 1.2", clip(v))
	}
	head, err := r.landHead(fsys)
	if err != nil {
		return err
	}
	if head.several && opt.CRS == "" {
		return s.problem(0, "say which one the points are in (points.crs)", "there is more than one CoordinateSystem")
	}
	if !head.several {
		r.setCRS(head.crs, opt)
	} else {
		r.setCRS("", opt)
	}
	if r.header.Axes == Unstated {
		r.header.Axes = Plane
	}
	if r.header.CRS == "" {
		if head.systemName != "" {
			r.notes.plain("the file names its system %q without a code; the points are taken to be on the job's grid", clip(head.systemName))
		} else {
			r.notes.plain("the file names no system; the points are taken to be on the job's grid")
		}
	}
	if head.rotation != "" && strings.Trim(head.rotation, "+-0.") != "" {
		r.notes.plain("the CoordinateSystem has a rotationAngle of %s, which is not applied", clip(head.rotation))
	}
	if !head.units {
		r.notes.plain("the file states no unit; that of its system or of the job's grid is taken")
	} else {
		u, ok := linearUnits[head.unit]
		if !ok {
			return s.problem(0, "write one that LandXML 1.2 has, such as meter, foot or USSurveyFoot", "linearUnit %q is not a unit of LandXML", clip(head.unit))
		}
		r.header.Unit, r.header.HeightUnit = u, u
		switch head.elevation {
		case "":
		case "meter", "kilometer":
			r.header.HeightUnit = linearUnits[head.elevation]
		case "feet":
			if u != &grid.USSurveyFoot {
				r.header.HeightUnit = &grid.Foot
			}
			if head.metric {
				r.notes.plain("elevationUnit says feet without saying which; the international foot is taken (the other is longer by 2 parts in a million)")
			}
		default:
			return s.problem(0, "write meter or feet", "elevationUnit %q is not a unit known here", clip(head.elevation))
		}
	}
	r.src = &landXML{s: s, rows: r.rows(opt), axes: r.header.Axes, met: func(c column, from string) { r.met(c, "%s", from) }}
	r.met(colNorthing, "the first number of CgPoint")
	r.met(colEasting, "the second number of CgPoint")
	return nil
}

// landHead opens the file once more and looks for Units and CoordinateSystem.
// They stand before the points in most files, but need not.
func (r *Reader) landHead(fsys fs.FS) (h landHead, err error) {
	f, err := fsys.Open(r.header.File)
	if err != nil {
		return h, &Problem{File: r.header.File, What: err.Error()}
	}
	defer f.Close()
	s := newXMLStream(r.header.File, newInput(f))
	asked := false
	for {
		tok, err := s.next()
		if errors.Is(err, io.EOF) {
			return h, nil
		}
		if err != nil {
			return h, s.syntax(err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Local {
		case "Metric", "Imperial":
			if s.parent() == "Units" && !h.units {
				h.units = true
				h.metric = e.Name.Local == "Metric"
				h.unit, h.elevation = attr(e, "linearUnit"), attr(e, "elevationUnit")
			}
		case "CoordinateSystem":
			if s.parent() != "LandXML" {
				break
			}
			crs := epsg(attr(e, "epsgCode"))
			if crs == "" {
				crs = strings.TrimSpace(attr(e, "ogcWktCode"))
			}
			h.several = h.several || h.system && crs != h.crs
			h.system = true
			h.crs, h.rotation = crs, strings.TrimSpace(attr(e, "rotationAngle"))
			h.systemName = ""
			for _, a := range []string{"horizontalCoordinateSystemName", "name", "desc"} {
				if v := strings.TrimSpace(attr(e, a)); v != "" && h.systemName == "" {
					h.systemName = v
				}
			}
		case "CgPoint":
			if h.units && h.system {
				return h, nil
			}
			if !asked {
				asked = true
				words := []string{"<CoordinateSystem", ":CoordinateSystem"}
				if h.system {
					words = nil
				}
				if !h.units {
					words = append(words, "Metric", "Imperial")
				}
				more, err := contains(fsys, r.header.File, words...)
				if err != nil || !more {
					return h, err
				}
			}
		}
	}
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

func (l *landXML) Close() error { return l.s.in.file.Close() }

func (l *landXML) next() (Record, error) {
	for {
		tok, err := l.s.next()
		if err != nil {
			return Record{}, l.s.syntax(err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok || e.Name.Local != "CgPoint" {
			continue
		}
		if l.s.parent() != "CgPoints" {
			l.rows.notes.at(onLine(l.s.line()), "a CgPoint outside CgPoints is passed over")
			continue
		}
		rec, err, use := l.point(e)
		if use || err != nil {
			return rec, err
		}
	}
}

// point reads a CgPoint whose start has been read. use is false where there is
// none to hand out.
func (l *landXML) point(e xml.StartElement) (rec Record, err error, use bool) {
	line := l.s.line()
	r := row{rowReader: l.rows, rec: Record{Line: line, Where: onLine(line)}}
	var v cells
	var ref, state string
	for _, a := range e.Attr {
		if a.Name.Space != "" {
			continue
		}
		c := column(-1)
		switch a.Name.Local {
		case "name":
			c = colID
		case "code":
			c = colCode
		case "desc":
			c = colDesc
		case "timeStamp":
			c = colObserved
		case "eastingStdError":
			c = colSigmaE
		case "northingStdError":
			c = colSigmaN
		case "pntRef":
			ref = a.Value
		case "state":
			state = a.Value
		}
		if c >= 0 {
			v[c] = a.Value
			if !l.seen[c] {
				l.seen[c] = true
				l.met(c, fmt.Sprintf("attribute %q", a.Name.Local))
			}
		}
	}
	l.text.Reset()
	for depth := len(l.s.open); len(l.s.open) >= depth; {
		tok, err := l.s.next()
		if err != nil {
			return Record{}, l.s.syntax(err), false
		}
		if t, ok := tok.(xml.CharData); ok && len(l.s.open) == depth {
			if l.text.Len() > 1<<10 {
				return Record{}, l.s.problem(line, "write northing, easting and elevation", "the text of the CgPoint is too long to be a position"), false
			}
			l.text.Write(t)
		}
	}
	numbers := strings.Fields(l.text.String())
	if len(numbers) == 0 && ref != "" {
		l.rows.notes.at(r.rec.Where, "a CgPoint that has only a reference to another (pntRef) is passed over")
		return Record{}, nil, false
	}
	if strings.EqualFold(state, "proposed") {
		l.rows.notes.at(r.rec.Where, `a CgPoint says state="proposed": it was designed, not surveyed`)
	}
	if len(numbers) != 2 && len(numbers) != 3 {
		r.add(-1, "write northing, easting and, if there is one, elevation", "the CgPoint has %d numbers for a position", len(numbers))
		rec, err = r.done()
		return rec, err, true
	}
	n, east := r.num(colNorthing, numbers[0]), r.num(colEasting, numbers[1])
	var z *float64
	if len(numbers) == 3 {
		h := r.num(colHeight, numbers[2])
		z = &h
		if !l.seen[colHeight] {
			l.seen[colHeight] = true
			l.met(colHeight, "the third number of CgPoint")
		}
	}
	r.position(east, n, z, l.axes)
	r.fill(&v)
	rec, err = r.done()
	return rec, err, true
}
