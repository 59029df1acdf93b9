package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
)

func await(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }

// TestPage has the page in Chromium read a photo as a camera wrote it and write a
// position, and holds the copy against what the library makes of it here. No request
// leaves the page, and one that its script tries is stopped.
func TestPage(t *testing.T) {
	at := filepath.Join(t.TempDir(), "position.html")
	if err := run([]string{at}); err != nil {
		t.Fatal(err)
	}
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
	var asked []string // by the one goroutine that listens, and read when all is done
	chromedp.ListenTarget(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *network.EventRequestWillBeSent:
			asked = append(asked, ev.Request.URL)
		case *runtime.EventExceptionThrown:
			t.Errorf("the page's script: %s", ev.ExceptionDetails.Error())
		}
	})
	do := func(what string, actions ...chromedp.Action) {
		t.Helper()
		if err := chromedp.Run(ctx, actions...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	text := func(id string) (s string) {
		t.Helper()
		do(id, chromedp.Evaluate(fmt.Sprintf(`document.getElementById(%q).textContent`, id), &s))
		return s
	}
	saved := t.TempDir()
	until := func(js string) chromedp.Action {
		return chromedp.Poll(js, nil, chromedp.WithPollingTimeout(30*time.Second))
	}
	do("start", network.Enable(), browser.SetDownloadBehavior(browser.SetDownloadBehaviorBehaviorAllow).WithDownloadPath(saved),
		chromedp.Navigate("file://"+at), until(`!document.getElementById("file").disabled`))

	// What is no image is refused, and what is no position.
	other := filepath.Join(t.TempDir(), "notes.jpg")
	if err := os.WriteFile(other, []byte("no photo"), 0o644); err != nil {
		t.Fatal(err)
	}
	do("no image", chromedp.SetUploadFiles("#file", []string{other}), until(`document.getElementById("unread").textContent !== ""`))
	if s := text("unread"); !strings.HasPrefix(s, "This file can't be read: ") {
		t.Error(s)
	}

	var sample geotagtest.Sample
	var tag *geotag.Tag
	for _, sample = range geotagtest.Photos(t) {
		if tag, err = geotag.ReadBytes(sample.Raw); err == nil && tag.Position != nil && tag.Model != "" {
			break
		}
	}
	name := filepath.Join(t.TempDir(), "QA0001.jpg")
	if err := os.WriteFile(name, sample.Raw, 0o644); err != nil {
		t.Fatal(err)
	}
	do("photo", chromedp.SetUploadFiles("#file", []string{name}), until(`!document.getElementById("form").hidden`))
	told := text("tag")
	for _, want := range []string{position(tag.Position.Lat, tag.Position.Lon), tag.Model} {
		if !strings.Contains(told, want) {
			t.Errorf("the tag lacks %q: %s", want, told)
		}
	}
	enter := func(lat, lon string) {
		do("enter", chromedp.SetValue("#lat", lat), chromedp.SetValue("#lon", lon), chromedp.Click("#form button"),
			until(`!document.getElementById("done").hidden || document.getElementById("refused").textContent !== ""`))
	}
	for _, bad := range [][2]string{{"91", "-6.6"}, {"52,188", "-6.6"}, {"52.1", "-181"}, {"52.1", "6.6 W"}} {
		enter(bad[0], bad[1])
		if s := text("refused"); !strings.HasPrefix(s, "Latitude: ") && !strings.HasPrefix(s, "Longitude: ") {
			t.Errorf("%q: %q", bad, s)
		}
	}
	enter("52.188289", "-6.680035")
	if s := text("refused"); s != "" {
		t.Fatal(s)
	}
	want, _, err := geotag.Rewrite(sample.Raw, geotag.Edit{Lat: 52.188289, Lon: -6.680035, MapDatum: "WGS-84", HPositioningError: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	do("save", chromedp.Click("#save"))
	var got []byte
	for range 100 {
		if got, err = os.ReadFile(filepath.Join(saved, "QA0001.jpg")); err == nil && len(got) == len(want) {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the copy has %d bytes and is not what the library writes, %d bytes (%v)", len(got), len(want), err)
	}
	look(t, ctx)

	var reached atomic.Int32
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached.Add(1) }))
	defer srv.Close()
	var stopped bool
	do("a request", chromedp.Evaluate(fmt.Sprintf(`fetch(%q, {method: "POST", mode: "no-cors", body: "photo"}).then(function () { return false; }, function () { return true; })`, srv.URL), &stopped, await))
	if !stopped || reached.Load() > 0 {
		t.Errorf("a request of the page was stopped: %v; %d reached the server", stopped, reached.Load())
	}
	for _, u := range asked {
		if !strings.HasPrefix(u, "file://") && !strings.HasPrefix(u, "blob:") && !strings.HasPrefix(u, srv.URL) {
			t.Errorf("the page asked for %s", u)
		}
	}
}

// position is a position as the page words it.
func position(lat, lon float64) string { return fmt.Sprintf("%.8f°, %.8f°", lat, lon) }

// look has the page on a phone and on a desk, by day and by night: it fits, and where
// PHOTOTIE_AXE names axe.min.js, axe-core finds nothing.
func look(t *testing.T, ctx context.Context) {
	axe, axeErr := os.ReadFile(os.Getenv("PHOTOTIE_AXE"))
	for _, width := range []int64{400, 1280} {
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
				if err := os.WriteFile(filepath.Join(at, fmt.Sprintf("browser-%d-%s.jpg", width, scheme)), shot, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if axeErr != nil {
				continue
			}
			var out string
			if err := chromedp.Run(ctx, chromedp.Evaluate(string(axe)+";0", nil), chromedp.Evaluate(`axe.run(document, {resultTypes: ["violations"]}).then(function (r) { return JSON.stringify({Passes: r.passes.length, Violations: r.violations.map(function (v) { return v.id + ": " + v.help; })}); })`, &out, await)); err != nil {
				t.Fatal(err)
			}
			var r struct {
				Passes     int
				Violations []string
			}
			if err := json.Unmarshal([]byte(out), &r); err != nil || r.Passes < 10 || len(r.Violations) > 0 {
				t.Errorf("%d %s: %v, %d passed, %s", width, scheme, err, r.Passes, strings.Join(r.Violations, "\n"))
			}
		}
	}
}
