//go:build linux

package figures

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector/exchange"
)

const mib = 1 << 20

var (
	scratch string // removed at the end
	program string // the built holdfast
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(daemonIn); dir != "" {
		if err := runDaemon(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	if order := os.Getenv(yearTaskIn); order != "" {
		if err := runTask(order); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(func() int {
		var err error
		// A short path: that of a socket is limited.
		if scratch, err = os.MkdirTemp("", "figures-"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(scratch)
		program = filepath.Join(scratch, "holdfast")
		return m.Run()
	}())
}

var build = sync.OnceValue(func() error {
	out, err := exec.Command("go", "build", "-o", program, "holdfast/cmd/holdfast").CombinedOutput()
	if err != nil {
		return fmt.Errorf("build holdfast: %w\n%s", err, out)
	}
	return nil
})

// months is how long the past is.
const months = 18

// A past is the demo's, as files: readings.csv, scales.csv, weather.csv and
// holdfast.yaml, and what they hold once imported in store.
type past struct {
	dir  string
	rows int64
}

func (p past) file(name string) string { return filepath.Join(p.dir, name) }

// history is the past of eighteen months up to now.
var history = sync.OnceValues(func() (past, error) { return makePast(months) })

func makePast(months int) (past, error) {
	p := past{dir: filepath.Join(scratch, fmt.Sprintf("past-%d", months))}
	if err := os.Mkdir(p.dir, 0o755); err != nil {
		return p, err
	}
	demo, err := os.ReadFile("../../../configs/demo.yaml")
	if err != nil {
		return p, err
	}
	if err := os.WriteFile(p.file("holdfast.yaml"), append(demo, "\nweb: { listen: 127.0.0.1:0 }\n"...), 0o644); err != nil {
		return p, err
	}
	now := time.Now()
	from := now.AddDate(0, -months, 0)
	w := firstworld.New(1, now)
	scale := map[string]reception.Scale{}
	for _, t := range w.Tuners() {
		s, _ := w.Scale(t.Name)
		scale[s.ID] = s
	}
	var scales []reception.Scale
	for _, s := range scale {
		scales = append(scales, s)
	}
	for name, write := range map[string]func(io.Writer) error{
		"scales.csv": func(out io.Writer) error { return exchange.WriteScales(out, exchange.CSV, scales) },
		"weather.csv": func(out io.Writer) error {
			return exchange.WriteWeather(out, exchange.CSV, func(yield func(reception.Weather, error) bool) {
				for _, r := range w.Weather(from, now) {
					if !yield(r, nil) {
						return
					}
				}
			})
		},
		"readings.csv": func(out io.Writer) error {
			return exchange.WriteReadings(out, exchange.CSV, func(yield func([]reception.Reading, error) bool) {
				for r := range w.Past(from, now, firstworld.Schedule{}) {
					p.rows++
					if !yield([]reception.Reading{r}, nil) {
						return
					}
				}
			})
		},
	} {
		if err := writeFile(p.file(name), write); err != nil {
			return p, err
		}
	}
	return p, nil
}

func writeFile(name string, write func(io.Writer) error) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer f.Close()
	b := bufio.NewWriter(f)
	if err := write(b); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	if err := b.Flush(); err != nil {
		return err
	}
	return f.Close()
}

// prepared returns the past, and a folder with it imported that is the test's own.
func prepared(tb testing.TB) (past, string) {
	tb.Helper()
	p := needHistory(tb)
	dir := tempDir(tb)
	if err := os.CopyFS(dir, os.DirFS(must(imported())(tb))); err != nil {
		tb.Fatal(err)
	}
	return p, dir
}

var imported = sync.OnceValues(func() (string, error) {
	p, err := history()
	if err != nil {
		return "", err
	}
	dir := p.file("store")
	for _, kind := range []string{"weather", "readings"} {
		if _, err := holdfast(p, dir, "import", kind, p.file(kind+".csv")); err != nil {
			return "", err
		}
	}
	return dir, os.Remove(filepath.Join(dir, "lock"))
})

func must[T any](v T, err error) func(testing.TB) T {
	return func(tb testing.TB) T {
		tb.Helper()
		if err != nil {
			tb.Fatal(err)
		}
		return v
	}
}

func needHistory(tb testing.TB) past {
	tb.Helper()
	if err := build(); err != nil {
		tb.Fatal(err)
	}
	return must(history())(tb)
}

// tempDir returns a new folder at a short path.
func tempDir(tb testing.TB) string {
	tb.Helper()
	dir := must(os.MkdirTemp(scratch, ""))(tb)
	tb.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// A usage is what a process took.
type usage struct {
	wall, cpu time.Duration
	peak      int64 // resident bytes
	out       string
}

// holdfast runs the program over a past's config and a data folder.
func holdfast(p past, dir string, args ...string) (usage, error) {
	args = append(args, "--config", p.file("holdfast.yaml"), "--data", dir)
	c := exec.Command(program, args...)
	var out, errOut bytes.Buffer
	c.Stdout, c.Stderr = &out, &errOut
	start := time.Now()
	if err := c.Start(); err != nil {
		return usage{}, err
	}
	stop := watchPeak(c.Process.Pid)
	err := c.Wait()
	u := usage{wall: time.Since(start), peak: stop(), out: out.String()}
	if err != nil {
		return u, fmt.Errorf("holdfast %s: %w\n%s", strings.Join(args, " "), err, &errOut)
	}
	u.cpu = c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	return u, nil
}

// watchPeak follows a process's peak of resident memory. (The kernel's account for
// wait(2) would not do: it begins with the peak of the parent.)
func watchPeak(pid int) (stop func() int64) {
	done, peak := make(chan struct{}), make(chan int64)
	go func() {
		var most int64
		for {
			if m, err := status(pid, "VmHWM"); err == nil {
				most = max(most, m)
			}
			select {
			case <-done:
				peak <- most
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() int64 { close(done); return <-peak }
}

// status reads a size from a process's status, in bytes.
func status(pid int, field string) (int64, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(b)) {
		name, value, _ := strings.Cut(line, ":")
		if name == field {
			kb, err := strconv.ParseInt(strings.Fields(value)[0], 10, 64)
			return kb << 10, err
		}
	}
	return 0, fmt.Errorf("process %d tells no %s", pid, field)
}

// ticks is how many parts of a second the kernel counts processor time in, wherever
// Linux runs on what holdfast supports.
const ticks = 100

// cpuOf returns the processor time that a running process has used so far.
func cpuOf(pid int) (time.Duration, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, err
	}
	_, rest, _ := bytes.Cut(b, []byte(") ")) // the name before may hold anything
	f := strings.Fields(string(rest))
	user, err := strconv.ParseInt(f[11], 10, 64) // field 14 of proc(5)
	if err != nil {
		return 0, err
	}
	system, err := strconv.ParseInt(f[12], 10, 64)
	return time.Duration(user+system) * time.Second / ticks, err
}

// onDisk returns the bytes in a data folder, without the ballast that is given up when
// the disk is full.
func onDisk(tb testing.TB, dir string) int64 {
	tb.Helper()
	var n int64
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == "reserve" {
			return err
		}
		i, err := d.Info()
		if err == nil {
			n += i.Size()
		}
		return err
	})
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

// A sum gathers usages for the report of their means.
type sum struct {
	n int
	usage
}

func (s *sum) add(u usage) {
	s.n++
	s.wall, s.cpu, s.peak = s.wall+u.wall, s.cpu+u.cpu, max(s.peak, u.peak)
}

func (s *sum) report(b *testing.B) {
	b.ReportMetric(s.wall.Seconds()/float64(s.n), "s")
	b.ReportMetric(s.cpu.Seconds()/float64(s.n), "cpu-s")
	b.ReportMetric(float64(s.peak)/mib, "peak-MiB")
	b.ReportMetric(0, "ns/op") // the same as s: not shown
}
