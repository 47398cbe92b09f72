//go:build linux

package figures

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/intake"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
)

// yearTaskIn names the environment variable that makes this test binary do one task of
// BenchmarkYear and print what it took, so that memory and processor are its own.
const yearTaskIn = "HOLDFAST_FIGURES_TASK"

type yearTask struct {
	Name, Dir string
	Year      generator
}

// A task is what was done and what it took.
type task struct {
	Rows    int64
	Wall    float64 // s; the median, where something was done several times
	CPU     float64 // s
	Times   int     // that something was done; 0: once
	Disk    int64   // bytes in the folder afterwards
	Written int64   // bytes handed to files each time
	Pages   int64   // bytes of the pages that these touched
	Note    string
}

// runTask does the task that an environment variable tells.
func runTask(order string) error {
	var t yearTask
	if err := json.Unmarshal([]byte(order), &t); err != nil {
		return err
	}
	do := map[string]func(context.Context, yearTask) (task, error){
		"generate": generate, "log": logYear, "log-again": logYear, "merge": merge, "append": appendOne, "month": readMonth,
		"scan": scan, "tallies": readTallies, "rebuild": rebuild,
		"sqlite": sqliteImport, "sqlite-month": sqliteMonth, "sqlite-scan": sqliteScan,
	}[t.Name]
	if do == nil {
		return fmt.Errorf("there is no task %q", t.Name)
	}
	if name := os.Getenv("HOLDFAST_FIGURES_PROFILE"); name != "" { // for go tool pprof
		f, err := os.Create(name + "-" + t.Name)
		if err != nil {
			return err
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	out, err := do(context.Background(), t)
	if err != nil {
		return fmt.Errorf("%s: %w", t.Name, err)
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

// timed runs something once.
func timed(rows int64, f func() error) (task, error) {
	cpu, start := processorTime(), time.Now()
	err := f()
	return task{Rows: rows, Wall: time.Since(start).Seconds(), CPU: processorTime() - cpu}, err
}

// repeated runs something n times and takes the median.
func repeated(n int, f func(i int) error) (task, error) {
	t := task{Times: n}
	cpu, files, pages := processorTime(), ioBytes(toFiles), ioBytes(asPages)
	var walls []float64
	for i := range n {
		start := time.Now()
		if err := f(i); err != nil {
			return t, err
		}
		walls = append(walls, time.Since(start).Seconds())
	}
	slices.Sort(walls)
	t.Wall, t.CPU = walls[n/2], (processorTime()-cpu)/float64(n)
	t.Written, t.Pages = (ioBytes(toFiles)-files)/int64(n), (ioBytes(asPages)-pages)/int64(n)
	return t, nil
}

// What the kernel counts of the bytes that a process writes (proc_pid_io(5)): those that it
// handed to files, and those of the pages of 4 KiB that became dirty by it, which is more:
// the 4120 bytes that SQLite logs of a page always touch two.
const (
	toFiles = "wchar: "
	asPages = "write_bytes: "
)

// ioBytes returns one of these counts of this process.
func ioBytes(of string) int64 {
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(b)) {
		if v, ok := strings.CutPrefix(line, of); ok {
			n, _ := strconv.ParseInt(strings.TrimSpace(v), 10, 64)
			return n
		}
	}
	return 0
}

func processorTime() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// A yearHome is a store with its intake.
type yearHome struct {
	log *embedded.Store
	in  *intake.Intake
}

func openYear(ctx context.Context, t yearTask) (*yearHome, error) {
	s, err := embedded.Open(ctx, t.Dir, embedded.Options{})
	if err != nil {
		return nil, err
	}
	in, err := intake.New(s, s, intake.Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB}
		},
		Region: reception.RegionUS, Now: t.Year.now,
	})
	if err != nil {
		return nil, err
	}
	return &yearHome{s, in}, in.Recover(ctx)
}

// withYear opens a store, runs something, and looks at the disk when it is closed.
func withYear(ctx context.Context, t yearTask, f func(h *yearHome) (task, error)) (task, error) {
	h, err := openYear(ctx, t)
	if err != nil {
		return task{}, err
	}
	out, err := f(h)
	if cerr := h.log.Close(); err == nil {
		err = cerr
	}
	return out, err
}

func generate(_ context.Context, t yearTask) (task, error) {
	return timed(int64(t.Year.rows()), func() error {
		n := 0
		for c := range t.Year.all() {
			n += len(c.Readings)
		}
		if n != t.Year.rows() {
			return fmt.Errorf("%d readings were made, want %d", n, t.Year.rows())
		}
		return nil
	})
}

