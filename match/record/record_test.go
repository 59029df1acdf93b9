package record_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/record"
)

func write(tb testing.TB, in record.Input) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := record.Write(tb.Context(), &b, in); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

func parse(tb testing.TB, page []byte) *html.Node {
	tb.Helper()
	n, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

// all yields the elements of a page.
func all(n *html.Node) []*html.Node {
	var out []*html.Node
	for c := range n.Descendants() {
		if c.Type == html.ElementNode {
			out = append(out, c)
		}
	}
	return out
}

func attr(n *html.Node, key string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val, true
		}
	}
	return "", false
}

func text(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return strings.TrimSpace(b.String())
}

// pageProblems says what is wrong with the structure of a page. exists tells of
// other files that a link may lead to, with the ids in them.
func pageProblems(root *html.Node, exists func(file, id string) bool) []string {
	var bad []string
	say := func(format string, args ...any) { bad = append(bad, fmt.Sprintf(format, args...)) }
	ids := map[string]bool{}
	els := all(root)
	for _, e := range els {
		if id, ok := attr(e, "id"); ok {
			if ids[id] {
				say("the id %q stands twice", id)
			}
			ids[id] = true
		}
	}
	level, h1 := 0, 0
	for _, e := range els {
		switch e.Data {
		case "html":
			if v, _ := attr(e, "lang"); v != "en" {
				say("the page has no language")
			}
		case "h1", "h2", "h3", "h4", "h5":
			l := int(e.Data[1] - '0')
			if l > level+1 {
				say("%s %q comes after a heading of level %d", e.Data, text(e), level)
			}
			level = l
			if l == 1 {
				h1++
			}
			if text(e) == "" {
				say("an empty heading")
			}
		case "img":
			if v, _ := attr(e, "alt"); v == "" {
				say("an image without an alt text")
			}
			if v, _ := attr(e, "src"); !strings.HasPrefix(v, "data:image/jpeg;base64,") {
				say("an image from %.40q", v)
			} else if _, err := base64.StdEncoding.DecodeString(v[len("data:image/jpeg;base64,"):]); err != nil {
				say("an image: %v", err)
			}
		case "table":
			if e.FirstChild == nil || !slices.ContainsFunc(all(e), func(n *html.Node) bool { return n.Data == "caption" }) {
				say("a table without a caption")
			}
		case "th":
			if _, ok := attr(e, "scope"); !ok {
				say("a table head without a scope")
			}
		case "svg":
			_, label := attr(e, "aria-label")
			by, _ := attr(e, "aria-labelledby")
			for _, id := range strings.Fields(by) {
				if !ids[id] {
					say("a drawing is labelled by %q, which is not there", id)
				}
			}
			if !label && by == "" {
				say("a drawing without a name")
			}
		case "link", "iframe", "object", "embed", "base":
			say("an element %s", e.Data)
		}
		for _, a := range e.Attr {
			switch {
			case strings.HasPrefix(a.Key, "on"):
				say("an attribute %s on %s", a.Key, e.Data)
			case a.Key == "style":
				say("a style attribute on %s", e.Data)
			case a.Key == "href":
				file, id, _ := strings.Cut(a.Val, "#")
				if file == "" && !ids[id] || file != "" && !exists(file, id) {
					say("a link to %q leads nowhere", a.Val)
				}
			case a.Key == "aria-labelledby" && e.Data != "svg":
				if !ids[a.Val] {
					say("%s is labelled by %q, which is not there", e.Data, a.Val)
				}
			}
		}
	}
	if h1 != 1 {
		say("%d headings of level 1", h1)
	}
	return bad
}

func nowhere(file, id string) bool { return false }

func TestStructure(t *testing.T) {
	for _, c := range []struct {
		name string
		in   record.Input
	}{
		{"everything", input(t, 120, nil)},
		{"result alone", record.Input{Result: job(t, 40, grid.USSurveyFoot, nil)}},
		{"nothing", record.Input{Result: &match.Result{}}},
		{"causes looked for", record.Input{Result: job(t, 4, grid.Metre, nil), Causes: []record.Cause{}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			page := write(t, c.in)
			for _, p := range pageProblems(parse(t, page), nowhere) {
				t.Error(p)
			}
			for _, net := range []string{"http:", "https:", "//cdn", "url(h", "@import"} {
				if s := strings.ReplaceAll(string(page), "http://www.w3.org/2000/svg", ""); strings.Contains(s, net) {
					t.Errorf("the page has %q in it", net)
				}
			}
		})
	}
}

