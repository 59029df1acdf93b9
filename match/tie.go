package match

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"

	"example.com/phototie/match/internal/words"
)

// photoNames finds photos by what a link calls them.
type photoNames struct {
	names  []string
	lower  []string // the same in lower case
	exact  map[string]int
	base   map[string][]int // by the last element of the path
	folded map[string][]int // by the last element in lower case
}

func newPhotoNames(names []string) (*photoNames, error) {
	n := &photoNames{
		names:  names,
		lower:  make([]string, len(names)),
		exact:  make(map[string]int, len(names)),
		base:   make(map[string][]int, len(names)),
		folded: make(map[string][]int, len(names)),
	}
	for i, name := range names {
		if name == "" {
			return nil, fmt.Errorf("photo %d of the job has no name", i+1)
		}
		if _, ok := n.exact[name]; ok {
			return nil, fmt.Errorf("photo %q comes twice", name)
		}
		n.exact[name] = i
		n.lower[i] = loose(name)
		b := path.Base(name)
		n.base[b] = append(n.base[b], i)
		b = loose(b)
		n.folded[b] = append(n.folded[b], i)
	}
	return n, nil
}

// find returns the photos that a link may mean, and how they were found beyond
// the same path. Backslashes count as slashes where the name does not occur
// with them. Then, in this order: the same path; paths of which one ends with
// all of the other; the same but for case. The first that finds any photo
// decides, so a link with the full path is never ambiguous.
func (n *photoNames) find(link string) (photos []int, how []string) {
	if i, ok := n.exact[link]; ok {
		return []int{i}, nil
	}
	clean := path.Clean(strings.ReplaceAll(link, `\`, "/"))
	if i, ok := n.exact[clean]; ok {
		return []int{i}, nil
	}
	base := path.Base(clean)
	for _, i := range n.base[base] {
		if endsAlike(n.names[i], clean) {
			photos = append(photos, i)
		}
	}
	if photos != nil {
		return photos, []string{EvidenceFileName}
	}
	how = []string{EvidenceIgnoringCase}
	low := loose(clean)
	for _, i := range n.folded[loose(base)] {
		if n.lower[i] == low {
			photos = append(photos, i)
		}
	}
	if photos != nil {
		return photos, how
	}
	for _, i := range n.folded[loose(base)] {
		if endsAlike(n.lower[i], low) {
			photos = append(photos, i)
		}
	}
	if photos != nil {
		return photos, []string{EvidenceFileName, EvidenceIgnoringCase}
	}
	return nil, nil
}

// loose is the same for names that differ in case, or in how their characters are
// put together: systems write é as one character or as two.
func loose(name string) string { return strings.ToLower(norm.NFC.String(name)) }

// endsAlike says that one path ends with all the elements of the other.
func endsAlike(a, b string) bool {
	if len(a) < len(b) {
		a, b = b, a
	}
	b = strings.TrimPrefix(b, "/")
	return a == b || strings.HasSuffix(a, "/"+b)
}

// listed is one link that leads to a photo.
type listed struct {
	link Link
	how  []string
}

// ties are the links sorted out: per photo those that name it, and the ones that
// may mean it among others.
type ties struct {
	byPhoto   [][]listed
	ambiguous []*Link // the first of them
	unmatched []UnmatchedLink
	// decided are the decisions that hold, by photo; nil where there are none.
	decided []*Decision
}

func sortLinks(names *photoNames, links []Link) ties {
	t := ties{
		byPhoto:   make([][]listed, len(names.names)),
		ambiguous: make([]*Link, len(names.names)),
		unmatched: []UnmatchedLink{},
	}
	// What was found for a name that may mean several photos, in words: many links
	// may have the same.
	several := map[string]string{}
	for k := range links {
		l := links[k]
		name := l.Photo
		if _, ok := names.exact[name]; !ok {
			name = strings.TrimSpace(name)
		}
		if name == "" {
			t.unmatched = append(t.unmatched, UnmatchedLink{l, "the link names no photo"})
			continue
		}
		why, again := several[name]
		if again {
			t.unmatched = append(t.unmatched, UnmatchedLink{l, why})
			continue
		}
		found, how := names.find(name)
		switch len(found) {
		case 0:
			t.unmatched = append(t.unmatched, UnmatchedLink{l, "the job has no photo of this name"})
		case 1:
			t.byPhoto[found[0]] = append(t.byPhoto[found[0]], listed{l, how})
		default:
			var among []string
			for _, i := range found {
				among = append(among, names.names[i])
				if t.ambiguous[i] == nil {
					t.ambiguous[i] = &links[k]
				}
			}
			several[name] = fmt.Sprintf("it may mean any of %d photos (%s); give the path inside the dataset", len(found), words.Some(among))
			t.unmatched = append(t.unmatched, UnmatchedLink{l, several[name]})
		}
	}
	return t
}

// SortLinks sorts links by the photos that they name, in the way in which Check
// does it: of has those of each photo, unmatched those that lead to none or may lead
// to several. Names have to be there, each once.
func SortLinks(names []string, links []Link) (of [][]Link, unmatched []UnmatchedLink, err error) {
	known, err := newPhotoNames(names)
	if err != nil {
		return nil, nil, err
	}
	t := sortLinks(known, links)
	of = make([][]Link, len(names))
	for i, ls := range t.byPhoto {
		for _, l := range ls {
			of[i] = append(of[i], l.link)
		}
	}
	return of, t.unmatched, nil
}

// tie decides photo i's point from its links. It returns the tie and the point's
// number, or the reason why there is none.
func (t *ties) tie(i int, pointByID map[string]int, pointFolded map[string][]string) (tie *Tie, point int, reason Reason, why string) {
	if t.decided != nil {
		switch d := t.decided[i]; {
		case d.rules(RulingShows):
			aim, reason, why := aimOf(t.byPhoto[i], d.Point, pointByID)
			if reason != "" {
				return nil, -1, reason, why
			}
			return &Tie{Point: d.Point, Evidence: []string{EvidenceDecided}, Aim: aim}, pointByID[d.Point], "", ""
		case d.rules(RulingNoPoint):
			return nil, -1, ReasonNoTie, d.String()
		}
	}
	ls := t.byPhoto[i]
	if len(ls) == 0 {
		why = "no link says which point the photo shows"
		if l := t.ambiguous[i]; l != nil {
			why = fmt.Sprintf("the link %s may mean this photo or another", describe(*l))
		}
		return nil, -1, ReasonNoTie, why
	}
	// A photo listed twice with one point is listed once.
	var ids []string
	for _, l := range ls {
		if id := strings.TrimSpace(l.link.Point); !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	if len(ids) > 1 {
		parts := make([]string, len(ids))
		for k, id := range ids {
			parts[k] = fmt.Sprintf("%q", id)
			if _, ok := pointByID[id]; !ok {
				parts[k] += " (not in the survey)"
			}
		}
		return nil, -1, ReasonManyPoints, fmt.Sprintf("the links name %d points for it: %s%s", len(ids), words.Some(parts), onLines(ls))
	}
	first := ls[0]
	id := ids[0]
	if id == "" {
		return nil, -1, ReasonNoTie, fmt.Sprintf("the link %s names no point", describe(first.link))
	}
	p, ok := pointByID[id]
	if !ok {
		why = fmt.Sprintf("the link %s names point %q, which the survey does not have", describe(first.link), id)
		if alike := pointFolded[strings.ToLower(id)]; len(alike) > 0 {
			why += fmt.Sprintf("; it has %s, written otherwise", words.Some(alike))
		}
		return nil, -1, ReasonNoPoint, why
	}
	// The link that took the least guessing is the evidence.
	for _, l := range ls[1:] {
		if len(l.how) < len(first.how) {
			first = l
		}
	}
	aim, reason, why := aimOf(ls, id, pointByID)
	if reason != "" {
		return nil, -1, reason, why
	}
	return &Tie{Point: id, Evidence: append([]string{EvidenceListed}, first.how...), Line: first.link.Line, Aim: aim}, p, "", ""
}

func describe(l Link) string {
	if l.Line > 0 {
		return fmt.Sprintf("on line %d", l.Line)
	}
	return fmt.Sprintf("of %q", l.Photo)
}

func onLines(ls []listed) string {
	var lines []string
	for _, l := range ls {
		if l.link.Line > 0 {
			lines = append(lines, fmt.Sprint(l.link.Line))
		}
	}
	if len(lines) == 0 {
		return ""
	}
	return " (lines " + words.Some(lines) + ")"
}
