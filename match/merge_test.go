package match

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.com/phototie/grid"
)

// anyVector draws discrepancies that rounding sums would lose: of all sizes,
// with pairs that cancel, and the ends of what a float64 can hold.
func anyVector(t *rapid.T) Vector {
	one := func(what string) float64 {
		switch rapid.IntRange(0, 5).Draw(t, what) {
		case 0:
			return 0
		case 1:
			return rapid.SampledFrom([]float64{math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 1e16, -1e16, 1, math.Copysign(0, -1)}).Draw(t, what)
		case 2:
			return rapid.Float64Range(-math.MaxFloat64, math.MaxFloat64).Draw(t, what)
		}
		return rapid.Float64Range(-20, 20).Draw(t, what)
	}
	return Vector{E: one("e"), N: one("n")}
}

// mergeAnyhow merges parts in a random order and a random grouping, empty ones
// among them.
func mergeAnyhow[T any](t *rapid.T, parts []T, merge func(into, from T) T) T {
	parts = rapid.Permutation(parts).Draw(t, "order")
	for len(parts) > 1 {
		i := rapid.IntRange(0, len(parts)-2).Draw(t, "pair")
		parts[i] = merge(parts[i], parts[i+1])
		parts = slices.Delete(parts, i+1, i+2)
	}
	return parts[0]
}

func asJSON(t interface{ Fatal(...any) }, v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestSetStatsExact compares means, covariances and root mean squares with
// rational arithmetic, to a few units of the last place of what was summed.
func TestSetStatsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := make([]Vector, rapid.IntRange(2, 20).Draw(t, "photos"))
		d := make([][2]*big.Rat, len(v))
		var size [2]float64
		for i := range v {
			v[i] = anyVector(t)
			d[i] = [2]*big.Rat{new(big.Rat).SetFloat64(v[i].E), new(big.Rat).SetFloat64(v[i].N)}
			size[0], size[1] = max(size[0], math.Abs(v[i].E)), max(size[1], math.Abs(v[i].N))
		}
		s := NewSetStats(grid.Metre, v, 0, 0.95)
		if back := NewSetStats(grid.Metre, rapid.Permutation(v).Draw(t, "order"), 0, 0.95); !reflect.DeepEqual(s, back) {
			t.Fatalf("%+v, and in another order %+v", s, back)
		}
		n := new(big.Rat).SetInt64(int64(len(d)))
		var mean [2]*big.Rat
		for k := range mean {
			mean[k] = new(big.Rat)
			for _, v := range d {
				mean[k].Add(mean[k], v[k])
			}
			mean[k].Quo(mean[k], n)
		}
		near := func(what string, got float64, want *big.Rat, size float64) {
			// 1e-320 is for what is so small that it has no digits left.
			if w, _ := want.Float64(); math.Abs(got-w) > 1e-14*size+1e-320 {
				t.Fatalf("%s: %v, exactly it is %v", what, got, w)
			}
		}
		near("mean E", s.Mean.E, mean[0], size[0])
		near("mean N", s.Mean.N, mean[1], size[1])
		var exact [3]*big.Rat
		finite := true
		for k, of := range [][2]int{{0, 0}, {0, 1}, {1, 1}} {
			exact[k] = new(big.Rat)
			for _, v := range d {
				a, b := new(big.Rat).Sub(v[of[0]], mean[of[0]]), new(big.Rat).Sub(v[of[1]], mean[of[1]])
				exact[k].Add(exact[k], a.Mul(a, b))
			}
			exact[k].Quo(exact[k], new(big.Rat).SetInt64(int64(len(d)-1)))
			f, _ := exact[k].Float64()
			finite = finite && !math.IsInf(f, 0)
		}
		if finite != (s.Cov != nil) {
			t.Fatalf("covariance %v", s.Cov)
		}
		if finite {
			near("cov EE", s.Cov[0], exact[0], size[0]*size[0])
			near("cov EN", s.Cov[1], exact[1], size[0]*size[1])
			near("cov NN", s.Cov[2], exact[2], size[1]*size[1])
		}
		square := new(big.Rat)
		for _, v := range d {
			square.Add(square, new(big.Rat).Mul(v[0], v[0]))
		}
		root := new(big.Float).SetPrec(5000).SetRat(square.Quo(square, n))
		want, _ := root.Sqrt(root).Rat(nil)
		near("RMSE E", s.RMSEE, want, size[0])
	})
	if NewSetStats(grid.Metre, []Vector{{E: 1}, {E: math.NaN()}}, 0, 0.95) != nil {
		t.Error("statistics of what is not finite")
	}
}

