//go:build linux

package figures

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"holdfast/cmd/internal/client"
	"holdfast/cmd/internal/daemon"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
	"holdfast/configs"
)

// daemonIn names the environment variable that makes this test binary a daemon over
// the config and the data of a folder. The program's own simulated tuners take as long
// for a visit as real ones; here they hurry, so that each makes a visit a second.
const daemonIn = "HOLDFAST_FIGURES_DAEMON"

// hurry shortens a visit with a dwell of one second to 0.14 s. The rule that a tuner
// stays free half of the time then leaves room for one a second; within a minute the
// daemon has learnt that visits are so short.
const hurry = 10

const busyTuners = `
tuners:
  - { name: hall-1, kind: simulated, channels: [3, 19, 36], every: 3s, dwell: 1s }
  - { name: hall-2, kind: simulated, channels: [8, 17, 28], every: 3s, dwell: 1s }
  - { name: den-1, kind: simulated, channels: [5, 22, 34], every: 3s, dwell: 1s }
  - { name: den-2, kind: simulated, channels: [12, 26, 31], every: 3s, dwell: 1s }
web: { listen: 127.0.0.1:0 }
`

// runDaemon is the child's whole life: what `holdfast run` does, hurried.
func runDaemon(dir string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	cfg, err := configs.Load(filepath.Join(dir, "holdfast.yaml"))
	if err != nil {
		return err
	}
	address := ""
	return daemon.Run(ctx, daemon.Params{
		Config: cfg, DataDir: filepath.Join(dir, "data"), Log: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Version: "figures", Hurry: hurry,
		Bound:   func(url string) { address = strings.Trim(strings.TrimPrefix(url, "http:"), "/") },
		Started: func() { fmt.Println("ready " + address) },
	})
}

// A child is a running daemon.
type child struct {
	*exec.Cmd
	dir   string
	ready usage // what it took until it was ready
}

// startDaemon starts a daemon over dir/data and waits until it is ready.
func startDaemon(tb testing.TB, dir string) *child {
	tb.Helper()
	demo := must(os.ReadFile("../../../configs/demo.yaml"))(tb)
	home, _, ok := bytes.Cut(demo, []byte("\ntuners:"))
	if !ok {
		tb.Fatal("the demo's config has no tuners at its end")
	}
	if err := os.WriteFile(filepath.Join(dir, "holdfast.yaml"), append(home, busyTuners...), 0o600); err != nil {
		tb.Fatal(err)
	}
	c := &child{Cmd: exec.Command(must(os.Executable())(tb)), dir: filepath.Join(dir, "data")}
	c.Env = append(os.Environ(), daemonIn+"="+dir)
	c.Stderr = os.Stderr
	out := must(c.StdoutPipe())(tb)
	start := time.Now()
	if err := c.Start(); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { c.stop(tb) })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || !strings.HasPrefix(line, "ready ") {
		tb.Fatalf("the daemon said %q: %v", line, err)
	}
	c.ready = usage{wall: time.Since(start), cpu: c.cpu(tb), peak: c.size(tb, "VmHWM")}
	return c
}

func (c *child) cpu(tb testing.TB) time.Duration {
	tb.Helper()
	return must(cpuOf(c.Process.Pid))(tb)
}

func (c *child) size(tb testing.TB, field string) int64 {
	tb.Helper()
	return must(status(c.Process.Pid, field))(tb)
}

// stop ends the daemon as a service manager would. It may be called twice.
func (c *child) stop(tb testing.TB) {
	if c.ProcessState != nil {
		return
	}
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		tb.Errorf("stop the daemon: %v", err)
	}
	if err := c.Wait(); err != nil {
		tb.Errorf("the daemon ended with: %v", err)
	}
}

// stored counts the readings of a span in a data folder that no process holds.
func stored(tb testing.TB, dir string, from, to time.Time) (n int) {
	tb.Helper()
	s := must(embedded.Open(tb.Context(), dir, embedded.Options{}))(tb)
	defer s.Close()
	for chunk, err := range s.Readings(tb.Context(), store.Query{Span: store.Span{From: from.UnixMilli(), To: to.UnixMilli()}}) {
		if err != nil {
			tb.Fatal(err)
		}
		n += len(chunk)
	}
	return n
}

// minute is how long the daemon runs before it is watched, and how long it is watched
// then: alarms are looked at once a minute.
const minute = time.Minute

// BenchmarkDaemon measures the daemon with four simulated tuners, each of which makes
// a visit a second: memory and share of one processor over a minute, after a minute of
// running. "young" has an empty store, "history" eighteen months in it; there
// followed-%core is the share of a further minute in which somebody follows the page,
// as a browser does.
func BenchmarkDaemon(b *testing.B) {
	b.Run("young", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			dir := tempDir(b)
			b.StartTimer()
			benchDaemon(b, dir, false)
		}
	})
	b.Run("history", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			_, old := prepared(b)
			dir := tempDir(b)
			if err := os.Rename(old, filepath.Join(dir, "data")); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
			c := benchDaemon(b, dir, true)
			b.ReportMetric(c.ready.wall.Seconds(), "ready-s")
			b.ReportMetric(c.ready.cpu.Seconds(), "ready-cpu-s")
		}
	})
}

