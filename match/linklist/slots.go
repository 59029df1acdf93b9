package linklist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/problem"
)

// slot is a place that leaves of many groups have: a column, a key, an element.
type slot struct {
	name, head string
	path       bool // the name is one of keys or elements, and the last is the heading
	// leaves have text; photos and points are those that begin with a name, and any
	// those that have one anywhere.
	leaves, photos, points, anyPhoto, anyPoint int
	photoHead, pointHead                       bool
	// kin is shared by slots that may hold several points of one photo: those of one
	// heading ("Point 1", "Point 2"), and those named in settings.
	kin string
	// rival is another slot beside it that may as well hold the point.
	rival *slot
	used  bool
}

// String says where a slot is; the nil slot is running text.
func (s *slot) String() string {
	if s == nil {
		return "the text"
	}
	if s.head == "" || s.path {
		return s.name
	}
	return s.name + " (" + s.head + ")"
}

func (s *slot) key() string {
	if s == nil {
		return ""
	}
	return s.kin
}

func (r *reading) slot(name string) *slot {
	s := r.slots[name]
	if s == nil {
		s = &slot{name: name}
		if i := strings.LastIndexByte(name, '/'); i >= 0 {
			s.path, s.head = true, name[i+1:]
		}
		r.slots[name] = s
	}
	return s
}

func (r *reading) count(n *node) {
	if n.slot == "" || strings.TrimSpace(n.text) == "" {
		return
	}
	s := r.slot(n.slot)
	s.leaves++
	if len(n.photos) > 0 {
		s.anyPhoto++
		if n.photos[0].at == 0 {
			s.photos++
		}
	}
	if len(n.points) > 0 {
		s.anyPoint++
		if n.points[0].at == 0 {
			s.points++
		}
	}
}

// settleSlots finds out which slots may hold photos and points: those that settings
// name; else those whose texts begin with names, or whose heading says so; and where
// there are none, those that mention one.
func (r *reading) settleSlots() error {
	photos, points := 0, 0
	for _, s := range r.slots {
		s.photoHead, s.pointHead = photoWords[plain(s.head)] && s.anyPhoto > 0, strongPointWords[plain(s.head)] && s.anyPoint > 0
		photos += s.photos
		points += s.points
		if s.kin = s.name; s.pointHead {
			s.kin = plain(s.head)
		}
	}
	for _, s := range r.slots {
		if photos == 0 || s.photoHead {
			s.photos = s.anyPhoto
		}
		if points == 0 || s.pointHead {
			s.points = s.anyPoint
		}
	}
	if err := r.settle("photos", r.opt.PhotoFields, func(s *slot, named bool) {
		if s.photoHead = named; !named {
			s.photos = 0
		}
	}); err != nil {
		return err
	}
	if err := r.settle("points", r.opt.PointFields, func(s *slot, named bool) {
		if s.pointHead = named; !named {
			s.points = 0
		} else {
			s.points, s.kin = max(s.points, 1), "named"
		}
	}); err != nil {
		return err
	}
	for _, s := range r.slots {
		if slices.ContainsFunc(r.opt.Skip, func(f string) bool { return fold(f) == fold(s.head) }) {
			s.photos, s.points, s.photoHead, s.pointHead = 0, 0, false, false
		}
	}
	r.compare()
	return nil
}

// compare chooses among the slots that stand beside each other and hold points only.
func (r *reading) compare() {
	beside := map[string][]*slot{}
	for _, s := range r.slots {
		if s.photos > 0 {
			continue
		}
		group := s.name[:strings.LastIndexAny(s.name, "/ ")+1]
		beside[group] = append(beside[group], s)
	}
	for _, all := range beside {
		slices.SortFunc(all, func(a, b *slot) int { return cmp.Compare(a.name, b.name) })
		winners := pointSlots(all)
		won := map[*slot]bool{}
		for _, s := range winners {
			if won[s] = true; s.kin != winners[0].kin {
				s.rival, winners[0].rival = winners[0], s
			}
		}
		for _, s := range all {
			if !won[s] {
				s.points = 0
			}
		}
	}
}

func (r *reading) settle(what string, named []string, set func(s *slot, named bool)) error {
	if len(named) == 0 {
		return nil
	}
	hits := 0
	var heads []string
	for _, s := range r.slots {
		if s.head != "" && !slices.Contains(heads, s.head) {
			heads = append(heads, s.head)
		}
		hit := slices.ContainsFunc(named, func(f string) bool { return fold(f) == fold(s.head) })
		if hit {
			hits++
		}
		set(s, hit)
	}
	if hits > 0 {
		return nil
	}
	slices.Sort(heads)
	return &problem.Problem{File: r.file, What: "no heading reads " + strings.Join(named, ", "),
		Remedy: "name the heading that holds the " + what + "; there are " + cmp.Or(words.Some(heads), "none")}
}

// taken is what a group of leaves says.
type taken struct {
	line      int
	photos    []match.Link
	points    []string
	has, of   map[string]bool // photos and points, as a set
	strangers []match.Link    // image files that are not there
	aside     []match.Link    // photos in texts that are not those for photos
	blank     bool            // the place of the point is empty
	unknown   string          // what stands there, if it is no point
	used      []*slot
	// doubt is what makes the group mean two things, remedy what to do.
	doubt, remedy string
	doubtLine     int
}

func (t *taken) unclear(line int, doubt, remedy string) {
	if t.doubt == "" {
		t.doubtLine, t.doubt, t.remedy = line, doubt, remedy
	}
}

