package pointfile

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"slices"
)

// Outline is what delimited text shows of its layout to somebody who does not know
// which system its points are in. It is a plain value, safe for concurrent
// use; ReadOutline makes one, and the zero Outline has no columns.
type Outline struct {
	separator, decimal string
	// headings are the first row where it names the columns; nil where it does not.
	headings []string
	// columns are names of headings, "-" for what is not known. The id is among them,
	// the coordinates are not.
	columns []string
	// Pairs are columns that may hold the two coordinates, the likeliest first.
	Pairs [][2]int
}

// otherHeadings are headings in other words and languages (common practice, no source).
// They are for a proposal that somebody looks at; Open does not know them.
var otherHeadings = map[string]column{
	"punkt": colID, "punktnr": colID, "punktnummer": colID, "nr": colID, "ptno": colID, "ptid": colID, "ptnr": colID, "pointno": colID, "pointnumber": colID, "pointname": colID,
	"point#": colID, "pt#": colID, "station": colID, "stn": colID, "punto": colID, "ponto": colID, "num": colID, "mark": colID, "feature": colID, "asset": colID, "assetid": colID,
	"höhe": colHeight, "hoehe": colHeight, "alt": colHeight, "altitude": colHeight, "rl": colHeight, "cota": colHeight, "quota": colHeight,
	"remark": colDesc, "remarks": colDesc, "comment": colDesc, "bemerkung": colDesc, "text": colDesc,
}

// planeHeadings are headings of coordinates whose order differs from country to country.
var planeHeadings = map[string]bool{
	"x": true, "y": true, "rechtswert": true, "hochwert": true, "rw": true, "hw": true, "ost": true, "nord": true, "est": true, "este": true, "norte": true, "nordwert": true, "ostwert": true,
	"xcoord": true, "ycoord": true, "xcoordinate": true, "ycoordinate": true, "coordx": true, "coordy": true, "e(m)": true, "n(m)": true, "e[m]": true, "n[m]": true, "x(m)": true, "y(m)": true, "x[m]": true, "y[m]": true,
	"easting(m)": true, "northing(m)": true, "easting(ft)": true, "northing(ft)": true, "gridx": true, "gridy": true,
}

// ReadOutline looks at the first 64 KiB of a delimited text. The error is a *Problem
// where it is no text, or no rows with numbers for two coordinates can be seen.
func ReadOutline(fsys fs.FS, name string) (*Outline, error) {
	f, err := openFile(fsys, name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	sample, err := io.ReadAll(io.LimitReader(newInput(f).Reader, sampleSize))
	if err != nil {
		return nil, err
	}
	sample = bytes.TrimPrefix(sample, []byte(bom))
	none := &Problem{File: name, What: "it shows no rows with the two coordinates of a point", Remedy: "give delimited text, one point a row"}
	whole := len(sample) < sampleSize
	if !whole {
		sample = sample[:bytes.LastIndexByte(sample, '\n')+1]
	}
	if bytes.IndexByte(sample, 0) >= 0 {
		return nil, none
	}
	s := sniffer{file: name}
	for _, sep := range separators {
		c := split(sample, string(sep), whole)
		if c.fields < 3 || c.fit*4 < len(c.rows)*3 {
			continue
		}
		for _, dec := range []string{".", ","} {
			if dec == "," && c.sep == "," {
				continue
			}
			if o := s.outline(&c, dec); o != nil {
				return o, nil
			}
		}
	}
	return nil, none
}

// outline reads a candidate; nil where it shows no points.
func (s *sniffer) outline(c *candidate, dec string) *Outline {
	o := &Outline{separator: c.sep, decimal: dec, columns: slices.Repeat([]string{skip}, c.fields)}
	kinds := s.kinds(c.like(0), c.fields, dec)
	if rest := c.like(1); len(rest) > 0 && len(c.rows[0]) == c.fields && numeric(s.kinds(rest, c.fields, dec)) > numeric(kinds) {
		kinds, o.headings = s.kinds(rest, c.fields, dec), c.rows[0]
	}
	var plane []int
	for i, h := range o.headings {
		col, known := headings[Key(h)]
		if !known {
			col, known = otherHeadings[Key(h)]
		}
		switch {
		case planeHeadings[Key(h)] || known && isPosition(col):
			plane = append(plane, i)
		case known && (col != colID || kinds[i].canBeID()) && !slices.Contains(o.columns, columnNames[col]):
			o.columns[i] = columnNames[col]
		}
	}
	o.pair(kinds, plane)
	o.name(kinds)
	if len(o.Pairs) == 0 || !slices.Contains(o.columns, columnNames[colID]) {
		return nil
	}
	return o
}

// pair lists what may be the coordinates: what is headed so, else columns side by side
// that have decimals.
func (o *Outline) pair(kinds []kind, plane []int) {
	if len(plane) == 2 && kinds[plane[0]].numeric() && kinds[plane[1]].numeric() {
		o.Pairs = [][2]int{{plane[0], plane[1]}}
		return
	}
	free := func(i int) bool { return o.columns[i] == skip && kinds[i].numeric() }
	for _, fraction := range []bool{true, false} {
		for i := range len(kinds) - 1 {
			if (kinds[i].fraction && kinds[i+1].fraction) == fraction && free(i) && free(i+1) {
				o.Pairs = append(o.Pairs, [2]int{i, i + 1})
			}
		}
	}
}

// name names the id, where no heading does: the first column, else the first that can
// be one; and without headings the height and the code behind the coordinates.
func (o *Outline) name(kinds []kind) {
	free := func(i int) bool {
		return i < len(kinds) && o.columns[i] == skip && (len(o.Pairs) == 0 || i != o.Pairs[0][0] && i != o.Pairs[0][1])
	}
	for i, k := range kinds {
		if !slices.Contains(o.columns, columnNames[colID]) && free(i) && k.canBeID() {
			o.columns[i] = columnNames[colID]
		}
	}
	if o.headings != nil || len(o.Pairs) == 0 {
		return
	}
	z := o.Pairs[0][1] + 1
	for _, c := range []column{colHeight, colCode, colDesc} {
		if free(z) && !kinds[z].times && (c == colHeight) == (kinds[z].numbers && kinds[z].fraction) && (c == colHeight || !kinds[z].numbers) {
			o.columns[z] = columnNames[c]
			z++
		}
	}
}

// Options are what the file is read with when a pair of its columns is taken for
// coordinates of these names: "easting" and "northing", in either order. A column
// whose heading says so, or that is not needed, is not in them.
func (o *Outline) Options(pair [2]int, first, second string) (Options, error) {
	names := slices.Clone(o.columns)
	names[pair[0]], names[pair[1]] = first, second
	if o.headings == nil {
		opt := Options{Columns: names, Separator: o.separator}
		if o.decimal != "." {
			opt.Decimal = o.decimal
		}
		return opt, nil
	}
	opt := Options{Fields: map[string]string{}}
	keys := map[string]bool{}
	for i, h := range o.headings {
		k := Key(h)
		if names[i] != skip && (k == "" || keys[k]) {
			return opt, errors.New("the headings don't tell the columns apart")
		}
		keys[k] = true
		if c, known := headings[k]; known && columnNames[c] == names[i] || !known && names[i] == skip {
			continue
		}
		opt.Fields[h] = names[i]
	}
	if o.separator == " " {
		opt.Separator = " "
	}
	return opt, nil
}
