package linklist_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/match/linklist"
)

func Example() {
	list, err := linklist.Read("crew.txt", []byte("K7: IMG_0001, IMG_0002\nK8:\n  img_0003.jpg\n"), linklist.Options{
		Photos: []string{"photos/IMG_0001.JPG", "photos/IMG_0002.JPG", "photos/IMG_0003.JPG"}, Points: []string{"K7", "K8"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, l := range list.Links {
		fmt.Println(l.Line, l.Photo, l.Point)
	}
	// Output:
	// 1 photos/IMG_0001.JPG K7
	// 1 photos/IMG_0002.JPG K7
	// 3 photos/IMG_0003.JPG K8
}

// One job's links in layouts that people use; all of them say the same.
func TestLayouts(t *testing.T) {
	opt := linklist.Options{Photos: []string{"day1/a 1.jpg", "day1/b.JPG", "day2/ä.heic", "day2/d.jpg"}, Points: []string{"K7", "K8", "12"}}
	const want = "day1/a 1.jpg=K7 day1/b.JPG=K7 day2/ä.heic=K8 day2/d.jpg=12"
	for name, text := range map[string]string{
		"plain":           "photo,point\na 1.jpg,K7\nb.JPG,K7\nä.heic,K8\nd.jpg,12\n",
		"no headings":     "K7;a 1.jpg\nK7;b\nK8;ä\n12;d\n",
		"numbered":        "No\tPoint\tImage\tRemarks\n1\tK7\tA 1.JPG\tnear K8\n2\tK7\tB.JPG\t\n3\tK8\ta\u0308.heic\tsee b.jpg? no\n4\t12\td.jpg\t\n",
		"several a cell":  "pt,photos\nK7,\"a 1.jpg, b.jpg\"\nK8,ä.heic\n12,d.jpg\n",
		"several columns": "pt,photo 1,photo 2\nK7,a 1.jpg,b.jpg\nK8,ä.heic,\n12,d.jpg,\n",
		"blocks":          "Point K7: a 1.jpg, b.jpg\nPoint K8: ä.heic\nPoint 12: d.jpg\n",
		"headings":        "K7\n  a 1\n  b\n\nK8\n  ä\n\n12\n  d\n",
		"json":            `{"points":[{"id":"K7","photos":["a 1.jpg","b.jpg"]},{"id":"K8","photos":["ä.heic"]},{"id":12,"photos":["d.jpg"]}]}`,
		"json map":        `{"a 1.jpg":"K7","b.jpg":"K7","ä.heic":"K8","d.jpg":"12"}`,
		"json rows":       `[{"file":"a 1.jpg","point":"K7"},{"file":"b.jpg","point":"K7"},{"file":"ä.heic","point":"K8"},{"file":"d.jpg","point":"12"}]`,
		"xml":             `<job><pt id="K7"><photo>a 1.jpg</photo><photo>b.jpg</photo></pt><pt id="K8"><photo>ä.heic</photo></pt><pt id="12"><photo>d.jpg</photo></pt></job>`,
		"html":            `<html><body><table><tr><th>Point</th><th>Photo</th></tr><tr><td rowspan="2">K7</td><td><img src="a 1.jpg"></td></tr><tr><td>b.jpg</td></tr><tr><td>K8</td><td>ä.heic</td></tr><tr><td>12</td><td>d.jpg</td></tr></table></body></html>`,
		"html headings":   `<html><body><h2>K7</h2><ul><li>a 1.jpg</li><li>b.jpg</li></ul><h2>K8</h2><p>ä.heic</p><h2>12</h2><p>d.jpg</p></body></html>`,
		"arrows":          "a 1.jpg -> K7\nb.jpg -> K7\nä.heic -> K8\nd.jpg -> 12\n",
		"paths":           "C:\\job\\day1\\a 1.jpg,K7\nC:\\job\\day1\\b.jpg,K7\nC:\\job\\day2\\ä.heic,K8\nC:\\job\\day2\\d.jpg,12\n",
	} {
		list, err := linklist.Read(name, []byte(text), opt)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, l := range list.Links {
			got = append(got, l.Photo+"="+l.Point)
		}
		if s := strings.Join(got, " "); s != want {
			t.Errorf("%s (%s): %s", name, list.Layout, s)
		}
		if len(list.UnknownPhotos)+len(list.UnknownPoints)+len(list.Untied) > 0 {
			t.Errorf("%s: unknown %v %v, untied %v", name, list.UnknownPhotos, list.UnknownPoints, list.Untied)
		}
	}
}

// Whatever comes, a list ties only photos and points that are there, and its links
// stand in lines that it has.
func FuzzRead(f *testing.F) {
	for _, s := range []string{"photo,point\na.jpg,K7\n", "K7: a.jpg, b.jpg", `{"K7":["a.jpg"]}`, "<r><p id='K7'>a.jpg</p></r>", "<table><tr><td rowspan=2>K7<td>a<tr><td>b</table>", "\xff\xfeK\x007\x00"} {
		f.Add([]byte(s))
	}
	opt := linklist.Options{Photos: []string{"x/a.jpg", "x/b.jpg", "y/b.jpg"}, Points: []string{"K7", "12", "a"}}
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := linklist.Read("list", data, opt)
		if err != nil {
			return
		}
		for _, l := range list.Links {
			if !slices.Contains(opt.Photos, l.Photo) || !slices.Contains(opt.Points, l.Point) {
				t.Errorf("%+v is not of this job", l)
			}
			if l.Line < 1 {
				t.Errorf("%+v has no line", l)
			}
		}
	})
}

// What is too long or too deep is refused, and a long list of many photos of one
// beginning is read in a time that grows with it.
func TestBounds(t *testing.T) {
	opt := linklist.Options{Points: []string{"K7"}}
	if _, err := linklist.Read("list", bytes.Repeat([]byte("a.jpg K7\n"), 4<<20), opt); err == nil {
		t.Error("38 MiB are read")
	}
	if _, err := linklist.Read("list", []byte(strings.Repeat("[", 100)+strings.Repeat("]", 100)), opt); err == nil {
		t.Error("100 arrays in each other are read")
	}
	var text strings.Builder
	for i := range 50_000 {
		opt.Photos = append(opt.Photos, fmt.Sprintf("photo %d.jpg", i))
		fmt.Fprintf(&text, "photo %d.jpg;K7\n", i)
	}
	list, err := linklist.Read("list", []byte(text.String()), opt)
	if err != nil || len(list.Links) != 50_000 {
		t.Errorf("%v, %v", list, err)
	}
}
