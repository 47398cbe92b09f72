package layering

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// A rule says what a package may reach, itself and through others. Patterns end in
// "/..." for a package and all below it.
type rule struct {
	of    string
	reach []string
	pure  bool // no clock, file, net, logger, goroutine, global random
}

var questions = []string{"analysis/reception", "analysis/stat", "analysis/tally"}

// The house. One line a room; a new package adds its line in the same commit.
var rules = []rule{
	{of: "analysis/reception", pure: true},
	{of: "analysis/stat", pure: true},
	{of: "analysis/tally", reach: []string{"analysis/reception"}, pure: true},
	{of: "analysis/event", reach: []string{"analysis/reception", "analysis/tally"}, pure: true},
	{of: "analysis/drivers", reach: questions, pure: true},
	{of: "analysis/threshold", reach: questions, pure: true},
	{of: "analysis/fading", reach: questions, pure: true},
	{of: "analysis/availability", reach: questions, pure: true},
	{of: "analysis/cause", reach: append(questions[:3:3], "analysis/drivers"), pure: true},
	{of: "analysis/outlook", reach: append(questions[:3:3], "analysis/drivers", "analysis/decompose"), pure: true},
	{of: "analysis/decompose", reach: append(questions[:3:3], "analysis/drivers"), pure: true},
	{of: "analysis/answer", reach: []string{"analysis/..."}, pure: true},
	{of: "analysis/worldtest/...", reach: []string{"analysis/reception"}, pure: true},

	{of: "alerting", reach: []string{"analysis/..."}, pure: true},
	{of: "alerting/watch", reach: []string{"alerting", "analysis/..."}},
	{of: "alerting/notify/...", reach: []string{"alerting", "analysis/..."}},

	{of: "dashboards", reach: []string{"dashboards/...", "alerting", "analysis/...", "configs/zones"}},
	{of: "dashboards/door"},
	{of: "dashboards/chart", reach: []string{"analysis/..."}},
	{of: "dashboards/words", reach: []string{"dashboards/...", "alerting", "analysis/..."}},

	{of: "collector", reach: []string{"analysis/reception"}},
	{of: "collector/intake", reach: []string{"analysis/reception", "analysis/tally", "collector/store"}},
	{of: "collector/exchange", reach: []string{"analysis/reception"}},
	{of: "collector/address"},
	{of: "collector/jq"},
	{of: "collector/calendar", reach: []string{"collector/address", "configs/zones"}},
	{of: "collector/psi", reach: []string{"analysis/reception"}, pure: true},
	{of: "collector/store/embedded", reach: []string{"analysis/reception", "collector/store", "collector/store/embedded/segment"}},
	{of: "collector/store/embedded/segment", reach: []string{"analysis/reception"}},
	{of: "collector/store/...", reach: []string{"analysis/reception", "collector/store"}},
	{of: "collector/weather/...", reach: []string{"analysis/reception", "collector/address", "collector/exchange", "collector/jq", "collector/weather/..."}},
	{of: "collector/source/simulated", reach: []string{"analysis/reception", "analysis/worldtest/firstworld", "collector"}},
	{of: "collector/source/replay", reach: []string{"analysis/reception", "collector", "collector/exchange"}},
	{of: "collector/source/fields", reach: []string{"analysis/reception"}},
	{of: "collector/source/httpjson", reach: []string{"analysis/reception", "collector", "collector/address", "collector/jq", "collector/source/fields"}},
	{of: "collector/source/command", reach: []string{"analysis/reception", "collector", "collector/source/fields"}},
	{of: "collector/source/dvb", reach: []string{"analysis/reception", "collector", "collector/psi"}},
	{of: "collector/source/...", reach: []string{"analysis/reception", "collector"}},

	{of: "configs", reach: []string{"analysis/reception", "collector/address", "collector/jq", "configs/zones", "dashboards/door"}},
	{of: "configs/zones"},
	{of: "cmd/...", reach: []string{"..."}},
}

// What test files may use beyond their package's row.
var inTests = []string{"analysis/worldtest/...", "collector/store/memstore", "collector/store/storetest", "collector/source/sourcetest"}

func matches(pattern, pkg string) bool {
	if pattern == "..." {
		return true
	}
	if p, ok := strings.CutSuffix(pattern, "/..."); ok {
		return pkg == p || strings.HasPrefix(pkg, p+"/")
	}
	return pattern == pkg
}

// ruleFor returns the first, and so the most special, row that matches.
func ruleFor(pkg string) (int, bool) {
	for i, r := range rules {
		if matches(r.of, pkg) {
			return i, true
		}
	}
	return 0, false
}

type source struct {
	pkg, file string
	test      bool
	tree      *ast.File
}

