package match

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/big"
	"regexp"

	"example.com/phototie/grid"
)

// Moments gathers discrepancies one by one, for all of SetStats that follows from
// their number, their sums and the sums of their products. The sums are exact: no
// term is rounded. So Merge is associative and commutative to the last bit, and
// however a set was parted, and in whatever order it came, its Moments are the
// same, and so are the statistics. The size does not grow with the set.
//
// The robust part of SetStats does not follow from sums; a Tally has it.
//
// The zero Moments is empty and ready to use. A copy shares its sums with the
// original: use only one of them from then on.
type Moments struct {
	n, over int
	// sum of E, N, EE, EN and NN
	sum [5]big.Float
}

// sumPrec is a number of bits that holds a sum of 2^63 products of two float64
// exactly: from 2^-2148, the square of the smallest, to 2^2048, and the carry. A
// big.Float takes no more of them than a sum needs.
const sumPrec = 2148 + 2048 + 64

// Len is the number of discrepancies, and Over that of those over the budget.
func (m *Moments) Len() int  { return m.n }
func (m *Moments) Over() int { return m.over }

// Add takes up one discrepancy. One that is not finite gives grid.ErrNotFinite
// and is left out.
func (m *Moments) Add(v Vector, over bool) error {
	if !finite(v.E) || !finite(v.N) {
		return fmt.Errorf("discrepancy E %v N %v: %w", v.E, v.N, grid.ErrNotFinite)
	}
	m.n++
	if over {
		m.over++
	}
	var e, n, product big.Float
	e.SetFloat64(v.E)
	n.SetFloat64(v.N)
	// Two factors of 53 bits have a product of 106.
	product.SetPrec(106)
	m.grow(0, &e)
	m.grow(1, &n)
	m.grow(2, product.Mul(&e, &e))
	m.grow(3, product.Mul(&e, &n))
	m.grow(4, product.Mul(&n, &n))
	return nil
}

func (m *Moments) grow(i int, by *big.Float) {
	m.sum[i].SetPrec(sumPrec)
	m.sum[i].Add(&m.sum[i], by)
}

// Merge takes up all the discrepancies of o, and leaves o as it is.
func (m *Moments) Merge(o *Moments) {
	m.n += o.n
	m.over += o.over
	for i := range o.sum {
		m.grow(i, &o.sum[i])
	}
}

// rootPrec is the precision in which roots are taken before they become a
// float64.
const rootPrec = 256

// Stats computes what follows from the moments: all but Robust, which is nil.
// Means and covariances are the exact ones, rounded once; root mean squares are
// within one unit of the last place. unit is that of the discrepancies, and
// confidence the budget's. It returns nil where nothing was gathered.
func (m *Moments) Stats(unit grid.Unit, confidence float64) *SetStats {
	if m.n == 0 {
		return nil
	}
	over := func(x *big.Float, by ...int64) float64 {
		exact, _ := x.Rat(nil) // x is finite
		for _, b := range by {
			exact.Quo(exact, new(big.Rat).SetInt64(b))
		}
		v, _ := exact.Float64()
		return v
	}
	n := int64(m.n)
	s := &SetStats{N: m.n, Unit: unit}
	s.Mean = Vector{E: over(&m.sum[0], n), N: over(&m.sum[1], n)}
	rms := func(sum *big.Float) float64 {
		q := new(big.Float).SetPrec(rootPrec).Quo(sum, new(big.Float).SetInt64(n))
		v, _ := q.Sqrt(q).Float64()
		return v
	}
	s.RMSEE, s.RMSEN = rms(&m.sum[2]), rms(&m.sum[4])
	s.RMSER = math.Hypot(s.RMSEE, s.RMSEN)
	if v, why := nssda(m.n, s.RMSEE, s.RMSEN); why == "" {
		s.NSSDA = &v
	} else {
		s.NSSDAWhy = why
	}
	if m.n > 1 {
		// The scatter is n (n-1) times the covariance.
		cov := func(x, y, xy int) float64 {
			return over(m.scatter(x, y, xy), n, n-1)
		}
		c := [3]float64{cov(0, 0, 2), cov(0, 1, 3), cov(1, 1, 4)}
		if finite(c[0]) && finite(c[1]) && finite(c[2]) {
			s.Cov = &c
			s.Ellipse = newEllipse(c, confidence)
		}
	}
	s.Shift, s.ShiftWhy = hotelling(m.n, s.Mean, s.Cov)
	s.Over = newOverShare(m.over, m.n, 1-confidence)
	return s
}

