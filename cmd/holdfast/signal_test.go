package main

import (
	"bytes"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// startProgram starts the program with its messages in a file; wait waits for text in them.
func startProgram(t *testing.T, env []string, args ...string) (c *exec.Cmd, wait func(text string)) {
	t.Helper()
	log := filepath.Join(t.TempDir(), "log")
	f, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c = exec.Command("holdfast", args...)
	c.Env, c.Stderr = append(os.Environ(), env...), f
	if signal.Ignored(syscall.SIGHUP) { // under nohup, and then the program would ignore it too
		heard := make(chan os.Signal, 1)
		signal.Notify(heard, syscall.SIGHUP)
		t.Cleanup(func() { signal.Stop(heard) })
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() })
	return c, func(text string) {
		t.Helper()
		var b []byte
		for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			if b, _ = os.ReadFile(log); bytes.Contains(b, []byte(text)) {
				return
			}
		}
		t.Fatalf("no %q in 30 s; log:\n%s", text, b)
	}
}

// A terminal that closes ends the demo, and its data are gone.
func TestHangUpEndsTheDemo(t *testing.T) {
	t.Parallel()
	tmp := t.TempDir()
	c, wait := startProgram(t, []string{"TMPDIR=" + tmp}, "demo")
	wait("Making 18 months")
	time.Sleep(300 * time.Millisecond)
	if err := c.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("demo ended with %v, want an orderly end", err)
	}
	if left, err := filepath.Glob(filepath.Join(tmp, "*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// A storm of SIGHUP reloads and never ends the daemon; the first SIGTERM ends it in
// order, in the middle of whatever dwell.
func TestHangUpStorm(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	cfg, data := filepath.Join(dir, "home.yaml"), filepath.Join(dir, "d")
	if err := os.WriteFile(cfg, []byte(killedHome), 0o600); err != nil {
		t.Fatal(err)
	}
	c, wait := startProgram(t, nil, "--config", cfg, "--data", data, "run")
	wait("pages are at")
	for i := range 150 {
		if err := c.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		if i > 50 {
			time.Sleep(5 * time.Millisecond)
		}
	}
	wait("taking up the new config")
	time.Sleep(4 * time.Second) // at the second visit's dwell
	if out, errOut, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json"); err != nil || !strings.Contains(out, `"frequency_hz"`) {
		t.Errorf("after the storm answer says %v\n%s\n%.300s", err, errOut, out)
	}
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("run ended with %v after SIGTERM, want 0", err)
	}
	if out, _, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json"); err != nil || !strings.Contains(out, `"frequency_hz"`) {
		t.Errorf("after the end answer says %v\n%.300s", err, out)
	}
}

// A second SIGTERM ends it at once, and what was stored is there.
func TestSecondTermination(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	cfg, data := filepath.Join(dir, "home.yaml"), filepath.Join(dir, "d")
	if err := os.WriteFile(cfg, []byte(killedHome), 0o600); err != nil {
		t.Fatal(err)
	}
	c, wait := startProgram(t, nil, "--config", cfg, "--data", data, "run")
	wait("pages are at")
	before, after := map[string]string{}, map[string]string{}
	for end := time.Now().Add(30 * time.Second); len(before) == 0; time.Sleep(200 * time.Millisecond) {
		out, _, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json")
		if err != nil {
			t.Fatal(err)
		}
		if note(t, out, before); time.Now().After(end) {
			t.Fatal("no visit in 30 seconds")
		}
	}
	for range 2 {
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			break // ended in order before the second
		}
		time.Sleep(20 * time.Millisecond)
	}
	begin := time.Now()
	_ = c.Wait()
	if d := time.Since(begin); d > 2*time.Second {
		t.Errorf("the end took %s after a second SIGTERM", d)
	}
	out, errOut, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json")
	if err != nil {
		t.Fatalf("answer after it: %v\n%s", err, errOut)
	}
	note(t, out, after)
	for k, v := range before {
		if after[k] < v {
			t.Errorf("the latest visit of %s is %q, and %q was shown before", k, after[k], v)
		}
	}
}