// troubledJob is an honest job of n photos with some far out, a few just over,
// some untagged and some untied.
func troubledJob(n int, seed uint64) (*plane, []Point, []Link, []Photo) {
	p := newPlane()
	src := rand.New(rand.NewPCG(seed, 4))
	points, links, photos := honest(p, n, 1, src)
	for i := range photos {
		tag := photos[i].Tag
		switch {
		case i%23 == 5:
			at := points[i].EN
			r := 15 + 200*src.Float64()*src.Float64()
			*tag = *tagAt(p, at, r, -r/3)
		case i%31 == 7:
			tag.Position = nil
		case i%37 == 9:
			links[i].Photo = "another.jpg"
		case i%11 == 3 && i > 11: // the same tag and point for two: equal p-values
			points[i].EN, points[i].Cov = points[i-1].EN, points[i-1].Cov
			*tag = *photos[i-1].Tag
		}
	}
	return p, points, links, photos
}

// TestTallyMerge: photos that were compared in parts, by a Check of each part, are
// judged by the merged tallies as one Check of the whole judges them, and the
// statistics are the same bits, however the job was parted, ordered and grouped.
func TestTallyMerge(t *testing.T) {
	ctx := context.Background()
	opt := Options{Ties: TieOptions{Off: true}}
	n, jobs, with := 60, 0, map[Verdict]int{}
	rapid.Check(t, func(t *rapid.T) {
		p, points, links, photos := troubledJob(n, rapid.Uint64Range(1, 1000).Draw(t, "seed"))
		whole, err := Check(ctx, p, points, links, seq(photos...), opt)
		if err != nil {
			t.Fatal(err)
		}
		jobs++
		for v, photos := range whole.Counts {
			with[v] += min(photos, 1)
		}
		shards := make([][]Photo, rapid.IntRange(1, 7).Draw(t, "shards"))
		for _, photo := range photos {
			i := rapid.IntRange(0, len(shards)-1).Draw(t, "shard")
			shards[i] = append(shards[i], photo)
		}
		tallies := []*Tally{new(Tally), NewTally(p.unit, Budget{})}
		compared := map[string]*PhotoResult{}
		for _, s := range shards {
			// Links of photos elsewhere are strays here.
			part, err := Check(ctx, p, points, links, seq(s...), opt)
			if err != nil {
				t.Fatal(err)
			}
			tally := NewTally(p.unit, part.Budget)
			for i := range part.Photos {
				if err := tally.Add(&part.Photos[i]); err != nil {
					t.Fatal(err)
				}
				compared[part.Photos[i].Name] = &part.Photos[i]
			}
			tallies = append(tallies, tally)
		}
		merged := mergeAnyhow(t, tallies, func(a, b *Tally) *Tally {
			if rapid.Bool().Draw(t, "stored") {
				var back Tally
				if err := json.Unmarshal([]byte(asJSON(t, b)), &back); err != nil {
					t.Fatal(err)
				}
				b = &back
			}
			if err := a.Merge(b); err != nil {
				t.Fatal(err)
			}
			return a
		})
		if merged.Len() != n {
			t.Fatalf("%d photos of %d", merged.Len(), n)
		}
		for i := range whole.Photos {
			want := &whole.Photos[i]
			got := compared[want.Name]
			if err := merged.Judge(got); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Fatalf("%s: in parts %s\nas one %s", want.Name, asJSON(t, got), asJSON(t, want))
			}
		}
		if c := merged.Counts(); !reflect.DeepEqual(c, whole.Counts) {
			t.Fatalf("counts %v, as one %v", c, whole.Counts)
		}
		all, honest := merged.Sets()
		if !reflect.DeepEqual(all, whole.Set) || !reflect.DeepEqual(honest, whole.SetWithoutGross) {
			t.Fatalf("sets in parts %s %s\nas one %s %s", asJSON(t, all), asJSON(t, honest), asJSON(t, whole.Set), asJSON(t, whole.SetWithoutGross))
		}
		// The tally of the whole job at once is the same in every byte.
		one := NewTally(p.unit, whole.Budget)
		for i := range whole.Photos {
			if err := one.Add(&whole.Photos[i]); err != nil {
				t.Fatal(err)
			}
		}
		if asJSON(t, one) != asJSON(t, merged) {
			t.Fatal("the tallies differ")
		}
	})
	for _, v := range Verdicts {
		if v != Over && 10*with[v] < 9*jobs {
			t.Errorf("only %d of %d jobs have a photo that is %s", with[v], jobs, v)
		}
	}
}

