package intake

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"iter"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
	"holdfast/collector/store/memstore"
	"pgregory.net/rapid"
)

// week0 is a Monday, 2026-03-02 00:00 UTC, Unix ms.
const week0 = 1772409600000

const (
	second = int64(1000)
	minute = 60 * second
	hour   = 60 * minute
)

var errCrash = errors.New("crashed")

// A faulty store fails the nth call that writes, before or after it is done.
type faulty struct {
	*memstore.Store
	left  int // writes until the fault; negative: none
	after bool
	err   error
}

func (f *faulty) fault(do func() error) error {
	if f.left < 0 {
		return do()
	}
	if f.left--; f.left >= 0 {
		return do()
	}
	f.left = 0 // and so it stays
	if f.after {
		f.after = false
		if err := do(); err != nil {
			return err
		}
	}
	return f.err
}

func (f *faulty) Append(ctx context.Context, b store.Batch) (out store.Appended, err error) {
	err = f.fault(func() (err error) { out, err = f.Store.Append(ctx, b); return err })
	return out, err
}

func (f *faulty) Touch(ctx context.Context, q store.Query) error {
	return f.fault(func() error { return f.Store.Touch(ctx, q) })
}

func (f *faulty) Put(ctx context.Context, e ...reception.Entry) error {
	return f.fault(func() error { return f.Store.Put(ctx, e...) })
}

// A bench is an intake over a store that survives it.
type bench struct {
	t        failer
	store    *faulty
	in       *Intake
	now      int64
	schedule int64
	gather   int // rows of an import that are held at most; 0: as usual
}

func newBench(t failer, schedule int64) *bench {
	b := &bench{t: t, store: &faulty{Store: memstore.New(), left: -1}, now: week0, schedule: schedule}
	b.reopen()
	return b
}

func (b *bench) reopen() {
	b.t.Helper()
	b.store.left = -1
	in, err := New(b.store, b.store, Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: b.schedule}
		},
		Now: func() time.Time { return time.UnixMilli(b.now) },
	})
	if err != nil {
		b.t.Fatal(err)
	}
	if b.in = in; b.gather > 0 {
		in.gather = b.gather
	}
	b.must(in.Recover(b.t.Context()))
}

func (b *bench) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

// finish lets a long time pass, so that all hours are closed and all weeks over.
func (b *bench) finish() {
	b.t.Helper()
	b.now = week0 + 30*24*hour
	b.must(b.in.CloseHours(b.t.Context(), b.now))
	b.must(b.in.Rebuild(b.t.Context()))
	if open := b.in.OpenTallies(); len(open) > 0 {
		b.t.Fatalf("%d tallies are open after all", len(open))
	}
	if d, err := b.store.Dirty(b.t.Context(), 10); err != nil || len(d) > 0 {
		b.t.Fatalf("dirty after all: %v, %v", d, err)
	}
}

func (b *bench) tallies() []reception.PackedTally {
	b.t.Helper()
	var out []reception.PackedTally
	for p, err := range b.store.Tallies(b.t.Context(), store.Query{}) {
		b.must(err)
		out = append(out, p)
	}
	return out
}

func (b *bench) install(held int64, tuner, name string) {
	b.t.Helper()
	body, err := json.Marshal(reception.InstallationEntry{Name: name})
	b.must(err)
	b.now++
	b.must(b.store.Store.Put(b.t.Context(), reception.Entry{Kind: reception.KindInstallation, Key: tuner, Held: held, Known: b.now, Body: body}))
}

// same fails unless two stores hold the same tallies, byte for byte.
func same(t failer, got, want *bench) {
	t.Helper()
	g, w := got.tallies(), want.tallies()
	for i := range max(len(g), len(w)) {
		switch {
		case i >= len(g):
			t.Fatalf("%d tallies, want %d; missing %+v", len(g), len(w), w[i].TallyKey)
		case i >= len(w):
			t.Fatalf("%d tallies, want %d; too many %+v", len(g), len(w), g[i].TallyKey)
		case g[i].TallyKey != w[i].TallyKey:
			t.Fatalf("tally %d is of %+v, want %+v", i, g[i].TallyKey, w[i].TallyKey)
		case !bytes.Equal(g[i].Body, w[i].Body):
			a, _ := tally.Unpack(g[i])
			b, _ := tally.Unpack(w[i])
			t.Fatalf("tally %+v =\n%+v, want\n%+v", g[i].TallyKey, a.Tally, b.Tally)
		}
	}
}