func logYear(ctx context.Context, t yearTask) (task, error) {
	out, err := withYear(ctx, t, func(h *yearHome) (task, error) {
		rows := int64(t.Year.rows())
		return timed(rows, func() error {
			rep, err := h.in.Import(ctx, t.Year.all(), nil)
			if err == nil && (t.Name == "log" && rep.New != rows || t.Name == "log-again" && rep.Duplicates != rows) {
				err = fmt.Errorf("the import did %+v of %d rows", rep, rows)
			}
			return err
		})
	})
	out.Disk = dirSize(t.Dir, "")
	return out, err
}

func merge(ctx context.Context, t yearTask) (task, error) {
	out, err := withYear(ctx, t, func(h *yearHome) (task, error) {
		return timed(int64(t.Year.rows()), func() error { return h.log.Tidy(ctx, t.Year.now()) })
	})
	if err != nil {
		return out, err
	}
	sealed := dirSize(t.Dir, ".parquet")
	out.Disk = dirSize(t.Dir, "")
	rows := float64(t.Year.rows())
	out.Note = fmt.Sprintf("sealed readings %.2f B, database with tallies %.2f B", float64(sealed)/rows, float64(out.Disk-sealed)/rows)
	return out, nil
}

// dirSize sums the files under a folder whose names end so, but for the ballast.
func dirSize(dir, suffix string) (n int64) {
	filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == "reserve" || !strings.HasSuffix(path, suffix) {
			return nil
		}
		if i, err := d.Info(); err == nil {
			n += i.Size()
		}
		return nil
	})
	return n
}

// appendOne appends what the daemon does: visits through the intake, one at a time. They
// fill two hours, so that hours are opened and closed as often as they are in a day.
func appendOne(ctx context.Context, t yearTask) (task, error) {
	return withYear(ctx, t, func(h *yearHome) (task, error) {
		series := t.Year.series()
		last, err := h.log.Seq(ctx) // goes on where an earlier run ended
		if err != nil {
			return task{}, err
		}
		before := h.in.Counts().Added
		n := 120 * len(series)
		out, err := repeated(n, func(i int) error {
			m := &series[i%len(series)]
			r := m.reading
			m.visit(&r, int64(t.Year.Days)*1440+last+int64(i/len(series)))
			return h.in.Add(ctx, []reception.Reading{r})
		})
		if added := h.in.Counts().Added - before; err == nil && added != int64(n) {
			err = fmt.Errorf("%d visits were new, want %d", added, n)
		}
		return out, err
	})
}

func readMonth(ctx context.Context, t yearTask) (task, error) {
	return withYear(ctx, t, func(h *yearHome) (task, error) {
		from, to := t.Year.month()
		series := t.Year.series()
		return repeated(30, func(i int) error {
			s := series[i%len(series)].reading.Series()
			n := 0
			for c, err := range h.log.Readings(ctx, store.Query{Span: store.Span{From: from, To: to}, Tuner: s.Tuner, FrequencyHz: s.FrequencyHz, Layer: &s.Layer}) {
				if err != nil {
					return err
				}
				n += len(c)
			}
			if want := int((to - from) / yearMinute); n != want {
				return fmt.Errorf("the month has %d readings, want %d", n, want)
			}
			return nil
		})
	})
}

func scan(ctx context.Context, t yearTask) (task, error) {
	return withYear(ctx, t, func(h *yearHome) (task, error) {
		return timed(int64(t.Year.rows()), func() error {
			n := 0
			for c, err := range h.log.Readings(ctx, store.Query{Span: store.Span{To: yearBegin + int64(t.Year.Days)*1440*yearMinute}}) {
				if err != nil {
					return err
				}
				n += len(c)
			}
			if n != t.Year.rows() {
				return fmt.Errorf("%d readings were read, want %d", n, t.Year.rows())
			}
			return nil
		})
	})
}

func readTallies(ctx context.Context, t yearTask) (task, error) {
	return withYear(ctx, t, func(h *yearHome) (task, error) {
		n, bytes := 0, 0
		out, err := repeated(3, func(int) error {
			n, bytes = 0, 0
			for p, err := range h.log.Tallies(ctx, store.Query{}) {
				if err != nil {
					return err
				}
				n, bytes = n+1, bytes+len(p.Body)
			}
			if want := t.Year.rows() / 60; n < want {
				return fmt.Errorf("%d tallies, want %d or more", n, want)
			}
			return nil
		})
		out.Note = fmt.Sprintf("%d tallies of %.0f B", n, float64(bytes)/float64(n))
		return out, err
	})
}

func rebuild(ctx context.Context, t yearTask) (task, error) {
	return withYear(ctx, t, func(h *yearHome) (task, error) {
		return timed(int64(t.Year.rows()), func() error {
			if err := h.log.Touch(ctx, store.Query{}); err != nil {
				return err
			}
			return h.in.Rebuild(ctx)
		})
	})
}
