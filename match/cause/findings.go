package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// harmless are the causes that put no photo on a wrong point and no wrong position
// into one: they say how large errors are, or what heights and times count from.
var harmless = []string{"accuracy-understated", "standoff-understated", "leap-seconds", "height-reference"}

// mostAccuracy is by how many times receivers understate their errors at most. Tags that
// are worse for certain have another trouble.
const mostAccuracy = 2.2

// Of is the part of the explanation that concerns some photos: the causes of any of
// them and what is unexplained of them. What stops writing stays.
func (x *Explanation) Of(photos map[string]bool) *Explanation {
	if x == nil {
		return nil
	}
	part := *x
	theirs := func(name string) bool { return photos[name] }
	part.Causes = slices.DeleteFunc(slices.Clone(x.Causes), func(f Found) bool { return !slices.ContainsFunc(f.Photos, theirs) })
	part.Unexplained = slices.DeleteFunc(slices.Clone(x.Unexplained), func(u Unexplained) bool { return !photos[u.Photo] })
	return &part
}

// Advise returns findings with the remedy of the cause that concerns their photo, for those
// that say where its tag or its link is wrong: there is one thing to do about a photo.
func (x *Explanation) Advise(found []match.Finding) []match.Finding {
	if x == nil {
		return found
	}
	remedy := make(map[string]string)
	for _, c := range x.Causes {
		if slices.Contains(harmless, c.Name) {
			continue
		}
		for _, name := range c.Photos {
			remedy[name] = cmp.Or(remedy[name], c.Remedy)
		}
	}
	found = slices.Clone(found)
	for k := range found {
		f := &found[k]
		if r := remedy[f.Photo]; r != "" && slices.Contains(explained, f.Code) {
			f.Remedy = r
		}
	}
	return found
}

// explained are the findings that a cause explains.
var explained = []match.FindingCode{match.FindingGross, match.FindingOver, match.FindingDoubted, match.FindingContradicted}

// Findings are what somebody should know of an explanation: each cause but those that
// do no harm, and the reasons not to write that come of no such cause. A cause that
// is a reason not to write is an error.
func (x *Explanation) Findings() []match.Finding {
	if x == nil {
		return nil
	}
	var out []match.Finding
	for i := range x.Causes {
		c := &x.Causes[i]
		if slices.Contains(harmless, c.Name) && !(params(c.Params).Value("accuracy low") > mostAccuracy) {
			continue
		}
		f := match.NewFinding(match.FindingCause, match.Fact{Name: "why", Text: c.Summary})
		f.Cause, f.Remedy = c.Name, c.Remedy
		if slices.ContainsFunc(x.stops, func(s Stop) bool { return s.Cause == c.Name }) {
			f.Severity = match.SeverityError
		}
		out = append(out, f)
	}
	for _, s := range x.stops {
		if !slices.ContainsFunc(out, func(f match.Finding) bool { return f.Cause == s.Cause }) {
			f := match.NewFinding(match.FindingStop, match.Fact{Name: "why", Text: s.String()})
			f.Cause = s.Cause
			out = append(out, f)
		}
	}
	if x.foot != nil && len(x.stops) == 0 {
		out = append(out, match.NewFinding(match.FindingFootUnstated, x.foot...))
	}
	return out
}

// The least that the other foot has to move points by to matter to a survey, in metres,
// and the evidence in nats from which on the tags tell which it is: choices.
const (
	leastFootShift = 0.05
	footTold       = 5
)

// footUnstated has the facts where the grid is in feet, nothing says which the list of
// points is in, and the tags don't tell; else nil. A site system has a unit of its own.
func (e *Evidence) footUnstated() match.Facts {
	g := e.Input.Result.Grid
	k := footOf(g.Unit)
	if k < 0 || g.Code == "" || e.Input.PointUnit.Metres > 0 || len(e.Points) == 0 {
		return nil
	}
	read, other := feet[k], feet[1-k]
	factor := other.unit.Metres / read.unit.Metres
	shift := e.moved(factor)
	if shift < leastFootShift {
		return nil
	}
	// Points that move by d leave tags off by m - d.
	m, v := e.meanShift(e.walks.all)
	d := match.Vector{E: e.centre.E * (factor - 1) * e.unit, N: e.centre.N * (factor - 1) * e.unit}
	if told := (math.Pow(m.E-d.E, 2) + math.Pow(m.N-d.N, 2) - m.E*m.E - m.N*m.N) / (2 * v); told > footTold {
		return nil
	}
	return match.Facts{
		{Name: "unit", Text: read.unit.Name}, {Name: "other unit", Text: other.unit.Name},
		{Name: "shift", Value: shift / e.unit, Unit: g.Unit.Symbol}, {Name: "setting", Text: read.setting},
	}
}

// String says in words why nothing is written.
func (s Stop) String() string {
	far := words.InUnit(math.Hypot(s.East, s.North), s.unit)
	var set []string
	for _, c := range s.Settings {
		set = append(set, c.Key+" = "+c.Value)
	}
	would := ""
	if len(set) > 0 {
		would = ": it would take " + strings.Join(set, ", ")
	}
	switch s.Kind {
	case StopGrid:
		return fmt.Sprintf("the tags of %s lie %s from their points: grid.crs is probably wrong, or the points are of another job, or on a site system that [site] does not have%s", words.Plural(s.Photos, "photo"), far, would)
	case StopAlternative:
		return fmt.Sprintf("%s explains the job better than the settings do (%s, %s)%s", strings.ReplaceAll(s.Cause, "-", " "), words.Plural(s.Photos, "photo"), far, would)
	}
	return fmt.Sprintf("the tags of %s lie together %s from their points, tag minus point %s, and nothing known explains it: look for a datum, a base position or an offset", words.Plural(s.Photos, "photo"), far, words.EastNorth(s.East/s.unit.Metres, s.North/s.unit.Metres, s.unit))
}