// load parses every Go file of the module. It walks the tree itself, so that the go
// command cannot serve an older pass from its cache.
func load(t *testing.T) (*token.FileSet, []source) {
	root, err := filepath.Abs("../../..")
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	var out []source
	err = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(root, p)
		if d.IsDir() {
			if rel != "." && strings.HasPrefix(d.Name(), ".") || rel == "testdata" || d.Name() == "testdata" {
				return filepath.SkipDir
			}
			if rel != "." {
				if _, err := os.Stat(filepath.Join(p, "go.mod")); err == nil {
					return filepath.SkipDir
				}
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") {
			return nil
		}
		f, err := parser.ParseFile(fset, p, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		out = append(out, source{path.Dir(filepath.ToSlash(rel)), filepath.ToSlash(rel), strings.HasSuffix(p, "_test.go"), f})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 10 {
		t.Fatalf("found %d Go files below %s; the walk is broken", len(out), root)
	}
	return fset, out
}

func ours(spec *ast.ImportSpec) (string, bool) {
	p, err := strconv.Unquote(spec.Path.Value)
	if err != nil {
		return "", false
	}
	return strings.CutPrefix(p, "holdfast/")
}

func TestArrowsPointDown(t *testing.T) {
	_, files := load(t)
	direct := map[string][]string{}
	used := map[int]bool{}
	for _, f := range files {
		i, ok := ruleFor(f.pkg)
		if !ok {
			t.Errorf("%s: package %s is in no rule; add its row to the table", f.file, f.pkg)
			continue
		}
		used[i] = true
		for _, spec := range f.tree.Imports {
			to, ok := ours(spec)
			if !ok || to == f.pkg {
				continue
			}
			if !f.test && !slices.Contains(direct[f.pkg], to) {
				direct[f.pkg] = append(direct[f.pkg], to)
			}
			if f.test && !allowed(rules[i], f.pkg, to) && !slices.ContainsFunc(inTests, func(p string) bool { return matches(p, to) }) {
				t.Errorf("%s: the test reaches %s, which the row %q does not allow", f.file, to, rules[i].of)
			}
		}
	}
	for i, r := range rules {
		if !used[i] {
			t.Errorf("the row %q matches no package; drop it", r.of)
		}
	}
	for pkg := range direct {
		i, ok := ruleFor(pkg)
		if !ok {
			continue
		}
		for to, via := range reachable(direct, pkg) {
			if !allowed(rules[i], pkg, to) {
				t.Errorf("%s reaches %s (%s), which the row %q does not allow", pkg, to, via, rules[i].of)
			}
		}
	}
}

func allowed(r rule, pkg, to string) bool {
	return to == pkg || slices.ContainsFunc(r.reach, func(p string) bool { return matches(p, to) })
}

// reachable returns every package that pkg reaches, with the way there.
func reachable(direct map[string][]string, pkg string) map[string]string {
	way := map[string]string{}
	queue := []string{pkg}
	for len(queue) > 0 {
		from := queue[0]
		queue = queue[1:]
		for _, to := range direct[from] {
			if _, seen := way[to]; seen || to == pkg {
				continue
			}
			way[to] = way[from] + " -> " + to
			queue = append(queue, to)
		}
	}
	return way
}

// What a pure package must not name: pkg.Name, or every name of pkg with "*".
var impure = []string{
	"time.Now", "time.Since", "time.Until", "time.After", "time.AfterFunc", "time.Sleep", "time.Tick", "time.NewTicker", "time.NewTimer",
	"time.LoadLocation", "time.Local", "runtime.NumCPU", "runtime.GOMAXPROCS",
	"os.*", "net.*", "net/http.*", "io/ioutil.*", "log.*", "log/slog.*", "syscall.*", "os/exec.*", "sync.*", "sync/atomic.*", "unsafe.*",
	"math/rand.*", "crypto/rand.*",
	"math/rand/v2.Int", "math/rand/v2.IntN", "math/rand/v2.Int64", "math/rand/v2.Int64N", "math/rand/v2.Uint64", "math/rand/v2.Uint32",
	"math/rand/v2.Float64", "math/rand/v2.NormFloat64", "math/rand/v2.ExpFloat64", "math/rand/v2.Perm", "math/rand/v2.Shuffle", "math/rand/v2.N",
}

func TestPurePackagesArePure(t *testing.T) {
	fset, files := load(t)
	for _, f := range files {
		i, ok := ruleFor(f.pkg)
		if f.test || !ok || !rules[i].pure {
			continue
		}
		for _, what := range impurities(f.tree) {
			t.Errorf("%s: %s in a pure package", fset.Position(what.pos), what.what)
		}
	}
}

// Zone files of the machine differ in age: all zones come from configs/zones.
func TestZonesComeFromOnePlace(t *testing.T) {
	fset, files := load(t)
	for _, f := range files {
		for _, what := range impurities(f.tree) {
			if !f.test && what.what == "time.LoadLocation" {
				t.Errorf("%s: %s reads the machine's zone files; use zones.Load", fset.Position(what.pos), what.what)
			}
		}
		for _, i := range f.tree.Imports {
			if !f.test && i.Path.Value == `"time/tzdata"` {
				t.Errorf("%s: a second copy of the zone data in the program", fset.Position(i.Pos()))
			}
		}
	}
}

type impurity struct {
	pos  token.Pos
	what string
}

func impurities(f *ast.File) []impurity {
	var out []impurity
	names := map[string]string{} // local name -> import path
	for _, spec := range f.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		name := path.Base(p)
		if name == "v2" {
			name = path.Base(path.Dir(p))
		}
		if spec.Name != nil {
			name = spec.Name.Name
		}
		names[name] = p
		if slices.Contains(impure, p+".*") {
			out = append(out, impurity{spec.Pos(), "import of " + p})
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			out = append(out, impurity{n.Pos(), "a goroutine"})
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok {
				if full := names[x.Name] + "." + n.Sel.Name; names[x.Name] != "" && slices.Contains(impure, full) {
					out = append(out, impurity{n.Pos(), full})
				}
			}
		case *ast.RangeStmt:
			if sums(n) && rangesMap(f, n) {
				out = append(out, impurity{n.Pos(), "a float sum over a map's random order"})
			}
		}
		return true
	})
	return out
}