// refuse notes a problem if the group may mean two things.
func (t *taken) refuse(r *reading) bool {
	if t.doubt != "" {
		r.problem(t.doubtLine, t.remedy, "%s", t.doubt)
	}
	return t.doubt != ""
}

// take reads a group.
func (r *reading) take(n *node) taken {
	t := taken{line: n.line, has: map[string]bool{}, of: map[string]bool{}}
	leaves := n.leaves()
	photos, points := r.choose(leaves)
	for _, l := range leaves {
		s := r.slots[l.slot]
		if photos[s] {
			t.takePhotos(l)
			if l.hasPhoto && s != nil {
				t.used = append(t.used, s)
			}
			continue
		}
		for _, m := range l.photos {
			if len(m.names) == 1 {
				t.aside = append(t.aside, match.Link{Photo: m.names[0], Line: l.line})
			}
		}
	}
	t.takePoints(leaves, points, r.slots)
	return t
}

func (t *taken) takePhotos(l *node) {
	if l.run != "" {
		t.unclear(l.line, l.run+" may be a run", "write each name in full")
	}
	for _, m := range l.photos {
		switch len(m.names) {
		case 0:
			t.strangers = append(t.strangers, match.Link{Photo: m.text, Line: l.line})
		case 1:
			if !t.has[m.names[0]] {
				t.has[m.names[0]] = true
				t.photos = append(t.photos, match.Link{Photo: m.names[0], Line: l.line})
			}
		default:
			t.photos = append(t.photos, match.Link{Photo: m.text, Line: l.line})
			t.unclear(l.line, m.text+" may be "+strings.Join(m.names, " or "), "write the name with its folder and ending")
		}
	}
}

// takePoints takes the points of the leaves that may hold them. If several slots may
// and differ, the group is unclear.
func (t *taken) takePoints(leaves []*node, holds map[*slot]bool, slots map[string]*slot) {
	by := map[string][]string{}
	var kin []*slot // the first of each
	for _, l := range leaves {
		s := slots[l.slot]
		if !holds[s] {
			continue
		}
		t.takePlace(l, s)
		if !l.hasPoint {
			continue
		}
		key := s.key()
		if by[key] == nil {
			kin = append(kin, s)
		}
		if s != nil && s.rival != nil && !slices.Contains(kin, s.rival) {
			kin = append(kin, s.rival)
		}
		for _, m := range l.points {
			t.takePoint(l, m)
			by[key] = append(by[key], m.names[0])
		}
	}
	t.differ(kin, by)
}

// differ makes a group unclear whose slots name different points.
func (t *taken) differ(kin []*slot, by map[string][]string) {
	for i := 1; i < len(kin); i++ {
		if a, b := by[kin[0].key()], by[kin[i].key()]; !slices.Equal(a, b) {
			t.unclear(t.line, fmt.Sprintf("%s (%s) and %s (%s) both hold ids of points", kin[0], cmp.Or(words.Some(a), "none here"), kin[i], cmp.Or(words.Some(b), "none here")),
				"say which heading names the point that the photo shows")
		}
	}
}

// takePlace notes what stands in a point's place if that is none.
func (t *taken) takePlace(l *node, s *slot) {
	if s == nil || len(l.photos) > 0 {
		return
	}
	switch text := strings.TrimSpace(l.text); {
	case text == "":
		t.blank = true
	case !l.hasPoint:
		t.unknown = text
	default:
		t.used = append(t.used, s)
	}
}

func (t *taken) takePoint(l *node, m mention) {
	switch {
	case len(m.names) > 1:
		t.unclear(l.line, m.text+" may be "+strings.Join(m.names, " or "), "write the id as the survey does")
	case l.run != "":
		t.unclear(l.line, l.run+" may be a run", "write each name in full")
	case len(l.points) > 1 && !l.listed:
		t.unclear(l.line, fmt.Sprintf("one text names %s and %s", l.points[0].text, l.points[1].text), "leave the point that the photo shows, or part several by commas")
	}
	if !t.of[m.names[0]] {
		t.of[m.names[0]] = true
		t.points = append(t.points, m.names[0])
	}
}

// choose says which slots of some leaves hold photos and which points; nil, the slot
// of running text, does.
func (r *reading) choose(leaves []*node) (photos, points map[*slot]bool) {
	var all []*slot
	seen := map[*slot]bool{nil: true}
	for _, l := range leaves {
		if s := r.slots[l.slot]; !seen[s] {
			seen[s] = true
			all = append(all, s)
		}
	}
	photos, points = map[*slot]bool{nil: true}, map[*slot]bool{nil: true}
	headed := slices.ContainsFunc(all, func(s *slot) bool { return s.photoHead })
	for _, s := range all {
		if s.photos > 0 && (!headed || s.photoHead || s.head == "") {
			photos[s] = true
		}
	}
	for _, s := range pointSlots(all) {
		points[s] = true
	}
	return photos, points
}

// pointSlots are the slots that hold the point: the one whose heading says so; else
// one with an id in nearly every text, where the others have few. Several are left
// where that does not decide.
func pointSlots(all []*slot) []*slot {
	found := slices.DeleteFunc(slices.Clone(all), func(s *slot) bool { return s.points == 0 })
	if slices.ContainsFunc(found, func(s *slot) bool { return s.pointHead }) {
		found = slices.DeleteFunc(found, func(s *slot) bool { return !s.pointHead })
	}
	sparse := func(s *slot) bool { return 2*s.points < s.leaves }
	for _, s := range found {
		if 10*s.points >= 9*s.leaves && !slices.ContainsFunc(found, func(o *slot) bool { return o != s && !sparse(o) }) {
			return []*slot{s}
		}
	}
	return found
}
