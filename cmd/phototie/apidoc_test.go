package main

import (
	"fmt"
	"go/ast"
	"go/doc"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestAPIDocs wants the documentation of each package to say what holds of its errors, and
// that of each type that keeps something to itself and has methods to say what its zero
// value is and whether it is safe for concurrent use.
func TestAPIDocs(t *testing.T) {
	dirs := map[string]bool{}
	for _, top := range []string{"grid", "geotag", "match"} {
		err := filepath.WalkDir(filepath.Join("../..", top), func(p string, e fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case e.IsDir() && slices.Contains([]string{"internal", "sim", "geotagtest", "testdata"}, e.Name()):
				return fs.SkipDir
			case strings.HasSuffix(p, ".go") && !strings.HasSuffix(p, "_test.go"):
				dirs[filepath.Dir(p)] = true
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if len(dirs) < 20 {
		t.Fatalf("only %d packages", len(dirs))
	}
	for _, dir := range slices.Sorted(maps.Keys(dirs)) {
		sources := map[string]string{}
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if !strings.HasSuffix(f, "_test.go") {
				text, err := os.ReadFile(f)
				if err != nil {
					t.Fatal(err)
				}
				sources[f] = string(text)
			}
		}
		for _, wrong := range undocumented(t, sources) {
			t.Errorf("%s: %s", strings.TrimPrefix(filepath.ToSlash(dir), "../../"), wrong)
		}
	}
	const p = "// Package a is one.\npackage a\n"
	for text, want := range map[string]int{
		p + "var ErrA error": 1,
		"// Package a: errors.Is finds.\npackage a\nvar ErrA error":                                         0,
		p + "type A struct{}\nfunc (*A) Error() string { return `` }":                                       1,
		p + "type A struct{ a int }\nfunc (A) B() {}":                                                       2,
		p + "// A, safe for concurrent use.\ntype A struct{ a int }\nfunc (*A) B() {}":                      1,
		p + "// A, safe for concurrent use; the zero A is empty.\ntype A struct{ a int }\nfunc (*A) B() {}": 0,
		p + "type A struct{ B int }\nfunc (A) B() {}\ntype C struct{ d int }":                               0,
	} {
		if got := undocumented(t, map[string]string{"a.go": text}); len(got) != want {
			t.Errorf("%s\n%q, want %d faults", text, got, want)
		}
	}
}

// undocumented says what a package's documentation lacks.
func undocumented(t *testing.T, sources map[string]string) (wrong []string) {
	t.Helper()
	fset := token.NewFileSet()
	var files []*ast.File
	for name, text := range sources {
		f, err := parser.ParseFile(fset, name, text, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	p, err := doc.NewFromFiles(fset, files, "example.com/a")
	if err != nil {
		t.Fatal(err)
	}
	vars := p.Vars
	for _, typ := range p.Types {
		vars = append(vars, typ.Vars...)
		methods := []string{}
		for _, m := range typ.Methods {
			methods = append(methods, m.Name)
		}
		if slices.Contains(methods, "Error") && !strings.Contains(p.Doc+typ.Doc, "errors.As") {
			wrong = append(wrong, fmt.Sprintf("nothing says that errors.As finds a %s", typ.Name))
		}
		if len(methods) == 0 || slices.Contains(methods, "Error") || !keepsFields(typ) {
			continue
		}
		for _, word := range []string{"concurrent", "zero"} {
			if !strings.Contains(strings.ToLower(typ.Doc), word) {
				wrong = append(wrong, fmt.Sprintf("the documentation of %s does not have the word %q: say whether it is safe for concurrent use, and what its zero value is", typ.Name, word))
			}
		}
	}
	for _, v := range vars {
		if strings.HasPrefix(v.Names[0], "Err") && !strings.Contains(p.Doc, "errors.Is") {
			return append(wrong, fmt.Sprintf("the package's documentation does not say that errors.Is finds %s", v.Names[0]))
		}
	}
	return wrong
}

// keepsFields reports whether a type is a struct with fields that are not exported.
func keepsFields(typ *doc.Type) bool {
	for _, spec := range typ.Decl.Specs {
		if s, ok := spec.(*ast.TypeSpec); ok && s.Name.Name == typ.Name {
			st, ok := s.Type.(*ast.StructType)
			return ok && (st.Incomplete || slices.ContainsFunc(st.Fields.List, func(f *ast.Field) bool {
				return slices.ContainsFunc(f.Names, func(n *ast.Ident) bool { return !n.IsExported() })
			}))
		}
	}
	return false
}