// TestTallyHolm: a shard alone calls photos gross that the whole does not, so the
// verdicts of shards can't simply be added up.
func TestTallyHolm(t *testing.T) {
	b := DefaultBudget()
	photo := func(p float64) *PhotoResult {
		return &PhotoResult{Photo: Photo{Name: fmt.Sprint(p)}, P: &p, Discrepancy: &grid.Discrepancy{Unit: grid.Metre, DE: 1 / p}, Allowance: &Allowance{Judged: 1 / p, Threshold: 20}}
	}
	suspect := photo(b.GrossLevel / 10)
	shard, rest := NewTally(grid.Metre, b), NewTally(grid.Metre, b)
	if err := shard.Add(suspect); err != nil {
		t.Fatal(err)
	}
	for i := range 10 {
		if err := rest.Add(photo(0.1 + float64(i)/20)); err != nil {
			t.Fatal(err)
		}
	}
	if err := shard.Judge(suspect); err != nil || suspect.Verdict != Gross {
		t.Errorf("alone: %s, %v", suspect.Verdict, err)
	}
	if err := shard.Merge(rest); err != nil {
		t.Fatal(err)
	}
	if err := shard.Judge(suspect); err != nil || suspect.Verdict != Over || rel(*suspect.PAdjusted, 1.1*b.GrossLevel) > 1e-15 {
		t.Errorf("among eleven: %s, adjusted %v, %v", suspect.Verdict, *suspect.PAdjusted, err)
	}
	if c := shard.Counts(); c[Gross] != 0 || c[Over] != 1 || c[Within] != 10 {
		t.Errorf("counts %v", c)
	}
}

func TestTallyRefuse(t *testing.T) {
	b := DefaultBudget()
	metres := NewTally(grid.Metre, b)
	stricter := b
	stricter.GrossLevel /= 2
	for want, o := range map[string]*Tally{"in metre": NewTally(grid.Foot, b), "gross level": NewTally(grid.Metre, stricter)} {
		if err := metres.Merge(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	for name, r := range map[string]PhotoResult{
		"in foot":     {P: ptr(0.5), Discrepancy: &grid.Discrepancy{Unit: grid.Foot}, Allowance: &Allowance{}},
		"probability": {P: ptr(math.NaN()), Discrepancy: &grid.Discrepancy{Unit: grid.Metre}, Allowance: &Allowance{}},
		"finite":      {P: ptr(0.5), Discrepancy: &grid.Discrepancy{Unit: grid.Metre, DE: math.Inf(1)}, Allowance: &Allowance{}},
	} {
		if err := metres.Add(&r); err == nil || !strings.Contains(err.Error(), name) || metres.Len() != 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := metres.Judge(&PhotoResult{P: ptr(0.5), Discrepancy: &grid.Discrepancy{}, Allowance: &Allowance{}}); err == nil {
		t.Error("judged a photo that was not added")
	}
	for text, want := range map[string]string{
		`{"unjudged":-1}`: "-1 photos",
		`{"unjudged":2}`:  "no unit",
		`{"unit":{"name":"metre","symbol":"m","metres":1},"confidence":2,"gross_level":0.001}`:                               "can't be",
		`{"unit":{"name":"metre","symbol":"m","metres":1},"confidence":0.95,"gross_level":0.001,"judged":[{"p":1.5}]}`:       "photo 1",
		`{"unit":{"name":"metre","symbol":"m","metres":1},"confidence":0.95,"gross_level":0.001,"judged":[{"p":1,"d_e":2}]}`: "",
	} {
		err := json.Unmarshal([]byte(text), new(Tally))
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
	var empty Tally
	if all, honest := empty.Sets(); all != nil || honest != nil || empty.Counts()[Unjudged] != 0 {
		t.Error("an empty tally says something")
	}
}

// TestCheckFarApart: points and tags at the ends of what a number can hold are
// judged without a panic, and what comes of them is JSON.
func TestCheckFarApart(t *testing.T) {
	for _, far := range []float64{1e9, 1e150, 1e155, 1e200, 1e307} {
		p := newPlane()
		points := []Point{{ID: "A", EN: grid.EN{E: p.e0 + far, N: p.n0}}, {ID: "B", EN: grid.EN{E: p.e0, N: p.n0 - far}}, {ID: "C", EN: grid.EN{E: p.e0, N: p.n0}, Cov: &[3]float64{1, 0.5, 1}}}
		var photos []Photo
		var links []Link
		for i := range 30 {
			name := fmt.Sprint(i)
			photos = append(photos, Photo{Name: name, Tag: tagAt(p, grid.EN{E: p.e0, N: p.n0}, float64(i), 1)})
			links = append(links, Link{Photo: name, Point: points[i%3].ID})
		}
		res, err := Check(context.Background(), p, points, links, seq(photos...), Options{Ties: TieOptions{Off: true}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(res); err != nil {
			t.Errorf("%g: %v", far, err)
		}
	}
}

func BenchmarkTally(b *testing.B) {
	const n = 100_000
	d := cloud(n, Vector{}, rand.New(rand.NewPCG(1, 2)))
	b.Run("sets", func(b *testing.B) {
		for b.Loop() {
			NewSetStats(grid.Metre, d, 0, 0.95)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/photo")
	})
	// floor is what any statistics of them take: one look at each.
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			var s [5]float64
			for _, v := range d {
				s[0] += v.E
				s[1] += v.N
				s[2] += v.E * v.E
				s[3] += v.E * v.N
				s[4] += v.N * v.N
			}
			if s[2] == 0 {
				b.Fatal("no spread")
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/photo")
	})
}