// sums reports whether the loop's body adds into something with += or similar.
func sums(r *ast.RangeStmt) bool {
	found := false
	ast.Inspect(r.Body, func(n ast.Node) bool {
		if a, ok := n.(*ast.AssignStmt); ok && (a.Tok == token.ADD_ASSIGN || a.Tok == token.SUB_ASSIGN || a.Tok == token.MUL_ASSIGN) {
			found = true
		}
		return !found
	})
	return found
}

// rangesMap reports whether the loop ranges over something that the file declares
// as a map: a parameter, a field, a variable or a composite literal. It reads one
// file only; what it cannot see, review must.
func rangesMap(f *ast.File, r *ast.RangeStmt) bool {
	var name string
	switch x := r.X.(type) {
	case *ast.Ident:
		name = x.Name
	case *ast.SelectorExpr:
		name = x.Sel.Name
	default:
		return false
	}
	found := false
	isMap := func(e ast.Expr) bool { _, ok := e.(*ast.MapType); return ok }
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Field:
			for _, id := range n.Names {
				found = found || id.Name == name && isMap(n.Type)
			}
		case *ast.ValueSpec:
			for _, id := range n.Names {
				found = found || id.Name == name && n.Type != nil && isMap(n.Type)
			}
		case *ast.AssignStmt:
			for i, l := range n.Lhs {
				if id, ok := l.(*ast.Ident); ok && id.Name == name && i < len(n.Rhs) {
					switch v := n.Rhs[i].(type) {
					case *ast.CompositeLit:
						found = found || v.Type != nil && isMap(v.Type)
					case *ast.CallExpr:
						if fn, ok := v.Fun.(*ast.Ident); ok && fn.Name == "make" && len(v.Args) > 0 {
							found = found || isMap(v.Args[0])
						}
					}
				}
			}
		}
		return !found
	})
	return found
}

// The detector itself must be able to fail.
func TestImpuritiesAreSeen(t *testing.T) {
	for _, c := range []struct{ name, src, want string }{
		{"clock", `import "time"; var _ = time.Now`, "time.Now"},
		{"renamed", `import r "math/rand/v2"; var _ = r.Float64`, "math/rand/v2.Float64"},
		{"file", `import "os"`, "import of os"},
		{"goroutine", `func f() { go f() }`, "a goroutine"},
		{"map sum", `func f(m map[int]float64) (s float64) { for _, v := range m { s += v }; return s }`, "a float sum over a map's random order"},
		{"clean", `import "time"; func f(d time.Duration, m []float64) (s float64) { for _, v := range m { s += v }; return s }`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x; "+c.src, 0)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, i := range impurities(f) {
				got = append(got, i.what)
			}
			if g := strings.Join(got, ","); g != c.want {
				t.Errorf("impurities = %q, want %q", g, c.want)
			}
		})
	}
}

func TestReachThroughOthers(t *testing.T) {
	d := map[string][]string{"a": {"b"}, "b": {"c"}, "c": {"a"}}
	if got := fmt.Sprint(reachable(d, "a")); got != "map[b: -> b c: -> b -> c]" {
		t.Errorf("reachable = %s", got)
	}
}
