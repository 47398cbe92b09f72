package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"holdfast": main})
}

// The scripts run the real program as a person would.
func TestScripts(t *testing.T) {
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
