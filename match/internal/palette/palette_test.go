package palette

import (
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.com/phototie/match"
)

func rgb(t *testing.T, hex string) [3]float64 {
	t.Helper()
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 24)
	if err != nil || len(hex) != 7 {
		t.Fatalf("colour %q", hex)
	}
	return [3]float64{float64(v >> 16), float64(v >> 8 & 255), float64(v & 255)}
}

// contrast on white. Source: WCAG 2.2, definitions of relative luminance and
// contrast ratio.
func contrast(c [3]float64) float64 {
	l := 0.0
	for i, w := range [3]float64{0.2126, 0.7152, 0.0722} {
		v := c[i] / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		l += w * v
	}
	return 1.05 / (l + 0.05)
}

// Each verdict has a look that no other has, in colour and without it, and none
// is a colour of a traffic light.
func TestLooks(t *testing.T) {
	seen := map[string]match.Verdict{}
	for _, v := range match.Verdicts {
		l, ok := Of[v]
		if !ok {
			t.Fatalf("%s has no look", v)
		}
		border := l.Border + strconv.Itoa(l.BorderWidth)
		for _, what := range []string{l.Ink, l.Fill, l.Mark, border, "scale " + strconv.FormatFloat(l.Scale, 'g', -1, 64)} {
			if was, ok := seen[what]; ok && was != v {
				t.Errorf("%s and %s share %s", was, v, what)
			}
			seen[what] = v
		}
		if c := contrast(rgb(t, l.Ink)); c < 7 {
			t.Errorf("%s: contrast of its text %.2f", v, c)
		}
		if c := contrast(rgb(t, l.Fill)); c < 4.5 {
			t.Errorf("%s: contrast of its mark %.2f", v, c)
		}
		for _, hex := range []string{l.Ink, l.Fill} {
			c := rgb(t, hex)
			// Green is the greatest, or the colour is as bright as a lamp.
			if c[1] > c[0] && c[1] > c[2] || c[0] > 200 {
				t.Errorf("%s: %s is a traffic light's", v, hex)
			}
		}
	}
}

// No other file of the library writes a colour of a verdict by itself.
func TestOneOwner(t *testing.T) {
	var own []string
	for _, l := range Of {
		for _, hex := range []string{l.Ink, l.Fill} {
			h := hex[1:]
			own = append(own, h, h[4:]+h[2:4]+h[:2]) // as KML has it, too
		}
	}
	has := regexp.MustCompile("(?i)" + strings.Join(own, "|"))
	n := 0
	for _, dir := range []string{"../../../match", "../../../cmd"} {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.Contains(filepath.ToSlash(path), "internal/palette") {
				return err
			}
			switch filepath.Ext(path) {
			case ".go", ".css", ".tmpl", ".js":
			default:
				return nil
			}
			text, err := os.ReadFile(path)
			n++
			if m := has.Find(text); m != nil {
				t.Errorf("%s has %s, a colour of a verdict", path, m)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if n < 50 {
		t.Errorf("only %d files were read", n)
	}
}
