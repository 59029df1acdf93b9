package match

import (
	"fmt"
	"reflect"
	"runtime"
	"strings"
	"testing"
)

func TestFindPhoto(t *testing.T) {
	names := []string{"photos/a.jpg", "photos/day1/b.jpg", "photos/day2/b.jpg", "photos/C.JPG", "c.jpg", `odd\name.jpg`, "photos/D.jpg", "more/d.JPG", "photos/\u00e9t\u00e9.jpg"}
	n, err := newPhotoNames(names)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		link string
		want []int
		how  []string
	}{
		{"photos/a.jpg", []int{0}, nil},
		{"./photos//a.jpg", []int{0}, nil},
		{`photos\a.jpg`, []int{0}, nil},
		{`odd\name.jpg`, []int{5}, nil},
		{"a.jpg", []int{0}, []string{EvidenceFileName}},
		{"b.jpg", []int{1, 2}, []string{EvidenceFileName}},
		{"day2/b.jpg", []int{2}, []string{EvidenceFileName}},
		{`C:\jobs\quay\photos\day1\b.jpg`, []int{1}, []string{EvidenceFileName}},
		{"/photos/a.jpg", []int{0}, []string{EvidenceFileName}},
		{"Photos/A.JPG", []int{0}, []string{EvidenceIgnoringCase}},
		{"A.jpg", []int{0}, []string{EvidenceFileName, EvidenceIgnoringCase}},
		{"C.jpg", []int{4}, []string{EvidenceIgnoringCase}},
		{"C.JPG", []int{3}, []string{EvidenceFileName}},
		{"c.jpg", []int{4}, nil},
		{"d.jpg", []int{6, 7}, []string{EvidenceFileName, EvidenceIgnoringCase}},
		{"photos/e\u0301te\u0301.JPG", []int{8}, []string{EvidenceIgnoringCase}},
		{"xa.jpg", nil, nil},
		{"day3/b.jpg", nil, nil},
		{"a", nil, nil},
		{"..", nil, nil},
	} {
		got, how := n.find(c.link)
		if !reflect.DeepEqual(got, c.want) || !reflect.DeepEqual(how, c.how) {
			t.Errorf("%s: %v %v, want %v %v", c.link, got, how, c.want, c.how)
		}
	}
	for _, c := range []struct {
		names []string
		want  string
	}{
		{[]string{"a", "a"}, `photo "a" comes twice`},
		{[]string{""}, "photo 1 of the job has no name"},
	} {
		if _, err := newPhotoNames(c.names); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v", c.names, err)
		}
	}
}

func TestTie(t *testing.T) {
	names, err := newPhotoNames([]string{"p/1.jpg", "p/2.jpg", "p/3.jpg", "p/4.jpg", "p/5.jpg", "q/5.jpg", "p/6.jpg"})
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]int{"B1": 0, "B2": 1}
	folded := map[string][]string{"b1": {"B1"}, "b2": {"B2"}}
	s := sortLinks(names, []Link{
		{Photo: "1.jpg", Point: "B1", Line: 2}, {Photo: "p/1.jpg", Point: " B1 ", Line: 3}, // the same twice; the exact one is the evidence
		{Photo: "2.jpg", Point: "B1", Line: 4}, {Photo: "2.jpg", Point: "B2", Line: 5}, {Photo: "2.jpg", Point: "B9", Line: 6},
		{Photo: "3.jpg", Point: "b1", Line: 7},
		{Photo: "4.jpg", Point: "", Line: 8},
		{Photo: "5.jpg", Point: "B2", Line: 9},
		{Photo: "9.jpg", Point: "B2", Line: 10},
		{Photo: " ", Point: "B2", Line: 11},
	})
	for i, want := range []struct {
		tie    *Tie
		reason Reason
		why    string
	}{
		{&Tie{Point: "B1", Evidence: []string{EvidenceListed}, Line: 3}, "", ""},
		{nil, ReasonManyPoints, `3 points for it: "B1", "B2", "B9" (not in the survey) (lines 4, 5, 6)`},
		{nil, ReasonNoPoint, `on line 7 names point "b1", which the survey does not have; it has B1, written otherwise`},
		{nil, ReasonNoTie, "on line 8 names no point"},
		{nil, ReasonNoTie, "on line 9 may mean this photo or another"},
		{nil, ReasonNoTie, "on line 9 may mean this photo or another"},
		{nil, ReasonNoTie, "no link says"},
	} {
		tie, _, reason, why := s.tie(i, ids, folded)
		if !reflect.DeepEqual(tie, want.tie) || reason != want.reason || !strings.Contains(why, want.why) {
			t.Errorf("photo %d: %+v %q %q, want %+v %q %q", i, tie, reason, why, want.tie, want.reason, want.why)
		}
	}
	var lines []int
	for _, x := range s.unmatched {
		lines = append(lines, x.Line)
		if x.Why == "" {
			t.Errorf("line %d strays without a reason", x.Line)
		}
	}
	if !reflect.DeepEqual(lines, []int{9, 10, 11}) {
		t.Errorf("strays on lines %v", lines)
	}
}

// TestManyLinksOfOneName: links that may mean any of very many photos take no memory
// for each of them.
func TestManyLinksOfOneName(t *testing.T) {
	const n = 3000
	names, links := make([]string, n), make([]Link, n)
	for i := range names {
		names[i] = fmt.Sprintf("photos/%d/a.jpg", i)
		links[i] = Link{Photo: "a.jpg", Point: "B1", Line: i + 2}
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	known, err := newPhotoNames(names)
	if err != nil {
		t.Fatal(err)
	}
	s := sortLinks(known, links)
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 16<<20 {
		t.Errorf("%d bytes were allocated", got)
	}
	if len(s.unmatched) != n || s.unmatched[0].Why != s.unmatched[n-1].Why || !strings.Contains(s.unmatched[0].Why, "any of 3000 photos") {
		t.Errorf("%d strays, %q", len(s.unmatched), s.unmatched[0].Why)
	}
	for i := range names {
		if s.ambiguous[i] == nil || s.ambiguous[i].Line != 2 {
			t.Fatalf("photo %d: %v", i, s.ambiguous[i])
		}
	}
}
