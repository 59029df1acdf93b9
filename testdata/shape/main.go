// Command shape prints the shape of this repository's Go code, and fails where it
// exceeds the limits that stand at the top of its source: see DEVELOPERS.md.
//
//	go run ./testdata/shape [-list] [-lint] [DIR]
//
// It counts what is not test code: neither the tests, nor the packages that only
// tests and studies use (forTests), whose lines count as tests. Lines are those of
// the files, comments and blank ones too. The complexity is McCabe's: one and one more for each if, for,
// case and && or || (T. J. McCabe, A Complexity Measure, IEEE Transactions on
// Software Engineering SE-2, 1976). An exported name is unused where nothing but
// its own package mentions it, tests and examples of other packages included. Left
// out are names whose use can't be seen so: fields with a tag, methods that
// interfaces of the standard library ask for, types that another exported name has
// in its signature, constants of a type of which others are used.
package main

import (
	"cmp"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/tools/go/packages"
)

// The limits.
const (
	maxLines      = 54_000 // of non-test code
	maxComplexity = 30     // of any function
	maxP95        = 12     // of the 95th percentile of functions
	complexFrom   = 15     // over this a function is complex
	maxComplex    = 0.03   // share of complex functions
	maxFuncLines  = 100    // of a function, but those in longTables
	minDocumented = 0.99   // share of exported names
	maxREADME     = 12_288 // bytes
)

// What exceeds a limit today. With -lint it may not get worse; what is gained goes
// down here too, until nothing is left.
const (
	linesToday  = 77_781
	p95Today    = 12
	unusedToday = 0
)

// forTests are the packages that tests, studies and an example's demo job are made
// of: nothing that phototie does for a job uses them.
var forTests = map[string]bool{
	"geotag/geotagtest": true, "match/sim": true, "match/sim/field": true, "match/sim/field/trial": true,
	"examples/simulate": true,
}

// allowed are exported names that may be unused, with the reason. A type stands for its
// fields and methods, and a name that ends in * for all that begin with it.
var allowed = map[string]string{
	"cause.Change":                   "what a cause of one's own says of a photo; examples/owncause uses some of it",
	"cause.Evidence":                 "what a cause of one's own may look at; examples/owncause uses some of it",
	"cause.Group*":                   "what a cause of one's own may concern",
	"cause.Hypothesis":               "what a cause of one's own proposes; examples/owncause uses some of it",
	"cause.MinScore":                 "the bar that the documentation speaks of",
	"cause.Photo":                    "what a cause of one's own may look at",
	"crs.ErrNoFixes":                 "an error for callers of Find to tell apart",
	"dataset.StopError":              "why nothing was written, for callers that show it their own way",
	"dataset.Survey":                 "what the survey's side was read as, for callers without photos",
	"match.OwnFrame":                 "a word of Options.Delivered, for callers without settings",
	"noise.Session":                  "what is known of a session, for callers that plot it",
	"report.GeoPackageOptions.Site":  "for callers who have no Job",
	"service.Service":                "programs with a channel of their own call Answer",
	"sim.Config":                     "what a study may ask for",
	"sim.ConfigError":                "an error for callers to tell apart",
	"sim.Noise":                      "what a study may ask for",
	"sim.Plant":                      "what a study may ask for",
	"walk.Params":                    "priors that a study may change; the command keeps the defaults",
	"match.Facts.Has":                "package words reads facts by an interface",
	"match.Facts.Text":               "package words reads facts by an interface",
	"match.Facts.Texts":              "package words reads facts by an interface",
	"match.Facts.Unit":               "package words reads facts by an interface",
	"match.Facts.Value":              "package words reads facts by an interface",
	"dataset.Dataset.Reader":         "examples/batch, a module of its own, reads photos by it",
	"record.Gallery.Keep":            "examples/batch, a module of its own, draws pictures elsewhere",
	"match.Tally.Confidence":         "examples/batch, a module of its own, groups tallies by it",
	"match.Tally.GrossLevel":         "examples/batch, a module of its own, groups tallies by it",
	"match.Tally.Unit":               "examples/batch, a module of its own, groups tallies by it",
	"pictures.DefaultRule":           "what the zero Requirements are, with the sources of the figures",
	"pictures.DefaultMarkupSuffixes": "what Requirements without suffixes have",
	"ledger.Version":                 "examples/objectstore, a module of its own, writes records of that format",
}

