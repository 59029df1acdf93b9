package cause

import (
	"slices"

	"example.com/phototie/match/internal/words"
)

// wording puts what was found into a sentence and a remedy.
func (f *Found) wording(e *Evidence) {
	c := f.facts()
	c.Unit = e.Input.Result.Grid.Unit
	if f.hyp.Words != nil {
		f.Summary, f.Remedy = f.hyp.Words(f, e)
	} else {
		f.Summary, f.Remedy = c.Sentences()
	}
	f.Summary += c.Ambiguous()
}

// Who says in words which photos are concerned: "the 66 photos of QM7-004417",
// "12 photos of QM7-004417 on 21 May 2025 from 09:11 to 09:26".
func (f *Found) Who() string { return f.facts().Who() }

// facts is what there is to say of the cause.
func (f *Found) facts() words.Cause {
	g := f.Group
	c := words.Cause{
		Name: f.Name, Facts: f.figures(), Photos: f.Photos, Points: f.Points, AllPoints: f.AllPoints, Rivals: f.Rivals,
		Group: words.Group{Kind: string(g.Kind), Camera: g.Camera, Day: g.Day, From: g.From, To: g.To},
	}
	if f.Fix != nil && len(f.Fix.Links) == 1 {
		c.LinkTo = f.Fix.Links[0].Point
	}
	return c
}

// figures are the parameters, and by how much each that was fitted may be off at 95 %.
func (f *Found) figures() params {
	out := slices.Clone(f.Params)
	for _, p := range f.Params {
		if p.StdErr != nil {
			out = append(out, Param{Name: p.Name + " within", Value: 1.96 * *p.StdErr, Unit: p.Unit})
		}
	}
	return out
}

// params are the figures of a cause by their names.
type params []Param

func (ps params) get(name string) Param {
	if k := slices.IndexFunc(ps, func(p Param) bool { return p.Name == name }); k >= 0 {
		return ps[k]
	}
	return Param{}
}

func (ps params) Has(name string) bool      { return ps.get(name).Name != "" }
func (ps params) Value(name string) float64 { return ps.get(name).Value }
func (ps params) Unit(name string) string   { return ps.get(name).Unit }
func (ps params) Text(name string) string   { return ps.get(name).Text }

func (ps params) Texts(name string) []string {
	var out []string
	for _, p := range ps {
		if p.Name == name {
			out = append(out, p.Text)
		}
	}
	return out
}
