// Package storetest holds the suites that every engine of the store passes: what
// the comments of [store.Log] and [store.Ledger] promise, tried from outside.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A Store is what an engine gives: both contracts in one.
type Store interface {
	store.Log
	store.Ledger
}

// Options say how to get at the engine.
type Options struct {
	// Open opens the store that is kept in dir, an empty directory at first. The
	// suite closes it.
	Open func(t *testing.T, dir string) Store
	// Forgets is set by an engine in memory: what it was given is gone after Close.
	Forgets bool
}

// Run runs all suites.
func Run(t *testing.T, o Options) {
	t.Run("Log", func(t *testing.T) { runLog(t, o) })
	t.Run("Record", func(t *testing.T) { runRecord(t, o) })
	t.Run("Ledger", func(t *testing.T) { runLedger(t, o) })
	t.Run("AnyOrder", func(t *testing.T) { runAnyOrder(t, o) })
}

// open opens a store in a new directory and closes it when the test ends.
func (o Options) open(t *testing.T) Store {
	t.Helper()
	return o.openIn(t, t.TempDir())
}

func (o Options) openIn(t *testing.T, dir string) Store {
	t.Helper()
	s := o.Open(t, dir)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

// Instants and series of invented readings. T0 is the start of an hour and a day.
const t0 int64 = 1_772_323_200_000 // 2026-03-01 00:00 UTC

const hour0 = t0 / reception.HourMS

var (
	loft   = reception.Series{Tuner: "loft", FrequencyHz: 473e6}
	shed   = reception.Series{Tuner: "shed", FrequencyHz: 473e6}
	loftHi = reception.Series{Tuner: "loft", FrequencyHz: 569e6}
	layerA = reception.Series{Tuner: "loft", FrequencyHz: 473e6, Layer: "A"}
)

// reading returns a reading that was made, with values that depend on its time.
func reading(k reception.Series, ms int64) reception.Reading {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.Layer = ms, k.Tuner, k.FrequencyHz, k.Layer
	r.DwellMS, r.Locked, r.LockedMS = 5000, true, 5000
	r.CNDB = 20 + float64(ms/1000%50)/10
	r.LevelDBm = -61.5
	r.UncorrectedBlocks, r.TotalBlocks = 0, 64470
	r.System, r.Scale, r.Mode = reception.ATSC1, "s1", "8vsb"
	return r
}

func tally(k reception.Series, hour int64, installation, body string) reception.PackedTally {
	return reception.PackedTally{
		TallyKey: reception.TallyKey{Series: k, Regime: reception.Regime{Installation: installation, Mode: "8vsb", Scale: "s1"}, Hour: hour},
		Version:  1, Body: []byte(body)}
}

// must fails the test on an error.
func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func appendTo(t *testing.T, s store.Log, b store.Batch) store.Appended {
	t.Helper()
	a, err := s.Append(t.Context(), b)
	must(t, err)
	return a
}

// all gathers what an iterator yields.
func all[T any](t *testing.T, seq iter.Seq2[T, error]) []T {
	t.Helper()
	var out []T
	for x, err := range seq {
		must(t, err)
		out = append(out, x)
	}
	return out
}

// readings gathers chunks, and checks that each is of one series.
func readings(t *testing.T, s store.Log, q store.Query) []reception.Reading {
	t.Helper()
	var out []reception.Reading
	for chunk, err := range s.Readings(t.Context(), q) {
		must(t, err)
		if len(chunk) == 0 {
			t.Fatal("Readings yielded an empty chunk")
		}
		if len(chunk) > 10_000 {
			t.Fatalf("Readings yielded a chunk of %d, want some thousand at most", len(chunk))
		}
		for i := range chunk {
			if chunk[i].Series() != chunk[0].Series() {
				t.Fatal("Readings mixed series in one chunk")
			}
		}
		out = append(out, chunk...)
	}
	return out
}

// sameReadings compares bit by bit, in order.
func sameReadings(t *testing.T, got, want []reception.Reading) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("got %d readings, want %d", len(got), len(want))
	}
	for i := range got {
		if g, w := bits(&got[i]), bits(&want[i]); g != w {
			t.Fatalf("reading %d:\n got %s\nwant %s", i, g, w)
		}
	}
}