// longTables are functions over maxFuncLines that are tables.
var longTables = map[string]bool{}

func main() {
	list := flag.Bool("list", false, "list every function and name over a limit, also where the limit is met")
	lint := flag.Bool("lint", false, "print what is worse than today, and nothing else")
	flag.Parse()
	dir := cmp.Or(flag.Arg(0), ".")
	if ok, err := run(dir, *list, *lint); err != nil {
		fmt.Fprintln(os.Stderr, "shape:", err)
		os.Exit(2)
	} else if !ok {
		os.Exit(1)
	}
}

// function is a function that is not a test's.
type function struct {
	name, at          string
	lines, complexity int
}

// shape is what is counted of a package, or of all.
type shape struct {
	lines, testLines     int
	exports, documented  int
	entries, examples    int // exported functions and types; examples of any
	functions            []function
	unused, undocumented []string
	withoutExample       bool
}

func run(dir string, list, lint bool) (bool, error) {
	pkgs, err := packages.Load(&packages.Config{Dir: dir, Tests: true,
		Mode: packages.NeedName | packages.NeedFiles | packages.NeedSyntax | packages.NeedTypes | packages.NeedTypesInfo | packages.NeedImports | packages.NeedDeps}, "./...")
	if err != nil {
		return false, err
	}
	if packages.PrintErrors(pkgs) > 0 {
		return false, fmt.Errorf("the code does not build")
	}
	root, err := filepath.Abs(dir)
	if err != nil {
		return false, err
	}
	by, err := count(root)
	if err != nil {
		return false, err
	}
	for at, names := range unused(pkgs) {
		if rel, err := filepath.Rel(root, at); err == nil && by[rel] != nil {
			by[rel].unused = names
		}
	}
	all := &shape{}
	out := io.Writer(os.Stdout)
	if lint {
		out = io.Discard
	}
	fmt.Fprintf(out, "%-24s %6s %6s %7s %4s %6s %6s %9s %6s %6s\n", "package", "lines", "tests", "exports", "doc", "unused", "longest", "complex p95", "max", "over 15")
	for _, key := range slices.Sorted(maps.Keys(by)) {
		s := by[key]
		s.withoutExample = s.entries > 0 && s.examples == 0 && !strings.Contains(key, "internal")
		s.print(out, key)
		all.lines, all.testLines = all.lines+s.lines, all.testLines+s.testLines
		all.exports, all.documented = all.exports+s.exports, all.documented+s.documented
		all.entries, all.examples = all.entries+s.entries, all.examples+s.examples
		all.functions = append(all.functions, s.functions...)
		all.unused = append(all.unused, s.unused...)
		all.undocumented = append(all.undocumented, s.undocumented...)
		if s.withoutExample {
			all.withoutExample = true
			fmt.Printf("%s: no example\n", key)
		}
	}
	all.print(out, "all")
	return all.check(root, list, lint), nil
}

// count counts the Go files below root, those of the examples' own modules too, by
// folder.
func count(root string) (map[string]*shape, error) {
	by := map[string]*shape{}
	fset := token.NewFileSet()
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if file != root && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".")) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(file, ".go") {
			return nil
		}
		f, err := parser.ParseFile(fset, file, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		dir := filepath.Dir(rel)
		if by[dir] == nil {
			by[dir] = &shape{}
		}
		by[dir].add(fset, f, rel)
		return nil
	})
	return by, err
}

