package dataset_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/bep/imagemeta"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// independent reads a photo's position with a metadata reader that is not ours.
func independent(raw []byte) (lat, lon float64, err error) {
	var tags imagemeta.Tags
	_, err = imagemeta.Decode(imagemeta.Options{
		R: bytes.NewReader(raw), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF | imagemeta.XMP,
		ShouldHandleTag: func(imagemeta.TagInfo) bool { return true },
		HandleTag: func(tag imagemeta.TagInfo) error {
			// That reader takes tags 1 and 2 of the interoperability directory for
			// a latitude and its reference.
			if !strings.HasSuffix(tag.Namespace, "InteroperabilityIFD") {
				tags.Add(tag)
			}
			return nil
		},
	})
	if err != nil {
		return 0, 0, err
	}
	return tags.GetLatLong()
}

// utm is the EPSG code of the WGS 84 / UTM zone of a place.
func utm(lat, lon float64) int {
	zone := int(math.Floor((lon+180)/6)) + 1
	if lat < 0 {
		return 32700 + zone
	}
	return 32600 + zone
}

// project carries a position to a UTM grid with PROJ's own program.
func project(t *testing.T, code int, lat, lon float64) (e, n float64) {
	t.Helper()
	cmd := exec.Command("cs2cs", "-d", "6", "EPSG:4326", fmt.Sprintf("EPSG:%d", code))
	cmd.Stdin = strings.NewReader(fmt.Sprintf("%.15g %.15g\n", lat, lon))
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(string(out), &e, &n); err != nil {
		t.Fatalf("cs2cs says %q: %v", out, err)
	}
	return e, n
}

