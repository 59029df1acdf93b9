package sim

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"
)

// Study puts an explainer to the test: it draws sets of which the blunders are
// known, and counts what the explainer names in them.
type Study struct {
	// Base is the Config of the sets, without the plants. The sets of a scenario
	// have the seeds Base.Seed, Base.Seed+1 and so on, the same for all scenarios.
	Base Config
	// Sets is the number of sets of each scenario.
	Sets int
	// Explain names the blunders that it sees in a set. It must not look at the
	// set's Config, Survey, Truth or Planted. It is called from several
	// goroutines.
	Explain func(context.Context, *Set) ([]string, error)
	// Right says whether a name is right for a planted kind; nil means that it is
	// the same word.
	Right func(Kind, string) bool
	// Progress, where not nil, is called after each set with the number done and
	// the number of all, one call at a time.
	Progress func(done, all int)
}

// Confusion is what came of a Study.
type Confusion struct {
	Rows []ConfusionRow `json:"rows"`
}

// ConfusionRow is one scenario.
type ConfusionRow struct {
	Scenario string `json:"scenario"`
	Planted  []Kind `json:"planted"`
	Sets     int    `json:"sets"`
	// Found is the number of sets in which each of the planted kinds was rightly
	// named, and Exact that of those in which nothing else was. For a scenario
	// without a blunder both are the sets in which nothing was named.
	Found int `json:"found"`
	Exact int `json:"exact"`
	// Named has the number of sets in which each name was named.
	Named map[string]int `json:"named"`
	// Missed and Excess are the seeds of sets in which a kind was missed, and
	// something else was named, in ascending order.
	Missed []uint64 `json:"missed,omitempty"`
	Excess []uint64 `json:"excess,omitempty"`
}

// Run studies the scenarios. It ends with the first error of New or of Explain,
// or the context's. It looks at GOMAXPROCS sets at a time.
func (s Study) Run(ctx context.Context, scenarios ...Scenario) (*Confusion, error) {
	switch {
	case s.Sets < 1:
		return nil, &ConfigError{"Sets", s.Sets, "1 or more"}
	case s.Explain == nil:
		return nil, errors.New("sim: a study has to have somebody to Explain")
	}
	right := s.Right
	if right == nil {
		right = func(k Kind, name string) bool { return string(k) == name }
	}
	c := &Confusion{Rows: make([]ConfusionRow, len(scenarios))}
	for i, sc := range scenarios {
		c.Rows[i] = ConfusionRow{Scenario: sc.Name, Planted: sc.Kinds, Sets: s.Sets, Named: make(map[string]int)}
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	var mu sync.Mutex
	done, all := 0, len(scenarios)*s.Sets
	for j := 0; j < all && ctx.Err() == nil; j++ {
		seed, row := s.Base.Seed+uint64(j%s.Sets), j/s.Sets
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			names, err := s.one(ctx, scenarios[row], seed)
			if err != nil {
				return fmt.Errorf("sim: %s, seed %d: %w", scenarios[row], seed, err)
			}
			mu.Lock()
			defer mu.Unlock()
			c.Rows[row].add(seed, names, right)
			if done++; s.Progress != nil {
				s.Progress(done, all)
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil || done < all {
		return nil, cmp.Or(err, context.Cause(ctx))
	}
	for i := range c.Rows {
		slices.Sort(c.Rows[i].Missed)
		slices.Sort(c.Rows[i].Excess)
	}
	return c, nil
}

func (s Study) one(ctx context.Context, sc Scenario, seed uint64) ([]string, error) {
	cfg := s.Base
	cfg.Seed = seed
	set, err := New(sc.Config(cfg))
	if err != nil {
		return nil, err
	}
	return s.Explain(ctx, set)
}

func (r *ConfusionRow) add(seed uint64, names []string, right func(Kind, string) bool) {
	names = slices.Clone(names)
	slices.Sort(names)
	names = slices.Compact(names)
	found, excess := true, false
	for _, k := range r.Planted {
		found = found && slices.ContainsFunc(names, func(n string) bool { return right(k, n) })
	}
	for _, n := range names {
		r.Named[n]++
		excess = excess || !slices.ContainsFunc(r.Planted, func(k Kind) bool { return right(k, n) })
	}
	if len(r.Planted) == 0 {
		found = !excess
	}
	if found {
		r.Found++
	} else if len(r.Planted) > 0 {
		r.Missed = append(r.Missed, seed)
	}
	if excess {
		r.Excess = append(r.Excess, seed)
	} else if found {
		r.Exact++
	}
}

// names returns every name that was named: first those of kinds, in the order of
// Kinds, so that the table has them on its diagonal, then the others, sorted.
func (c *Confusion) names() []string {
	all := make(map[string]int)
	for _, r := range c.Rows {
		maps.Copy(all, r.Named)
	}
	kinds := Kinds()
	rank := func(name string) int {
		if i := slices.Index(kinds, Kind(name)); i >= 0 {
			return i
		}
		return len(kinds)
	}
	return slices.SortedFunc(maps.Keys(all), func(a, b string) int {
		return cmp.Or(rank(a)-rank(b), strings.Compare(a, b))
	})
}

// WriteJSON writes the table as JSON.
func (c *Confusion) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(c)
}

// WriteText writes the table: a row for each scenario, a column for each name
// that was named, the number of sets in each cell and a dot for none. Columns
// have numbers, which the names follow below.
func (c *Confusion) WriteText(w io.Writer) error {
	var b strings.Builder
	names := c.names()
	width := len("planted")
	sets := 1
	for _, r := range c.Rows {
		width = max(width, len(r.Scenario))
		sets = max(sets, r.Sets)
	}
	cell := max(len(fmt.Sprint(len(names))), len(fmt.Sprint(sets))) + 1
	line := func(format string, args ...any) {
		b.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " ") + "\n")
	}
	head := fmt.Sprintf("%-*s %*s  %7s  %7s ", width, "planted", max(cell-1, 4), "sets", "found", "exact")
	for i := range names {
		head += fmt.Sprintf("%*d", cell, i+1)
	}
	line("%s", head)
	for _, r := range c.Rows {
		row := fmt.Sprintf("%-*s %*d  %5.1f %%  %5.1f %% ", width, r.Scenario, max(cell-1, 4), r.Sets,
			100*float64(r.Found)/float64(r.Sets), 100*float64(r.Exact)/float64(r.Sets))
		for _, n := range names {
			if r.Named[n] == 0 {
				row += fmt.Sprintf("%*s", cell, ".")
			} else {
				row += fmt.Sprintf("%*d", cell, r.Named[n])
			}
		}
		line("%s", row)
	}
	if len(names) > 0 {
		line("")
		line("named:")
		for i, n := range names {
			line("%*d  %s", cell, i+1, n)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
