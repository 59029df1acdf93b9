package record_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	measured "example.com/phototie/match/pictures"
	"example.com/phototie/match/record"
)

// A photo's sheet says what was measured of it and what was found; the lists say that
// somebody should look at it; and nothing is said twice.
func TestPicturesAsRequired(t *testing.T) {
	res := job(t, 120, grid.Metre, nil)
	root := parse(t, write(t, record.Input{Title: "Quay", Result: res}))
	byID := map[string]*html.Node{}
	var others string
	for _, e := range all(root) {
		if id, ok := attr(e, "id"); ok {
			byID[id] = e
		}
		if class, _ := attr(e, "class"); class == "findings" {
			others = words(e)
		}
	}
	want := map[match.FindingCode]string{
		match.FindingBlurred:     "Warning It is blurred: edges are spread by 3.5 of 512 pixels; 1.7 are allowed",
		match.FindingTooSmall:    "Warning It has 320 x 240 pixels; 1024 x 768 are required",
		match.FindingUndecodable: "Error Its pixels can't be read: ",
		match.FindingOrientation: "Note Its pixels lie turned: it is upright a quarter turn clockwise",
	}
	seen := map[match.FindingCode]int{}
	look := text(byID["look"])
	for i := range res.Photos {
		p := &res.Photos[i]
		sheet := byID[fmt.Sprintf("photo-%d", i+1)]
		if sheet == nil {
			t.Fatalf("photo %d has no place", i+1)
		}
		told := words(sheet)
		if m := measured.Of(&p.Photo); m != nil && m.Undecoded == "" && !strings.Contains(told, "JPEG quality 85, blur ") {
			t.Errorf("%s: no figures: %s", p.Name, told)
		}
		if p.PixelsErr != nil && p.Err == nil && !strings.Contains(told, "Picture not measured: no header") {
			t.Errorf("%s: it does not say that it was not measured: %s", p.Name, told)
		}
		for _, f := range res.Findings() {
			text, ok := want[f.Code]
			if f.Photo != p.Name || !ok {
				continue
			}
			seen[f.Code]++
			if !strings.Contains(told, text) || !strings.Contains(told, "What to do: "+f.Remedy) {
				t.Errorf("%s: the sheet does not say %q: %s", p.Name, text, told)
			}
			listed := strings.Contains(look, p.Name)
			if f.Severity.AtLeast(match.SeverityWarning) && !listed {
				t.Errorf("%s: %s is not among what is to be looked at", p.Name, f.Code)
			}
			if _, marked := attr(sheet, "data-look"); marked != listed {
				t.Errorf("%s: marked %v, listed %v", p.Name, marked, listed)
			}
		}
		if strings.Contains(others, "edges are spread") {
			t.Errorf("%s is among the other findings: %s", p.Name, others)
		}
	}
	for code := range want {
		if seen[code] == 0 {
			t.Errorf("the job has no %s", code)
		}
	}
	for _, s := range []string{"not as required: ", "blurred (3)", "13 points have fewer usable photos than required, 2 of them none at all."} {
		if !strings.Contains(words(byID["summary"]), s) {
			t.Errorf("the summary does not say %q: %s", s, words(byID["summary"]))
		}
	}
	if !strings.Contains(others, "0 of 1 photo required") {
		t.Errorf("points with too few photos are not among the findings: %s", others)
	}
}

// words are the words of an element, one blank apart.
func words(n *html.Node) string {
	var parts []string
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			parts = append(parts, strings.Fields(c.Data)...)
		}
	}
	return strings.Join(parts, " ")
}

// One number says how many photos are to be looked at, in the summary's words and in
// the marks that the search goes by; a point that has too few photos says so where it
// is listed; a sketch says how large the allowed circle is, and where north is.
func TestToLookAt(t *testing.T) {
	in := input(t, 60, nil)
	page := string(write(t, in))
	n := len(in.Result.ToLookAt())
	if n == 0 || n == len(in.Result.Photos) {
		t.Fatalf("%d of %d photos are to be looked at: the job shows nothing", n, len(in.Result.Photos))
	}
	if want := fmt.Sprintf("%d of %d photos", n, len(in.Result.Photos)); !strings.Contains(page, want) {
		t.Errorf("the summary does not say %q", want)
	}
	if got := len(regexp.MustCompile(`<article [^>]*data-look`).FindAllString(page, -1)); got != n {
		t.Errorf("%d photos are marked, want %d", got, n)
	}
	if !strings.Contains(page, ">N</text>") || !regexp.MustCompile(`>circle [0-9.]+\x{a0}m</text>`).MatchString(page) {
		t.Error("a sketch has no north or no size of its circle")
	}
}
