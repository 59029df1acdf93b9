package decide_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
	"example.com/phototie/match/decide"
)

// hostile is the name of a photo, and what a description says.
const hostile = `=1,"<img src=x onerror=alert(1)>.jpg`

// tallow writes the small example job.
func tallow(t *testing.T) string {
	t.Helper()
	proj, err := crs.OpenGrid("EPSG:6543", grid.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	j, err := demo.TallowCreek(t.Context(), proj, 1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if err := demo.Write(t.Context(), root, j, nil); err != nil {
		t.Fatal(err)
	}
	return dir
}

// job is tallow with the links of 22 photos taken out, a hostile name and a hostile
// description.
func job(t *testing.T) string {
	t.Helper()
	dir := tallow(t)
	edit(t, dir, "links.csv", func(s string) string { return strings.Join(strings.SplitAfter(s, "\n")[:9], "") })
	edit(t, dir, "points.csv", func(s string) string {
		return strings.Replace(s, "bolt on top", "</script><script>alert(1)</script>", 1)
	})
	if err := os.Rename(filepath.Join(dir, "photos/day1/creek/QC0012.jpg"), filepath.Join(dir, "photos/day1/creek", hostile)); err != nil {
		t.Fatal(err)
	}
	return dir
}

func edit(t *testing.T, dir, name string, f func(string) string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name), []byte(f(string(text))), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func check(t *testing.T, dir string) *dataset.Checked {
	t.Helper()
	d, err := dataset.Open(t.Context(), dir, crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	c, err := d.Check(t.Context(), dataset.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// item is what the page knows of an item, as far as it matters here.
type item struct {
	Photo  string
	Points []string
}

// TestPage decides 20 photos on the page, half of them by keys and half by touch,
// saves, restores, and holds what check makes of the file against each of them.
func TestPage(t *testing.T) {
	dir := job(t)
	c := check(t, dir)
	var b bytes.Buffer
	n, err := decide.Write(t.Context(), &b, c, decide.Options{Title: "a <b>job</b>", Outcome: baseline.Without(c.Findings())})
	if err != nil || n < 22 {
		t.Fatalf("%d to be decided, %v", n, err)
	}
	at := written(t, b.Bytes())
	ctx, alerts := browse(t)
	saved := t.TempDir()
	run := func(what string, actions ...chromedp.Action) {
		t.Helper()
		if err := chromedp.Run(ctx, actions...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	var items []item
	run("open", browser.SetDownloadBehavior(browser.SetDownloadBehaviorBehaviorAllow).WithDownloadPath(saved),
		emulation.SetDeviceMetricsOverride(1280, 900, 1, false), chromedp.Navigate("file://"+at),
		chromedp.Evaluate(`(function () { var D = JSON.parse(document.getElementById("job").textContent);
			return D.items.map(function (it) { return {Photo: it.photo, Points: it.cands.map(function (c) { return D.points[c.point].id; })}; }); })()`, &items))

	// Nothing is decided by nobody.
	run("no name", chromedp.Click(`[data-do="no-point"]`))
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, "0 of") {
		t.Fatalf("decided without a name: %s", got)
	}
	run("name", chromedp.SendKeys("#by", "M. Doyle\r"))
	rulings := []match.Ruling{match.RulingShows, match.RulingNoPoint, match.RulingAgain, match.RulingLeave, match.RulingShows}
	want := map[string]match.Decision{}
	for k := range 20 {
		it := items[k]
		d := match.Decision{Ruling: rulings[k%len(rulings)]}
		choice := k % min(2, max(1, len(it.Points)))
		key, press := map[match.Ruling]string{match.RulingNoPoint: "0", match.RulingAgain: "t", match.RulingLeave: "l"}[d.Ruling], fmt.Sprintf(`[data-do="%s"]`, d.Ruling)
		if d.Ruling == match.RulingShows {
			if len(it.Points) == 0 {
				t.Fatalf("%s has no candidates", it.Photo)
			}
			d.Point = it.Points[choice]
			key, press = fmt.Sprint(choice+1), fmt.Sprintf(`#cands li:nth-child(%d) button`, choice+1)
		}
		want[it.Photo] = d
		if k < 10 {
			run("key "+key, chromedp.KeyEvent(key))
			continue
		}
		if k == 10 { // on to a phone
			run("phone", emulation.SetDeviceMetricsOverride(400, 850, 2, true), emulation.SetTouchEmulationEnabled(true))
		}
		run("touch "+press, touch(press))
	}
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, "20 of") {
		t.Fatalf("%s", got)
	}
	// One more by its id, taken back again; a point that is not there is refused.
	run("another", chromedp.SendKeys("#other-id", "T11\r"))
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, "21 of") {
		t.Fatalf("another point: %s", got)
	}
	run("undo", chromedp.KeyEvent("p"), chromedp.KeyEvent("u"), chromedp.SendKeys("#other-id", "T99\r"))
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, "20 of") || !strings.Contains(text(t, ctx, "says"), "no point T99") {
		t.Fatalf("undone: %s; %s", got, text(t, ctx, "says"))
	}
	run("save", touch("#save"))
	file := filepath.Join(saved, decide.SavedFile)
	decided(t, dir, file)

	// Another browser, or another day: nothing is there until the file is restored.
	run("again", chromedp.Evaluate(`localStorage.clear()`, nil), chromedp.Navigate("file://"+at))
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, "0 of") {
		t.Fatalf("after a new start: %s", got)
	}
	run("restore", chromedp.SetUploadFiles("#restore", []string{file}), chromedp.Poll(`document.getElementById("count").textContent.startsWith("20 of")`, nil, chromedp.WithPollingTimeout(5*time.Second)))
	accessible(t, ctx)
	if *alerts > 0 {
		t.Errorf("%d alerts: a name or a description ran", *alerts)
	}

	found, hostileSeen := 0, false
	for _, p := range check(t, dir).Photos {
		w, ok := want[p.Name]
		if !ok {
			if p.Decision != nil {
				t.Errorf("%s: nobody decided %+v", p.Name, p.Decision)
			}
			continue
		}
		found++
		hostileSeen = hostileSeen || strings.HasSuffix(p.Name, hostile)
		d, tie := p.Decision, ""
		if p.Tie != nil {
			tie = p.Tie.Point
		}
		if d == nil || d.Stale != "" || d.Ruling != w.Ruling || d.Point != w.Point || d.By != "M. Doyle" || w.Ruling == match.RulingShows && tie != w.Point || w.Ruling == match.RulingNoPoint && tie != "" {
			t.Errorf("%s: decided %+v; check has %+v and ties it to %q", p.Name, w, d, tie)
		}
	}
	if found != 20 || !hostileSeen {
		t.Errorf("%d of 20 photos were found; the hostile one: %v", found, hostileSeen)
	}
}

// written is a file with the text of a page.
func written(t *testing.T, page []byte) string {
	t.Helper()
	at := filepath.Join(t.TempDir(), "decide.html")
	if err := os.WriteFile(at, page, 0o644); err != nil {
		t.Fatal(err)
	}
	return at
}

// browse starts a browser, and counts the alerts of its pages.
func browse(t *testing.T) (context.Context, *int) {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not there")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, stop = context.WithTimeout(ctx, 90*time.Second)
	t.Cleanup(stop)
	alerts := new(int)
	chromedp.ListenTarget(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *page.EventJavascriptDialogOpening:
			if ev.Type == page.DialogTypeAlert {
				*alerts++
			}
			go chromedp.Run(ctx, page.HandleJavaScriptDialog(true)) //nolint // the page waits for it
		case *runtime.EventExceptionThrown:
			t.Errorf("the page's script: %s", ev.ExceptionDetails.Error())
		}
	})
	return ctx, alerts
}

