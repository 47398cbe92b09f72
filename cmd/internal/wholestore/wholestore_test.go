// Package wholestore tests intake and the embedded engine as one: neither may name
// the other.
package wholestore

import (
	"bytes"
	"context"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/intake"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
)

const (
	week0  = 1772409600000 // a Monday, 2026-03-02 00:00 UTC, Unix ms
	minute = int64(60 * 1000)
	hour   = 60 * minute
)

// A home is an intake over a store in a directory.
type home struct {
	t     *testing.T
	dir   string
	store *embedded.Store
	in    *intake.Intake
	now   int64
}

func open(t *testing.T) *home { return openIn(t, t.TempDir()) }

func openIn(t *testing.T, dir string) *home {
	h := &home{t: t, dir: dir, now: week0}
	h.open()
	t.Cleanup(func() { h.store.Close() })
	return h
}

func (h *home) open() {
	h.t.Helper()
	var err error
	h.store, err = embedded.Open(h.t.Context(), h.dir, embedded.Options{ReserveBytes: -1})
	h.must(err)
	h.in, err = intake.New(h.store, h.store, intake.Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: 5 * minute}
		},
		Now: func() time.Time { return time.UnixMilli(h.now) },
	})
	h.must(err)
	h.must(h.in.Recover(h.t.Context()))
}

func (h *home) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// finish closes all hours and weeks, and returns every tally.
func (h *home) finish(ctx context.Context) []reception.PackedTally {
	h.t.Helper()
	h.now = week0 + 40*24*hour
	h.must(h.in.CloseHours(ctx, h.now))
	h.must(h.in.Rebuild(ctx))
	var out []reception.PackedTally
	for p, err := range h.store.Tallies(ctx, store.Query{}) {
		h.must(err)
		out = append(out, p)
	}
	return out
}

// readings returns every reading.
func (h *home) readings() (out []reception.Reading) {
	h.t.Helper()
	for chunk, err := range h.store.Readings(h.t.Context(), store.Query{}) {
		h.must(err)
		out = append(out, chunk...)
	}
	return out
}

func rows(rs []reception.Reading) iter.Seq2[intake.Rows, error] {
	return func(yield func(intake.Rows, error) bool) {
		line := int64(1)
		for chunk := range slices.Chunk(rs, 100) {
			c := intake.Rows{Readings: chunk}
			for range chunk {
				line++
				c.Lines = append(c.Lines, line)
			}
			if !yield(c, nil) {
				return
			}
		}
	}
}

// days yields some days of visits on two channels, with fades, losses and gaps, whose
// values have more digits than a tuner gives.
func days(rng *rand.Rand, n, every int64) []reception.Reading {
	var out []reception.Reading
	for at := int64(week0); at < week0+n*24*hour; at += every + rng.Int64N(every/2500)*1000 - every/5 {
		if rng.Int64N(500*minute/every) == 0 {
			at += rng.Int64N(5 * hour)
			at -= at % 1000
		}
		for c := range int64(2) {
			r := reception.NewReading()
			r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Scale = at+c*7000, "loft", 593e6+c*12e6, 5000, "s1"
			r.LevelDBm = -64 + rng.NormFloat64()
			switch cn := 17 + 4*math.Sin(float64(at)/float64(9*hour)) + rng.NormFloat64(); {
			case rng.IntN(40) == 0:
				r.Why = reception.WhyViewer
				r.LevelDBm = math.NaN()
			case cn < 14.5:
			default:
				r.Locked, r.CNDB, r.LockedMS, r.Mode, r.Identity = true, cn, 5000, "8vsb", "2051"
				r.TotalBlocks, r.UncorrectedBlocks = 64470, int64(max(0, (15.5-cn)*40))
			}
			out = append(out, r)
		}
	}
	return out
}

// Any order of live readings, imports, imports of what is there, late readings and
// restarts gives the same tallies as one sorted import, byte for byte.
func TestAnyWayIntoTheStoreGivesTheSameTallies(t *testing.T) {
	ctx := t.Context()
	for seed := range uint64(4) {
		rng := rand.New(rand.NewPCG(seed, 1))
		// Many visits in few days go straight into files when they are imported at once.
		n, every := int64(4), 5*minute
		if seed == 3 {
			n, every = 2, minute
		}
		all := days(rng, n, every)
		one := open(t)
		one.now = week0 + 40*24*hour
		_, err := one.in.Import(ctx, rows(all), nil)
		one.must(err)
		if list, err := os.ReadDir(filepath.Join(one.dir, "readings")); seed == 3 && len(list) != 1 {
			t.Fatalf("the import of many visits made files %v, %v, want one", list, err)
		}
		want := one.finish(ctx)

		h := open(t)
		rest := slices.Clone(all)
		if seed%2 == 1 { // a third arrives late
			rng.Shuffle(len(rest)/3, func(i, j int) { rest[3*i], rest[3*j] = rest[3*j], rest[3*i] })
		}
		for len(rest) > 0 {
			n := min(len(rest), 1+rng.IntN(len(all)/12))
			h.now = max(h.now, rest[n-1].Time+10000)
			if rng.IntN(3) == 0 {
				_, err := h.in.Import(ctx, rows(rest[:n]), nil)
				h.must(err)
			} else {
				for chunk := range slices.Chunk(rest[:n], 40) {
					h.must(h.in.Add(ctx, chunk))
				}
			}
			rest = rest[n:]
			switch rng.IntN(8) {
			case 0:
				h.must(h.store.Close())
				h.open()
			case 1:
				h.must(h.in.CloseHours(ctx, h.now))
			case 2:
				h.must(h.in.Rebuild(ctx))
			case 6: // days that are over are sealed
				h.must(h.store.Tidy(ctx, time.UnixMilli(h.now+2*24*hour)))
			case 7: // and months merged
				h.must(h.store.Tidy(ctx, time.UnixMilli(h.now+60*24*hour)))
			case 3:
				rep, err := h.in.Import(ctx, rows(all[:rng.IntN(len(all))]), nil)
				h.must(err)
				if rep.ConflictCount+rep.BadCount != 0 {
					t.Fatalf("seed %d: importing what is there: %+v", seed, rep)
				}
			}
		}
		got := h.finish(ctx)
		if len(got) != len(want) || int64(len(want)) < n*35 {
			t.Fatalf("seed %d: %d tallies, want %d", seed, len(got), len(want))
		}
		for i := range want {
			if got[i].TallyKey != want[i].TallyKey || !bytes.Equal(got[i].Body, want[i].Body) {
				t.Fatalf("seed %d: tally %d of %+v differs from that of one import, %+v", seed, i, got[i].TallyKey, want[i].TallyKey)
			}
		}
		if a, b := one.readings(), h.readings(); !slices.EqualFunc(a, b, func(x, y reception.Reading) bool { return x.Equal(&y) }) || len(a) != len(all) {
			t.Fatalf("seed %d: %d readings, %d from one import, %d given, or others", seed, len(b), len(a), len(all))
		}
	}
}
