package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const killedHome = `
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }
channels: [ { rf: 3 }, { rf: 19 } ]
tuners:
  - { name: hall-1, kind: simulated, channels: [3, 19], every: 1s, dwell: 1s }
  - { name: hall-2, kind: simulated, channels: [3, 19], every: 1s, dwell: 1s }
  - { name: den-1, kind: simulated, channels: [3, 19], every: 1s, dwell: 1s }
  - { name: den-2, kind: simulated, channels: [3, 19], every: 1s, dwell: 1s }
web: { listen: "127.0.0.1:0" }
`

// program runs holdfast to its end and returns what it wrote.
func program(t *testing.T, args ...string) (out, errOut string, err error) {
	t.Helper()
	var o, e bytes.Buffer
	c := exec.CommandContext(t.Context(), "holdfast", args...)
	c.Stdout, c.Stderr = &o, &e
	err = c.Run()
	return o.String(), e.String(), err
}

// shortDir is a data folder whose path leaves room for a socket's name.
func shortDir(t *testing.T) string {
	t.Helper()
	d, err := os.MkdirTemp("", "hf")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(d) })
	return d
}

// The daemon under load and an import beside it, both killed at any moment. After each
// kill the store opens, answers, and has every visit that a command was shown; the same
// file given again adds what is missing and nothing twice.
func TestKillAtAnyMoment(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	cfg, csv, data := filepath.Join(dir, "home.yaml"), filepath.Join(dir, "past.csv"), filepath.Join(dir, "d")
	if err := os.WriteFile(cfg, []byte(killedHome), 0o600); err != nil {
		t.Fatal(err)
	}
	const rows = 40000
	var b strings.Builder
	b.WriteString("time,tuner,channel,dwell_s,locked,cn_db\n")
	start := time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)
	for i := range rows {
		fmt.Fprintf(&b, "%s,attic,%d,5,1,2%d.%d\n", start.Add(time.Duration(i/2)*5*time.Minute).Format(time.RFC3339), 30+i%2, i%4, i%10)
	}
	if err := os.WriteFile(csv, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	rounds := 2 // one with the daemon, one with an import alone
	if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
		rounds = 20
	}
	seed := time.Now().UnixNano()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(uint64(seed), 1))
	latest := map[string]string{} // by tuner and channel, as the last answer showed it
	for round := range rounds {
		// A daemon with an import through its socket in one round, an import alone in the next.
		var log, importLog screen
		var daemon *exec.Cmd
		if round%2 == 0 {
			daemon = exec.Command("holdfast", "--config", cfg, "--data", data, "run")
			daemon.Stderr = &log
			if err := daemon.Start(); err != nil {
				t.Fatal(err)
			}
			for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
				if _, _, err := program(t, "--config", cfg, "--data", data, "alarm"); err == nil && strings.Contains(log.String(), "pages are at") {
					break
				}
				if time.Now().After(end) {
					t.Fatalf("round %d: the daemon does not answer; log:\n%s", round, log.String())
				}
			}
		}
		imp := exec.Command("holdfast", "--config", cfg, "--data", data, "import", "readings", csv)
		imp.Stderr = &importLog
		if err := imp.Start(); err != nil {
			t.Fatal(err)
		}
		wait := time.Duration(rng.IntN(1200)) * time.Millisecond
		if daemon != nil {
			time.Sleep(wait + time.Second)
			if out, _, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json"); err == nil {
				note(t, out, latest) // what was shown must never go
			}
			if err := daemon.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			_ = daemon.Wait()
			_ = imp.Wait()
			if daemon.ProcessState.ExitCode() > 0 {
				t.Fatalf("round %d: the daemon ended by itself:\n%s", round, log.String())
			}
		} else {
			time.Sleep(wait)
			_ = imp.Process.Kill()
			_ = imp.Wait()
		}
		if s := log.String() + importLog.String(); strings.Contains(s, "panic") {
			t.Fatalf("round %d: %s", round, s)
		}
		out, errOut, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json")
		if err != nil {
			t.Fatalf("round %d, killed after %s: answer: %v\n%s", round, wait, err, errOut)
		}
		was := map[string]string{}
		for k, v := range latest {
			was[k] = v
		}
		note(t, out, latest)
		for k, v := range was {
			if latest[k] < v {
				t.Errorf("round %d: the latest visit of %s is %q, and %q was shown before", round, k, latest[k], v)
			}
		}
	}
	out, errOut, err := program(t, "--config", cfg, "--data", data, "import", "readings", csv)
	if err != nil {
		t.Fatalf("import after all: %v\n%s", err, errOut)
	}
	var n, there int
	if _, err := fmt.Sscanf(out[strings.Index(out, "readings:"):], "readings: %d new, %d already there", &n, &there); err != nil || n+there != rows {
		t.Errorf("the last import says %q (%v); want %d new or there", out, err, rows)
	}
	out, _, err = program(t, "--config", cfg, "--data", data, "import", "readings", csv)
	if err != nil || !strings.Contains(out, fmt.Sprintf("0 new, %d already there", rows)) {
		t.Errorf("import once more says %q, %v", out, err)
	}
	// Whatever came in between, the answer is that of one import into an empty home.
	sum := func(data string) string {
		t.Helper()
		out, errOut, err := program(t, "--config", cfg, "--data", data, "answer", "--format", "json", "--to", "2025-09-01", "--at", "2025-09-01T00:00:00Z")
		if err != nil {
			t.Fatalf("answer: %v\n%s", err, errOut)
		}
		var a struct {
			Channels []json.RawMessage `json:"channels"`
		}
		if err := json.Unmarshal([]byte(out), &a); err != nil {
			t.Fatal(err)
		}
		if len(a.Channels) != 2 {
			t.Errorf("%d channels in the past, want 2", len(a.Channels))
		}
		s, err := json.Marshal(a.Channels)
		if err != nil {
			t.Fatal(err)
		}
		return string(s)
	}
	if _, errOut, err := program(t, "--config", cfg, "--data", data+"2", "import", "readings", csv); err != nil {
		t.Fatalf("import into an empty home: %v\n%s", err, errOut)
	}
	if a, b := sum(data), sum(data+"2"); a != b {
		t.Errorf("after the kills the past answers\n%.1500s\nbut one import gives\n%.1500s", a, b)
	}
}

// note takes the latest visits that an answer shows.
func note(t *testing.T, out string, latest map[string]string) {
	t.Helper()
	var a struct {
		Channels []struct {
			RF     int
			Tuner  string
			Latest struct{ Time *string }
		}
	}
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatalf("the answer is no JSON: %v\n%.300s", err, out)
	}
	for _, c := range a.Channels {
		if c.Latest.Time != nil && c.Tuner != "attic" {
			latest[fmt.Sprint(c.Tuner, " ", c.RF)] = *c.Latest.Time
		}
	}
}