// The checks of TestStructure can fail.
func TestStructureChecks(t *testing.T) {
	page := string(write(t, input(t, 20, nil)))
	for _, c := range []struct{ old, new, want string }{
		{`<h2 id="plan-h">Plan</h2>`, `<h5 id="plan-h">Plan</h5>`, "comes after a heading of level"},
		{`id="photo-2"`, `id="photo-1"`, "stands twice"},
		{`alt="Photo`, `title="Photo`, "without an alt text"},
		{`<caption>Every point with its photos</caption>`, ``, "without a caption"},
		{`href="#point-1"`, `href="#point-x"`, "leads nowhere"},
		{`<main`, `<main onclick="x"`, "an attribute onclick"},
	} {
		broken := strings.Replace(page, c.old, c.new, 1)
		if broken == page {
			t.Errorf("%s is not in the page", c.old)
			continue
		}
		if bad := pageProblems(parse(t, []byte(broken)), nowhere); !strings.Contains(strings.Join(bad, "\n"), c.want) {
			t.Errorf("%s: %q, want %s", c.new, bad, c.want)
		}
	}
}

// Every photo and every point is there with its verdict.
func TestAccountsForAll(t *testing.T) {
	in := input(t, 150, nil)
	root := parse(t, write(t, in))
	verdicts := map[string]string{}
	var rows []string
	for _, e := range all(root) {
		v, ok := attr(e, "data-v")
		switch {
		case !ok:
		case e.Data == "article":
			for _, p := range all(e) {
				if c, _ := attr(p, "class"); c == "path" {
					name := text(p)
					if i := strings.LastIndex(name, " · "); i >= 0 {
						name = name[i+len(" · "):]
					}
					verdicts[name] = v
				}
			}
		case e.Data == "tr":
			for _, h := range all(e) {
				if h.Data == "th" {
					rows = append(rows, text(h))
				}
			}
		}
	}
	if len(verdicts) != len(in.Result.Photos) {
		t.Errorf("%d photos of %d", len(verdicts), len(in.Result.Photos))
	}
	for i := range in.Result.Photos {
		p := &in.Result.Photos[i]
		if verdicts[p.Name] != string(p.Verdict) {
			t.Errorf("%s: %q, want %s", p.Name, verdicts[p.Name], p.Verdict)
		}
	}
	for i := range in.Result.Points {
		if !slices.Contains(rows, in.Result.Points[i].ID) {
			t.Errorf("point %s is not in the register", in.Result.Points[i].ID)
		}
	}
	if !slices.ContainsFunc(rows, func(s string) bool { return strings.HasPrefix(s, "Photos without a point") }) {
		t.Error("the register has no photos without a point")
	}
}

// hostile makes any name into an attack, and keeps names apart.
func hostile(s string) string {
	return s + `</title></style></script><script>alert("` + s + `")</script><img src=x onerror='alert(1)'>"'` + "`" + `{{.}}${1}<!--]]>&lt;`
}

// inPlan says that an element is in the section of the plan.
func inPlan(e *html.Node) bool {
	for ; e != nil; e = e.Parent {
		if id, _ := attr(e, "id"); id == "plan" {
			return true
		}
	}
	return false
}

// What the input says stays text, whatever it says.
func TestInjection(t *testing.T) {
	count := func(page []byte) (map[string]int, []string) {
		n := map[string]int{}
		root := parse(t, page)
		for _, e := range all(root) {
			// A path may break after each slash, and long names find less room on the
			// plan, which then has other lines, other insets and another caption.
			if !slices.Contains([]string{"br", "p", "wbr"}, e.Data) && !inPlan(e) {
				n[e.Data]++
			}
		}
		return n, pageProblems(root, nowhere)
	}
	benign, _ := count(write(t, input(t, 60, nil)))
	page := write(t, input(t, 60, hostile))
	attacked, bad := count(page)
	for _, p := range bad {
		t.Error(p)
	}
	for el, n := range attacked {
		if benign[el] != n {
			t.Errorf("%d elements %s, %d with harmless names", n, el, benign[el])
		}
	}
	root := parse(t, page)
	for _, e := range all(root) {
		if e.Data == "h1" && text(e) != hostile("Port Velland") {
			t.Errorf("the title reads %q", text(e))
		}
	}
	for _, s := range []string{"<script>alert", "<img src=x", "</style></script>"} {
		if bytes.Contains(page, []byte(s)) {
			t.Errorf("the page has %q in it", s)
		}
	}
}

// Marks that turn the direction of writing, and controls, are shown as such.
func TestControls(t *testing.T) {
	in := record.Input{Title: "a\u202egpj.b\x00c\xffd\u2028e\nf", Result: &match.Result{}}
	page := write(t, in)
	if !bytes.Contains(page, []byte(`a\u202egpj.b\x00c\xffd\u2028e\nf`)) {
		t.Error("the title is not escaped")
	}
	if bytes.ContainsAny(page, "\u202e\x00\u2028") {
		t.Error("the page has controls in it")
	}
}

