package main

import (
	"bytes"
	"errors"
	"fmt"
	"go/token"
	"go/types"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// apiDir has a file for each public package with all that it exports.
const apiDir = "../../testdata/api"

// TestAPI compares what the packages export with testdata/api: a line for each
// constant, variable, function, type, field and method, sorted. With
// PHOTOTIE_UPDATE_API set the files are written anew instead.
func TestAPI(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector has nothing to find in it, and slows it down; make test runs it without")
	}
	const update = "PHOTOTIE_UPDATE_API=1 go test -count=1 -run '^TestAPI$' ./cmd/phototie"
	pkgs, err := newTypeChecker().check(target{os: "linux", arch: "amd64", cgo: true}, false, "./grid/...", "./geotag/...", "./match/...")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]byte{}
	for path, p := range pkgs {
		short, ok := strings.CutPrefix(path, "example.com/phototie/")
		if !ok || slices.Contains(strings.Split(short, "/"), "internal") {
			continue
		}
		want[strings.ReplaceAll(short, "/", "_")+".txt"] = api(p)
	}
	if len(want) < 10 {
		t.Fatalf("only %d packages", len(want))
	}
	there, err := filepath.Glob(filepath.Join(apiDir, "*.txt"))
	if err != nil {
		t.Fatal(err)
	}
	names := maps.Clone(want)
	for _, f := range there {
		names[filepath.Base(f)] = nil
	}
	if os.Getenv("PHOTOTIE_UPDATE_API") != "" {
		if err := os.MkdirAll(apiDir, 0o777); err != nil {
			t.Fatal(err)
		}
		for name := range names {
			file := filepath.Join(apiDir, name)
			if want[name] == nil {
				err = os.Remove(file)
			} else {
				err = os.WriteFile(file, want[name], 0o666)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		have, err := os.ReadFile(filepath.Join(apiDir, name))
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		if bytes.Equal(have, want[name]) {
			continue
		}
		var diff strings.Builder
		was, is := lines(have), lines(want[name])
		for l := range was {
			if !is[l] {
				fmt.Fprintf(&diff, "\n- %s", l)
			}
		}
		for l := range is {
			if !was[l] {
				fmt.Fprintf(&diff, "\n+ %s", l)
			}
		}
		t.Errorf("testdata/api/%s is not what the package exports:%s\nIf this is meant, run\n\t%s\nand read the difference.", name, diff.String(), update)
	}
}

func lines(text []byte) map[string]bool {
	out := map[string]bool{}
	for l := range strings.Lines(string(text)) {
		out[strings.TrimSuffix(l, "\n")] = true
	}
	return out
}

// api lists what a package exports.
func api(p *types.Package) []byte {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	short := func(q *types.Package) string {
		if q == p {
			return ""
		}
		return q.Path()
	}
	word := func(t types.Type) string {
		if s, ok := t.(*types.Signature); ok {
			t = unnamed(s)
		}
		return types.TypeString(t, short)
	}
	for _, name := range p.Scope().Names() {
		if !token.IsExported(name) {
			continue
		}
		switch o := p.Scope().Lookup(name).(type) {
		case *types.Const:
			say("const %s %s = %s", name, word(o.Type()), o.Val().ExactString())
		case *types.Var:
			say("var %s %s", name, word(o.Type()))
		case *types.Func:
			say("func %s%s", name, strings.TrimPrefix(word(o.Type()), "func"))
		case *types.TypeName:
			if o.IsAlias() {
				say("type %s = %s", name, word(types.Unalias(o.Type())))
				continue
			}
			named := o.Type().(*types.Named)
			params := ""
			if tp := named.TypeParams(); tp.Len() > 0 {
				params = types.TypeString(named, func(*types.Package) string { return "" })[len(name):]
			}
			switch u := named.Underlying().(type) {
			case *types.Struct:
				say("type %s%s struct", name, params)
				for i := range u.NumFields() {
					f := u.Field(i)
					if !f.Exported() {
						continue
					}
					what := word(f.Type())
					if f.Embedded() {
						what += ", embedded"
					}
					if tag, _, _ := strings.Cut(u.Tag(i), " default:"); tag != "" { // what explains a setting is no promise
						what += " `" + tag + "`"
					}
					say("type %s struct, %s %s", name, f.Name(), what)
				}
			case *types.Interface:
				say("type %s%s interface", name, params)
				for i := range u.NumMethods() {
					m := u.Method(i)
					if !m.Exported() {
						say("type %s interface, methods that are not exported", name)
						continue
					}
					say("type %s interface, %s%s", name, m.Name(), strings.TrimPrefix(word(m.Type()), "func"))
				}
				continue
			default:
				say("type %s%s %s", name, params, word(u))
			}
			byValue := types.NewMethodSet(named)
			all := types.NewMethodSet(types.NewPointer(named))
			for i := range all.Len() {
				m := all.At(i).Obj()
				if !m.Exported() {
					continue
				}
				recv := "*" + name
				if byValue.Lookup(p, m.Name()) != nil {
					recv = name
				}
				say("method (%s) %s%s", recv, m.Name(), strings.TrimPrefix(word(m.Type()), "func"))
			}
		}
	}
	slices.Sort(out)
	return []byte(strings.Join(slices.Compact(out), "\n") + "\n")
}

// unnamed is a signature without the names of its parameters, which may change.
func unnamed(s *types.Signature) *types.Signature {
	if s.TypeParams().Len() > 0 {
		return s
	}
	bare := func(t *types.Tuple) *types.Tuple {
		var vars []*types.Var
		for v := range t.Variables() {
			vars = append(vars, types.NewParam(token.NoPos, nil, "", v.Type()))
		}
		return types.NewTuple(vars...)
	}
	return types.NewSignatureType(nil, nil, nil, bare(s.Params()), bare(s.Results()), s.Variadic())
}

// make apidiff fails where a name no longer fits the last tag's callers, unless the major
// version is 0 and the changelog names it.
func TestAPIDiff(t *testing.T) {
	if testing.Short() {
		t.Skip("it runs the tool for six states of a module, a second each")
	}
	for _, tool := range []string{"make", "git", "go", "tar", "awk"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skip(err)
		}
	}
	makefile, err := filepath.Abs("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	put := func(name, text string) {
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o777), os.WriteFile(name, []byte(text), 0o666)); err != nil {
			t.Fatal(err)
		}
	}
	run := func(name string, args ...string) (string, error) {
		cmd := exec.Command(name, args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "GIT_CEILING_DIRECTORIES="+filepath.Dir(dir), "GIT_CONFIG_GLOBAL="+os.DevNull, "MAKEFLAGS=")
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	apidiff := func(says string) {
		t.Helper()
		out, err := run("make", "-f", makefile, "--no-print-directory", "apidiff")
		if fails := strings.HasPrefix(says, "since"); (err != nil) != fails || !strings.Contains(out, says) {
			t.Errorf("%v: %swant %q", err, out, says)
		}
	}
	commit := func(tag string) {
		t.Helper()
		for _, args := range [][]string{{"add", "-A"}, {"-c", "user.name=a", "-c", "user.email=a@example.com", "commit", "-qm", tag}, {"tag", tag}} {
			if out, err := run("git", args...); err != nil {
				t.Fatal(out, err)
			}
		}
	}
	const changelog = "testdata/api/CHANGELOG.md"
	put("go.mod", "module example.com/m\n\ngo 1.26\n")
	put("match/a.go", "package match\n\ntype Photo struct{ Name string }\n\nfunc (Photo) Old(int) {}\n")
	put("match/sim/a.go", "package sim\n\nconst Any = 1\n")
	put(changelog, "# Changes\n\nHere is `match.Photo.Old`.\n\n## Unreleased\n\n## v0.1.0\n\n- `match.Photo.Old`\n")
	apidiff("there is no tag")
	if out, err := run("git", "init", "-q"); err != nil {
		t.Fatal(out, err)
	}
	commit("v0.1.0")
	apidiff("")
	put("match/a.go", "package match\n\ntype Photo struct{ Name, More string }\n")
	put("match/sim/a.go", "package sim\n")
	apidiff("since v0.1.0, not in the top section of " + changelog + " or not allowed within a major version:\n  match.Photo.Old: removed\n")
	put(changelog, "# Changes\n\n## Unreleased\n\n- `match.Photo.Old` is gone.\n\n## v0.1.0\n")
	apidiff("")
	commit("v1.0.0")
	put("match/a.go", "package match\n\ntype Photo struct{ Name int }\n")
	put(changelog, "# Changes\n\n## Unreleased\n\n- `match.Photo.Name` `match.Photo.More`\n")
	apidiff("since v1.0.0")
}
