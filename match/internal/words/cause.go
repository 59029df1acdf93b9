package words

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// Cause is what was found to be wrong with photos, tags or points.
type Cause struct {
	// Name is the cause's, Facts its figures.
	Name  string
	Facts Facts
	// Photos are the photos concerned, and Group what they have in common.
	Photos []string
	Group  Group
	// Points are the points concerned; AllPoints says that these are all there are.
	Points    []string
	AllPoints bool
	// LinkTo is the point that a single photo should be linked to; empty for none.
	LinkTo string
	// Unit is that of the job; lengths in Facts are in metres.
	Unit grid.Unit
	// Rivals are causes that explain the photos nearly as well.
	Rivals []string
}

// Group describes photos: its kind is that of cause.Group.
type Group struct{ Kind, Camera, Day, From, To string }

// Sentences says what is wrong, and what to do. A cause without a sentence here is
// named, and has no remedy.
func (c Cause) Sentences() (summary, remedy string) {
	if say, ok := causes[c.Name]; ok {
		return say(c)
	}
	return c.Who() + ": " + c.Name, ""
}

// Ambiguous is added to a summary where the job can't tell the cause from others;
// it is empty where there are none.
func (c Cause) Ambiguous() string {
	if len(c.Rivals) == 0 {
		return ""
	}
	return "; this job can't tell that from " + list(c.Rivals)
}

// shift is what the tags are off by as fitted or predicted: its size and direction.
func (c Cause) shift() (size float64, direction string) {
	e, n := c.Facts.Value("shift east"), c.Facts.Value("shift north")
	return math.Hypot(e, n), "grid bearing " + Degrees(grid.BearingOf(e, n).Degrees())
}

// unit is that of the job.
func (c Cause) unit() grid.Unit {
	if c.Unit.Metres == 0 {
		return grid.Metre
	}
	return c.Unit
}

// length writes a length of Facts in the unit of the job.
func (c Cause) length(metres float64) string { return InUnit(metres, c.Unit) }

// whose says which points are concerned.
func (c Cause) whose() string {
	if c.AllPoints {
		return "all " + Plural(len(c.Points), "point")
	}
	return Plural(len(c.Points), "point") + " (" + list(c.Points) + ")"
}

// pick is the word that goes with the number of photos.
func (c Cause) pick(one, many string) string { return Pick(len(c.Photos), one, many) }

// seconds writes a time in seconds, list some names and how many more there are.
func seconds(s float64) string   { return span(time.Duration(s * float64(time.Second))) }
func list(names []string) string { return List(names, 4) }

const (
	noFix     = "wait for a fix before taking photos; check these ties by eye"
	clockOnly = "no tag depends on it, but allow for it where photos are tied by time"
)