// Jobs made of real photos: each point is 3 m west and 4 m south of where an
// independent reader and PROJ's cs2cs put the photo's tag, so every photo with a
// position must come out 5 m from its point at a bearing of atan2(3, 4), and
// every photo without one as unjudged. All are then corrected, read back by the
// independent reader, and restored.
func TestRealPhotos(t *testing.T) {
	if _, err := exec.LookPath("cs2cs"); err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	type photo struct {
		name     string
		raw      []byte
		lat, lon float64
		located  bool
	}
	jobs := map[int][]photo{}
	located := 0
	add := func(name string, raw []byte) {
		p := photo{name: name, raw: raw}
		lat, lon, err := independent(raw)
		tag, terr := geotag.ReadBytes(raw)
		p.located = terr == nil && tag.Position != nil
		code := 32633
		if p.located {
			if err != nil || math.Hypot(lat-tag.Position.Lat, lon-tag.Position.Lon) > 1e-7 {
				t.Errorf("%s: we read %v, the independent reader %v %v (%v)", name, tag.Position, lat, lon, err)
			}
			p.lat, p.lon = tag.Position.Lat, tag.Position.Lon
			code = utm(p.lat, p.lon)
			located++
		}
		jobs[code] = append(jobs[code], p)
	}
	for _, s := range geotagtest.All(t) {
		if s.Whole != nil {
			add("sample-"+strings.TrimSuffix(s.Name, filepath.Ext(s.Name))+".jpg", s.Whole)
		}
	}
	for i, s := range geotagtest.Photos(t) {
		add(fmt.Sprintf("photo%03d-%s.jpg", i, strings.TrimSuffix(s.Name, filepath.Ext(s.Name))), s.Raw)
	}
	if located < 10 {
		t.Fatalf("only %d real photos with a position", located)
	}
	ctx := context.Background()
	judged, corrected := 0, 0
	for code, photos := range jobs {
		dir := t.TempDir()
		put := func(name string, data []byte) {
			t.Helper()
			name = filepath.Join(dir, name)
			if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		points, links := "id,easting,northing\n", "photo,point\n"
		before := map[string][32]byte{}
		for i, p := range photos {
			e, n := 500000.0+float64(i)*100, 5000000.0
			if p.located {
				e, n = project(t, code, p.lat, p.lon)
				e, n = e-3, n-4
			}
			points += fmt.Sprintf("P%d,%.6f,%.6f\n", i, e, n)
			links += fmt.Sprintf("photos/%s,P%d\n", p.name, i)
			put("photos/"+p.name, p.raw)
			before["photos/"+p.name] = sha256.Sum256(p.raw)
		}
		put("points.csv", []byte(points))
		put("links.csv", []byte(links))
		// A budget that leaves 5 m within whatever the photo states.
		put("phototie.toml", []byte(fmt.Sprintf("[grid]\ncrs = \"EPSG:%d\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n[budget]\nstandoff_m = 5\n", code)))

		d, err := dataset.Open(t.Context(), dir, crs.OpenGrid)
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		res, err := d.Check(ctx, dataset.CheckOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Photos) != len(photos) {
			t.Errorf("EPSG:%d: %d photos of %d are accounted for", code, len(res.Photos), len(photos))
		}
		byName := map[string]*match.PhotoResult{}
		for i := range res.Photos {
			byName[res.Photos[i].Name] = &res.Photos[i]
		}
		for _, p := range photos {
			r := byName["photos/"+p.name]
			switch {
			case r == nil:
				t.Errorf("%s is not in the result", p.name)
			case !p.located:
				if r.Verdict != match.Unjudged {
					t.Errorf("%s has no position, and yet the verdict %s", p.name, r.Verdict)
				}
			case r.Discrepancy == nil:
				t.Errorf("%s is %s: %s", p.name, r.Verdict, r.Why)
			default:
				judged++
				// The points are rounded to a micrometre; WGS 84 UTM needs no shift
				// of the frame, so a millimetre is ample.
				if d := r.Discrepancy; math.Abs(d.DE-3) > 1e-3 || math.Abs(d.DN-4) > 1e-3 || math.Abs(d.Bearing.Degrees()-36.8699) > 0.02 || r.Verdict != match.Within {
					t.Errorf("%s: dE %.4f dN %.4f bearing %v, %s; want 3, 4, 36°52'11\" and within", p.name, d.DE, d.DN, d.Bearing, r.Verdict)
				}
			}
		}

		opt := dataset.CorrectOptions{InPlace: true, Policy: match.Policy{Only: match.Verdicts, Contradicted: true}, Tool: "test"}
		for c, err := range res.Correct(ctx, opt) {
			if err != nil {
				t.Fatal(err)
			}
			now, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(c.Photo)))
			if err != nil {
				t.Fatal(err)
			}
			if c.Outcome != dataset.Corrected {
				if c.Why == "" {
					t.Errorf("%s was %s without a reason", c.Photo, c.Outcome)
				}
				if sha256.Sum256(now) != before[c.Photo] {
					t.Errorf("%s was %s, and yet it changed", c.Photo, c.Outcome)
				}
				t.Logf("%s: %s: %s", c.Photo, c.Outcome, c.Why)
				continue
			}
			corrected++
			lat, lon, err := independent(now)
			if strings.Contains(c.Photo, "-crash01") && lat == 0 && lon == 0 {
				// The independent reader gives this damaged one up.
				continue
			}
			// 1e-8 degrees are 1.1 mm.
			if err != nil || math.Abs(lat-c.Edit.Lat) > 1e-8 || math.Abs(lon-c.Edit.Lon) > 1e-8 {
				t.Errorf("%s: the independent reader finds %v %v (%v), written was %v %v", c.Photo, lat, lon, err, c.Edit.Lat, c.Edit.Lon)
			}
		}
		for o, err := range dataset.Restore(ctx, dir, "test", nil, false) {
			if err != nil {
				t.Errorf("restoring %s: %v", o.Photo, err)
			}
		}
		for name, sum := range before {
			now, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
			if err != nil || sha256.Sum256(now) != sum {
				t.Errorf("%s was not restored to its own bytes (%v)", name, err)
			}
		}
	}
	t.Logf("%d real photos in %d jobs: %d with a position judged, %d corrected and restored", len(geotagtest.All(t))+len(geotagtest.Photos(t)), len(jobs), judged, corrected)
}
