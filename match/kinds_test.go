package match

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Every code of a finding that phototie's packages have is in the table, once, and
// the table says all that there is to say of it.
func TestKindsAreComplete(t *testing.T) {
	var codes []string
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			if !ok || !strings.HasSuffix(fmt.Sprint(typeName(v.Type)), "FindingCode") {
				return true
			}
			for _, e := range v.Values {
				if lit, ok := e.(*ast.BasicLit); ok {
					s, err := strconv.Unquote(lit.Value)
					if err != nil {
						t.Error(err)
					}
					codes = append(codes, s)
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(codes) < 30 {
		t.Fatalf("only %d codes were found in the sources", len(codes))
	}
	shape := regexp.MustCompile(`^[a-z]+(-[a-z]+)+$`)
	seen := map[FindingCode]bool{}
	for _, k := range FindingKinds() {
		if seen[k.Code] || !shape.MatchString(string(k.Code)) || k.Severity.rank() == 0 || k.Title == "" || !strings.HasSuffix(k.Text, ".") ||
			k.Remedy == "" || strings.HasSuffix(k.Remedy, ".") {
			t.Errorf("%+v", k)
		}
		seen[k.Code] = true
		if got, ok := k.Code.Kind(); !ok || got != k {
			t.Errorf("%s: %+v", k.Code, got)
		}
		if !slices.Contains(codes, string(k.Code)) {
			t.Errorf("%s is in the table, and no constant has it", k.Code)
		}
	}
	for _, c := range codes {
		if !seen[FindingCode(c)] {
			t.Errorf("%s is not in the table: say in kinds.go what it means", c)
		}
	}
	if _, ok := FindingCode("none-of-ours").Kind(); ok {
		t.Error("a code that is nobody's has a kind")
	}
}

// typeName is the name of a type as it is written.
func typeName(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return e.Sel.Name
	}
	return ""
}