// benchDaemon watches a daemon over dir/data, and then one whose page is followed.
func benchDaemon(b *testing.B, dir string, followed bool) *child {
	c := startDaemon(b, dir)
	h := client.Socket(daemon.SocketPath(c.dir))
	defer h.Close()
	time.Sleep(minute)
	before, from := c.cpu(b), time.Now()
	time.Sleep(minute)
	to := time.Now()
	b.ReportMetric(100*(c.cpu(b)-before).Seconds()/minute.Seconds(), "%core")
	b.ReportMetric(float64(c.size(b, "VmRSS"))/mib, "MiB")
	b.ReportMetric(float64(c.size(b, "VmHWM"))/mib, "peak-MiB")
	b.ReportMetric(float64(c.size(b, "RssAnon"))/mib, "anon-MiB")
	if followed {
		before = c.cpu(b)
		ctx, cancel := context.WithTimeout(b.Context(), minute)
		defer cancel()
		if err := follow(ctx, h); err != nil {
			b.Fatal(err)
		}
		<-ctx.Done()
		b.ReportMetric(100*(c.cpu(b)-before).Seconds()/minute.Seconds(), "followed-%core")
		b.ReportMetric(float64(c.size(b, "VmRSS"))/mib, "followed-MiB")
	}
	c.stop(b)
	visits := float64(stored(b, c.dir, from, to)) / to.Sub(from).Seconds()
	if visits < 3 {
		b.Fatalf("%.2f visits a second were stored, want about 4", visits)
	}
	b.ReportMetric(visits, "visits/s")
	b.ReportMetric(0, "ns/op")
	return c
}

// follow does what an open page does: it listens to the events and asks for the lanes
// again, at most every fifteen seconds.
func follow(ctx context.Context, h *client.Client) error {
	r, w := io.Pipe()
	go func() { w.CloseWithError(h.Get(ctx, "/events", w)) }()
	var last time.Time
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		if lines.Text() != "event: changed" || time.Since(last) < followEvery {
			continue
		}
		last = time.Now()
		if err := h.Get(ctx, "/holding/lanes?w=1100", io.Discard); err != nil && ctx.Err() == nil {
			return fmt.Errorf("ask for the lanes: %w", err)
		}
	}
	if err := lines.Err(); err != nil && ctx.Err() == nil {
		return fmt.Errorf("follow the events: %w", err)
	}
	if last.IsZero() {
		return errors.New("no event came in a minute of visits")
	}
	return nil
}

// followEvery is how often an open page asks at most.
const followEvery = 15 * time.Second

// BenchmarkAnswerWarm measures the answer of a daemon that has eighteen months in
// memory and one more visit than when it was last asked.
func BenchmarkAnswerWarm(b *testing.B) {
	_, old := prepared(b)
	dir := tempDir(b)
	if err := os.Rename(old, filepath.Join(dir, "data")); err != nil {
		b.Fatal(err)
	}
	c := startDaemon(b, dir)
	h := client.Socket(daemon.SocketPath(c.dir))
	defer h.Close()
	ask := func() {
		var out bytes.Buffer
		if err := h.Get(b.Context(), "/api/answer?format=json", &out); err != nil {
			b.Fatal(err)
		}
		checkAnswer(b, out.Bytes())
	}
	ask()
	used, n, start := c.cpu(b), 0, time.Now()
	for b.Loop() {
		ask()
		n++
	}
	b.ReportMetric(time.Since(start).Seconds()/float64(n), "s")
	b.ReportMetric((c.cpu(b)-used).Seconds()/float64(n), "cpu-s")
	b.ReportMetric(float64(c.size(b, "VmHWM"))/mib, "peak-MiB")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkDemo measures how long `holdfast demo` takes until the home can be looked
// at.
func BenchmarkDemo(b *testing.B) {
	if err := build(); err != nil {
		b.Fatal(err)
	}
	var s sum
	for b.Loop() {
		c := exec.Command(program, "demo")
		out := must(c.StdoutPipe())(b)
		start := time.Now()
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		lines, found := bufio.NewScanner(out), false
		for !found && lines.Scan() {
			found = strings.HasPrefix(lines.Text(), "The home is at ")
		}
		u := usage{wall: time.Since(start)}
		if found {
			u.cpu, u.peak = must(cpuOf(c.Process.Pid))(b), must(status(c.Process.Pid, "VmHWM"))(b)
		}
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			b.Fatal(err)
		}
		io.Copy(io.Discard, out)
		if err := c.Wait(); err != nil || !found {
			b.Fatalf("the demo did not say where the home is: %v", err)
		}
		s.add(u)
	}
	s.report(b)
}
