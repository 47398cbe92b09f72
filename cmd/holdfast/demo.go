package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"os"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/cmd/internal/daemon"
	"holdfast/collector/exchange"
	"holdfast/collector/weather"
	"holdfast/configs"
)

// The demo's past: a year and a half, so that one whole leaf season and more is seen.
const demoMonths = 18

func demoCommand(e *env) *cobra.Command {
	var seed uint64
	fast := false
	c := &cobra.Command{
		Use:   "demo",
		Short: "Show an invented home with eighteen months behind it",
		Long: `Show an invented home: eighteen months of a simulated past are made and imported
like any CSV, then four simulated tuners are visited live. Nothing of it is real, and
nothing stays: the temporary data folder is removed at the end. It reads no config and
leaves --config and --data alone.

With --fast a minute passes in a second, and the life of one alarm is shown on the
terminal: a tuner is unplugged, the alarm is raised, delivered to a receiver, seen by you
and cleared, in about two minutes.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			if fast {
				return e.fastDemo(c.Context(), fastDemo{seed: seed, speed: 60, past: 3 * 7 * 24 * time.Hour, away: 67 * time.Minute})
			}
			return e.demo(c.Context(), seed)
		},
	}
	c.Flags().BoolVar(&fast, "fast", false, "let a minute pass in a second, and show the life of an alarm")
	c.Flags().Uint64Var(&seed, "seed", 1, "another home of the same kind")
	return c
}

func (e *env) demo(ctx context.Context, seed uint64) (err error) {
	start := time.Now()
	dir, err := os.MkdirTemp("", "holdfast-demo-")
	if err != nil {
		return fmt.Errorf("make a temporary data folder: %w", err)
	}
	defer func() {
		if rmErr := os.RemoveAll(dir); rmErr != nil && err == nil {
			err = fmt.Errorf("remove the demo's data folder: %w", rmErr)
		}
	}()
	cfg, err := configs.Demo()
	if err != nil {
		return err
	}
	world := firstworld.New(seed, start)
	fmt.Fprintf(e.errOut, "Making %d months of an invented home's past, and importing them like any CSV ...\n", demoMonths)
	rows, err := e.demoPast(ctx, cfg, dir, world, start.AddDate(0, -demoMonths, 0), start)
	if ctx.Err() != nil {
		return nil
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(e.errOut, "%d visits and their weather imported in %.1f s.\n", rows, time.Since(start).Seconds())

	var once sync.Once
	var address string
	return daemon.Run(ctx, daemon.Params{
		Config: cfg, DataDir: dir, Log: e.logger(slog.LevelWarn), Version: version(),
		World:   func(int) *firstworld.World { return world },
		Weather: []weather.Source{&worldWeather{world, start, time.Now}},
		Bound:   func(url string) { address = url },
		AnyPort: true,
		Started: func() {
			once.Do(func() { e.demoTour(address, dir) })
		},
	})
}

// demoPast sends the world's past through the CSV forms into the store.
func (e *env) demoPast(ctx context.Context, cfg configs.Config, dir string, w *firstworld.World, from, now time.Time) (int64, error) {
	h, err := daemon.Open(ctx, cfg, dir, daemon.Options{Log: e.logger(slog.LevelWarn)})
	if err != nil {
		return 0, err
	}
	defer h.Close()
	var scales bytes.Buffer
	if err := exchange.WriteScales(&scales, exchange.CSV, scalesOf(w)); err != nil {
		return 0, err
	}
	for _, f := range []struct {
		kind   string
		scales io.Reader
		write  func(io.Writer) error
	}{
		{"weather", nil, func(out io.Writer) error { return exchange.WriteWeather(out, exchange.CSV, each(w.Weather(from, now))) }},
		{"installations", nil, func(out io.Writer) error {
			return exchange.WriteInstallations(out, exchange.CSV, []exchange.Installation{
				{Time: from.Truncate(time.Second).UnixMilli(), Name: "roof antenna", Note: "one antenna, an amplifier and a splitter for four tuners"},
			})
		}},
		{"readings", &scales, func(out io.Writer) error {
			return exchange.WriteReadings(out, exchange.CSV, chunks(w.Past(from, now, firstworld.Schedule{})))
		}},
	} {
		in, out := io.Pipe()
		go func() { out.CloseWithError(f.write(out)) }()
		bar := newProgress(e.errOut, f.kind, 0)
		r, err := h.Import(ctx, f.kind, "the demo's "+f.kind, in, f.scales, bar.update)
		bar.done()
		in.Close()
		if err != nil {
			return 0, err
		}
		if r.BadCount+r.ConflictCount > 0 {
			return 0, fmt.Errorf("the demo's %s: %d bad rows, %d conflicts, first %v%v", f.kind, r.BadCount, r.ConflictCount, r.Bad, r.Conflicts)
		}
		if f.kind == "readings" {
			return r.New, nil
		}
	}
	return 0, nil
}

// worldWeather is the weather station near the invented home.
type worldWeather struct {
	world *firstworld.World
	since time.Time
	clock func() time.Time
}

func (w *worldWeather) String() string { return "station" }

// Observe returns the hours that ended since it was last asked.
func (w *worldWeather) Observe(context.Context) ([]reception.Weather, error) {
	now := w.clock()
	rows := w.world.Weather(w.since, now)
	w.since = now
	return rows, nil
}

func scalesOf(w *firstworld.World) []reception.Scale {
	var out []reception.Scale
	seen := map[string]bool{}
	for _, t := range w.Tuners() {
		if s, ok := w.Scale(t.Name); ok && !seen[s.ID] {
			seen[s.ID] = true
			out = append(out, s)
		}
	}
	return out
}

func each(rows []reception.Weather) iter.Seq2[reception.Weather, error] {
	return func(yield func(reception.Weather, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// chunks gathers readings for the writer.
func chunks(rs iter.Seq[reception.Reading]) iter.Seq2[[]reception.Reading, error] {
	return func(yield func([]reception.Reading, error) bool) {
		var chunk []reception.Reading
		for r := range rs {
			if chunk = append(chunk, r); len(chunk) == 4096 {
				if !yield(chunk, nil) {
					return
				}
				chunk = chunk[:0]
			}
		}
		if len(chunk) > 0 {
			yield(chunk, nil)
		}
	}
}

func (e *env) demoTour(address, dir string) {
	fmt.Fprintf(e.out, `
The home is at %[1]s

Three things to look at:
  1. The sentence at the top: which channel is short, since when, by how much.
     Below it, what changed for good and when. The step in the open lane, and in
     others on the same day, is where that comes from.
  2. The lanes from the mast behind the leaves: how much of their margin the leaves
     take, and what the coming months are expected to leave.
  3. The same as text, from another terminal:
       holdfast answer --data %[2]s
     (or: go run ./cmd/holdfast answer --data %[2]s)
     and holdfast explain TIME tells the story of a dropout that it lists.

Four simulated tuners go on measuring; the page follows. Ctrl-C ends the demo and
removes its data.
`, address, dir)
}