// TestRun decides all photos of a run at once, but for one that was decided before, as
// the cause proposes, and holds what check makes of the file against the true links.
func TestRun(t *testing.T) {
	dir := tallow(t)
	var lines []string
	edit(t, dir, "links.csv", func(s string) string {
		lines = strings.Split(strings.TrimSpace(s), "\n")
		out, points := slices.Clone(lines), []string{}
		for i, l := range lines[1:] {
			photo, point, _ := strings.Cut(l, ",")
			if !slices.Contains(points, point) {
				points = append(points, point)
			}
			if i >= 8 && i < 27 { // tied to the point before
				out[i+1] = photo + "," + points[len(points)-2]
			}
		}
		return strings.Join(out, "\n") + "\n"
	})
	c := check(t, dir)
	var b bytes.Buffer
	if _, err := decide.Write(t.Context(), &b, c, decide.Options{Outcome: baseline.Without(c.Findings())}); err != nil {
		t.Fatal(err)
	}
	at, saved := written(t, b.Bytes()), t.TempDir()
	ctx, _ := browse(t)
	var rows int
	if err := chromedp.Run(ctx, browser.SetDownloadBehavior(browser.SetDownloadBehaviorBehaviorAllow).WithDownloadPath(saved),
		chromedp.Navigate("file://"+at), chromedp.SendKeys("#by", "M. Doyle\r"), chromedp.KeyEvent("l"), chromedp.KeyEvent("p"), chromedp.KeyEvent("a"),
		chromedp.WaitVisible("#runs-do"), chromedp.Evaluate(`document.querySelectorAll("#runs-rows tr").length`, &rows)); err != nil {
		t.Fatal(err)
	}
	if do := text(t, ctx, "runs-do"); rows < 15 || do != fmt.Sprintf("Decide %d as proposed", rows-1) {
		t.Fatalf("%d rows; %s", rows, do)
	}
	if seen := text(t, ctx, "runs-rows"); !strings.Contains(seen, "decided already") {
		t.Errorf("the one decided before is not told: %s", seen)
	}
	if err := chromedp.Run(ctx, chromedp.Click("#runs-do"), chromedp.Click("#save")); err != nil {
		t.Fatal(err)
	}
	if got := text(t, ctx, "count"); !strings.HasPrefix(got, fmt.Sprintf("%d of", rows)) {
		t.Fatal(got)
	}
	decided(t, dir, filepath.Join(saved, decide.SavedFile))
	left, right := 0, 0
	for _, p := range check(t, dir).Photos {
		switch d := p.Decision; {
		case d == nil:
		case d.Ruling == match.RulingLeave:
			left++
		case d.Stale != "" || p.Tie == nil || !slices.Contains(lines, p.Name+","+p.Tie.Point) || !strings.HasPrefix(d.Why, "as the cause proposes"):
			t.Errorf("%s: %+v, tied to %+v", p.Name, d, p.Tie)
		default:
			right++
		}
	}
	if left != 1 || right != rows-1 {
		t.Errorf("%d left, %d decided as the run proposes, of %d", left, right, rows)
	}
}

