package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// target is what a program is built for.
type target struct {
	os, arch string
	cgo      bool
}

func (t target) String() string { return t.os + "/" + t.arch }

// listed is what go list says of a package.
type listed struct {
	ImportPath string
	Dir        string
	Name       string
	GoFiles    []string
	CgoFiles   []string
	ImportMap  map[string]string
	Standard   bool
	Error      *struct{ Err string }
	Module     *struct{ Path string }
}

// ours says that a package is of this module.
func (p *listed) ours() bool { return p.Module != nil && p.Module.Path == "example.com/phototie" }

// typeChecker reads packages from their source, so that no compiler has to have
// been run for a target first. Files that targets share are parsed once.
type typeChecker struct {
	fset   *token.FileSet
	parsed map[string]*ast.File
}

func newTypeChecker() *typeChecker {
	return &typeChecker{fset: token.NewFileSet(), parsed: map[string]*ast.File{}}
}

// check type-checks the packages of the patterns, relative to the top of the
// module, and what they import. Of packages that are not ours, and of all where
// bodies is false, it passes over the bodies of functions; and where those are
// false, over packages that no declaration needs. The error has all that is wrong
// in packages of ours.
func (c *typeChecker) check(to target, bodies bool, patterns ...string) (map[string]*types.Package, error) {
	cmd := exec.Command("go", append([]string{"list", "-e", "-deps", "-json=ImportPath,Dir,Name,GoFiles,CgoFiles,ImportMap,Standard,Error,Module"}, patterns...)...)
	cmd.Dir = filepath.Join("..", "..")
	cgo := "0"
	if to.cgo {
		cgo = "1"
	}
	cmd.Env = append(os.Environ(), "GOOS="+to.os, "GOARCH="+to.arch, "CGO_ENABLED="+cgo)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	defer cmd.Wait()
	got := map[string]*types.Package{"unsafe": types.Unsafe}
	var faults []error
	for dec := json.NewDecoder(out); ; { // what is imported comes first
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
		if p.ImportPath == "unsafe" {
			continue
		}
		if p.Error != nil {
			faults = append(faults, fmt.Errorf("%s: %s", p.ImportPath, p.Error.Err))
			continue
		}
		// The database engine is half a million lines of translated C.
		skip := strings.HasPrefix(p.ImportPath, "modernc.org/") && p.ImportPath != "modernc.org/sqlite" && p.ImportPath != "modernc.org/sqlite/vfs"
		var files []*ast.File
		for _, name := range append(p.GoFiles, p.CgoFiles...) {
			if skip {
				break
			}
			name = filepath.Join(p.Dir, name)
			f := c.parsed[name]
			if f == nil {
				if f, err = parser.ParseFile(c.fset, name, nil, parser.SkipObjectResolution); err != nil {
					return nil, err
				}
				if !p.ours() {
					empty(f)
				}
				c.parsed[name] = f
			}
			files = append(files, f)
		}
		conf := types.Config{
			Importer:         importMap{p.ImportMap, got},
			FakeImportC:      true,
			IgnoreFuncBodies: !bodies || !p.ours(),
			Sizes:            types.SizesFor("gc", to.arch),
			Error: func(err error) {
				if p.ours() {
					faults = append(faults, err)
				}
			},
		}
		got[p.ImportPath], _ = conf.Check(p.ImportPath, c.fset, files, nil)
		if skip {
			got[p.ImportPath].SetName(p.Name)
		}
		got[p.ImportPath].MarkComplete()
	}
	return got, errors.Join(append(faults, cmd.Wait())...)
}

// empty takes the elements out of the long slices in a file: fonts and tables of characters,
// whose types say all that is asked.
func empty(f *ast.File) {
	ast.Inspect(f, func(n ast.Node) bool {
		if lit, ok := n.(*ast.CompositeLit); ok && len(lit.Elts) > 64 {
			if of, ok := lit.Type.(*ast.ArrayType); ok {
				if _, counted := of.Len.(*ast.Ellipsis); !counted {
					lit.Elts = nil
				}
			}
		}
		return true
	})
}

// importMap gives a package its imports, by the names that it has for them.
type importMap struct {
	names map[string]string
	got   map[string]*types.Package
}

func (m importMap) Import(path string) (*types.Package, error) {
	if to, ok := m.names[path]; ok {
		path = to
	}
	if p := m.got[path]; p != nil {
		return p, nil
	}
	return nil, fmt.Errorf("%s is not among what go list gave", path)
}

// pure are the packages that need no cgo.
var pure = []string{"./grid", "./grid/site", "./geotag/...", "./match/..."}

// TestPlatforms: what needs no cgo is sound Go on every system that phototie is for.
// It reads types and does not compile: "make cross" does, and takes minutes.
func TestPlatforms(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector has nothing to find in it, and slows it down; make test runs it without")
	}
	c := newTypeChecker()
	for os, archs := range map[string][]string{
		"linux": {"amd64", "arm64"}, "darwin": {"amd64", "arm64"}, "windows": {"amd64", "arm64"},
		"js": {"wasm"}, "wasip1": {"wasm"},
	} {
		for _, arch := range archs {
			to := target{os: os, arch: arch}
			pkgs, err := c.check(to, true, pure...)
			if err != nil {
				t.Errorf("%s: %v", to, err)
			}
			if pkgs["example.com/phototie/match"] == nil {
				t.Errorf("%s: package match was not looked at", to)
			}
		}
	}
}