// The page's policy lets its own script run and no other.
func TestPolicy(t *testing.T) {
	root := parse(t, write(t, input(t, 10, nil)))
	var policy string
	var scripts []string
	for _, e := range all(root) {
		if v, _ := attr(e, "http-equiv"); v == "Content-Security-Policy" {
			policy, _ = attr(e, "content")
		}
		if e.Data == "script" {
			scripts = append(scripts, e.FirstChild.Data)
		}
	}
	if len(scripts) != 1 {
		t.Fatalf("%d scripts", len(scripts))
	}
	h := sha256.Sum256([]byte(scripts[0]))
	want := "script-src 'sha256-" + base64.StdEncoding.EncodeToString(h[:]) + "'"
	if !strings.Contains(policy, want) || !strings.Contains(policy, "default-src 'none'") {
		t.Errorf("the policy is %q, want %s in it", policy, want)
	}
}

// The same input gives the same bytes, however the goroutines run.
func TestSame(t *testing.T) {
	in := input(t, 60, nil)
	pics := in.Thumbnail
	in.Thumbnail = func(ctx context.Context, photo string) (record.Picture, error) {
		time.Sleep(time.Duration(photo[len(photo)-5]%5) * time.Millisecond)
		return pics(ctx, photo)
	}
	a, b := write(t, in), write(t, in)
	if !bytes.Equal(a, b) {
		t.Error("two runs differ")
	}
	in.Date = "3 June 2025"
	if c := write(t, in); bytes.Equal(a, c) {
		t.Error("another date gives the same bytes")
	}
}

// Each picture stands beside the photo that it was made of.
func TestPicturesInPlace(t *testing.T) {
	in := input(t, 90, nil)
	of := map[string]record.Picture{}
	for i := range in.Result.Photos {
		of[in.Result.Photos[i].Name] = picture(8, 8, uint64(i))
	}
	in.Thumbnail = func(_ context.Context, photo string) (record.Picture, error) { return of[photo], nil }
	n := 0
	for _, e := range all(parse(t, write(t, in))) {
		if e.Data != "article" {
			continue
		}
		var src, name string
		for _, c := range all(e) {
			if c.Data == "img" {
				src, _ = attr(c, "src")
			}
			if class, _ := attr(c, "class"); class == "path" {
				name = text(c)
				if i := strings.LastIndex(name, " · "); i >= 0 {
					name = name[i+len(" · "):]
				}
			}
		}
		n++
		if src != "data:image/jpeg;base64,"+base64.StdEncoding.EncodeToString(of[name].JPEG) {
			t.Errorf("%s has another photo's picture", name)
		}
	}
	if n != len(in.Result.Photos) {
		t.Errorf("%d pictures", n)
	}
}

func TestCancel(t *testing.T) {
	in := input(t, 400, nil)
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	in.Progress = func(done, total int) {
		if n++; n == 50 {
			cancel()
		}
	}
	err := record.Write(ctx, new(bytes.Buffer), in)
	if !errors.Is(err, context.Canceled) || n > 60 {
		t.Errorf("%v after %d photos", err, n)
	}
	deadline := time.Now().Add(5 * time.Second)
	for runtime.NumGoroutine() > before && time.Now().Before(deadline) {
		time.Sleep(5 * time.Millisecond)
	}
	if g := runtime.NumGoroutine(); g > before {
		t.Errorf("%d goroutines left over", g-before)
	}
}

type full struct{ left int }

var errFull = errors.New("no space left")