// decided waits for the file that the page saves, and puts it into the job.
func decided(t *testing.T, dir, file string) {
	t.Helper()
	var text []byte
	var err error
	for range 100 {
		if text, err = os.ReadFile(file); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, dataset.DecisionsFile), text, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	edit(t, dir, dataset.SettingsFile, func(s string) string {
		return strings.Replace(s, "[links]", "[links]\ndecisions = \"decisions.csv\"", 1)
	})
}

// An acceptance that runs out within 30 days is on the page, with its day and reason;
// one that holds for longer is not.
func TestAcceptanceRunsOut(t *testing.T) {
	if testing.Short() {
		t.Skip("it says nothing of goroutines, and runs in full without -short")
	}
	c := check(t, tallow(t))
	var over match.Finding
	for _, f := range c.Findings() {
		if f.Code == match.FindingOver {
			over = f
		}
	}
	today := baseline.Date{Year: 2026, Month: 11, Day: 30}
	for _, tt := range []struct {
		until baseline.Date
		want  int
	}{{baseline.Date{Year: 2026, Month: 12, Day: 30}, 1}, {baseline.Date{Year: 2026, Month: 12, Day: 31}, 0}} {
		accepted := &baseline.Baseline{Entries: []baseline.Entry{{Code: over.Code, Photo: over.Photo, Point: over.Point, Reason: "seen <by eye>", Expires: tt.until}}}
		var b bytes.Buffer
		n, err := decide.Write(t.Context(), &b, c, decide.Options{Outcome: accepted.Apply(c.Findings(), today), Today: today})
		if err != nil || n != tt.want {
			t.Fatalf("until %v: %d to be decided, %v", tt.until, n, err)
		}
		says := strings.Contains(b.String(), `"Acceptance that runs out"`) && strings.Contains(b.String(), over.Photo) && strings.Contains(b.String(), tt.until.String())
		if says != (tt.want == 1) {
			t.Errorf("until %v: on the page %v", tt.until, says)
		}
	}
}

