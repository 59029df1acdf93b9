package record_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"example.com/phototie/match"
	"example.com/phototie/match/record"
)

// axeRun runs axe-core in a page once it has loaded, and writes what it found
// where it can be read back.
const axeRun = `addEventListener("load", function () {
  axe.run(document, {resultTypes: ["violations"]}).then(function (r) {
    var out = document.createElement("pre");
    out.id = "axe-result";
    out.textContent = JSON.stringify({
      passes: r.passes.length,
      alerts: window.alerts || 0,
      hidden: document.querySelectorAll("tr[hidden], article[hidden]").length,
      wide: document.documentElement.scrollWidth - window.innerWidth,
      cut: Array.from(document.querySelectorAll(".scroll")).filter(function (e) {
        return e.scrollWidth > e.clientWidth;
      }).map(function (e) { return e.getAttribute("aria-label") + " by " + (e.scrollWidth - e.clientWidth); }),
      violations: r.violations.map(function (v) {
        return {id: v.id, help: v.help, nodes: v.nodes.map(function (n) { return n.html; })};
      })
    });
    document.body.appendChild(out);
  });
});`

type axeResult struct {
	Passes, Alerts, Hidden int
	Wide                   float64
	Cut                    []string // the tables that are wider than their page
	Violations             []struct {
		ID, Help string
		Nodes    []string
	}
}

// browse opens a page in headless Chromium and runs axe-core in it. The page's
// policy is taken out for that, since it forbids axe-core as it forbids all else.
func browse(t *testing.T, chromium string, axe, page []byte, width int, more string) axeResult {
	t.Helper()
	dir := t.TempDir()
	policy := bytes.Index(page, []byte(`<meta http-equiv="Content-Security-Policy"`))
	if policy < 0 {
		t.Fatal("the page has no policy")
	}
	end := policy + bytes.IndexByte(page[policy:], '\n')
	var b bytes.Buffer
	b.Write(page[:policy])
	fmt.Fprintf(&b, "<script>window.alert = function () { window.alerts = (window.alerts || 0) + 1; };</script><script>%s</script><script>%s\n%s</script>", axe, axeRun, more)
	b.Write(page[end:])
	name := filepath.Join(dir, "page.html")
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir="+filepath.Join(dir, "profile"), fmt.Sprintf("--window-size=%d,900", width),
		"--virtual-time-budget=60000", "--dump-dom", "file://"+name)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, errs.Bytes())
	}
	root, err := html.Parse(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all(root) {
		if id, _ := attr(e, "id"); id == "axe-result" {
			var r axeResult
			if err := json.Unmarshal([]byte(text(e)), &r); err != nil {
				t.Fatal(err)
			}
			return r
		}
	}
	t.Fatalf("axe-core did not come to an end\n%s", errs.Bytes())
	return axeResult{}
}

// axe-core finds nothing to object to in a record, on a desk and on a phone; no
// page is wider than its window, no table than the page; hostile names run nothing; the filter filters.
// The test runs where PHOTOTIE_AXE names the file axe.min.js and Chromium is
// there: make axe.
func TestAxe(t *testing.T) {
	at := os.Getenv("PHOTOTIE_AXE")
	if at == "" {
		t.Skip("PHOTOTIE_AXE does not name axe.min.js")
	}
	axe, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	split := input(t, 1400, nil)
	split.PhotosPerPage = 100
	if err := record.WriteDir(t.Context(), root, split); err != nil {
		t.Fatal(err)
	}
	pages := map[string][]byte{"whole": write(t, input(t, 90, nil)), "hostile": write(t, input(t, 30, hostile)), "empty": write(t, record.Input{Result: &match.Result{}})}
	for _, f := range []string{"index.html", "sheets-002.html"} {
		if pages[f], err = root.ReadFile(f); err != nil {
			t.Fatal(err)
		}
	}
	for name, page := range pages {
		for _, width := range []int{1280, 768, 500} { // headless Chromium makes no narrower window
			t.Run(fmt.Sprintf("%s/%d", name, width), func(t *testing.T) {
				r := browse(t, chromium, axe, page, width, "")
				for _, v := range r.Violations {
					t.Errorf("%s: %s: %s", v.ID, v.Help, strings.Join(v.Nodes[:min(3, len(v.Nodes))], "\n"))
				}
				if len(r.Cut) > 0 && name != "hostile" { // whose names have no end
					t.Errorf("wider than the page: %s", r.Cut)
				}
				if r.Passes < 30 || r.Alerts > 0 || r.Wide > 0 || r.Hidden > 0 {
					t.Errorf("%d rules passed, %d alerts, %g pixels too wide, %d hidden", r.Passes, r.Alerts, r.Wide, r.Hidden)
				}
			})
		}
	}
	// The filter hides what is within budget, and this test can fail.
	filter := `addEventListener("DOMContentLoaded", function () { document.querySelector('input[value="within"]').click(); });`
	if r := browse(t, chromium, axe, pages["whole"], 1280, filter); r.Hidden < 40 || len(r.Violations) > 0 {
		t.Errorf("filtered: %+v", r)
	}
	broken := bytes.Replace(pages["whole"], []byte(` alt="`), []byte(` data-alt="`), 1)
	if r := browse(t, chromium, axe, broken, 1280, `setTimeout(function () { alert(1); }, 0);`); r.Alerts != 1 || len(r.Violations) == 0 {
		t.Errorf("an image without an alt text, and an alert: %+v", r)
	}
}