func (s *shape) add(fset *token.FileSet, f *ast.File, rel string) {
	lines := fset.File(f.Package).LineCount()
	test := strings.HasSuffix(rel, "_test.go")
	if test || forTests[filepath.ToSlash(filepath.Dir(rel))] {
		s.testLines += lines
	} else {
		s.lines += lines
	}
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if test {
				if d.Recv == nil && strings.HasPrefix(d.Name.Name, "Example") {
					s.examples++
				}
				continue
			}
			s.addFunc(fset, d, rel, f.Name.Name == "main")
		case *ast.GenDecl:
			if !test && f.Name.Name != "main" {
				s.addDecl(d, rel)
			}
		}
	}
}

func (s *shape) addFunc(fset *token.FileSet, d *ast.FuncDecl, rel string, isMain bool) {
	name, exported := d.Name.Name, d.Name.IsExported()
	if d.Recv != nil {
		recv := receiver(d.Recv.List[0].Type)
		name, exported = recv+"."+name, exported && ast.IsExported(recv)
	}
	from := fset.Position(d.Pos()).Line
	if d.Body != nil {
		s.functions = append(s.functions, function{name: name, at: fmt.Sprintf("%s:%d", rel, from),
			lines: fset.Position(d.End()).Line - from + 1, complexity: complexity(d.Body)})
	}
	if exported && !isMain {
		s.export(rel+" "+name, d.Doc != nil, d.Recv == nil)
	}
}

func (s *shape) addDecl(d *ast.GenDecl, rel string) {
	for _, spec := range d.Specs {
		switch spec := spec.(type) {
		case *ast.TypeSpec:
			if spec.Name.IsExported() {
				s.export(rel+" "+spec.Name.Name, spec.Doc != nil || spec.Comment != nil || d.Doc != nil, true)
			}
		case *ast.ValueSpec:
			for _, id := range spec.Names {
				if id.IsExported() {
					s.export(rel+" "+id.Name, spec.Doc != nil || spec.Comment != nil || d.Doc != nil, false)
				}
			}
		}
	}
}

func (s *shape) export(name string, documented, entry bool) {
	s.exports++
	if entry {
		s.entries++
	}
	if documented {
		s.documented++
	} else {
		s.undocumented = append(s.undocumented, name)
	}
}

func receiver(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return receiver(e.X)
	case *ast.IndexExpr:
		return receiver(e.X)
	case *ast.IndexListExpr:
		return receiver(e.X)
	case *ast.Ident:
		return e.Name
	}
	return "?"
}

// complexity is that of a function with its literals.
func complexity(body ast.Node) int {
	n := 1
	ast.Inspect(body, func(x ast.Node) bool {
		switch x := x.(type) {
		case *ast.IfStmt, *ast.ForStmt, *ast.RangeStmt:
			n++
		case *ast.CaseClause:
			if x.List != nil {
				n++
			}
		case *ast.CommClause:
			if x.Comm != nil {
				n++
			}
		case *ast.BinaryExpr:
			if x.Op == token.LAND || x.Op == token.LOR {
				n++
			}
		}
		return true
	})
	return n
}

func (s *shape) over(limit int, of func(function) int) (out []function) {
	for _, f := range s.functions {
		if of(f) > limit {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b function) int { return cmp.Compare(of(b), of(a)) })
	return out
}

func complexityOf(f function) int { return f.complexity }
func linesOf(f function) int      { return f.lines }

// most are the longest function, and the complexity of the 95th percentile and
// of the worst.
func (s *shape) most() (longest, p95, worst int) {
	if len(s.functions) == 0 {
		return 0, 0, 0
	}
	var lines, complexities []int
	for _, f := range s.functions {
		lines, complexities = append(lines, f.lines), append(complexities, f.complexity)
	}
	slices.Sort(complexities)
	n := len(complexities)
	return slices.Max(lines), complexities[min(n-1, n*95/100)], complexities[n-1]
}

