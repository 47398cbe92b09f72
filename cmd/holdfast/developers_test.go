package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"holdfast/configs"
)

// The contributor guide's map names each package of the tree and no other, and its list
// of modules those that the code imports.
func TestDevelopersGuide(t *testing.T) {
	b, err := os.ReadFile(filepath.FromSlash("../../DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	guide := string(b)
	packages, imported := tree(t)
	compare(t, "package", tableNames(guide, "## Map of the house"), packages)
	compare(t, "module", tableNames(guide, "## Why each dependency"), modules(t, imported))
}

func compare(t *testing.T, what string, named, there []string) {
	if len(there) < 10 {
		t.Fatalf("found %d %ss in the tree; the walk is broken", len(there), what)
	}
	for _, n := range there {
		if !slices.Contains(named, n) {
			t.Errorf("DEVELOPERS.md does not name %s %s", what, n)
		}
	}
	for _, n := range named {
		if !slices.Contains(there, n) {
			t.Errorf("DEVELOPERS.md names %s %s, which the code does not have", what, n)
		}
	}
}

var code = regexp.MustCompile("`([^`]+)`")

// tableNames returns what stands as code in the first column of the tables of a section.
func tableNames(text, heading string) []string {
	_, section, _ := strings.Cut(text, heading+"\n")
	section, _, _ = strings.Cut(section, "\n## ")
	var out []string
	for l := range strings.Lines(section) {
		if rest, ok := strings.CutPrefix(l, "| "); ok {
			first, _, _ := strings.Cut(rest, " |")
			for _, m := range code.FindAllStringSubmatch(first, -1) {
				out = append(out, m[1])
			}
		}
	}
	return out
}

// tree walks the module for its packages and what their files import from elsewhere.
func tree(t *testing.T) (packages, imported []string) {
	root := filepath.FromSlash("../..")
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if p != root && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".")) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(p))
		if err != nil {
			return err
		}
		packages = append(packages, filepath.ToSlash(rel))
		f, err := parser.ParseFile(token.NewFileSet(), p, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, i := range f.Imports {
			path, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			imported = append(imported, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(packages)
	return slices.Compact(packages), imported
}

// modules returns the modules that go.mod requires and the code imports.
func modules(t *testing.T, imported []string) []string {
	b, err := os.ReadFile(filepath.FromSlash("../../go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for l := range strings.Lines(string(b)) {
		f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(l), "require "))
		if len(f) < 2 || !strings.HasPrefix(f[1], "v") {
			continue
		}
		if slices.ContainsFunc(imported, func(p string) bool { return p == f[0] || strings.HasPrefix(p, f[0]+"/") }) {
			out = append(out, f[0])
		}
	}
	return out
}

// The README names every kind that the config knows.
func TestKindsAreDocumented(t *testing.T) {
	b, err := os.ReadFile(filepath.FromSlash("../../README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, systems, _ := strings.Cut(string(b), "\n## Systems\n")
	systems, _, _ = strings.Cut(systems, "\n## ")
	named := code.FindAllString(systems, -1)
	for _, of := range []any{configs.Tuner{}, configs.Weather{}} {
		typ := reflect.TypeOf(of)
		f, ok := typ.FieldByName("Kind")
		kinds := strings.Fields(f.Tag.Get("one"))
		if !ok || len(kinds) == 0 {
			t.Fatalf("%v has no kinds", typ)
		}
		for _, k := range kinds {
			if !slices.Contains(named, "`"+k+"`") {
				t.Errorf("README.md, Systems: does not name the kind %s of %v", k, typ)
			}
		}
	}
}
