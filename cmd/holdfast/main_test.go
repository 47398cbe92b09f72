package main

import (
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(waiting{m}, map[string]func(){"holdfast": main})
}

// waiting runs tests that wait for programs more than they compute: more at a time than
// processors.
type waiting struct{ m *testing.M }

func (w waiting) Run() int {
	flag.Parse()
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	return w.m.Run()
}

// The scripts run the real program as a person would.
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			// Data folders at a short path: a socket's is limited.
			dir, err := os.MkdirTemp("", "hf")
			if err != nil {
				return err
			}
			env.Defer(func() { _ = os.RemoveAll(dir) })
			env.Setenv("D", dir)
			env.Setenv("XDG_CONFIG_HOME", filepath.Join(env.WorkDir, "none"))
			env.Setenv("HOME", env.WorkDir)
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"waitfor": waitFor,
			"append":  appendTo,
			"port":    port, "losing": losing, "receiver": receiver, "eventually": eventually,
			"serve": serve, "report": report, "fetch": fetch, "hot": hot, "echo": echo,
		},
	})
}

// waitFor waits until a file is there: waitfor FILE.
func waitFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: waitfor FILE")
	}
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(ts.MkAbs(args[0])); err == nil {
			return
		}
	}
	ts.Fatalf("%s did not come", args[0])
}

// appendTo adds a file to another: append TO FILE, or append TO FILE from LINE.
func appendTo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 && (len(args) != 4 || args[2] != "from") {
		ts.Fatalf("usage: append TO FILE [from LINE]")
	}
	lines := strings.SplitAfter(ts.ReadFile(args[1]), "\n")
	if len(args) == 4 {
		n, err := strconv.Atoi(args[3])
		if err != nil || n < 1 || n > len(lines) {
			ts.Fatalf("append: %s has no line %s", args[1], args[3])
		}
		lines = lines[n-1:]
	}
	text := ts.ReadFile(args[0]) + strings.Join(lines, "")
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o600))
}
