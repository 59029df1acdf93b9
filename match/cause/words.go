package cause

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// wording puts what was found into a sentence and a remedy.
func (f *Found) wording(e *Evidence) {
	f.Summary = fmt.Sprintf("%s: %s", f.Who(), f.Name)
	if f.hyp.Words != nil {
		f.Summary, f.Remedy = f.hyp.Words(f, e)
	} else if w := wordings[f.Name]; w != nil {
		f.Summary, f.Remedy = w(f)
	}
	if len(f.Rivals) > 0 {
		f.Summary += "; this job can't tell that from " + list(f.Rivals)
	}
}

// text and value are parameters by their names; empty or 0 without one.
func (f *Found) text(name string) string   { return f.param(name).Text }
func (f *Found) value(name string) float64 { return f.param(name).Value }

func (f *Found) param(name string) Param {
	if k := slices.IndexFunc(f.Params, func(p Param) bool { return p.Name == name }); k >= 0 {
		return f.Params[k]
	}
	return Param{}
}

// shift is what the tags are off by as fitted or predicted: its size and direction.
func (f *Found) shift() (size float64, direction string) {
	e, n := f.value("shift east"), f.value("shift north")
	return math.Hypot(e, n), grid.BearingOf(e, n).DMS(0)
}

// whose says in words which points are concerned.
func (f *Found) whose() string {
	if f.AllPoints {
		return "all " + plural(len(f.Points), "point")
	}
	return plural(len(f.Points), "point") + " (" + list(f.Points) + ")"
}

const (
	noFix     = "wait for a fix before taking photos; check these ties by eye"
	clockOnly = "no tag depends on it, but allow for it where photos are tied by time"
)

