package main

import (
	"fmt"
	"os"
	"os/exec"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The map in DEVELOPERS.md has a row for each package, which says what of ours it
// imports outside tests, and that cgo is behind grid/crs alone. With
// PHOTOTIE_UPDATE_MAP set the column of imports is written anew.
func TestMap(t *testing.T) {
	const file, module = "../../DEVELOPERS.md", "example.com/phototie/"
	cmd := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	imports := map[string][]string{}
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		pkg := strings.TrimPrefix(words[0], module)
		imports[pkg] = nil
		for _, w := range words[1:] {
			if ours, ok := strings.CutPrefix(w, module); ok {
				imports[pkg] = append(imports[pkg], ours)
			}
		}
		if slices.Contains(words[1:], "github.com/twpayne/go-proj/v11") != (pkg == "grid/crs") {
			t.Errorf("%s: grid/crs and nothing else imports PROJ", pkg)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile("(?m)^\\| `([a-z/]+)` \\|([^|\n]+)\\|([^|\n]+)\\|$")
	seen := map[string]bool{}
	now := row.ReplaceAllStringFunc(string(text), func(line string) string {
		m := row.FindStringSubmatch(line)
		pkg, has := m[1], strings.TrimSpace(m[3])
		ours, ok := imports[pkg]
		if !ok || has == "Apache-2.0" || has == "MIT" || has == "BSD-3-Clause" {
			return line
		}
		seen[pkg] = true
		want := "nothing of ours"
		if len(ours) > 0 {
			want = "`" + strings.Join(ours, "`, `") + "`"
		}
		if strings.HasPrefix(pkg, "cmd/") {
			want = "all it needs"
		}
		if has != want {
			t.Logf("%s imports %s, and its row says %s", pkg, want, has)
		}
		return fmt.Sprintf("| `%s` |%s| %s |", pkg, m[2], want)
	})
	for pkg := range imports {
		if !seen[pkg] && !strings.HasPrefix(pkg, "examples/") {
			t.Errorf("the map in DEVELOPERS.md has no row for %s", pkg)
		}
	}
	// Imports go one way: what a folder may not lead to, whatever the map says.
	for pkg, ours := range imports {
		for _, other := range ours {
			top, to := strings.Split(pkg, "/")[0], strings.Split(other, "/")[0]
			if to != top && (top == "grid" || top == "geotag" || to == "cmd" || to == "examples") {
				t.Errorf("%s imports %s", pkg, other)
			}
			if (pkg == "match" || pkg == "match/walk" || pkg == "match/noise" || pkg == "match/cause") &&
				(slices.Contains([]string{"geotag/ledger", "geotag/pixels", "match/dataset", "match/report", "match/record", "match/delivery", "match/pointfile"}, other)) {
				t.Errorf("%s knows no file, flag or format, and imports %s", pkg, path.Base(other))
			}
		}
	}
	if now == string(text) {
		return
	}
	if os.Getenv("PHOTOTIE_UPDATE_MAP") == "" {
		t.Fatal("the map in DEVELOPERS.md is not what is imported: run this test with PHOTOTIE_UPDATE_MAP=1, and read the difference")
	}
	if err := os.WriteFile(file, []byte(now), 0o644); err != nil {
		t.Fatal(err)
	}
}
