package match

import "iter"

// ByPoint yields each point of a checked job with the photos that are tied to it, both
// in the order of the result. Photos without a point come last, with a nil point.
func (r *Result) ByPoint() iter.Seq2[*PointResult, []*PhotoResult] {
	return func(yield func(*PointResult, []*PhotoResult) bool) {
		of := make(map[string][]*PhotoResult, len(r.Points))
		known := make(map[string]bool, len(r.Points))
		for i := range r.Points {
			known[r.Points[i].ID] = true
		}
		var untied []*PhotoResult
		for i := range r.Photos {
			p := &r.Photos[i]
			if p.Tie == nil || !known[p.Tie.Point] {
				untied = append(untied, p)
				continue
			}
			of[p.Tie.Point] = append(of[p.Tie.Point], p)
		}
		for i := range r.Points {
			if !yield(&r.Points[i], of[r.Points[i].ID]) {
				return
			}
		}
		if len(untied) > 0 {
			yield(nil, untied)
		}
	}
}

// All yields photos that are in memory already, as Check takes them.
func All(photos []Photo) iter.Seq2[Photo, error] {
	return func(yield func(Photo, error) bool) {
		for _, p := range photos {
			if !yield(p, nil) {
				return
			}
		}
	}
}