// wordings are sentences by the name of the cause.
var wordings = map[string]func(f *Found) (summary, remedy string){
	"swapped-lat-lon": func(f *Found) (string, string) {
		return f.Who() + ": latitude and longitude are exchanged",
			"exchange them in the app or the script that wrote the tags, or correct the photos"
	},
	"flipped-latitude":      flippedWords("latitude", "N", "S"),
	"flipped-longitude":     flippedWords("longitude", "E", "W"),
	"dropped-latitude-ref":  droppedWords("latitude"),
	"dropped-longitude-ref": droppedWords("longitude"),
	"minutes-as-decimals": func(f *Found) (string, string) {
		what := "degrees and minutes"
		if f.text("notation") == "DD MM SS.s" {
			what = "degrees, minutes and seconds"
		}
		return fmt.Sprintf("%s: %s were read as decimals of a degree", f.Who(), what),
			"convert them by deg + min/60 (+ sec/3600) where the tags are written, or correct the photos"
	},
	"decimals-as-minutes": func(f *Found) (string, string) {
		return f.Who() + ": decimals of a degree were read as minutes",
			"multiply the decimals by 60 to get minutes where the tags are written, or correct the photos"
	},
	"tag-datum": func(f *Found) (string, string) {
		stated := f.text("stated")
		if stated == "" {
			stated = "WGS 84 (nothing stated)"
		}
		size, _ := f.shift()
		return fmt.Sprintf("%s: the tags are in %s and state %s, which puts them %s out", f.Who(), f.text("datum"), stated, metres(size)),
			"set the datum of the handheld to WGS 84, and read these tags in " + f.text("datum")
	},
	"common-shift": func(f *Found) (string, string) {
		size, direction := f.shift()
		return fmt.Sprintf("%s: %s %s from where %s should, in the direction %s", f.Who(), pick(len(f.photos), "the tag lies", "the tags lie"), metres(size),
				pick(len(f.photos), "it", "they"), direction),
			"look for a datum, a base position or an offset that was set wrong; the ties hold"
	},
	"rounded-tags": func(f *Found) (string, string) {
		return fmt.Sprintf("%s: the tags are %s to steps of %s degrees, %s on the ground", f.Who(), f.text("how"),
				strconv.FormatFloat(f.value("step"), 'g', 3, 64), metres(f.value("step north"))),
			"have the tags written with more decimals; for these photos no place is known any better"
	},
	"frozen-fix": func(f *Found) (string, string) {
		return fmt.Sprintf("%s %s the tag of %s: the receiver had no new fix", f.Who(), pick(len(f.photos), "carries", "carry"), list(f.sources())),
			"take no account of these tags; check the ties by eye"
	},
	"repeated-tag": func(f *Found) (string, string) {
		of := "one another"
		if s := f.sources(); len(s) > 0 {
			of = list(s)
		}
		return fmt.Sprintf("%s %s the tag of %s, figure by figure: it was copied, or is no fix of theirs", f.Who(), pick(len(f.photos), "carries", "carry"), of),
			"take no account of these tags; check the ties by eye"
	},
	"accuracy-understated": func(f *Found) (string, string) {
		return fmt.Sprintf("%s: the tags are %.1f times worse than they state (95 %%: %.1f to %.1f, %.0f independent photos)", f.Who(),
				f.value("accuracy"), f.value("accuracy low"), f.value("accuracy high"), f.value("independent photos")),
			"state the factor for this camera in the settings; what is out beyond that stays so"
	},
	"standoff-understated": func(f *Found) (string, string) {
		return fmt.Sprintf("%s were taken from about %.0f m, and the settings say %s", f.Who(), f.value("standoff"), metres(f.value("standoff set"))),
			"state the standoff in the settings; what is out beyond that stays so"
	},
	"null-island": func(f *Found) (string, string) {
		return f.Who() + ": the tag reads 0, 0: the receiver had no fix", noFix
	},
	"zero-rationals": func(f *Found) (string, string) {
		return f.Who() + ": the position is written as 0/0: the receiver had no fix", noFix
	},
	"track-offset": func(f *Found) (string, string) {
		v := f.value("offset")
		way, back := "later", "back"
		if v < 0 {
			way, back = "earlier", "forward"
		}
		return fmt.Sprintf("%s: %s where the crew was %s %s: taken from a track by a clock that was off", f.Who(),
				pick(len(f.photos), "the tag shows", "the tags show"), span(v), way),
			fmt.Sprintf("take the tags from the track again with the clock set %s %s, or correct the photos; the ties hold", span(v), back)
	},
	"clock-offset": func(f *Found) (string, string) {
		v, against := f.value("offset"), "the time of its fixes"
		if f.text("against") == "observations" {
			against = "the times of observation"
		}
		or := ""
		if o := f.value("or, in another zone"); o != 0 {
			or = fmt.Sprintf(", or %s %s in the zone beside", span(o), aheadOf(o, "ahead", "behind"))
		}
		return fmt.Sprintf("%s: the camera's clock is %s %s %s%s", f.Who(), span(v), aheadOf(v, "ahead of", "behind"), against, or),
			"set the clock; " + clockOnly
	},
	"leap-seconds": func(f *Found) (string, string) {
		return fmt.Sprintf("%s: the time of the fix is ahead of the clock by the %.0f leap seconds: it is GPS time and not UTC", f.Who(), f.value("offset")),
			"no tag depends on it; allow for it where photos are tied by time"
	},
	"date-rollover": func(f *Found) (string, string) {
		return fmt.Sprintf("%s: the dates of the fixes are 1024 weeks %s: the week number of the receiver has rolled over", f.Who(), aheadOf(f.value("offset"), "late", "early")),
			"update the receiver; no tag depends on it"
	},
	"height-reference": func(f *Found) (string, string) {
		m := f.value("height")
		return fmt.Sprintf("%s: %s %s %s of the points, as if from another height reference", f.Who(),
				pick(len(f.photos), "the altitude is", "the altitudes are"), metres(math.Abs(m)), aheadOf(m, "above the heights", "below the heights")),
			"find out whether altitudes and heights are above the ellipsoid or the geoid; no tie depends on it"
	},
	"swapped-en": func(f *Found) (string, string) {
		return fmt.Sprintf("easting and northing of %s are exchanged in the list", f.whose()),
			"name the columns of the points file the other way round, or take the corrected rows"
	},
	"wrong-feet": func(f *Found) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in feet of the other kind: in %s, read as %s", f.whose(), unitName(f.text("factor")), unitName(f.text("taken for"))),
			"state the unit of the points in the settings"
	},
	"feet-for-metres": func(f *Found) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in feet (%s) and were taken for metres", f.whose(), f.text("factor")),
			"export the list in the grid's unit, or take the corrected rows"
	},
	"metres-for-feet": func(f *Found) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in metres and were taken for feet (%s)", f.whose(), f.text("factor")),
			"export the list in the grid's unit, or take the corrected rows"
	},
	"neighbouring-zone": func(f *Found) (string, string) {
		return fmt.Sprintf("the coordinates of %s are those of the neighbouring zone, %s", f.whose(), f.text("grid")),
			"name that grid in the settings, or take the corrected rows"
	},
	"point-datum": func(f *Found) (string, string) {
		size, _ := f.shift()
		return fmt.Sprintf("the coordinates of %s are in %s and not in %s, which puts them %s out", f.whose(), f.text("datum"), f.text("grid datum"), metres(size)),
			"name the grid on that datum in the settings, or take the corrected rows"
	},
	"ground-as-grid": func(f *Found) (string, string) {
		where := "the grid's origin"
		if e := f.param("origin east"); e.Name != "" {
			where = fmt.Sprintf("E %.0f, N %.0f", e.Value, f.value("origin north"))
		}
		return fmt.Sprintf("the coordinates of %s are ground distances from %s taken for grid ones: factor %.6f", f.whose(), where, f.value("factor")),
			"bring them to the grid by the scale factor of the site, or describe the site system"
	},
	"wrong-grid": func(f *Found) (string, string) {
		size, direction := f.shift()
		return fmt.Sprintf("grid.crs is probably wrong: %s lie %s from their points, in the direction %s", f.Who(), metres(size), direction),
			"name the grid that the points are in, or the points of this site; points in a system of the site's own need [site]"
	},
	"late-run":  runWords("late", "before"),
	"early-run": runWords("early", "after"),
	"swapped-ties": func(f *Found) (string, string) {
		if len(f.Photos) == 2 {
			return fmt.Sprintf("%s and %s have each other's link", f.Photos[0], f.Photos[1]), "exchange the links; the proposed ones do"
		}
		return fmt.Sprintf("%d pairs of photos have each other's link: %s", len(f.Photos)/2, list(f.Photos)),
			"exchange the links of each pair; the proposed ones do"
	},
	"wrong-tie": func(f *Found) (string, string) {
		if len(f.Photos) == 1 && f.Fix != nil && len(f.Fix.Links) == 1 {
			return fmt.Sprintf("the tag of %s is at %s, and it is tied to another point", f.Photos[0], f.Fix.Links[0].Point),
				"look at the photo, and tie it to the point that it shows; the proposed link takes the tag's word"
		}
		return fmt.Sprintf("%s are tied to points that their tags are not at, and lie at others: %s", f.Who(), list(f.Photos)),
			"look at the photos, and tie each to the point that it shows; the proposed links take the tags' word"
	},
}

