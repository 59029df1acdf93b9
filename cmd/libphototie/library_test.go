package main

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/geotagtest"
	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/service"
	"example.com/phototie/match/single"
)

// top is a folder like that of a checkout: in bin is what make libphototie builds, and
// the examples are there. It is made when it is first asked for.
var top string

var made = sync.OnceValue(func() error {
	var err error
	if top, err = os.MkdirTemp("", "libphototie-"); err != nil {
		return err
	}
	for _, name := range []string{"c", "python", "node"} {
		err = errors.Join(err, os.CopyFS(filepath.Join(top, "examples", name), os.DirFS("../../examples/"+name)))
	}
	// The commands of the examples begin with it, and it is built.
	err = errors.Join(err, os.WriteFile(filepath.Join(top, "Makefile"), []byte("libphototie:\n"), 0o644))
	if err == nil {
		_, err = run(exec.Command("make", "-s", "-C", "../..", "libphototie", "LIB="+filepath.Join(top, "bin")))
	}
	return err
})

func TestMain(m *testing.M) {
	if len(os.Args) == 4 && os.Args[1] == "loop" {
		if err := loop(os.Args[2], os.Args[3]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	code := m.Run()
	if top != "" {
		_ = os.RemoveAll(top)
	}
	os.Exit(code)
}

// library has the library built, for a test that needs the programs named. Where one is
// missing the test is skipped, or fails where PHOTOTIE_REQUIRE_TOOLS is set.
func library(t testing.TB, programs ...string) {
	t.Helper()
	if testing.Short() {
		t.Skip("the library is not built")
	}
	for _, p := range append(programs, "make", "gcc") {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
	if err := made(); err != nil {
		t.Fatal(err)
	}
}

// run gives what a program prints to stdout; the error has all that it printed.
func run(cmd *exec.Cmd) (string, error) {
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	if err != nil {
		err = fmt.Errorf("%s: %w\n%s%s", cmd, err, out.Bytes(), errs.Bytes())
	}
	return out.String(), err
}

// b01 is where the photo is taken to be, on EPSG:2157.
var b01 = grid.EN{E: 690242.043, N: 604873.007}

// photo is a real camera's, 1.3 m off b01, with what package single corrects it to.
func photo(t testing.TB) (was, corrected []byte) {
	t.Helper()
	for _, s := range geotagtest.Photos(t) {
		img, _, err := geotag.Rewrite(s.Raw, geotag.Edit{Lat: 52.188271, Lon: -6.680190, HPositioningError: 3, ProcessingMethod: "GPS"})
		if err == nil {
			was = img
			break
		}
	}
	itm, err := crs.OpenGrid("EPSG:2157", grid.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := single.Check(t.Context(), itm, "", bytes.NewReader(was), int64(len(was)), match.Point{EN: b01}, single.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := p.Write(&out); err != nil || p.Verdict != match.Within {
		t.Fatal(p.Verdict, err)
	}
	return was, out.Bytes()
}

func write(t testing.TB, name string, b []byte) string {
	t.Helper()
	if err := os.WriteFile(name, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestExamples: the examples in C (with the shared library, and with the archive),
// Python and Node, by the commands in their heads, print what they should and write
// what package single does; what goes wrong they tell. None has more than 40 lines.
func TestExamples(t *testing.T) {
	was, want := photo(t)
	archive, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, ex := range []struct{ name, file, program string }{
		{"C", "c/one.c", "gcc"}, {"C-archive", "c/one.c", "gcc"}, {"Python", "python/one.py", "python3"}, {"Node", "node/one.mjs", "npm"},
	} {
		t.Run(ex.name, func(t *testing.T) {
			library(t, ex.program)
			source, err := os.ReadFile(filepath.Join("../../examples", ex.file))
			if err != nil {
				t.Fatal(err)
			}
			if n := bytes.Count(source, []byte("\n")); n >= 40 {
				t.Errorf("%d lines", n)
			}
			// The command stands in the first comment, over one or two lines.
			words := regexp.MustCompile(`(?m)^[ /*]*`).ReplaceAllString(string(source), "")
			m := regexp.MustCompile(`make libphototie && (?s:.*?)corrected\.jpg`).FindString(words)
			if ex.name == "C-archive" {
				m = regexp.MustCompile(`gcc .*libphototie\.a .*`).FindString(string(archive)) + "\n" + m[strings.LastIndex(m, "bin/one"):]
			}
			do := func(replace ...string) (string, error) {
				script := strings.NewReplacer(replace...).Replace(strings.ReplaceAll(m, "&&\n", "&& "))
				cmd := exec.Command("bash", "-euc", script)
				cmd.Dir = top
				cmd.Env = append(os.Environ(), "npm_config_audit=false", "npm_config_fund=false", "npm_config_update_notifier=false")
				return run(cmd)
			}
			write(t, filepath.Join(top, "photo.jpg"), was)
			made := filepath.Join(top, "corrected.jpg")
			t.Cleanup(func() { _ = os.Remove(made) })
			out, err := do()
			if err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(out, "within") || !strings.Contains(out, "corrected") {
				t.Errorf("it prints %s", out)
			}
			if got, err := os.ReadFile(made); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%v: %d bytes, which are not the %d of package single", err, len(got), len(want))
			}
			if _, err := do(); err == nil {
				t.Error("it wrote over the corrected photo")
			}
			_ = os.Remove(made)
			if out, err := do("690242.043", "690342.043"); err != nil || !strings.Contains(out, "gross") || !strings.Contains(out, "left") {
				t.Errorf("100 m off: %v: %s", err, out)
			}
			if out, err := do("EPSG:2157", "EPSG:1"); err == nil || !strings.Contains(out+err.Error(), "EPSG:1 is not a code") {
				t.Errorf("no system: %v: %s", err, out)
			}
			if _, err := os.Stat(made); err == nil {
				t.Error("it wrote a photo that is not corrected")
			}
		})
	}
}

// header is phototie.h: the functions that it declares, and its statuses with the codes
// that their comments name.
func header(t testing.TB) (functions []string, statuses map[string]string) {
	t.Helper()
	text, err := os.ReadFile("phototie.h")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`(?m)^[a-z].*\b(phototie_[a-z]+)\(`).FindAllSubmatch(text, -1) {
		functions = append(functions, string(m[1]))
	}
	statuses = map[string]string{}
	for _, m := range regexp.MustCompile(`PHOTOTIE_([A-Z_]+) = ([0-9]+),? +/\* (?:"([a-z-]+)")?`).FindAllSubmatch(text, -1) {
		statuses[string(m[2])] = string(m[3])
		if name := strings.ToLower(strings.ReplaceAll(string(m[1]), "_", "-")); string(m[3]) != name && name != "ok" {
			t.Errorf("the status %s is of the code %q", m[1], m[3])
		}
	}
	slices.Sort(functions)
	return functions, statuses
}

// TestHeader: the library has the functions that the header declares, no others of that
// name, and no more than a dozen; the header is one for C99 and for C++; it has a status
// for each code of package service. That the functions are as declared is seen by the
// compiler, as phototie.c includes the header.
func TestHeader(t *testing.T) {
	library(t, "g++")
	functions, statuses := header(t)
	f, err := elf.Open(filepath.Join(top, "bin/libphototie.so"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	symbols, err := f.DynamicSymbols()
	if err != nil {
		t.Fatal(err)
	}
	var has []string
	for _, s := range symbols {
		if s.Section != elf.SHN_UNDEF && strings.HasPrefix(s.Name, "phototie_") {
			has = append(has, s.Name)
		}
	}
	slices.Sort(has)
	if !slices.Equal(has, functions) || len(has) == 0 || len(has) > 12 {
		t.Errorf("the library has %q, the header %q", has, functions)
	}
	if soname, err := f.DynString(elf.DT_SONAME); err != nil || len(soname) != 1 || soname[0] != "libphototie.so" {
		t.Errorf("programs are linked to %q, %v", soname, err)
	}
	for _, args := range [][]string{{"gcc", "-std=c99", "-x", "c"}, {"g++", "-std=c++11", "-x", "c++"}} {
		if _, err := run(exec.Command(args[0], append(args[1:], "-pedantic", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", filepath.Join(top, "bin/phototie.h"))...)); err != nil {
			t.Error(err)
		}
	}
	api, err := os.ReadFile("../../testdata/api/match_service.txt")
	if err != nil {
		t.Fatal(err)
	}
	codes := regexp.MustCompile(`(?m)^const \w+ Code = "(.*)"$`).FindAllSubmatch(api, -1)
	for _, m := range codes {
		found := false
		for _, code := range statuses {
			found = found || code == string(m[1])
		}
		if !found {
			t.Errorf("no status for the code %s", m[1])
		}
	}
	if len(codes) == 0 || len(statuses) != len(codes)+1 {
		t.Errorf("%d codes, %d statuses", len(codes), len(statuses))
	}
}

// TestPromises: the library keeps what the header promises, on many threads too, with
// the memory that it hands out watched by the address sanitizer. With PHOTOTIE_FULL set
// the library's own is watched as well. The seeds of FuzzAnswer go through it, as they
// are and with bytes of them changed.
func TestPromises(t *testing.T) {
	was, want := photo(t)
	dir := t.TempDir()
	job := filepath.Join(dir, "job")
	if err := os.MkdirAll(filepath.Join(job, "photos"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(job, "phototie.toml"), []byte("[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"))
	write(t, filepath.Join(job, "points.csv"), fmt.Appendf(nil, "id,easting,northing\nB01,%v,%v\n", b01.E, b01.N))
	links := "photo,point\n"
	for i := range 300 { // so many that a check takes its time
		name := fmt.Sprintf("photos/%d.jpg", i)
		links += name + ",B01\n"
		write(t, filepath.Join(job, name), was)
	}
	write(t, filepath.Join(job, "links.csv"), []byte(links))
	library(t)
	promises(t, dir, filepath.Join(top, "bin"), job, was, want)
	if os.Getenv("PHOTOTIE_FULL") != "" {
		bin := filepath.Join(dir, "asan")
		build := exec.Command("make", "-s", "-C", "../..", "libphototie", "LIB="+bin)
		build.Env = append(os.Environ(), "GOFLAGS="+os.Getenv("GOFLAGS")+" -asan")
		if _, err := run(build); err != nil {
			t.Fatal(err)
		}
		promises(t, dir, bin, job, was, want)
	}
}

func promises(t *testing.T, dir, bin, job string, was, want []byte) {
	t.Helper()
	program := filepath.Join(bin, "promises")
	if _, err := run(exec.Command("gcc", "-g", "-Wall", "-Wextra", "-Werror", "-fsanitize=address", "-I"+bin, "-o", program, "testdata/promises.c", "-L"+bin, "-lphototie", "-lpthread", "-Wl,-rpath,"+bin)); err != nil {
		t.Fatal(err)
	}
	// What PROJ holds is known to Go's collector, of which the sanitizer does not know.
	held := write(t, filepath.Join(dir, "held"), []byte("leak:libproj\nleak:libsqlite3\nleak:libstdc++\n"))
	watched := func(args ...string) (string, error) {
		cmd := exec.Command(program, args...)
		cmd.Env = append(os.Environ(), "ASAN_OPTIONS=detect_leaks=1", "LSAN_OPTIONS=print_suppressions=0:suppressions="+held)
		return run(cmd)
	}
	if _, err := watched(write(t, filepath.Join(dir, "photo.jpg"), was), write(t, filepath.Join(dir, "corrected.jpg"), want), job); err != nil {
		t.Error(err)
	}
	args, asked := []string{"ask"}, broken(seeds(t))
	for i, s := range asked {
		name := filepath.Join(dir, fmt.Sprint(i))
		args = append(args, write(t, name+".json", []byte(s.request)), write(t, name+".jpg", s.photo))
	}
	out, err := watched(args...)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	if len(lines) != len(asked) {
		t.Fatalf("%d answers for %d requests", len(lines), len(asked))
	}
	_, statuses := header(t)
	for i, line := range lines {
		status, doc, _ := strings.Cut(line, "\t")
		var resp service.Response
		if err := json.Unmarshal([]byte(doc), &resp); err != nil || resp.Version != service.Version {
			t.Errorf("seed %d: %v: %s", i, err, doc)
		}
		code := ""
		if resp.Error != nil {
			code = string(resp.Error.Code)
		}
		if want, ok := statuses[status]; !ok || want != code {
			t.Errorf("seed %d: the status %s with the code %q", i, status, code)
		}
	}
}