// bits prints every field, floats by their bits, so that -0 differs from 0. All
// NaNs are one: "not available".
func bits(r *reception.Reading) string {
	x := *r
	f := ""
	for _, p := range []*float64{&x.LevelDBm, &x.LevelPct, &x.CNDB, &x.CNLowDB, &x.CNSpreadDB, &x.QualityPct, &x.ErroredS} {
		f += floatBits(*p) + " "
		*p = 0
	}
	return fmt.Sprintf("%+v %s", x, f)
}

func weatherBits(w *reception.Weather) string {
	x := *w
	f := ""
	for _, p := range []*float64{&x.DistanceKM, &x.TempC, &x.DewpointC, &x.PressureHPa, &x.WindMPS, &x.GustMPS, &x.WindDirDeg,
		&x.RainMMPerHour, &x.SnowMMPerHour} {
		f += floatBits(*p) + " "
		*p = 0
	}
	return fmt.Sprintf("%+v %s", x, f)
}

func floatBits(v float64) string {
	if math.IsNaN(v) {
		return "NaN"
	}
	return fmt.Sprintf("%016x", math.Float64bits(v))
}

func tallyKeys(ts []reception.PackedTally) []string {
	var out []string
	for _, t := range ts {
		out = append(out, fmt.Sprintf("%d %d %s%s %s %s v%d", t.Hour-hour0, t.FrequencyHz/1e6, t.Layer, t.Tuner, t.Regime.Installation, t.Body, t.Version))
	}
	return out
}

func sameStrings(t *testing.T, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n got %q\nwant %q", what, got, want)
	}
}

// wantErr checks an error that every method must give.
func wantErr(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: got error %v, want %v", what, err, want)
	}
}

// calls are all methods that may fail, for tests of what they have in common.
func calls(s Store) map[string]func(context.Context) error {
	return map[string]func(context.Context) error{
		"Append": func(ctx context.Context) error {
			_, err := s.Append(ctx, store.Batch{Readings: []reception.Reading{reading(loft, t0+7000)}})
			return err
		},
		"Readings":  func(ctx context.Context) error { return lastErr(s.Readings(ctx, store.Query{})) },
		"Weather":   func(ctx context.Context) error { return lastErr(s.Weather(ctx, store.Always)) },
		"Tallies":   func(ctx context.Context) error { return lastErr(s.Tallies(ctx, store.Query{})) },
		"Series":    func(ctx context.Context) error { _, err := s.Series(ctx); return err },
		"Dirty":     func(ctx context.Context) error { _, err := s.Dirty(ctx, 1); return err },
		"Touch":     func(ctx context.Context) error { return s.Touch(ctx, store.Query{}) },
		"Changes":   func(ctx context.Context) error { return lastErr(s.Changes(ctx, 0)) },
		"Seq":       func(ctx context.Context) error { _, err := s.Seq(ctx); return err },
		"Put":       func(ctx context.Context) error { return s.Put(ctx, reception.Entry{Kind: "note", Known: 1}) },
		"Entries":   func(ctx context.Context) error { return lastErr(s.Entries(ctx, "note")) },
		"History":   func(ctx context.Context) error { return lastErr(s.History(ctx, "note")) },
		"LedgerSeq": func(ctx context.Context) error { _, err := s.LedgerSeq(ctx); return err },
	}
}

// lastErr runs an iterator to its end and returns the error of its last pair.
func lastErr[T any](seq iter.Seq2[T, error]) (err error) {
	for _, err = range seq {
	}
	return err
}