// causes has the sentences by the name of the cause.
var causes = map[string]func(c Cause) (summary, remedy string){
	"swapped-lat-lon": func(c Cause) (string, string) {
		return c.Who() + ": latitude and longitude are exchanged",
			"exchange them in the app or the script that wrote the tags, or correct the photos"
	},
	"flipped-latitude":      flippedWords("latitude", "N", "S"),
	"flipped-longitude":     flippedWords("longitude", "E", "W"),
	"dropped-latitude-ref":  droppedWords("latitude"),
	"dropped-longitude-ref": droppedWords("longitude"),
	"minutes-as-decimals": func(c Cause) (string, string) {
		what := "degrees and minutes"
		if c.Facts.Text("notation") == "DD MM SS.s" {
			what = "degrees, minutes and seconds"
		}
		return fmt.Sprintf("%s: %s were read as decimals of a degree", c.Who(), what),
			"convert them by deg + min/60 (+ sec/3600) where the tags are written, or correct the photos"
	},
	"decimals-as-minutes": func(c Cause) (string, string) {
		return c.Who() + ": decimals of a degree were read as minutes",
			"multiply the decimals by 60 to get minutes where the tags are written, or correct the photos"
	},
	"tag-datum": func(c Cause) (string, string) {
		stated := c.Facts.Text("stated")
		if stated == "" {
			stated = "WGS 84 (nothing stated)"
		}
		size, _ := c.shift()
		return fmt.Sprintf("%s: the tags are in %s and state %s, which puts them %s out", c.Who(), c.Facts.Text("datum"), stated, c.length(size)),
			"set the datum of the handheld to WGS 84, and read these tags in " + c.Facts.Text("datum")
	},
	"common-shift": func(c Cause) (string, string) {
		size, direction := c.shift()
		return fmt.Sprintf("%s: %s %s from where %s should, on %s", c.Who(), c.pick("the tag lies", "the tags lie"), c.length(size),
				c.pick("it", "they"), direction),
			"look for a datum, a base position or an offset that was set wrong; the ties hold"
	},
	"rounded-tags": func(c Cause) (string, string) {
		return fmt.Sprintf("%s: the tags are %s to steps of %s degrees, %s on the ground", c.Who(), c.Facts.Text("how"),
				strconv.FormatFloat(c.Facts.Value("step"), 'g', 3, 64), c.length(c.Facts.Value("step north"))),
			"have the tags written with more decimals; for these photos no place is known any better"
	},
	"frozen-fix": func(c Cause) (string, string) {
		return fmt.Sprintf("%s %s the tag of %s: the receiver had no new fix", c.Who(), c.pick("carries", "carry"), list(c.Facts.Texts("tag of"))),
			"take no account of these tags; check the ties by eye"
	},
	"repeated-tag": func(c Cause) (string, string) {
		of := "one another"
		if s := c.Facts.Texts("tag of"); len(s) > 0 {
			of = list(s)
		}
		return fmt.Sprintf("%s %s the tag of %s, figure by figure: it was copied, or is no fix of theirs", c.Who(), c.pick("carries", "carry"), of),
			"take no account of these tags; check the ties by eye"
	},
	"accuracy-understated": func(c Cause) (string, string) {
		return fmt.Sprintf("%s: the tags are %.1f times worse than they state (95 %%: %.1f to %.1f, %.0f independent photos)", c.Who(),
				c.Facts.Value("accuracy"), c.Facts.Value("accuracy low"), c.Facts.Value("accuracy high"), c.Facts.Value("independent photos")),
			"state the factor for this camera in the settings; what is out beyond that stays so"
	},
	"standoff-understated": func(c Cause) (string, string) {
		return fmt.Sprintf("%s were taken from about %s, and the settings say %s", c.Who(), c.length(c.Facts.Value("standoff")), c.length(c.Facts.Value("standoff set"))),
			"state the standoff in the settings; what is out beyond that stays so"
	},
	"null-island": func(c Cause) (string, string) {
		return c.Who() + ": the tag reads 0, 0: the receiver had no fix", noFix
	},
	"zero-rationals": func(c Cause) (string, string) {
		return c.Who() + ": the position is written as 0/0: the receiver had no fix", noFix
	},
	"track-offset": func(c Cause) (string, string) {
		v := c.Facts.Value("offset")
		way, back := "later", "back"
		if v < 0 {
			way, back = "earlier", "forward"
		}
		return fmt.Sprintf("%s: %s where the crew was %s %s: taken from a track by a clock that was off", c.Who(),
				c.pick("the tag shows", "the tags show"), seconds(v), way),
			fmt.Sprintf("take the tags from the track again with the clock set %s %s, or correct the photos; the ties hold", seconds(v), back)
	},
	"clock-offset": func(c Cause) (string, string) {
		v, against := c.Facts.Value("offset"), "the time of its fixes"
		if c.Facts.Text("against") == "observations" {
			against = "the times of observation"
		}
		or := ""
		if o := c.Facts.Value("or, in another zone"); o != 0 {
			or = fmt.Sprintf(", or %s %s in the zone beside", seconds(o), sign(o, "ahead", "behind"))
		}
		return fmt.Sprintf("%s: the camera's clock is %s %s %s%s", c.Who(), seconds(v), sign(v, "ahead of", "behind"), against, or),
			"set the clock; " + clockOnly
	},
	"leap-seconds": func(c Cause) (string, string) {
		return fmt.Sprintf("%s: the time of the fix is ahead of the clock by the %.0f leap seconds: it is GPS time and not UTC", c.Who(), c.Facts.Value("offset")),
			"no tag depends on it; allow for it where photos are tied by time"
	},
	"date-rollover": func(c Cause) (string, string) {
		return fmt.Sprintf("%s: the dates of the fixes are 1024 weeks %s: the week number of the receiver has rolled over", c.Who(), sign(c.Facts.Value("offset"), "late", "early")),
			"update the receiver; no tag depends on it"
	},
	"height-reference": heightWords,
	"swapped-en": func(c Cause) (string, string) {
		return fmt.Sprintf("easting and northing of %s are exchanged in the list", c.whose()),
			"name the columns of the points file the other way round, or take the corrected rows"
	},
	"wrong-feet": func(c Cause) (string, string) {
		in, taken := unitName(c.Facts.Text("factor")), unitName(c.Facts.Text("taken for"))
		if c.Facts.Text("before") != "" {
			return fmt.Sprintf("the coordinates of %s are in feet of the other kind: they went through a conversion that took %s for %s", c.whose(), in, taken),
				"convert the points again from their source, in " + in
		}
		return fmt.Sprintf("the coordinates of %s are in feet of the other kind: in %s, read as %s", c.whose(), in, taken),
			"state the unit of the points in the settings"
	},
	"feet-for-metres": func(c Cause) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in feet (%s) and were taken for metres", c.whose(), c.Facts.Text("factor")),
			"export the list in the grid's unit, or take the corrected rows"
	},
	"metres-for-feet": func(c Cause) (string, string) {
		return fmt.Sprintf("the coordinates of %s are in metres and were taken for feet (%s)", c.whose(), c.Facts.Text("factor")),
			"export the list in the grid's unit, or take the corrected rows"
	},
	"neighbouring-zone": func(c Cause) (string, string) {
		return fmt.Sprintf("the coordinates of %s are those of the neighbouring zone, %s", c.whose(), c.Facts.Text("grid")),
			"name that grid in the settings, or take the corrected rows"
	},
	"point-datum": func(c Cause) (string, string) {
		size, _ := c.shift()
		return fmt.Sprintf("the coordinates of %s are in %s and not in %s, which puts them %s out", c.whose(), c.Facts.Text("datum"), c.Facts.Text("grid datum"), c.length(size)),
			"name the grid on that datum in the settings, or take the corrected rows"
	},
	"ground-as-grid": func(c Cause) (string, string) {
		where := "the grid's origin"
		if c.Facts.Has("origin east") {
			where = fmt.Sprintf("E %.0f, N %.0f", c.Facts.Value("origin east"), c.Facts.Value("origin north"))
		}
		return fmt.Sprintf("the coordinates of %s are ground distances from %s taken for grid ones: factor %.6f", c.whose(), where, c.Facts.Value("factor")),
			"bring them to the grid by the scale factor of the site, or describe the site system"
	},
	"wrong-grid": func(c Cause) (string, string) {
		size, direction := c.shift()
		return fmt.Sprintf("grid.crs is probably wrong: %s lie %s from their points, on %s", c.Who(), c.length(size), direction),
			"name the grid that the points are in, or the points of this site; points in a system of the site's own need [site]"
	},
	"late-run":  runWords("late", "before"),
	"early-run": runWords("early", "after"),
	"renumbered-points": func(c Cause) (string, string) {
		return fmt.Sprintf("%s are linked as if part of the list of points had been numbered in the reverse order", c.Who()),
			"find out whether points were renumbered after the photos were linked; the proposed links undo it"
	},
	"swapped-ties": func(c Cause) (string, string) {
		if len(c.Photos) == 2 {
			return fmt.Sprintf("%s and %s have each other's link", c.Photos[0], c.Photos[1]), "exchange the links; the proposed ones do"
		}
		return fmt.Sprintf("%d pairs of photos have each other's link: %s", len(c.Photos)/2, list(c.Photos)),
			"exchange the links of each pair; the proposed ones do"
	},
	"wrong-tie": func(c Cause) (string, string) {
		if len(c.Photos) == 1 && c.LinkTo != "" {
			return fmt.Sprintf("the tag of %s is at %s, and it is tied to another point", c.Photos[0], c.LinkTo),
				"look at the photo, and tie it to the point that it shows; the proposed link takes the tag's word"
		}
		return fmt.Sprintf("%s are tied to points that their tags are not at, and lie at others: %s", c.Who(), list(c.Photos)),
			"look at the photos, and tie each to the point that it shows; the proposed links take the tags' word"
	},
}

