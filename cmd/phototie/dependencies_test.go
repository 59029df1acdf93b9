package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// goMod is what "go mod edit -json" prints, as far as it is of use here.
type goMod struct {
	Require []struct {
		Path     string
		Indirect bool
	}
	Tool []struct{ Path string }
}

// direct are the modules that a go.mod asks for itself, its tools among them.
func direct(t *testing.T, file string) []string {
	t.Helper()
	out, err := exec.Command("go", "mod", "edit", "-json", file).Output()
	if err != nil {
		t.Fatal(err)
	}
	var m goMod
	if err := json.Unmarshal(out, &m); err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, r := range m.Require {
		tool := slices.ContainsFunc(m.Tool, func(t struct{ Path string }) bool { return strings.HasPrefix(t.Path, r.Path+"/") })
		if (!r.Indirect || tool) && !strings.HasPrefix(r.Path+"/", "example.com/phototie/") {
			paths = append(paths, r.Path)
		}
	}
	return paths
}

// licences are the words that a licence's text has and no other's.
var licences = map[string]string{
	"MIT":          "Permission is hereby granted, free of charge",
	"Apache-2.0":   "Apache License",
	"MPL-2.0":      "Mozilla Public License",
	"BSD-2-Clause": "Redistribution and use in source and binary forms",
	"BSD-3-Clause": "endorse or promote products",
}

// TestDependencies: the table in DEVELOPERS.md has each module that a go.mod here
// asks for, and no other, with the licence that the module's own file states.
func TestDependencies(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, ok := strings.Cut(string(text), "\n## Dependencies\n")
	if !ok {
		t.Fatal("DEVELOPERS.md has no section Dependencies")
	}
	section, _, _ = strings.Cut(section, "\n## ")
	table := map[string]string{}
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\|.*\\| ([^|]+) \\|$").FindAllStringSubmatch(section, -1) {
		if _, ok := table[row[1]]; ok {
			t.Errorf("%s is listed twice", row[1])
		}
		table[row[1]] = row[2]
	}
	ours := direct(t, "../../go.mod")
	wanted := map[string]bool{}
	for _, p := range ours {
		wanted[p] = true
	}
	others, err := filepath.Glob("../../examples/*/go.mod")
	if err != nil || len(others) == 0 {
		t.Fatalf("the examples' modules: %v, %v", others, err)
	}
	for _, file := range others {
		for _, p := range direct(t, file) {
			wanted[p] = true
		}
	}
	for _, p := range slices.Sorted(maps.Keys(wanted)) {
		if _, ok := table[p]; !ok {
			t.Errorf("DEVELOPERS.md, Dependencies: add a row for %s, with what it is for and its licence", p)
		}
	}
	for _, p := range slices.Sorted(maps.Keys(table)) {
		if !wanted[p] {
			t.Errorf("DEVELOPERS.md, Dependencies: no go.mod asks for %s: take its row out", p)
		}
	}
	// The licences of the examples' modules would have to be fetched first.
	for _, p := range ours {
		if err := hasLicence(p, table[p]); err != nil {
			t.Error(err)
		}
	}
}

func hasLicence(module, licence string) error {
	cmd := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", module)
	cmd.Dir = "../.."
	dir, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("%s: %w", module, err)
	}
	files, err := filepath.Glob(filepath.Join(strings.TrimSpace(string(dir)), "L[Ii][Cc][Ee][Nn][SsCc][Ee]*"))
	if err != nil || len(files) == 0 {
		return fmt.Errorf("%s has no licence file (%v)", module, err)
	}
	text, err := os.ReadFile(files[0])
	if err != nil {
		return err
	}
	plain := strings.Join(strings.Fields(string(text)), " ")
	words, ok := licences[licence]
	if !ok {
		return fmt.Errorf("%s: licence %q is not one that this test knows", module, licence)
	}
	if !strings.Contains(plain, words) {
		return fmt.Errorf("%s: its licence is not %s: see %s", module, licence, files[0])
	}
	if licence == "BSD-2-Clause" && strings.Contains(plain, licences["BSD-3-Clause"]) {
		return fmt.Errorf("%s: its licence is BSD-3-Clause", module)
	}
	return nil
}
