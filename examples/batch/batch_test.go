package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/apache/beam/sdks/v2/go/pkg/beam"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
)

func TestMain(m *testing.M) {
	beam.Init()
	os.Exit(m.Run())
}

// job writes an example job into a folder.
func job(t *testing.T, dir, grid string, draw func(context.Context, grid.Projection, uint64) (*demo.Job, error)) string {
	t.Helper()
	proj, err := crs.Open(grid)
	if err != nil {
		t.Fatal(err)
	}
	made, err := draw(context.Background(), proj, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if err := demo.Write(context.Background(), root, made, nil); err != nil {
		t.Fatal(err)
	}
	return dir
}

// oneMachine is what a check of the folder says; links only, where off.
func oneMachine(t *testing.T, dir string, off bool) *match.Result {
	t.Helper()
	ctx := context.Background()
	d, s, err := survey(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if !off {
		// The pipeline reads headers only.
		job, err := d.Check(ctx, dataset.CheckOptions{Pixels: dataset.PixelsNever})
		if err != nil {
			t.Fatal(err)
		}
		return job.Result
	}
	opt := s.Options
	opt.Ties.Off = true
	for i, p := range s.Photos {
		s.Photos[i] = d.ReadPhoto(p.Name)
	}
	res, err := match.Check(ctx, d.Projection(), s.Points, s.Links, match.All(s.Photos), opt)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestOneMachine: on Prism, in whole jobs and in parts of jobs, each photo has in
// every field what one machine says of it, and the totals are those of all
// discrepancies at once.
func TestOneMachine(t *testing.T) {
	ctx := context.Background()
	top := t.TempDir()
	jobs := []string{
		job(t, filepath.Join(top, "tallow"), "EPSG:6543", demo.TallowCreek),
		job(t, filepath.Join(top, "velland"), "EPSG:2157", demo.PortVelland),
	}
	for name, parts := range map[string]int{"whole jobs": 1, "seven parts": 7} {
		t.Run(name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "verdicts.jsonl")
			if err := run(ctx, jobs, parts, out); err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			lines := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
			sets := map[string]*match.SetStats{}
			gross := 0
			for _, dir := range jobs {
				res := oneMachine(t, dir, parts > 1)
				gross += res.Counts[match.Gross]
				for i := range res.Photos {
					want, err := json.Marshal(verdict{Job: dir, Order: i, Photo: &res.Photos[i]})
					if err != nil {
						t.Fatal(err)
					}
					if len(lines) == 0 {
						t.Fatalf("%s is missing", res.Photos[i].Name)
					}
					if !bytes.Equal(lines[0], want) {
						t.Fatalf("%s:\n%s\none machine:\n%s", res.Photos[i].Name, lines[0], want)
					}
					lines = lines[1:]
				}
				sets[res.Grid.Unit.Name] = res.Set
			}
			if len(lines) > 0 {
				t.Errorf("%d lines too many", len(lines))
			}
			if gross == 0 {
				t.Error("no photo is gross: Holm's adjustment was not put to the test")
			}
			// The two jobs are in different units, so there are two totals.
			text, err = os.ReadFile(out + ".totals")
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for line := range bytes.Lines(text) {
				var got total
				if err := json.Unmarshal(line, &got); err != nil {
					t.Fatal(err)
				}
				want := sets[got.Set.Unit.Name]
				a, err := json.Marshal(got.Set)
				if err != nil {
					t.Fatal(err)
				}
				b, err := json.Marshal(want)
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(a, b) {
					t.Errorf("%s:\n%s\none machine:\n%s", got.Together, a, b)
				}
				n++
			}
			if n != 2 {
				t.Errorf("%d totals", n)
			}
		})
	}
	t.Run("two of a kind", func(t *testing.T) {
		again := filepath.Join(top, "again")
		if err := os.CopyFS(again, os.DirFS(jobs[1])); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(t.TempDir(), "verdicts.jsonl")
		if err := run(ctx, []string{jobs[1], again}, 1, out); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(out + ".totals")
		if err != nil {
			t.Fatal(err)
		}
		var got total
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatal(err)
		}
		one := oneMachine(t, jobs[1], false)
		if got.Photos != 2*len(one.Photos) || got.Set.N != 2*one.Set.N || got.Set.Mean != one.Set.Mean || math.Abs(got.Set.RMSER-one.Set.RMSER) > 1e-15*one.Set.RMSER {
			t.Errorf("twice the same job: %+v, once it is %+v", got.Set, one.Set)
		}
	})
}

// TestRunFails: what is wrong with a job ends the run with an error that names it.
func TestRunFails(t *testing.T) {
	empty := t.TempDir()
	if err := run(context.Background(), []string{empty}, 1, filepath.Join(t.TempDir(), "out")); err == nil || !bytes.Contains([]byte(err.Error()), []byte("phototie.toml")) {
		t.Errorf("an empty folder: %v", err)
	}
	if err := run(context.Background(), nil, 1, "out"); err == nil {
		t.Error("no job, no error")
	}
}

// TestJSON: what goes between workers as JSON loses nothing.
func TestJSON(t *testing.T) {
	dir := job(t, filepath.Join(t.TempDir(), "tallow"), "EPSG:6543", demo.TallowCreek)
	res := oneMachine(t, dir, false)
	for i := range res.Photos {
		text, err := json.Marshal(&res.Photos[i])
		if err != nil {
			t.Fatal(err)
		}
		var back match.PhotoResult
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(&back)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(text, again) || !reflect.DeepEqual(back.P, res.Photos[i].P) {
			t.Fatalf("%s\n%s", text, again)
		}
	}
}