// A job of 150 photos and 63 points, many of them with warnings, takes at most 31 A4
// pages (the example job, of 60 points, takes 30), with pictures of
// 80 mm at 200 dots an inch, and a contact sheet has twelve photos on a page.
func TestPrint(t *testing.T) {
	if os.Getenv("PHOTOTIE_AXE") == "" {
		t.Skip("PHOTOTIE_AXE does not name axe.min.js")
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal(err)
	}
	in := input(t, 150, nil)
	in.Result.Requirements = nil
	pic := picture(640, 480, 1)
	in.Thumbnail = func(context.Context, string) (record.Picture, error) { return pic, nil }
	images := regexp.MustCompile(`(?m)^ *([0-9]+) +[0-9]+ +image +640 +480 .* ([0-9]+) +[0-9]+ +[0-9.]+[KB] `)
	// pages prints a record, and counts its pages and the pictures on each; ppi is how
	// many pixels of a picture go on an inch.
	pages := func(in record.Input, size string) (n int, on map[string]int, ppi float64) {
		dir := t.TempDir()
		page := bytes.Replace(write(t, in), []byte("</head>"), []byte("<style>@page { size: "+size+"; }</style></head>"), 1)
		if err := os.WriteFile(filepath.Join(dir, "page.html"), page, 0o644); err != nil {
			t.Fatal(err)
		}
		cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--user-data-dir="+filepath.Join(dir, "profile"),
			"--no-pdf-header-footer", "--print-to-pdf="+filepath.Join(dir, "page.pdf"), "file://"+filepath.Join(dir, "page.html"))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		pdf, err := os.ReadFile(filepath.Join(dir, "page.pdf"))
		if err != nil {
			t.Fatal(err)
		}
		list, err := exec.Command("pdfimages", "-list", filepath.Join(dir, "page.pdf")).Output()
		if err != nil {
			t.Fatalf("pdfimages (poppler-utils): %v", err)
		}
		on = map[string]int{}
		for _, m := range images.FindAllStringSubmatch(string(list), -1) {
			on[m[1]]++
			if ppi, err = strconv.ParseFloat(m[2], 64); err != nil {
				t.Fatal(err)
			}
		}
		return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)), on, ppi
	}
	contact := in
	contact.Layout = record.LayoutContact
	for size, most := range map[string]int{"A4": 31, "letter": 34} {
		n, _, ppi := pages(in, size)
		wide := 640 / ppi * 25.4
		t.Logf("%s: %d points, %d photos, %d pages, pictures of %.1f mm", size, len(in.Result.Points), len(in.Result.Photos), n, wide)
		if n > most || wide < 80 || ppi < 200 {
			t.Errorf("%s: %d pages with pictures of %.1f mm at %g pixels an inch, want at most %d, 80 mm and 200", size, n, wide, ppi, most)
		}
		n, on, _ := pages(contact, size)
		full := 0
		for page, k := range on {
			if k > 12 {
				t.Errorf("contact sheets on %s: %d photos on page %s", size, k, page)
			} else if k == 12 {
				full++
			}
		}
		if full < 8 {
			t.Errorf("contact sheets on %s: %d of %d pages have twelve photos: %v", size, full, n, on)
		}
	}
}
