package service_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/grid/site"
	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/noise"
	"example.com/phototie/match/record"
	"example.com/phototie/match/service"
	"example.com/phototie/match/single"
	"example.com/phototie/match/walk"
)

// seen is a cause that keeps the photos it was shown.
type seen struct{ photos []cause.Photo }

func (*seen) Name() string { return "seen" }
func (s *seen) Propose(_ context.Context, e *cause.Evidence) ([]cause.Hypothesis, error) {
	s.photos = append(s.photos, e.Photos...)
	return nil, nil
}

// Each type that is documented to be safe for concurrent use, but for plain values, is used
// by many goroutines at once, and gives all of them the same. It is the race detector that
// finds what is wrong: RACE in the Makefile has this package.
func TestConcurrent(t *testing.T) {
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	put := func(name string, text []byte) {
		name = filepath.Join(dir, filepath.FromSlash(name))
		must(errors.Join(os.MkdirAll(filepath.Dir(name), 0o755), os.WriteFile(name, text, 0o644)))
	}
	points, links := "id,easting,northing\n", "photo,point\n"
	for i := range 12 {
		img, _, err := geotag.Rewrite(geotagtest.Plain(), geotag.Edit{Lat: 52.188271 + float64(i)*2e-4, Lon: -6.680190, HPositioningError: 3})
		must(err)
		put(fmt.Sprintf("photos/%d.jpg", i), img)
		points += fmt.Sprintf("B%d,690242.043,%.3f\n", i, 604873.007+float64(i)*22.25)
		links += fmt.Sprintf("%d.jpg,B%d\n", i, i)
	}
	const settings = "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"
	put("points.csv", []byte(points))
	put("links.csv", []byte(links))
	put("phototie.toml", []byte(settings))
	open := grid.Kept(crs.OpenGrid)
	d, err := dataset.Open(t.Context(), dir, open)
	must(err)
	defer d.Close()
	var shown seen
	checked, err := d.Check(ctx, dataset.CheckOptions{Causes: append(cause.Default(), &shown)})
	must(err)
	located, err := checked.Locate(ctx)
	must(err)
	put("phototie.toml", []byte(settings+"[ties]\nweigh = false\n"))
	flat, err := dataset.Open(t.Context(), dir, open)
	must(err)
	defer flat.Close()
	stream, _, err := flat.Stream(ctx, nil)
	must(err)
	itm, err := crs.Open("EPSG:2157")
	must(err)
	system, err := site.New(itm, site.Definition{Name: "quay", Unit: grid.Metre, Direction: site.SiteToBase, Similarity: &site.Similarity{Origin: grid.EN{E: 690000, N: 604000}, Scale: 1, Rotation: 35}})
	must(err)
	geodesic := system.(*site.GeodesicSystem)
	at := grid.EN{E: 690242.043, N: 604873.007}
	fix := grid.Fix{LatLon: grid.LatLon{Lat: 52.188271, Lon: -6.680190}, Frame: grid.Frame{Datum: "WGS 84", Epoch: 2026}}
	photo, err := os.ReadFile(filepath.Join(dir, "photos", "0.jpg"))
	must(err)
	one, err := single.Check(ctx, itm, "a", bytes.NewReader(photo), int64(len(photo)), match.Point{EN: at}, single.Options{})
	must(err)
	many := []match.Point{{ID: "A", EN: at}, {ID: "B", EN: grid.EN{E: at.E + 9, N: at.N}}}
	near, closest := match.NewIndex(many), walk.NewIndex([]grid.EN{at, {E: at.E + 9, N: at.N}})
	learnt := noise.Learn([]noise.Residual{{E: 1, N: 2, Sigma: 3}, {E: -1, N: 0.5, Sigma: 3, Time: 60}, {E: 0.1, N: 1, Sigma: 3, Time: 120}})
	template, err := delivery.ParseTemplate("{point}_{nn}")
	must(err)
	root, err := os.OpenRoot(dir)
	must(err)
	defer root.Close()
	led, err := ledger.Open(root, "test")
	must(err)
	defer led.Close()
	job, err := demo.PortVelland(ctx, itm, 1)
	must(err)
	gallery, err := record.NewGallery(os.DirFS(dir), record.ThumbnailOptions{})
	must(err)
	defer gallery.Close()
	answers := service.New(open, service.Options{})
	missing := documented(t)

	for name, use := range map[string]func() (any, error){
		"grid/crs.CRS": func() (any, error) {
			a, err1 := itm.ToGrid(ctx, []grid.Fix{fix})
			b, err2 := itm.FromGrid(ctx, []grid.EN{at}, []grid.Frame{fix.Frame})
			c, err3 := itm.Factors(at)
			return fmt.Sprint(a[0].EN, b[0].LatLon, c), errors.Join(err1, err2, err3, a[0].Err, b[0].Err)
		},
		"grid/site.System": func() (any, error) {
			a, err := geodesic.System.ToGrid(ctx, []grid.Fix{fix})
			return a[0].EN, err
		},
		"grid/site.GeodesicSystem": func() (any, error) {
			a, err1 := geodesic.Geographic(grid.EN{E: 1, N: 2})
			b, err2 := geodesic.Factors(grid.EN{E: 1, N: 2})
			return fmt.Sprint(a, b), errors.Join(err1, err2)
		},
		"geotag/ledger.Ledger": func() (any, error) {
			n := 0
			for _, err := range led.Records() {
				if err != nil {
					return nil, err
				}
				n++
			}
			return fmt.Sprint(n, led.Photos(), led.Repairs()), nil
		},
		"match.Index": func() (any, error) {
			n, err := near.Nearest(ctx, []grid.EN{at, {E: at.E + 8, N: at.N}})
			return fmt.Sprint(*n[0], *n[1]), err
		},
		"match.Located": func() (any, error) { return located.From(0, 1), nil },
		"match.Result":  func() (any, error) { return result(checked.Result), nil },
		"match.Stream": func() (any, error) {
			out := fmt.Sprint(stream.Result.Findings())
			for p, err := range stream.Photos(ctx) {
				if err != nil {
					return nil, err
				}
				out += fmt.Sprint(p.Name, p.Verdict, stream.PhotoFindings(p))
			}
			return out, nil
		},
		"match/cause.Explanation": func() (any, error) {
			return fmt.Sprint(checked.Explanation.Findings(), checked.Explanation.Stops(), *checked.Explanation.Of(map[string]bool{"photos/1.jpg": true})), nil
		},
		"match/cause.Photo": func() (any, error) {
			out := ""
			for _, p := range shown.photos {
				out += fmt.Sprint(p.Expected(), p.Fix())
			}
			return out, nil
		},
		"match/dataset.Checked": func() (any, error) {
			part, err1 := checked.Of([]string{"photos/1.jpg"})
			l, err2 := checked.Locate(ctx)
			p, notes, err3 := checked.Propose(ctx)
			return fmt.Sprint(part.Findings(), l.Tags, p, notes, checked.Findings(), checked.Decisions(), checked.Stopped()), errors.Join(err1, err2, err3)
		},
		"match/dataset.Dataset": func() (any, error) {
			names, err1 := d.PhotoNames(ctx)
			p, _, _, err2 := d.Points(ctx)
			c, err3 := d.Check(ctx, dataset.CheckOptions{})
			if err := errors.Join(err1, err2, err3); err != nil {
				return nil, err
			}
			return fmt.Sprint(names, len(p), result(c.Result), d.ReadPhoto("photos/3.jpg").Tag.Position), nil
		},
		"match/dataset/demo.Photo": func() (any, error) { return job.Photos[0].JPEG() },
		"match/delivery.Template": func() (any, error) {
			return template.Names([]delivery.Named{{Path: "a.jpg", Tied: true, Point: "B1"}}), nil
		},
		"match/noise.Model": func() (any, error) { return fmt.Sprint(learnt.Correlation(30), learnt.Offset(60)), nil },
		"match/record.Gallery": func() (any, error) {
			gallery.See("photos/2.jpg", image.NewGray(image.Rect(0, 0, 64, 48)), 1)
			a, err1 := gallery.Picture(ctx, "photos/1.jpg")
			b, err2 := gallery.Picture(ctx, "photos/2.jpg")
			return fmt.Sprint(a, b), errors.Join(err1, err2)
		},
		"match/service.Service": func() (any, error) {
			r := answers.Answer(ctx, service.Request{Do: "correct", CRS: "EPSG:2157", E: &at.E, N: &at.N, Photo: photo})
			if r.Error != nil {
				return nil, r.Error
			}
			return r.Correct.Photo, nil
		},
		"match/single.Photo": func() (any, error) {
			var b bytes.Buffer
			err := one.Write(&b)
			return b.Bytes(), err
		},
		"match/walk.Index": func() (any, error) {
			found := []int{}
			closest.Closest(at, func(j int) { found = append(found, j) })
			return fmt.Sprint(found, closest.Spacing()), nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			const users = 8
			var all sync.WaitGroup
			var got [users]string
			for i := range users {
				all.Go(func() {
					v, err := use()
					got[i] = fmt.Sprint(v)
					if err != nil {
						t.Error(err)
					}
				})
			}
			all.Wait()
			for _, g := range got {
				if g != got[0] || g == "" {
					t.Fatalf("%.300s\nand %.300s", got[0], g)
				}
			}
		})
		delete(missing, name)
	}
	for name := range missing {
		t.Errorf("%s is documented to be safe for concurrent use, and nothing here uses it so", name)
	}
}

