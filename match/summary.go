package match

import (
	"cmp"
	"math"
	"slices"
)

// VerdictSummary sums up the photos of one verdict.
type VerdictSummary struct {
	Verdict Verdict
	// Photos is how many there are, and Share their share of all; 0 without any.
	Photos int
	Share  float64
	// Median and Greatest are of their distances, in the grid's unit; NaN where none
	// has one.
	Median, Greatest float64
}

// ByVerdict sums up the photos of each verdict, in the order of Verdicts.
func (r *Result) ByVerdict() []VerdictSummary {
	dist := map[Verdict][]float64{}
	for i := range r.Photos {
		if p := &r.Photos[i]; p.Discrepancy != nil {
			dist[p.Verdict] = append(dist[p.Verdict], p.Discrepancy.Distance)
		}
	}
	out := make([]VerdictSummary, len(Verdicts))
	for i, v := range Verdicts {
		s := VerdictSummary{Verdict: v, Photos: r.Counts[v], Median: math.NaN(), Greatest: math.NaN()}
		if n := len(r.Photos); n > 0 {
			s.Share = float64(s.Photos) / float64(n)
		}
		if d := dist[v]; len(d) > 0 {
			s.Median, s.Greatest = median(d), slices.Max(d)
		}
		out[i] = s
	}
	return out
}

// Tied is how many photos are tied to a point, and how many points have a photo.
func (r *Result) Tied() (photos, points int) {
	for i := range r.Photos {
		if r.Photos[i].Tie != nil {
			photos++
		}
	}
	for i := range r.Points {
		if len(r.Points[i].Photos) > 0 {
			points++
		}
	}
	return photos, points
}

// Noise is the set of judged photos whose statistics say the most of noise, and
// which photos those are: without the gross ones where there are any. It is nil
// where no photo was judged.
func (r *Result) Noise() (s *SetStats, which string) {
	if r.SetWithoutGross != nil {
		return r.SetWithoutGross, "judged and not gross"
	}
	return r.Set, "judged"
}

// CodesOf has the codes of the findings about each photo by its name, each code
// once, in the order of Findings.
func (r *Result) CodesOf() map[string][]string {
	out := map[string][]string{}
	for _, f := range r.Findings() {
		if f.Photo != "" && !slices.Contains(out[f.Photo], string(f.Code)) {
			out[f.Photo] = append(out[f.Photo], string(f.Code))
		}
	}
	return out
}

// HeightSummary sums up how tags' altitudes compare with the points' heights, tag
// minus point in metres.
type HeightSummary struct {
	Compared int
	// Over is how many of them are beyond their tolerance.
	Over             int
	Median, Min, Max float64
	// NotCompared has the reasons why others were not, the commonest first.
	NotCompared []Reasons
}

// Reasons is how many photos there are with one reason, in words.
type Reasons struct {
	Why    string
	Photos int
}

// HeightSummary sums up the photos that have a height to compare.
func (r *Result) HeightSummary() HeightSummary {
	var s HeightSummary
	var dh []float64
	for i := range r.Photos {
		switch h := r.Photos[i].Height; {
		case h == nil:
		case h.DH != nil:
			dh = append(dh, *h.DH)
			if h.Verdict == Over {
				s.Over++
			}
		default:
			k := slices.IndexFunc(s.NotCompared, func(x Reasons) bool { return x.Why == h.Why })
			if k < 0 {
				k = len(s.NotCompared)
				s.NotCompared = append(s.NotCompared, Reasons{Why: h.Why})
			}
			s.NotCompared[k].Photos++
		}
	}
	slices.SortStableFunc(s.NotCompared, func(a, b Reasons) int { return cmp.Compare(b.Photos, a.Photos) })
	if s.Compared = len(dh); s.Compared > 0 {
		s.Median, s.Min, s.Max = median(dh), slices.Min(dh), slices.Max(dh)
	}
	return s
}