func text(t *testing.T, ctx context.Context, id string) (s string) {
	t.Helper()
	if err := chromedp.Run(ctx, chromedp.Evaluate(fmt.Sprintf(`document.getElementById(%q).textContent`, id), &s)); err != nil {
		t.Fatal(err)
	}
	return s
}

// touch puts a finger on the middle of an element, and takes it away.
func touch(sel string) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) error {
		var at [2]float64
		js := fmt.Sprintf(`(function () { var e = document.querySelector(%q); e.scrollIntoView({block: "center"}); var r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, sel)
		if err := chromedp.Evaluate(js, &at).Do(ctx); err != nil {
			return err
		}
		if err := input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: at[0], Y: at[1]}}).Do(ctx); err != nil {
			return err
		}
		return input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}).Do(ctx)
	})
}

// accessible runs axe-core, where PHOTOTIE_AXE names it, on a phone and on a desk, by
// day and by night, and looks that nothing is wider than the window. PHOTOTIE_SHOTS
// names a folder for pictures of it.
func accessible(t *testing.T, ctx context.Context) {
	t.Helper()
	axe, err := os.ReadFile(os.Getenv("PHOTOTIE_AXE"))
	if err != nil {
		t.Log("PHOTOTIE_AXE does not name axe.min.js: not run")
	}
	for _, width := range []int64{400, 768, 1280} {
		for _, scheme := range []string{"light", "dark"} {
			var wide float64
			var shot []byte
			if err := chromedp.Run(ctx, emulation.SetDeviceMetricsOverride(width, 900, 1, false), emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
				chromedp.Evaluate(`document.documentElement.scrollWidth - window.innerWidth`, &wide), chromedp.FullScreenshot(&shot, 90)); err != nil {
				t.Fatal(err)
			}
			if wide > 0 {
				t.Errorf("%d %s: %g pixels too wide", width, scheme, wide)
			}
			if at := os.Getenv("PHOTOTIE_SHOTS"); at != "" {
				if err := os.WriteFile(filepath.Join(at, fmt.Sprintf("decide-%d-%s.jpg", width, scheme)), shot, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if axe == nil {
				continue
			}
			var out string
			if err := chromedp.Run(ctx, chromedp.Evaluate(string(axe)+";0", nil), chromedp.Evaluate(`axe.run(document, {resultTypes: ["violations"]}).then(function (r) { return JSON.stringify({Passes: r.passes.length, Violations: r.violations.map(function (v) { return v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map(function (n) { return n.html; }).join(" "); })}); })`,
				&out, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) })); err != nil {
				t.Fatal(err)
			}
			var r struct {
				Passes     int
				Violations []string
			}
			if err := json.Unmarshal([]byte(out), &r); err != nil || r.Passes < 20 || len(r.Violations) > 0 {
				t.Errorf("%d %s: %v, %d passed, %s", width, scheme, err, r.Passes, strings.Join(r.Violations, "\n"))
			}
		}
	}
}