// result is what the methods of a result say.
func result(r *match.Result) string {
	basis, err := r.Basis([]int{0, 1}, nil)
	set, why := r.Noise()
	a, b, c, d := r.Thresholds()
	e, f := r.Tied()
	text, bad := json.Marshal([]any{basis, set, why, a, b, c, d, e, f, r.ByVerdict(), r.CodesOf(), r.HeightSummary(), r.ToLookAt(), r.Findings(), r.Of(map[string]bool{"photos/2.jpg": true}).Findings()})
	out := fmt.Sprint(string(text), err, bad)
	for p, photos := range r.ByPoint() {
		out += fmt.Sprint(p.ID, len(photos))
	}
	return out
}

// documented are the types whose documentation says that they are safe for concurrent
// use, but for those that it calls plain values, errors and interfaces.
func documented(t *testing.T) map[string]bool {
	out := map[string]bool{}
	for _, top := range []string{"grid", "geotag", "match"} {
		err := filepath.WalkDir(filepath.Join("../..", top), func(file string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || !strings.HasSuffix(file, ".go") || strings.HasSuffix(file, "_test.go") || strings.Contains(filepath.ToSlash(file), "/sim/") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
			if err != nil {
				return err
			}
			for _, d := range f.Decls {
				g, ok := d.(*ast.GenDecl)
				if !ok || g.Tok != token.TYPE {
					continue
				}
				for _, spec := range g.Specs {
					s := spec.(*ast.TypeSpec)
					says := strings.Join(strings.Fields(g.Doc.Text()+s.Doc.Text()), " ")
					if _, ok := s.Type.(*ast.StructType); ok && s.Name.IsExported() && strings.Contains(says, "concurrent use") && !strings.Contains(says, "not safe for") && !strings.Contains(says, "plain value") && !strings.Contains(says, "errors.As") {
						out[strings.TrimPrefix(filepath.ToSlash(filepath.Dir(file)), "../../")+"."+s.Name.Name] = true
					}
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}