func (s *shape) print(w io.Writer, name string) {
	longest, p95, worst := s.most()
	fmt.Fprintf(w, "%-24s %6d %6d %7d %3.0f%% %6d %7d %11d %6d %6.1f%%\n", name, s.lines, s.testLines, s.exports,
		100*float64(s.documented)/float64(max(s.exports, 1)), len(s.unused), longest, p95, worst,
		100*float64(len(s.over(complexFrom, complexityOf)))/float64(max(len(s.functions), 1)))
}

// check holds all against the limits, and says what exceeds one.
func (s *shape) check(root string, list, lint bool) bool {
	ok := true
	lines, p95Most, unusedMost := maxLines, maxP95, 0
	if lint {
		lines, p95Most, unusedMost = linesToday, p95Today, unusedToday
	}
	limit := func(met bool, what string, args ...any) bool {
		if !met {
			ok = false
			fmt.Printf("too much: "+what+"\n", args...)
		}
		return !met || list
	}
	show := func(fs []function, of func(function) int) {
		for _, f := range fs {
			fmt.Printf("  %4d  %s  %s\n", of(f), f.at, f.name)
		}
	}
	_, p95, worst := s.most()
	complex := s.over(complexFrom, complexityOf)
	share := float64(len(complex)) / float64(max(len(s.functions), 1))
	if !lint {
		fmt.Printf("functions %d; test : code %.2f; examples per exported function or type %d/%d\n",
			len(s.functions), float64(s.testLines)/float64(s.lines), s.examples, s.entries)
	}
	limit(s.lines <= lines, "%d lines, at most %d", s.lines, lines)
	limit(p95 <= p95Most, "the 95th percentile of complexity is %d, at most %d", p95, p95Most)
	limit(worst <= maxComplexity, "a function of complexity %d, at most %d", worst, maxComplexity)
	if limit(share <= maxComplex, "%.1f %% of functions are over %d, at most %.0f %%", 100*share, complexFrom, 100*maxComplex) {
		show(complex, complexityOf)
	}
	long := slices.DeleteFunc(s.over(maxFuncLines, linesOf), func(f function) bool { return longTables[f.name] })
	if limit(len(long) == 0, "%d functions are over %d lines", len(long), maxFuncLines) {
		show(long, linesOf)
	}
	if limit(len(s.unused) <= unusedMost, "%d exported names are used by nothing, at most %d", len(s.unused), unusedMost) {
		fmt.Println("  " + strings.Join(s.unused, "\n  "))
	}
	if limit(float64(s.documented) >= minDocumented*float64(s.exports), "%d exported names are not documented", len(s.undocumented)) {
		fmt.Println("  " + strings.Join(s.undocumented, "\n  "))
	}
	limit(!s.withoutExample, "a package has no example")
	readme, err := os.Stat(filepath.Join(root, "README.md"))
	limit(err == nil && readme.Size() <= maxREADME, "README has more than %d bytes", maxREADME)
	return ok
}

// standard are methods that interfaces of the standard library ask for.
var standard = map[string]bool{}

func init() {
	for _, name := range strings.Fields(`String Error Unwrap Is As MarshalJSON UnmarshalJSON MarshalText UnmarshalText
		Read Write Close ReadAt Seek Len Less Swap Format GoString ServeHTTP ColorModel Bounds At WriteTo ReadFrom`) {
		standard[name] = true
	}
}

// export is an exported name.
type export struct {
	pkg, dir, name string
	// enum is the type of a constant, and typ the named type that a type's name
	// declares.
	enum, typ *types.TypeName
	used      bool
}

