//go:build !js

// Command browser writes a page that reads a photo's tag and writes a new position into
// a copy of it, in the browser: package geotag, built for WebAssembly, is in the page
// itself. Nothing is uploaded, and the page's own policy forbids it any connection.
//
//	go run ./examples/browser position.html
//
// The page is one file, to be opened from disk or put on any server. It needs a browser
// of 2023 or later.
package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	_ "embed" // the page
	"encoding/base64"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

//go:embed page.html
var page string

//go:embed page.js
var script string

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "browser:", err)
		os.Exit(2)
	}
}

func run(args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("give the name of the page to write")
	}
	program, err := build()
	if err != nil {
		return err
	}
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return err
	}
	glue, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(goroot)), "lib", "wasm", "wasm_exec.js"))
	if err != nil {
		return err
	}
	code := string(glue) + "\n" + script
	sum := sha256.Sum256([]byte(code))
	whole := strings.NewReplacer("HASH", base64.StdEncoding.EncodeToString(sum[:]),
		"PROGRAM", base64.StdEncoding.EncodeToString(program), "SCRIPT", code).Replace(page)
	return os.WriteFile(args[0], []byte(whole), 0o644)
}

// build compiles the program of the page, which is tag_js.go, and packs it with gzip.
func build() ([]byte, error) {
	dir, err := os.MkdirTemp("", "browser-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, "tag.wasm")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", file, "example.com/phototie/examples/browser")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("building the page's program: %w\n%s", err, out)
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var packed bytes.Buffer
	w, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(raw); err != nil {
		return nil, err
	}
	err = w.Close()
	return packed.Bytes(), err
}
