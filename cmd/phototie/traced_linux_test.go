package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A dataset's own words make the program open no file outside the job and PROJ's
// folders, and reach for no network: the kernel's account of the calls (strace)
// decides. The same words given to PROJ's own program show that a file which is
// opened is seen.
func TestDefinitionsOpenNothing(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	outside := filepath.Join(t.TempDir(), "canary.gsb")
	if err := os.WriteFile(outside, []byte("NUM_OREC"), 0o644); err != nil {
		t.Fatal(err)
	}
	trace := func(args ...string) (calls, output string) {
		t.Helper()
		log := filepath.Join(t.TempDir(), "calls")
		cmd := exec.Command(strace, append([]string{"-f", "-s", "4096", "-o", log, "-e", "trace=open,openat,openat2,connect,execve"}, args...)...)
		cmd.Env = append(os.Environ(), "PROJ_NETWORK=ON", "PROJ_NETWORK_ENDPOINT=http://127.0.0.1:9")
		cmd.Stdin = strings.NewReader("53.35 -6.2 0 0\n")
		out, _ := cmd.CombinedOutput() // it may fail: what it opened is the question
		if strings.Contains(string(out), "PTRACE") || strings.Contains(string(out), "ptrace") {
			t.Skipf("tracing is not permitted here: %s", out)
		}
		text, err := os.ReadFile(log)
		if err != nil {
			t.Fatal(err)
		}
		return string(text), string(out)
	}
	network := regexp.MustCompile(`connect\(\d+, \{sa_family=AF_INET`)
	shift := "+proj=utm +zone=29 +ellps=intl +nadgrids=" + outside + " +type=crs"
	if calls, out := trace("cs2cs", "EPSG:4326", shift); !strings.Contains(calls, outside) {
		t.Fatalf("PROJ's own program is not seen to open the file:\n%s", out)
	}
	demo := filepath.Join(t.TempDir(), "demo")
	if err := copyExample(demo); err != nil {
		t.Fatal(err)
	}
	photos, err := filepath.Glob(filepath.Join(demo, "photos", "*", "*", "*.jpg"))
	if err != nil || len(photos) == 0 {
		t.Fatal("the demo job has no photo", err)
	}
	photo, err := os.ReadFile(photos[0])
	if err != nil {
		t.Fatal(err)
	}
	for name, definition := range map[string]string{
		"path":     shift,
		"up":       "+proj=utm +zone=29 +ellps=intl +nadgrids=../../../../../../../.." + outside + " +type=crs",
		"optional": "+proj=utm +zone=29 +ellps=intl +nadgrids=@" + outside + ",null +type=crs",
		"geoid":    "+proj=utm +zone=29 +ellps=GRS80 +geoidgrids=" + outside + " +type=crs",
		"address":  "+proj=utm +zone=29 +ellps=intl +nadgrids=http://127.0.0.1:9/canary.gsb +type=crs",
		"init":     "+init=" + outside + ":1",
		"pipeline": "+proj=pipeline +step +proj=hgridshift +grids=" + outside + " +step +proj=utm +zone=29",
		"WKT":      `BOUNDCRS[SOURCECRS[PROJCRS["x",BASEGEOGCRS["y",DATUM["z",ELLIPSOID["i",6378388,297]]],CONVERSION["c",METHOD["Transverse Mercator"],PARAMETER["Longitude of natural origin",-9]],CS[Cartesian,2],AXIS["e",east],AXIS["n",north],LENGTHUNIT["metre",1]]],TARGETCRS[GEOGCRS["WGS 84",DATUM["World Geodetic System 1984",ELLIPSOID["WGS 84",6378137,298.257223563]],CS[ellipsoidal,2],AXIS["lat",north],AXIS["lon",east],ANGLEUNIT["degree",0.0174532925199433]]],ABRIDGEDTRANSFORMATION["t",METHOD["NTv2"],PARAMETERFILE["Latitude and longitude difference file","` + outside + `"]]]`,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.Mkdir(filepath.Join(dir, "photos"), 0o755); err != nil {
				t.Fatal(err)
			}
			for file, text := range map[string]string{
				"phototie.toml": fmt.Sprintf("[grid]\ncrs = '''%s'''\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n", definition),
				"points.csv":    "id,e,n\nA,686000,5915000\n",
				"links.csv":     "photo,point\n1.jpg,A\n",
				"photos/1.jpg":  string(photo),
			} {
				if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			calls, out := trace(program, "check", dir)
			if !strings.Contains(calls, "phototie.toml") {
				t.Fatalf("the settings are not seen to be read:\n%s", out)
			}
			for _, line := range strings.Split(calls, "\n") {
				if strings.Contains(line, "canary") && !strings.Contains(line, "execve") || network.MatchString(line) {
					t.Errorf("%s\n%s", line, out)
				}
			}
		})
	}
}
