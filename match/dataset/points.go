package dataset

import (
	"errors"
	"io/fs"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// columnOrder is the order in which columns are listed to a user.
var columnOrder = []string{"id", "easting", "northing", "height", "code", "description",
	"observed", "sigma", "sigma_e", "sigma_n", "cov_en", "photo", "point"}

// pointColumns are the headings understood in a points file. x and y are left
// out on purpose: which of them is the easting differs from country to country.
var pointColumns = map[string]string{
	"id": "id", "p": "id", "pt": "id", "point": "id", "pointid": "id", "name": "id", "number": "id", "no": "id",
	"e": "easting", "east": "easting", "easting": "easting",
	"n": "northing", "north": "northing", "northing": "northing",
	"h": "height", "z": "height", "height": "height", "elevation": "height", "elev": "height", "level": "height",
	"c": "code", "code": "code", "featurecode": "code",
	"d": "description", "desc": "description", "description": "description", "note": "description", "notes": "description",
	"observed": "observed", "time": "observed", "datetime": "observed", "date": "observed",
	"sigma": "sigma", "s": "sigma",
	"sigmae": "sigma_e", "se": "sigma_e",
	"sigman": "sigma_n", "sn": "sigma_n",
	"coven": "cov_en",
}

// heightUnits are the units that a height column may be in; "" is the grid's.
var heightUnits = map[string]*grid.Unit{
	"": nil, "m": &grid.Metre, "ft": &grid.Foot, "ftUS": &grid.USSurveyFoot,
}

// number is what a number in a points file looks like: no hexadecimals, no
// infinities, no thousands separators.
var number = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// errNumber says that a text is not a number.
var errNumber = errors.New("not a number")

func parseNumber(s, decimal string) (float64, error) {
	if decimal == "," {
		if strings.Contains(s, ".") {
			return 0, errNumber
		}
		s = strings.Replace(s, ",", ".", 1)
	}
	if !number.MatchString(s) {
		return 0, errNumber
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, errNumber
	}
	return v, nil
}

// readPoints reads the points file. Eastings, northings and the sigmas of a
// point are in the grid's unit in the file.
func readPoints(fsys fs.FS, s PointSettings, unit grid.Unit) ([]match.Point, error) {
	t, err := openTable(fsys, s.File, s.Separator, s.Columns, pointColumns, []string{"id", "easting", "northing"})
	if err != nil {
		return nil, err
	}
	defer t.closer.Close()
	heightUnit := unit
	if u := heightUnits[s.HeightUnit]; u != nil {
		heightUnit = *u
	}
	lineOf := map[string]int{}
	var points []match.Point
	for t.next() {
		ok := true
		num := func(col string) float64 {
			text := t.get(col)
			v, err := parseNumber(text, s.Decimal)
			if err != nil {
				ok = false
				remedy := "write digits with a decimal point, without thousands separators"
				switch {
				case strings.Contains(text, ",") && s.Decimal != ",":
					remedy = `if that is a decimal comma, set points.decimal = "," in ` + SettingsFile
				case s.Decimal == ",":
					remedy = `write digits with a decimal comma, as points.decimal = "," says`
				case text == "":
					remedy = "fill it in, or take the point out"
				}
				t.ps.add(t.line, t.column(col), remedy, "%s %q is not a number", col, clip(text))
			}
			return v
		}
		p := match.Point{ID: t.get("id"), Code: t.get("code"), Desc: t.get("description"), Line: t.line}
		if p.ID == "" {
			ok = false
			t.ps.add(t.line, t.column("id"), "give the point an id", "the point has no id")
		} else if before, dup := lineOf[p.ID]; dup {
			ok = false
			t.ps.add(t.line, t.column("id"), "give each point an id of its own, or take one of the two out",
				"point id %q stands already in line %d", clip(p.ID), before)
		} else {
			lineOf[p.ID] = t.line
		}
		p.E, p.N = num("easting"), num("northing")
		if t.get("height") != "" {
			h := num("height") * heightUnit.Metres
			p.Height = &h
		}
		if text := t.get("observed"); text != "" {
			when, err := time.Parse(time.RFC3339, text)
			if err != nil {
				ok = false
				t.ps.add(t.line, t.column("observed"), "write it as 2026-06-03T09:15:00Z or with an offset, 2026-06-03T10:15:00+01:00",
					"time %q can't be read", clip(text))
			}
			p.Observed = when
		}
		if cov, has := covariance(t, num, unit.Metres); has {
			p.Cov = &cov
			if ok && !(cov[0] >= 0 && cov[2] >= 0 && cov[1]*cov[1] <= cov[0]*cov[2]*(1+1e-12)) {
				ok = false
				t.ps.add(t.line, t.column("cov_en"), "|cov_en| can't exceed sigma_e x sigma_n", "the covariance is not one of real measurements")
			}
		}
		if ok {
			points = append(points, p)
		}
	}
	if err := t.ps.err(); err != nil {
		return nil, err
	}
	if len(points) == 0 {
		return nil, &Problem{File: s.File, What: "there are no points in it", Remedy: "add the surveyed points, one a row"}
	}
	return points, nil
}

// covariance reads what a row says of a point's accuracy: sigma for both axes,
// or sigma_e and sigma_n with an optional cov_en. The result is in square metres.
func covariance(t *table, num func(string) float64, metres float64) (cov [3]float64, has bool) {
	m2 := metres * metres
	switch {
	case t.get("sigma_e") != "" || t.get("sigma_n") != "":
		e, n := num("sigma_e"), num("sigma_n")
		checkSigma(t, "sigma_e", e)
		checkSigma(t, "sigma_n", n)
		cov = [3]float64{e * e * m2, 0, n * n * m2}
		if t.get("cov_en") != "" {
			cov[1] = num("cov_en") * m2
		}
		return cov, true
	case t.get("sigma") != "":
		s := num("sigma")
		checkSigma(t, "sigma", s)
		return [3]float64{s * s * m2, 0, s * s * m2}, true
	}
	return cov, false
}

func checkSigma(t *table, col string, v float64) {
	if v < 0 {
		t.ps.add(t.line, t.column(col), "a standard deviation is 0 or more", "%s is negative", col)
	}
}
