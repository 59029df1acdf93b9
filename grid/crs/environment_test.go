package crs

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

const childOf = "PHOTOTIE_TEST_CHILD"

// TestEnvironmentChild is no test of its own: TestEnvironment runs it in a
// process that PROJ finds other surroundings in.
func TestEnvironmentChild(t *testing.T) {
	if os.Getenv(childOf) == "" {
		t.Skip("run by TestEnvironment")
	}
	c := open(t, "EPSG:2157+5731")
	p := pointHeight(t, c, bollard, 4.2, geoid(""), grid.Frame{Datum: "ETRS89"})
	fmt.Printf("result: %.6f %v\n", p.Metres, p.Err)
	if p.Err != nil {
		return
	}
	own, err := c.Geographic(bollard)
	if err != nil {
		t.Fatal(err)
	}
	if want := 4.2 + malin(own.Lat, own.Lon); math.Abs(p.Metres-want) > 2e-5 {
		t.Errorf("height %v, want %v", p.Metres, want)
	}
}

// Files come from where PROJ looks: a folder that PROJ_DATA names, and, only where
// PROJ_NETWORK says so, from a server. The server is one of the test's own, with a
// made-up geoid model.
func TestEnvironment(t *testing.T) {
	if v, err := open(t, "EPSG:2157").vertical("EPSG:5731"); err != nil || len(v.ways) > 0 {
		t.Skip("the geoid model of Ireland is installed")
	}
	folder, store := malinFolder(t), t.TempDir()
	const file = "uk_os_OSGM15_Malin.tif"
	if out, err := exec.Command(tool(t, "gdal_translate"), "-q", "-a_srs", "EPSG:4258", filepath.Join(folder, "OSGM15_Malin.gtx"), filepath.Join(store, file)).CombinedOutput(); err != nil {
		t.Fatalf("gdal_translate: %v\n%s", err, out)
	}
	asked := make(chan string, 1000)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case asked <- r.URL.Path:
		default:
		}
		http.FileServer(http.Dir(store)).ServeHTTP(w, r)
	}))
	defer server.Close()
	r := openRegistry()
	paths := searchPaths([]string{folder})
	r.close()

	run := func(env ...string) string {
		t.Helper()
		cmd := exec.Command(os.Args[0], "-test.run=^TestEnvironmentChild$", "-test.v")
		cmd.Env = append(os.Environ(), childOf+"=1", "PROJ_USER_WRITABLE_DIRECTORY="+t.TempDir(), "PROJ_NETWORK_ENDPOINT="+server.URL, "PROJ_NETWORK=OFF")
		cmd.Env = append(cmd.Env, env...)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %v\n%s", env, err, out)
		}
		_, rest, ok := strings.Cut(string(out), "result: ")
		if !ok {
			t.Fatalf("%v: no result in\n%s", env, out)
		}
		line, _, _ := strings.Cut(rest, "\n")
		return line
	}
	if got := run(); !strings.Contains(got, file+", which is not installed") {
		t.Errorf("without the file: %s", got)
	}
	if len(asked) > 0 {
		t.Errorf("with the network off, %s was asked for", <-asked)
	}
	if got := run("PROJ_DATA=" + strings.Join(paths, string(os.PathListSeparator))); !strings.HasSuffix(got, "<nil>") {
		t.Errorf("PROJ_DATA: %s", got)
	}
	if got := run("PROJ_NETWORK=ON"); !strings.HasSuffix(got, "<nil>") {
		t.Errorf("PROJ_NETWORK: %s", got)
	}
	if len(asked) == 0 {
		t.Error("with the network on, nothing was asked for")
	}
}
