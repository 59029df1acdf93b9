package match

import (
	"bytes"
	"encoding/json"
	"testing"

	"example.com/phototie/grid"
)

// FuzzSums reads set statistics that another machine is said to have gathered. They
// are refused, or they are written again as they came, merge, and give figures.
func FuzzSums(f *testing.F) {
	tally, err := json.Marshal(NewTally(grid.Metre, Budget{}))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(tally)
	f.Add([]byte(`{"unit":{"name":"metre","symbol":"m","metres":1},"confidence":0.95,"gross_level":0.001,"unjudged":2,"judged":[{"p":0.5,"d_e":1,"d_n":2,"within":true},{"p":0,"d_e":900,"d_n":2,"within":false}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		again := func(v json.Marshaler, into json.Unmarshaler, back json.Marshaler) {
			t.Helper()
			out, err := v.MarshalJSON()
			if err != nil {
				t.Fatalf("read and not written: %v", err)
			}
			if err := into.UnmarshalJSON(out); err != nil {
				t.Fatalf("%s is written and not read: %v", out, err)
			}
			if two, err := back.MarshalJSON(); err != nil || !bytes.Equal(out, two) {
				t.Fatalf("%s and then %s, %v", out, two, err)
			}
		}
		var a, b Tally
		if a.UnmarshalJSON(text) == nil {
			again(&a, &b, &b)
			n := a.Len()
			if err := a.Merge(&b); err != nil {
				t.Fatal(err)
			}
			total := 0
			for _, c := range a.Counts() {
				total += c
			}
			if a.Len() != 2*n || total != 2*n {
				t.Fatalf("%d photos twice are %d, %d by verdict", n, a.Len(), total)
			}
			a.Sets()
		}
	})
}

// FuzzSortLinks ties photos by whatever links name. Every link leads to one photo
// or is a stray, and one that gives a photo's whole path leads to it.
func FuzzSortLinks(f *testing.F) {
	f.Add("photos/a.jpg", "photos/b/A.JPG", "a.jpg", `b\a.jpg`)
	f.Add("a", "/a", "../a", "./a")
	f.Add("0", "0 ", "0 ", " 0")
	f.Add(".", "..", "", "\x00")
	f.Fuzz(func(t *testing.T, one, two, link, other string) {
		links := []Link{{Photo: link, Point: "A"}, {Photo: other, Point: "B"}, {Photo: one, Point: "C"}, {Photo: two, Point: "D"}}
		of, strays, err := SortLinks([]string{one, two}, links)
		if err != nil {
			if one != "" && two != "" && one != two {
				t.Fatal(err)
			}
			return
		}
		n := len(strays)
		for i, ls := range of {
			n += len(ls)
			for _, l := range ls {
				if exact := map[string]int{one: 0, two: 1}; l.Point == "C" || l.Point == "D" {
					if want, ok := exact[l.Photo]; ok && want != i {
						t.Fatalf("%q is tied to photo %d", l.Photo, i)
					}
				}
			}
		}
		if n != len(links) {
			t.Fatalf("%d links of %d: %v %v", n, len(links), of, strays)
		}
	})
}