func (f *full) Write(b []byte) (int, error) {
	if f.left -= len(b); f.left < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestWriteErrors(t *testing.T) {
	in := input(t, 100, nil)
	for _, room := range []int{0, 100_000, 200_000} {
		if err := record.Write(t.Context(), &full{room}, in); !errors.Is(err, errFull) {
			t.Errorf("with room for %d bytes: %v", room, err)
		}
	}
	if err := record.Write(t.Context(), new(bytes.Buffer), record.Input{}); err == nil {
		t.Error("no result, no error")
	}
}

// An address that can run code is not used.
func TestPhotoLink(t *testing.T) {
	in := record.Input{Result: job(t, 6, grid.Metre, nil), Thumbnail: func(context.Context, string) (record.Picture, error) { return picture(8, 8, 1), nil }}
	in.PhotoLink = func(photo string) string {
		if strings.HasSuffix(photo, "1.jpg") {
			return "javascript:alert(1)"
		}
		return "./job/" + photo
	}
	page := string(write(t, in))
	if strings.Contains(page, "javascript:") {
		t.Error("a link runs code")
	}
	if !strings.Contains(page, `<a href="./job/photos/day1/Q00002.jpg"><img`) {
		t.Error("the picture is no link")
	}
}

func TestWriteDir(t *testing.T) {
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	in := input(t, 300, nil)
	in.PhotosPerPage = 40
	files := func() []string {
		var out []string
		es, err := fs.ReadDir(root.FS(), ".")
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			out = append(out, e.Name())
		}
		return out
	}
	if err := record.WriteDir(t.Context(), root, in); err != nil {
		t.Fatal(err)
	}
	pages := map[string]*html.Node{}
	photos := 0
	for _, f := range files() {
		b, err := root.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		pages[f] = parse(t, b)
		here := 0
		for _, e := range all(pages[f]) {
			if e.Data == "article" {
				here++
			}
		}
		photos += here
		if here > 50 {
			t.Errorf("%s has %d photos", f, here)
		}
	}
	if photos != len(in.Result.Photos) || len(pages) < 7 {
		t.Errorf("%d photos on %d pages", photos, len(pages))
	}
	exists := func(file, id string) bool {
		p, ok := pages[file]
		return ok && (id == "" || slices.ContainsFunc(all(p), func(e *html.Node) bool { v, _ := attr(e, "id"); return v == id }))
	}
	for f, p := range pages {
		for _, bad := range pageProblems(p, exists) {
			t.Errorf("%s: %s", f, bad)
		}
	}

	// A smaller record takes the place of a larger one.
	in.PhotosPerPage = 1000
	if err := record.WriteDir(t.Context(), root, in); err != nil {
		t.Fatal(err)
	}
	if got := files(); !slices.Equal(got, []string{"index.html", "sheets-001.html"}) {
		t.Errorf("the folder has %q", got)
	}

	// A folder with anything else is left alone.
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := record.WriteDir(t.Context(), root, in); !errors.Is(err, record.ErrTaken) || !strings.Contains(err.Error(), "notes.txt") {
		t.Errorf("with another file: %v", err)
	}
}

// An interrupted record leaves no half page under its name.
func TestWriteDirCancel(t *testing.T) {
	root, err := os.OpenRoot(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	in := input(t, 100, nil)
	in.PhotosPerPage = 30
	ctx, cancel := context.WithCancel(t.Context())
	in.Progress = func(done, total int) {
		if done == 45 {
			cancel()
		}
	}
	if err := record.WriteDir(ctx, root, in); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	es, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		t.Fatal(err)
	}
	if len(es) != 1 || es[0].Name() != "sheets-001.html" {
		t.Errorf("the folder has %v", es)
	}
}

func FuzzWrite(f *testing.F) {
	f.Add("Port Velland", "P0001", "BOL", "a bollard", "photos/1.jpg", "note")
	f.Add(hostile("a"), hostile("b"), hostile("c"), hostile("d"), hostile("e"), hostile("f"))
	f.Add("\u202e", "\xff\xfe", "\x00", "]]>", "--!>", "</textarea>")
	base := job(f, 4, grid.Metre, nil)
	f.Fuzz(func(t *testing.T, title, id, code, desc, photo, note string) {
		r := *base
		r.Photos = slices.Clone(base.Photos)
		r.Points = slices.Clone(base.Points)
		old := r.Points[0].ID
		r.Points[0].ID, r.Points[0].Code, r.Points[0].Desc = id, code, desc
		for i := range r.Photos {
			if tie := r.Photos[i].Tie; tie != nil && tie.Point == old {
				moved := *tie
				moved.Point = id
				r.Photos[i].Tie = &moved
			}
		}
		r.Photos[1].Name, r.Photos[1].Notes = photo, []string{note}
		page := write(t, record.Input{Title: title, Result: &r, Causes: []record.Cause{{Name: note, Summary: desc, Photos: []string{photo}}}})
		root := parse(t, page)
		for _, p := range pageProblems(root, nowhere) {
			if !strings.Contains(p, "empty heading") {
				t.Error(p)
			}
		}
		n := map[string]int{}
		for _, e := range all(root) {
			n[e.Data]++
		}
		if n["script"] != 1 || n["style"] != 2 || n["img"] != 0 || n["article"] != len(r.Photos) || n["title"] < 2 {
			t.Errorf("elements: %v", n)
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	in := input(b, 1500, nil)
	pic := picture(320, 240, 3)
	in.Thumbnail = func(context.Context, string) (record.Picture, error) { return pic, nil }
	b.SetBytes(int64(len(write(b, in))))
	for b.Loop() {
		write(b, in)
	}
}
