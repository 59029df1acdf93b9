package site

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// fit checks the input and fits, and rejects outliers where that is asked for.
func (m *model[T]) fit(points []point, opt FitOptions) (Fit[T], error) {
	fit, err := m.reject(points, opt)
	if err != nil {
		return Fit[T]{}, err
	}
	return fit.Fit, nil
}

// reject fits, and where the options ask for it takes out the pair with the
// largest test statistic until none is over the critical value.
func (m *model[T]) reject(points []point, opt FitOptions) (*adjusted[T], error) {
	opt, err := opt.withDefaults(m.name)
	if err != nil {
		return nil, err
	}
	if err := m.check(points); err != nil {
		return nil, err
	}
	limit := max(1, len(points)/3)
	kept := slices.Clone(points)
	var gone []point
	var removed []Removal
	for {
		fit, err := m.adjust(kept, opt)
		if err != nil {
			return nil, err
		}
		without, rest, why := m.without(fit, kept, opt)
		if len(fit.Suspects) > 0 && opt.RejectOutliers {
			s := fit.Suspects[0]
			switch {
			case len(s.Rivals) > 0:
				fit.note(Fact{Kind: FactOutlierRivals, Pairs: append([]string{s.ID}, s.Rivals...)})
			case len(removed) == limit:
				fit.note(Fact{Kind: FactOutlierLimit, Pairs: []string{s.ID}, Limit: float64(limit)})
			case without == nil:
				fit.note(Fact{Kind: FactOutlierNeeded, Pairs: []string{s.ID}, Reason: why})
			default:
				removed = append(removed, Removal{Step: len(removed) + 1, Suspect: s, Critical: *fit.Critical})
				gone, kept = append(gone, kept[indexOf(kept, s.ID)]), rest
				continue
			}
		}
		for i, p := range gone {
			r := fit.misfit(p)
			removed[i].DE, removed[i].DN, removed[i].DH = m.split(r[:])
		}
		fit.Removed = removed
		return fit, m.judge(fit, kept, opt)
	}
}

// without adjusts without the first suspect, and takes from its rivals those
// that are bad in their own right: they stay over the critical value. The result
// is nil, with the reason, where the rest can't be adjusted.
func (m *model[T]) without(fit *adjusted[T], kept []point, opt FitOptions) (*adjusted[T], []point, string) {
	if len(fit.Suspects) == 0 {
		return nil, nil, ""
	}
	s := &fit.Suspects[0]
	i := indexOf(kept, s.ID)
	rest := slices.Delete(slices.Clone(kept), i, i+1)
	without, err := m.adjust(rest, opt)
	if err != nil {
		return nil, nil, err.Error()
	}
	s.Rivals = slices.DeleteFunc(s.Rivals, func(id string) bool {
		return slices.ContainsFunc(without.Suspects, func(o Suspect) bool { return o.ID == id })
	})
	return without, rest, ""
}

func indexOf(points []point, id string) int {
	return slices.IndexFunc(points, func(p point) bool { return p.id == id })
}

// suspects lists the pairs over the critical value, the first with its rivals.
//
// A pair at fault with an error of any size and direction brings the weighted
// sum of squares down by T = v' R⁻¹ v (Baarda's test of several dimensions), with
// v and R the pair's residuals and their cofactors in units of the standard
// error. So the ratio of the likelihoods of two culprits p and q is
// exp((Tp - Tq) / 2), and where the standard error is not known, with f degrees
// of freedom and Ω the sum, ((Ω - Tq) / (Ω - Tp))^(f/2).
func (m *model[T]) suspects(fit *adjusted[T], points []point) []Suspect {
	if fit.Critical == nil {
		return nil
	}
	q := len(m.axes)
	gain := make([]float64, len(points))
	var out []Suspect
	for i, p := range points {
		v := fit.resid[q*i : q*i+q]
		alone := solveChecked(fit.cofactors(q*i, q), v)
		gain[i] = floats.Dot(v, alone)
		s := Suspect{ID: p.id}
		for k, axis := range m.axes {
			if w := fit.Observations[q*i+k].Statistic; w != nil && math.Abs(*w) > math.Abs(s.Statistic) {
				s.Statistic, s.Axis = *w, axis
			}
		}
		if math.Abs(s.Statistic) > *fit.Critical {
			floats.Scale(fit.sigma[i], alone)
			s.DE, s.DN, s.DH = m.split(alone)
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return nil
	}
	slices.SortStableFunc(out, func(a, b Suspect) int { return cmp.Compare(math.Abs(b.Statistic), math.Abs(a.Statistic)) })
	i := indexOf(points, out[0].ID)
	total := floats.Dot(fit.resid, fit.resid)
	for j, other := range points {
		if j != i && rivals(gain[i], gain[j], total, fit.DegreesOfFreedom, fit.SigmaKnown) {
			out[0].Rivals = append(out[0].Rivals, other.id)
		}
	}
	return out
}

// rivals reports whether the culprit with the gain b explains the residuals
// nearly as well as the one with the gain a.
func rivals(a, b, total float64, dof int, known bool) bool {
	limit := math.Log(rivalLikelihood)
	if known {
		return (a-b)/2 < limit
	}
	restA, restB := max(total-a, 0), max(total-b, 0)
	floor := 1e-12 * total
	return restB <= floor || restA > floor && float64(dof)/2*math.Log(restB/restA) < limit
}

// solveChecked solves R x = v with R symmetric and not negative. Directions that
// R does not check are left out.
func solveChecked(r *mat.SymDense, v []float64) []float64 {
	out := make([]float64, len(v))
	var e mat.EigenSym
	if !e.Factorize(r, true) {
		return out
	}
	var vectors mat.Dense
	e.VectorsTo(&vectors)
	for j, value := range e.Values(nil) {
		if value > unchecked {
			direction := mat.Col(nil, j, &vectors)
			floats.AddScaled(out, floats.Dot(direction, v)/value, direction)
		}
	}
	return out
}

// cofactors is the matrix of the redundancies of n observations from the first on.
func (fit *adjusted[T]) cofactors(first, n int) *mat.SymDense {
	r := mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			r.SetSym(a, b, fit.redundancy(first+a, first+b))
		}
	}
	return r
}