// sources are the photos whose tags others repeat.
func (f *Found) sources() []string {
	var out []string
	for _, p := range f.Params {
		if p.Name == "tag of" {
			out = append(out, p.Text)
		}
	}
	return out
}

func aheadOf(v float64, plus, minus string) string {
	if v < 0 {
		return minus
	}
	return plus
}

// unitName is a foot in the plural.
func unitName(name string) string {
	if s, ok := strings.CutSuffix(name, "foot"); ok {
		if s == "" {
			s = "international "
		}
		return s + "feet"
	}
	return name
}

func flippedWords(what, pos, neg string) func(f *Found) (string, string) {
	return func(f *Found) (string, string) {
		is, be := pos, neg
		if f.text("reference") == pos {
			is, be = neg, pos
		}
		return fmt.Sprintf("%s: the %s reference is %s where it should be %s", f.Who(), what, is, be),
			fmt.Sprintf("set the reference to %s, or correct the photos", be)
	}
}

func droppedWords(what string) func(f *Found) (string, string) {
	return func(f *Found) (string, string) {
		remedy := "set the reference"
		if r := f.text("reference"); r != "" {
			remedy += " to " + r + ", where the job is"
		}
		return fmt.Sprintf("%s %s a %s without its reference, so that the hemisphere is unknown", f.Who(), f.have(), what),
			remedy + "; until then check the ties by eye"
	}
}

func runWords(way, to string) func(f *Found) (string, string) {
	return func(f *Found) (string, string) {
		return fmt.Sprintf("%s %s tied one point %s", f.Who(), f.be(), way),
			fmt.Sprintf("tie each to the point %s in the walk; the proposed links do", to)
	}
}

// Who says in words which photos are concerned: "the 66 photos of QM7-004417",
// "12 photos of QM7-004417 on 21 May 2025 from 09:11 to 09:26".
func (f *Found) Who() string {
	n := len(f.photos)
	photos := plural(n, "photo")
	g := f.Group
	of := ""
	if g.Camera != "" {
		of += " of " + g.Camera
	}
	if g.Day != "" {
		of += " on " + words.Day(g.Day)
	}
	switch g.Kind {
	case GroupAll:
		if n == 1 {
			return "the only photo with a tag"
		}
		return "all " + photos
	case GroupCamera, GroupDay, GroupCameraDay:
		return "the " + photos + of
	case GroupRun:
		if g.From == g.To && g.From != "" {
			return photos + " in a row" + of + " at " + g.From
		}
		if g.From != "" {
			return photos + of + " from " + g.From + " to " + g.To
		}
		return photos + " in a row" + of
	}
	return photos + of
}

// be and have fit the number of photos.
func (f *Found) be() string   { return pick(len(f.photos), "is", "are") }
func (f *Found) have() string { return pick(len(f.photos), "has", "have") }

func pick(n int, one, more string) string { return words.Pick(n, one, more) }
func plural(n int, thing string) string   { return words.Plural(n, thing) }
func metres(v float64) string             { return words.Metres(v) }

// span writes a time in seconds, list some names and how many more there are.
func span(seconds float64) string { return words.Span(time.Duration(seconds * float64(time.Second))) }
func list(names []string) string  { return words.List(names, 4) }