// scatter is n times the sum of products of deviations from the mean, exactly:
// n sum(xy) - sum(x) sum(y).
func (m *Moments) scatter(x, y, xy int) *big.Float {
	const prec = 2*sumPrec + 64
	a := new(big.Float).SetPrec(prec).SetInt64(int64(m.n))
	a.Mul(a, &m.sum[xy])
	b := new(big.Float).SetPrec(prec).Mul(&m.sum[x], &m.sum[y])
	return a.Sub(a, b)
}

// momentsJSON is Moments as they are stored.
type momentsJSON struct {
	N     int    `json:"n"`
	Over  int    `json:"over"`
	SumE  string `json:"sum_e"`
	SumN  string `json:"sum_n"`
	SumEE string `json:"sum_ee"`
	SumEN string `json:"sum_en"`
	SumNN string `json:"sum_nn"`
}

func (j *momentsJSON) sums() [5]*string {
	return [5]*string{&j.SumE, &j.SumN, &j.SumEE, &j.SumEN, &j.SumNN}
}

// MarshalJSON writes the moments without loss: the sums are hexadecimal fractions
// with a binary exponent, "0x.c8p+3" for 6.25. Equal moments give equal bytes.
func (m Moments) MarshalJSON() ([]byte, error) {
	j := momentsJSON{N: m.n, Over: m.over}
	for i, s := range j.sums() {
		*s = m.sum[i].Text('p', 0)
	}
	return json.Marshal(j)
}

// exactNumber is what MarshalJSON writes for a sum, in no more than exactDigits.
var exactNumber = regexp.MustCompile(`^(0|-?0x\.[0-9a-f]+p[+-][0-9]{1,4})$`)

const exactDigits = sumPrec/4 + 16

// UnmarshalJSON reads what MarshalJSON writes. Numbers that no discrepancies have
// are an error.
func (m *Moments) UnmarshalJSON(text []byte) error {
	var j momentsJSON
	if err := json.Unmarshal(text, &j); err != nil {
		return fmt.Errorf("moments: %w", err)
	}
	got := Moments{n: j.N, over: j.Over}
	if j.N < 0 || j.Over < 0 || j.Over > j.N {
		return fmt.Errorf("moments: %d over the budget of %d", j.Over, j.N)
	}
	for i, s := range j.sums() {
		if len(*s) > exactDigits || !exactNumber.MatchString(*s) {
			return fmt.Errorf("moments: %.40q is no exact number such as 0x.c8p+3", *s)
		}
		x := got.sum[i].SetPrec(sumPrec)
		if _, _, err := x.Parse(*s, 0); err != nil {
			return fmt.Errorf("moments: %.40q: %w", *s, err)
		}
		// Products of float64, or their sums, have no bits outside these.
		if x.Sign() != 0 && (x.MantExp(nil) > 2048+64 || x.MantExp(nil)-int(x.MinPrec()) < -2148) {
			return fmt.Errorf("moments: %.40q is no sum of products of float64", *s)
		}
	}
	if j.N == 0 && (got.sum[0].Sign() != 0 || got.sum[1].Sign() != 0 || got.sum[2].Sign() != 0 || got.sum[4].Sign() != 0) ||
		got.scatter(0, 0, 2).Sign() < 0 || got.scatter(1, 1, 4).Sign() < 0 {
		return errors.New("moments: no discrepancies have these sums")
	}
	*m = got
	return nil
}