func sign(v float64, plus, minus string) string {
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

// heightWords has the constant with its interval, and what it is where it is as large as a
// surface lies from the ellipsoid.
func heightWords(c Cause) (string, string) {
	m, within := c.Facts.Value("height"), c.Facts.Value("height within")
	size := math.Abs(m)
	written, settings := "", "from another surface than [heights] says"
	if c.Facts.Text("heights") != "" {
		written, settings = ", both as they are written", "from the geoid, the other from the ellipsoid"
	}
	is := "; look for a constant that was set wrong"
	if name := c.Facts.Text("geoid"); name != "" {
		n := c.Facts.Value("geoid height")
		is = fmt.Sprintf(", much as %s lies %s %s the ellipsoid here: one of the two counts %s", name, c.length(math.Abs(n)), sign(n, "above", "below"), settings)
	}
	return fmt.Sprintf("%s: %s %s (95 %%: %s) %s of the points%s%s", c.Who(), c.pick("the altitude is", "the altitudes are"), c.length(size),
			Range((size-within)/c.unit().Metres, (size+within)/c.unit().Metres, c.unit()), sign(m, "above the heights", "below the heights"), written, is),
		"find out whether altitudes and heights are above the ellipsoid or the geoid, and say so in [heights]; no tie depends on it"
}

func flippedWords(what, pos, neg string) func(c Cause) (string, string) {
	return func(c Cause) (string, string) {
		is, be := pos, neg
		if c.Facts.Text("reference") == pos {
			is, be = neg, pos
		}
		return fmt.Sprintf("%s: the %s reference is %s where it should be %s", c.Who(), what, is, be),
			fmt.Sprintf("set the reference to %s, or correct the photos", be)
	}
}

func droppedWords(what string) func(c Cause) (string, string) {
	return func(c Cause) (string, string) {
		remedy := "set the reference"
		if r := c.Facts.Text("reference"); r != "" {
			remedy += " to " + r + ", where the job is"
		}
		return fmt.Sprintf("%s %s a %s without its reference, so that the hemisphere is unknown", c.Who(), c.pick("has", "have"), what),
			remedy + "; until then check the ties by eye"
	}
}

func runWords(way, to string) func(c Cause) (string, string) {
	return func(c Cause) (string, string) {
		return fmt.Sprintf("%s %s tied one point %s", c.Who(), c.pick("is", "are"), way),
			fmt.Sprintf("tie each to the point %s in the walk; the proposed links do", to)
	}
}

// Who says in words which photos are concerned: "the 66 photos of QM7-004417",
// "12 photos of QM7-004417 on 21 May 2025 from 09:11 to 09:26".
func (c Cause) Who() string {
	n := len(c.Photos)
	photos := Plural(n, "photo")
	g := c.Group
	of := ""
	if g.Camera != "" {
		of += " of " + g.Camera
	}
	if g.Day != "" {
		of += " on " + Day(g.Day)
	}
	switch g.Kind {
	case "all":
		if n == 1 {
			return "the only photo with a tag"
		}
		return "all " + photos
	case "camera", "day", "camera-day":
		return "the " + photos + of
	case "run":
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
