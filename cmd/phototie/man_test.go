package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// The manual pages are made of the commands' own help: each command has one with each of
// its flags, each topic has one, and groff, where it is there, has nothing to say of them.
func TestManual(t *testing.T) {
	dir := t.TempDir()
	if code := run(t.Context(), []string{"man", dir}, io.Discard, os.Stderr); code != exitOK {
		t.Fatal(code)
	}
	pages := 0
	for _, c := range newRoot(&env{io.Discard, io.Discard}).Commands() {
		if notPaged(c) {
			continue
		}
		section := "7"
		if c.Runnable() {
			section = "1"
		}
		page, err := os.ReadFile(filepath.Join(dir, "man"+section, manName(c)+"."+section))
		if err != nil {
			t.Error(err)
			continue
		}
		pages++
		text := strings.ReplaceAll(string(page), `\-`, "-")
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if !strings.Contains(text, `\fB--`+f.Name+`\fR`) && f.Name != "help" {
				t.Errorf("%s does not have --%s", manName(c), f.Name)
			}
		})
	}
	if pages < 20 {
		t.Errorf("%d pages", pages)
	}
	groff, err := exec.LookPath("groff")
	if err != nil {
		t.Skip(err)
	}
	all, err := filepath.Glob(filepath.Join(dir, "man?", "*"))
	if err != nil || len(all) != pages+1 {
		t.Fatalf("%d files, %v", len(all), err)
	}
	cmd := exec.Command(groff, append([]string{"-ww", "-man", "-K", "utf8", "-T", "utf8"}, all...)...)
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Run(); err != nil || said.Len() > 0 {
		t.Errorf("%v\n%s", err, &said)
	}
}