func seq(rs []reception.Reading) iter.Seq2[Rows, error] {
	return func(yield func(Rows, error) bool) {
		line := int64(1)
		for chunk := range slices.Chunk(rs, 50) {
			c := Rows{Readings: chunk}
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

// draw yields readings of two or three series, each with its own gaps, ascending.
func draw(t *rapid.T) []reception.Reading {
	var out []reception.Reading
	for k := range rapid.IntRange(1, 3).Draw(t, "series") {
		usual := rapid.SampledFrom([]int64{20, 120, 300, 900, 2400}).Draw(t, "usual gap")
		at := week0 + rapid.Int64Range(0, 9*24).Draw(t, "begin")*hour/2
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			out = append(out, visit(t, k, at))
			gap := usual
			switch rapid.IntRange(0, 9).Draw(t, "gap") {
			case 0:
				gap = rapid.Int64Range(1, 7200).Draw(t, "other gap")
			case 1:
				gap = 1
			}
			at += gap * second
		}
	}
	slices.SortStableFunc(out, func(a, b reception.Reading) int { return cmp.Compare(a.Time, b.Time) })
	return out
}

func visit(t *rapid.T, k int, at int64) reception.Reading {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz = at, []string{"loft", "loft", "den"}[k], int64(587+6*k)*1e6
	r.DwellMS = rapid.SampledFrom([]int64{1000, 5000}).Draw(t, "dwell")
	r.Scale = "s1"
	switch n := rapid.IntRange(0, 11).Draw(t, "kind"); {
	case n == 0:
		r.Why = reception.WhyViewer
	case n == 1:
		r.Visit = reception.VisitExtra
	case n < 4:
		r.LevelDBm = -92
		return r
	}
	if r.Why == "" {
		r.Locked, r.CNDB, r.LevelDBm = true, float64(rapid.IntRange(140, 300).Draw(t, "cn"))/10, -60
		r.TotalBlocks, r.UncorrectedBlocks = 12894, rapid.SampledFrom([]int64{0, 0, 0, 4}).Draw(t, "bad")
		r.Identity = rapid.SampledFrom([]string{"", "100", "100", "100", "200"}).Draw(t, "identity")
		r.Mode = rapid.SampledFrom([]string{"", "8vsb", "8vsb"}).Draw(t, "mode")
	}
	return r
}

// Whatever the way readings take into the store, in whatever order, with restarts
// and crashes between, the tallies are those of one sorted import.
func TestEveryWayGivesTheTalliesOfOneSortedImport(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		all := draw(rt)
		schedule := rapid.SampledFrom([]int64{0, 300 * second}).Draw(rt, "schedule")
		b := newBench(rt, schedule)
		b.gather = rapid.SampledFrom([]int{0, 1, 7, 30, 90}).Draw(rt, "gather")
		b.reopen()
		want := newBench(rt, schedule)

		// Deal the readings out, mostly in order, into portions.
		rest := slices.Clone(all)
		if rapid.Bool().Draw(rt, "shuffled") {
			rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
			rng.Shuffle(len(rest), func(i, j int) { rest[i], rest[j] = rest[j], rest[i] })
		}
		ctx := t.Context()
		for len(rest) > 0 {
			n := rapid.IntRange(1, len(rest)).Draw(rt, "portion")
			if rapid.Bool().Draw(rt, "few") {
				n = min(n, 5)
			}
			portion := rest[:n]
			b.now = max(b.now, portion[n-1].Time+6*second)
			crash := rapid.IntRange(0, 3).Draw(rt, "crash") == 0
			if crash {
				b.store.left, b.store.after, b.store.err = rapid.IntRange(0, 6).Draw(rt, "writes"), rapid.Bool().Draw(rt, "after"), errCrash
			}
			var err error
			if rapid.IntRange(0, 2).Draw(rt, "way") == 0 {
				_, err = b.in.Import(ctx, seq(portion), nil)
			} else {
				err = b.in.Add(ctx, portion)
			}
			switch {
			case err == nil && !crash:
				rest = rest[n:]
			case err != nil && !errors.Is(err, errCrash):
				rt.Fatal(err)
			default: // killed: what was given may be there or not
				b.reopen()
				if rapid.Bool().Draw(rt, "by import") {
					_, err := b.in.Import(ctx, seq(portion), nil)
					b.must(err)
				} else {
					b.must(b.in.Add(ctx, portion))
				}
				rest = rest[n:]
			}
			switch rapid.IntRange(0, 7).Draw(rt, "then") {
			case 0:
				b.reopen()
			case 1:
				b.must(b.in.Rebuild(ctx))
			case 2:
				b.must(b.in.CloseHours(ctx, b.now))
			case 3:
				b.now += rapid.Int64Range(0, 120).Draw(rt, "idle") * minute
				b.must(b.in.CloseHours(ctx, b.now))
			case 4: // import again what is there
				_, err := b.in.Import(ctx, seq(all[:rapid.IntRange(0, len(all)-1).Draw(rt, "again")]), nil)
				b.must(err)
			case 5:
				at := week0 + rapid.Int64Range(0, 10*24*4).Draw(rt, "moved at")*15*minute
				name := rapid.SampledFrom([]string{"old", "new", "loft rods"}).Draw(rt, "name")
				tuner := rapid.SampledFrom([]string{"", "loft"}).Draw(rt, "on")
				b.install(at, tuner, name)
				want.now = b.now - 1
				want.install(at, tuner, name)
				switch rapid.IntRange(0, 2).Draw(rt, "told") {
				case 0:
					b.must(b.in.InstallationsChanged(ctx))
				case 1:
					b.reopen()
				}
			}
		}
		b.finish()
		want.now = b.now
		want.reopen()
		_, err := want.in.Import(ctx, seq(all), nil)
		want.must(err)
		if d, err := want.store.Dirty(ctx, 1); err != nil || len(d) > 0 {
			rt.Fatalf("an import leaves %v dirty, %v", d, err)
		}
		same(rt, b, want)
	})
}

// A failer is a test, or a rapid check.
type failer interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
	Context() context.Context
}

func row(at int64, f func(*reception.Reading)) reception.Reading {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Locked, r.CNDB, r.Scale = at, "loft", 605e6, 5000, true, 21.3, "s1"
	if f != nil {
		f(&r)
	}
	return r
}

func schedule(from, to, every int64) []reception.Reading {
	var out []reception.Reading
	for at := from; at < to; at += every {
		out = append(out, row(at, nil))
	}
	return out
}
