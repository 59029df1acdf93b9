package dataset

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"example.com/phototie/match"
)

// SettingsFile is the name of the settings file at the top of a dataset.
const SettingsFile = "phototie.toml"

// Settings are what phototie.toml says. README's settings reference explains
// every key.
type Settings struct {
	Grid   GridSettings  `toml:"grid"`
	Points PointSettings `toml:"points"`
	Links  LinkSettings  `toml:"links"`
	Photos PhotoSettings `toml:"photos"`
	Frame  FrameSettings `toml:"frame"`
	// Budget starts as match.DefaultBudget; a key left out keeps its default.
	Budget match.Budget `toml:"budget"`
}

// GridSettings name the grid that the points are in.
type GridSettings struct {
	// CRS is an EPSG code, a WKT or a PROJ string of a projected system.
	CRS string `toml:"crs"`
}

// PointSettings describe the points file.
type PointSettings struct {
	File string `toml:"file"`
	// Columns name the columns in order, for a file without a header.
	Columns []string `toml:"columns"`
	// Separator is between columns; Decimal is the decimal sign.
	Separator string `toml:"separator"`
	Decimal   string `toml:"decimal"`
	// HeightUnit is the unit of the height column: m, ft or ftUS; empty means
	// the grid's unit.
	HeightUnit string `toml:"height_unit"`
}

// LinkSettings describe the links file.
type LinkSettings struct {
	// File may be empty: then no photo is tied.
	File      string   `toml:"file"`
	Columns   []string `toml:"columns"`
	Separator string   `toml:"separator"`
}

// PhotoSettings say where the photos are.
type PhotoSettings struct {
	Folder string `toml:"folder"`
}

// FrameSettings say how tags are carried to the grid.
type FrameSettings struct {
	// Datum is taken for tags that state no map datum.
	Datum string `toml:"datum"`
	// Datums names the frames of map datums that phototie does not know by the
	// name that the photos state.
	Datums map[string]string `toml:"datums"`
	// Epoch (decimal year) is taken for photos that carry no time.
	Epoch float64 `toml:"epoch"`
	// AllowBallpark lets a ballpark operation be used, with BallparkSigma
	// (metres per axis) in the budget.
	AllowBallpark bool    `toml:"allow_ballpark"`
	BallparkSigma float64 `toml:"ballpark_sigma_m"`
}

// Options returns what match.Check needs of the settings.
func (s Settings) Options() match.Options {
	return match.Options{
		Budget:        s.Budget,
		Datum:         s.Frame.Datum,
		Datums:        s.Frame.Datums,
		Epoch:         s.Frame.Epoch,
		AllowBallpark: s.Frame.AllowBallpark,
		BallparkSigma: s.Frame.BallparkSigma,
	}
}

// example is the least that a settings file must say.
const example = `[grid]
crs = "EPSG:2157"        # the projected system that the points are in

[points]
file = "points.csv"

[links]
file = "links.csv"       # leave out where no list says which photo shows what

[photos]
folder = "photos"`

// readSettings reads and checks phototie.toml.
func readSettings(fsys fs.FS) (Settings, error) {
	var s Settings
	text, err := fs.ReadFile(fsys, SettingsFile)
	if errors.Is(err, fs.ErrNotExist) {
		return s, &Problem{File: SettingsFile, What: "there is no such file in the dataset's folder",
			Remedy: "write one that says at least:\n\n" + example + "\n"}
	}
	if err != nil {
		return s, fmt.Errorf("%s: %w", SettingsFile, err)
	}
	return parseSettings(text)
}

// parseSettings reads the text of a phototie.toml.
func parseSettings(text []byte) (Settings, error) {
	s := Settings{Budget: match.DefaultBudget()}
	dec := toml.NewDecoder(bytes.NewReader(bytes.TrimPrefix(text, []byte(bom)))).DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) {
			ps := problems{file: SettingsFile}
			for _, e := range strict.Errors {
				line, col := e.Position()
				ps.add(line, col, "see README's settings reference for the keys there are", "unknown key %q", strings.Join(e.Key(), "."))
			}
			return s, ps.err()
		}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			line, col := de.Position()
			return s, &Problem{File: SettingsFile, Line: line, Column: col, What: strings.TrimPrefix(de.Error(), "toml: ")}
		}
		return s, fmt.Errorf("%s: %w", SettingsFile, err)
	}
	ps := problems{file: SettingsFile}
	if strings.TrimSpace(s.Grid.CRS) == "" {
		ps.add(0, 0, `add [grid] with crs = "EPSG:…", the projected system that the points are in`, "it does not say which grid the points are in")
	}
	if s.Points.File == "" {
		ps.add(0, 0, `add [points] with file = "points.csv"`, "it does not name the points file")
	}
	if s.Photos.Folder == "" {
		s.Photos.Folder = "photos"
	}
	for _, f := range []struct {
		key  string
		path *string
	}{{"points.file", &s.Points.File}, {"links.file", &s.Links.File}, {"photos.folder", &s.Photos.Folder}} {
		if *f.path == "" {
			continue
		}
		clean := path.Clean(*f.path)
		if !fs.ValidPath(clean) || strings.ContainsAny(*f.path, "\\") {
			ps.add(0, 0, "give a path inside the folder, with forward slashes", "%s = %q leads out of the dataset's folder", f.key, *f.path)
			continue
		}
		*f.path = clean
	}
	for _, f := range []struct{ key, value string }{{"points.separator", s.Points.Separator}, {"links.separator", s.Links.Separator}} {
		if f.value != "" && !validSeparator(f.value) {
			ps.add(0, 0, `use one of "," ";" "\t" "|"`, "%s = %q can't stand between columns", f.key, f.value)
		}
	}
	if d := s.Points.Decimal; d != "" && d != "." && d != "," {
		ps.add(0, 0, `use "." or ","`, "points.decimal = %q is no decimal sign", d)
	}
	if s.Points.Decimal == "," && (s.Points.Separator == "" || s.Points.Separator == ",") {
		ps.add(0, 0, `set points.separator = ";" (or "\t"), as the file has it`, "points.decimal is a comma, and so is the separator")
	}
	if _, ok := heightUnits[s.Points.HeightUnit]; !ok {
		ps.add(0, 0, `use "m", "ft" or "ftUS"`, "points.height_unit = %q is not a unit known here", s.Points.HeightUnit)
	}
	if s.Frame.Epoch != 0 && !(s.Frame.Epoch > 1900 && s.Frame.Epoch < 2200) {
		ps.add(0, 0, "give a decimal year such as 2026.5", "frame.epoch = %v is not a year", s.Frame.Epoch)
	}
	if !(s.Frame.BallparkSigma >= 0) {
		ps.add(0, 0, "give metres, 0 or more", "frame.ballpark_sigma_m = %v makes no sense", s.Frame.BallparkSigma)
	}
	if s.Frame.AllowBallpark && s.Frame.BallparkSigma == 0 {
		ps.add(0, 0, "set frame.ballpark_sigma_m to the metres per axis that the frames may differ by", "frame.allow_ballpark needs a figure for the uncertainty it brings")
	}
	if err := s.Budget.Validate(); err != nil {
		for _, e := range joined(err) {
			ps.add(0, 0, "", "[budget] %v", e)
		}
	}
	return s, ps.err()
}

// joined takes apart what errors.Join put together.
func joined(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return j.Unwrap()
	}
	return []error{err}
}
