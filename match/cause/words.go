package cause

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// describe finds the simplest description of a set of photos.
func (e *Evidence) describe(set []int) Group {
	in := make(map[int]bool, len(set))
	for _, i := range set {
		in[i] = true
	}
	// able are the photos that could have been concerned.
	able := func(i int) bool { return in[i] || e.Photos[i].At != nil }
	covers := func(camera, day string) bool {
		n := 0
		for i := range e.Photos {
			p := &e.Photos[i]
			ours := (camera == "" || p.Camera == camera) && (day == "" || p.Day == day)
			if in[i] && !ours || ours && able(i) && !in[i] {
				return false
			}
			if ours && in[i] {
				n++
			}
		}
		return n > 0
	}
	var g Group
	if len(set) == 0 {
		return g
	}
	first := &e.Photos[set[0]]
	camera, day := first.Camera, first.Day
	for _, i := range set {
		if e.Photos[i].Camera != camera {
			camera = ""
		}
		if e.Photos[i].Day != day {
			day = ""
		}
	}
	switch {
	case covers("", ""):
		return Group{Kind: GroupAll}
	case camera != "" && covers(camera, ""):
		return Group{Kind: GroupCamera, Camera: camera}
	case day != "" && covers("", day):
		return Group{Kind: GroupDay, Day: day}
	case camera != "" && day != "" && covers(camera, day):
		return Group{Kind: GroupCameraDay, Camera: camera, Day: day}
	}
	g = Group{Kind: GroupSome, Camera: camera, Day: day}
	for _, c := range []string{camera, ""} {
		if c == "" && camera != "" && len(e.walks.cameras) > 1 {
			continue
		}
		from, to, n := -1, -1, 0
		for _, i := range e.Walk(c) {
			if !able(i) {
				continue
			}
			if in[i] {
				if from < 0 {
					from = i
				}
				to = i
				n++
			} else if from >= 0 && n < len(set) {
				n = -1
				break
			}
		}
		if n == len(set) && n > 1 {
			g.Kind = GroupRun
			a, b := &e.Photos[from], &e.Photos[to]
			if !a.Clock.IsZero() && !b.Clock.IsZero() {
				layout := "15:04"
				if day == "" {
					layout = "2006-01-02 15:04"
				}
				g.From, g.To = a.Clock.Format(layout), b.Clock.Format(layout)
			}
			break
		}
	}
	return g
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
		of += " on " + day(g.Day)
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

func pick(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return strconv.Itoa(n) + " " + word + "s"
}

// day writes a date as people do: "21 May 2025".
func day(iso string) string {
	t, err := time.Parse(time.DateOnly, iso)
	if err != nil {
		return iso
	}
	return t.Format("2 January 2006")
}

// metres writes a length: centimetres below 1 m, decimetres below 100 m.
func metres(v float64) string {
	switch a := math.Abs(v); {
	case a < 1:
		return strconv.FormatFloat(v, 'f', 2, 64) + " m"
	case a < 100:
		return strconv.FormatFloat(v, 'f', 1, 64) + " m"
	case a < 10000:
		return strconv.FormatFloat(v, 'f', 0, 64) + " m"
	}
	return strconv.FormatFloat(v/1000, 'f', 0, 64) + " km"
}

// span writes a time: "90 s", "5 min", "1 h", "1 h 30 min".
func span(seconds float64) string {
	s := math.Round(math.Abs(seconds))
	switch {
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	case s < 3600:
		if m := math.Mod(s, 60); m != 0 && s < 600 {
			return fmt.Sprintf("%d min %.0f s", int(s)/60, m)
		}
		return fmt.Sprintf("%.0f min", s/60)
	}
	h, m := int(s)/3600, math.Round(math.Mod(s, 3600)/60)
	if m == 0 {
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %.0f min", h, m)
}

// list joins names: "A, B and C", or the first few and how many more.
func list(names []string) string {
	const show = 4
	switch {
	case len(names) == 0:
		return ""
	case len(names) == 1:
		return names[0]
	case len(names) > show:
		return strings.Join(names[:show-1], ", ") + fmt.Sprintf(" and %d more", len(names)-show+1)
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
