package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"holdfast/configs"
)

// A block is a fenced block of the README that a comment marks: a file to write, or
// commands to run in a folder with what they print.
type block struct {
	kind, arg string // "file" and its path, or "run" and its folder
	text      string
	line      int // of the README
}

var marked = regexp.MustCompile("(?ms)^<!-- (file|run): (\\S+) -->\n```[a-z]*\n(.*?)^```$")

func readmeBlocks(t *testing.T) []block {
	b, err := os.ReadFile(filepath.FromSlash("../../README.md"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	var out []block
	for _, m := range marked.FindAllStringSubmatchIndex(text, -1) {
		out = append(out, block{text[m[2]:m[3]], text[m[4]:m[5]], text[m[6]:m[7]], 1 + strings.Count(text[:m[6]], "\n")})
	}
	if n := strings.Count(text, "\n<!-- "); n != len(out) {
		t.Errorf("README.md has %d marks, and %d blocks follow one directly", n, len(out))
	}
	return out
}

// The README's configs load, and its commands print what it says they print, over the
// files that it shows.
func TestReadme(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	files, runs := 0, 0
	for _, b := range readmeBlocks(t) {
		if b.kind == "run" {
			runs++
			runBlock(t, filepath.Join(dir, b.arg), b)
			continue
		}
		files++
		path := filepath.Join(dir, filepath.FromSlash(b.arg))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(b.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if filepath.Ext(path) == ".yaml" {
			if c, err := configs.Load(path); err != nil {
				t.Errorf("README.md:%d: config %s: %v", b.line, b.arg, err)
			} else if len(c.Warnings) > 0 {
				t.Errorf("README.md:%d: config %s warns: %v", b.line, b.arg, c.Warnings)
			}
		}
	}
	if files < 5 || runs < 3 {
		t.Errorf("found %d files and %d runs in the README; the marks are broken", files, runs)
	}
}

// runBlock runs a block's lines that begin with "$ " and compares the lines below them
// with what came on standard error, then standard output. A line "..." stands for any
// lines, also none; "[exit status N]" for a status other than 0.
func runBlock(t *testing.T, dir string, b block) {
	var command string
	var want []string
	at := b.line
	check := func() {
		if command == "" {
			return
		}
		args := strings.Fields(command)
		if args[0] != "holdfast" {
			t.Errorf("README.md:%d: runs %q; want holdfast", at, args[0])
			return
		}
		cmd := exec.Command(holdfast(t), args[1:]...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "XDG_CONFIG_HOME="+dir, "XDG_DATA_HOME="+dir, "STATE_DIRECTORY=")
		var out strings.Builder
		cmd.Stderr = &out
		b, err := cmd.Output()
		out.Write(b)
		if _, failed := err.(*exec.ExitError); failed {
			fmt.Fprintf(&out, "[%v]\n", err)
		} else if err != nil {
			t.Fatal(err)
		}
		got := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
		if i, ok := match(want, got); !ok {
			t.Errorf("README.md:%d: %s: line %d below it does not come; got:\n%s", at, command, i+1, strings.Join(got, "\n"))
		}
	}
	for i, l := range strings.Split(strings.TrimSuffix(b.text, "\n"), "\n") {
		if c, ok := strings.CutPrefix(l, "$ "); ok {
			check()
			command, want, at = c, nil, b.line+i
			continue
		}
		want = append(want, l)
	}
	check()
}

// match reports whether got is what want shows; else the first line of want that is
// not found.
func match(want, got []string) (int, bool) {
	any := false
	for i, w := range want {
		if w == "..." {
			any = true
			continue
		}
		for any && len(got) > 0 && got[0] != w {
			got = got[1:]
		}
		if len(got) == 0 || got[0] != w {
			return i, false
		}
		got, any = got[1:], false
	}
	return len(want), any || len(got) == 0
}

func TestMatch(t *testing.T) {
	for _, c := range []struct {
		name, want, got string
		ok              bool
	}{
		{"equal", "a\nb", "a\nb", true},
		{"gap", "a\n...\nd", "a\nb\nc\nd", true},
		{"empty gap", "a\n...\nb", "a\nb", true},
		{"rest", "a\n...", "a\nb", true},
		{"other", "a\nc", "a\nb", false},
		{"more", "a", "a\nb", false},
		{"less", "a\nb", "a", false},
		{"not after gap", "...\nc", "a\nb", false},
	} {
		if _, ok := match(strings.Split(c.want, "\n"), strings.Split(c.got, "\n")); ok != c.ok {
			t.Errorf("%s: match = %v, want %v", c.name, ok, c.ok)
		}
	}
}

// holdfast returns the program under the name that testscript put in the path.
func holdfast(t *testing.T) string {
	p, err := exec.LookPath("holdfast")
	if err != nil {
		t.Fatalf("the program is not in the path: %v", err)
	}
	return p
}
