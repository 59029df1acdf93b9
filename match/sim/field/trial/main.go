// Command trial judges jobs of package field and prints how often that was right:
//
//	go run ./match/sim/field/trial -n 600                    honest jobs, study seeds
//	go run ./match/sim/field/trial -n 30 -blunders all       each blunder, study seeds
//	go run ./match/sim/field/trial -n 30 -blunders late-run,two
//	go run ./match/sim/field/trial -seed 17 -v               one job: truth and verdict
//	go run ./match/sim/field/trial -held-out -n 2000         never to tune on
//
// Study seeds count from 1 to 10,000 and may be looked at and tuned on. Held-out
// seeds count from 1,000,000; their jobs are only ever summed up.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"

	"example.com/phototie/match/sim/field"
)

func main() {
	n := flag.Int("n", 100, "number of jobs, of each blunder where there are any")
	seed := flag.Uint64("seed", 1, "first seed")
	photos := flag.Int("photos", 0, "photos of a job, about; 0 draws 5 to 500")
	layout := flag.String("layout", "", "one layout: "+strings.Join(field.Layouts, ", "))
	noise := flag.String("noise", "", "one kind of noise: "+strings.Join(field.Noises, ", "))
	names := flag.String("blunders", "", "blunders to plant, with commas; all for each: "+strings.Join(field.Blunders(), ", "))
	heldOut := flag.Bool("held-out", false, "take held-out seeds")
	verbose := flag.Bool("v", false, "print truth and verdict of the job of -seed as JSON")
	threads := flag.Int("threads", min(2, runtime.NumCPU()), "jobs at a time")
	flag.Parse()
	if *heldOut {
		if *verbose {
			fail(fmt.Errorf("-v shows a job, and held-out jobs are not to be looked at"))
		}
		*seed += field.HeldOut - 1
	}
	kinds := []string{""}
	if *names == "all" {
		kinds = field.Blunders()
	} else if *names != "" {
		kinds = strings.Split(*names, ",")
	}
	for _, k := range kinds {
		if k != "" && !slices.Contains(field.Blunders(), k) {
			fail(fmt.Errorf("no blunder is called %q: -help lists them", k))
		}
	}
	job := func(s uint64, blunder string) *field.Job {
		cfg := field.Config{Photos: *photos, Layout: *layout, Noise: *noise}
		if blunder != "" {
			cfg.Blunders = []string{blunder}
		}
		return field.New(s, cfg)
	}
	if *verbose {
		show(job(*seed, kinds[0]))
		return
	}
	for _, k := range kinds {
		t := sum(*seed, *n, *threads, func(s uint64) *field.Job { return job(s, k) })
		if k == "" {
			t.honest(os.Stdout)
		} else {
			t.blunder(os.Stdout, k, k == kinds[0])
		}
	}
}

// show prints truth and verdict of a job.
func show(j *field.Job) {
	v, err := judge(context.Background(), j)
	if err != nil {
		fail(err)
	}
	e := json.NewEncoder(os.Stdout)
	e.SetIndent("", " ")
	if err := e.Encode(map[string]any{"seed": j.Seed, "grid": j.Grid.Grid(), "truth": j.Truth, "verdict": v, "points": j.Points, "links": j.Links}); err != nil {
		fail(err)
	}
}

// sum judges the jobs of n seeds, some at a time.
func sum(seed uint64, n, threads int, job func(seed uint64) *field.Job) *table {
	t := table{causedBy: map[string][]uint64{}}
	var mu sync.Mutex
	var wg sync.WaitGroup
	next := make(chan uint64)
	for range threads {
		wg.Go(func() {
			for s := range next {
				j := job(s)
				v, err := judge(context.Background(), j)
				if err != nil {
					fail(fmt.Errorf("seed %d: %w", s, err))
				}
				mu.Lock()
				t.add(j, v)
				mu.Unlock()
			}
		})
	}
	for i := range uint64(n) {
		next <- seed + i
	}
	close(next)
	wg.Wait()
	return &t
}

func fail(err error) {
	fmt.Fprintln(os.Stderr, "trial:", err)
	os.Exit(2)
}