// unused are the unused exported names, by folder.
func unused(pkgs []*packages.Package) map[string][]string {
	names := map[string]*export{}
	place := func(fset *token.FileSet, pos token.Pos) string { return fset.Position(pos).String() }
	mentioned := map[string]bool{} // types in signatures, by place
	for _, p := range pkgs {
		// A package under test is loaded again with its tests: the plain one counts.
		if p.Name == "main" || strings.Contains(p.ID, " ") {
			continue
		}
		add := func(o types.Object, name string, typ *types.TypeName) {
			e := &export{pkg: p.PkgPath, dir: filepath.Dir(p.Fset.Position(o.Pos()).Filename), name: name, typ: typ}
			if c, ok := o.(*types.Const); ok {
				if n, ok := c.Type().(*types.Named); ok && n.Obj().Pkg() == p.Types {
					e.enum = n.Obj()
				}
			}
			names[place(p.Fset, o.Pos())] = e
			if typ == nil {
				for _, n := range namedIn(o.Type(), p.Types) {
					mentioned[place(p.Fset, n.Pos())] = true
				}
			}
		}
		for _, n := range p.Types.Scope().Names() {
			o := p.Types.Scope().Lookup(n)
			if !o.Exported() {
				continue
			}
			tn, isType := o.(*types.TypeName)
			if !isType {
				add(o, n, nil)
				continue
			}
			add(o, n, tn)
			named, ok := tn.Type().(*types.Named)
			if !ok || tn.IsAlias() {
				continue
			}
			for m := range named.Methods() {
				if m.Exported() && !standard[m.Name()] {
					add(m, n+"."+m.Name(), nil)
				}
			}
			if st, ok := named.Underlying().(*types.Struct); ok {
				for i := range st.NumFields() {
					f := st.Field(i)
					if f.Exported() && st.Tag(i) == "" && !f.Embedded() {
						add(f, n+"."+f.Name(), nil)
					} else {
						for _, n := range namedIn(f.Type(), p.Types) {
							mentioned[place(p.Fset, n.Pos())] = true
						}
					}
				}
			}
		}
	}
	for _, p := range pkgs {
		for id, o := range p.TypesInfo.Uses {
			if o.Pkg() == nil {
				continue
			}
			e := names[place(p.Fset, o.Pos())]
			if e == nil || e.used {
				continue
			}
			own, _, _ := strings.Cut(p.ID, " ")
			inTest := strings.HasSuffix(p.Fset.Position(id.Pos()).Filename, "_test.go")
			e.used = inTest || own != e.pkg
		}
	}
	enums := map[*types.TypeName]bool{}
	for _, e := range names {
		if e.used && e.enum != nil {
			enums[e.enum] = true
		}
	}
	out := map[string][]string{}
	for at, e := range names {
		short := e.pkg[strings.LastIndex(e.pkg, "/")+1:] + "." + e.name
		if !e.used && !(e.enum != nil && enums[e.enum]) && !(e.typ != nil && mentioned[at]) && !reasoned(short) {
			out[e.dir] = append(out[e.dir], short)
		}
	}
	for _, list := range out {
		slices.Sort(list)
	}
	return out
}

// reasoned reports whether a name may be unused.
func reasoned(name string) bool {
	of, _, _ := strings.Cut(name[strings.Index(name, ".")+1:], ".")
	pkg := name[:strings.Index(name, ".")+1]
	if allowed[name] != "" || allowed[pkg+of] != "" {
		return true
	}
	for a := range allowed {
		if prefix, ok := strings.CutSuffix(a, "*"); ok && strings.HasPrefix(name, prefix) {
			return true
		}
	}
	return false
}

// namedIn are the named types of a package in a type.
func namedIn(t types.Type, pkg *types.Package) (out []*types.TypeName) {
	switch t := t.(type) {
	case *types.Named:
		if t.Obj().Pkg() == pkg {
			out = append(out, t.Obj())
		}
		for a := range t.TypeArgs().Types() {
			out = append(out, namedIn(a, pkg)...)
		}
	case interface{ Elem() types.Type }: // pointers, slices, arrays, channels, maps
		out = namedIn(t.Elem(), pkg)
		if m, ok := t.(*types.Map); ok {
			out = append(out, namedIn(m.Key(), pkg)...)
		}
	case *types.Signature:
		for _, tuple := range []*types.Tuple{t.Params(), t.Results()} {
			for v := range tuple.Variables() {
				out = append(out, namedIn(v.Type(), pkg)...)
			}
		}
	}
	return out
}
