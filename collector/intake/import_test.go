package intake

import (
	"cmp"
	"context"
	"errors"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
	"holdfast/collector/store/memstore"
)

func TestAnImportReportsEachRow(t *testing.T) {
	b := newBench(t, 0)
	rows := schedule(week0, week0+hour, 300*second)
	rows = append(rows,
		row(week0, nil), // equal to the first
		row(week0+300*second, func(r *reception.Reading) { r.CNDB = 12 }), // another value
		row(week0+2*hour, func(r *reception.Reading) { r.CNDB = 99 }),     // cannot be true
	)
	var last int64
	rep, err := b.in.Import(t.Context(), seq(rows), func(n int64) { last = n })
	b.must(err)
	if rep.Rows != 15 || rep.New != 12 || rep.Duplicates != 1 || rep.BadCount != 1 || rep.ConflictCount != 1 || last != 15 {
		t.Errorf("report %+v, progress %d", rep, last)
	}
	if rep.Bad[0].Line != 16 || !strings.Contains(rep.Bad[0].What, "cn_db 99") || rep.Conflicts[0].Line != 15 || !strings.Contains(rep.Conflicts[0].What, "12") {
		t.Errorf("bad %+v, conflicts %+v", rep.Bad, rep.Conflicts)
	}
	seq1, _ := b.store.Seq(t.Context())
	rep, err = b.in.Import(t.Context(), seq(rows), nil)
	b.must(err)
	if rep.New != 0 || rep.Duplicates != 13 || rep.ConflictCount != 1 || rep.Conflicts[0].Line != 15 {
		t.Errorf("the same again: %+v, want nothing new", rep)
	}
	if seq2, _ := b.store.Seq(t.Context()); seq2 != seq1 {
		t.Errorf("the same again changed the log: sequence %d, then %d", seq1, seq2)
	}
}

func TestAnImportThatEndsInAnError(t *testing.T) {
	b := newBench(t, 0)
	torn := errors.New("the file is torn")
	rows := func(yield func(Rows, error) bool) {
		for r := range seq(schedule(week0, week0+hour, 300*second)) {
			if !yield(r, nil) {
				return
			}
		}
		yield(Rows{}, torn)
	}
	rep, err := b.in.Import(t.Context(), rows, nil)
	if !errors.Is(err, torn) || rep.New != 12 {
		t.Errorf("Import = %+v, %v; want 12 stored and the error", rep, err)
	}
	b.store.left, b.store.err = 0, store.ErrFull
	if _, err := b.in.Import(t.Context(), seq(schedule(week0+hour, week0+2*hour, 300*second)), nil); !errors.Is(err, store.ErrFull) {
		t.Errorf("Import on a full disk = %v", err)
	}
}

// Rows in the order of time, stored in many portions, leave nothing to rebuild, and the
// tallies are those of one portion.
func TestALongImport(t *testing.T) {
	const channels, days = 2, 28
	want := newBench(t, 0)
	want.now = week0 + 20*weekMS
	rep, err := want.in.Import(t.Context(), months(channels, days), nil)
	want.must(err)
	if rep.New != channels*days*288 || rep.BadCount+rep.ConflictCount != 0 || len(want.tallies()) != channels*days*24 {
		t.Fatalf("report %+v, %d tallies", rep, len(want.tallies()))
	}
	for _, gather := range []int{7000, 3000, 500} { // 7000 have whole weeks, the others hours
		b := newBench(t, 0)
		b.now = want.now
		im := newImporter(b.in, gather, nil)
		b.must(im.all(t.Context(), months(channels, days)))
		dirty, err := b.store.Dirty(t.Context(), allDirty)
		b.must(err)
		if len(dirty) != 0 {
			t.Errorf("portions of %d rows left %d hours dirty, want none", gather, len(dirty))
		}
		b.must(b.in.Rebuild(t.Context()))
		same(t, b, want)
	}
}

// months yields visits every five minutes on channels over days, by time.
func months(channels, days int) iter.Seq2[Rows, error] {
	return func(yield func(Rows, error) bool) {
		line := int64(1)
		for day := range int64(days) {
			var c Rows
			for i := day * 288; i < (day+1)*288; i++ {
				for ch := range channels {
					line++
					c.Lines = append(c.Lines, line)
					c.Readings = append(c.Readings, row(week0+i*300*second+int64(ch)*20*second, func(r *reception.Reading) {
						r.FrequencyHz = 473e6 + int64(ch)*6e6
						r.CNDB = 20 + float64((i*7+int64(ch))%50)/10
						r.LevelDBm = -60 - float64(i%40)/10
						r.TotalBlocks, r.UncorrectedBlocks = 64470, max(0, i%97-95)
					}))
				}
			}
			if !yield(c, nil) {
				return
			}
		}
	}
}

func BenchmarkImportChannelMonth(b *testing.B) {
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		x := newBench(b, 0)
		x.now = week0 + 20*weekMS
		rep, err := x.in.Import(b.Context(), months(1, 30), nil)
		x.must(err)
		n += int(rep.New)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// A sink is a log that keeps nothing, so that the intake alone is measured.
type sink struct {
	store.Log
	store.Ledger
}

func (s sink) Append(ctx context.Context, b store.Batch) (store.Appended, error) {
	return store.Appended{New: len(b.Readings)}, nil
}

// Forty channels, a visit a minute each, a week.
func BenchmarkImportMinutes(b *testing.B) {
	const channels, chunk = 40, 1000
	all := make([]reception.Reading, 0, channels*7*1440)
	for i := range int64(7 * 1440) {
		for ch := range int64(channels) {
			all = append(all, row(week0+i*60*second, func(r *reception.Reading) {
				r.FrequencyHz, r.Identity, r.Mode = 473e6+ch*6e6, "2051", "8vsb"
				r.CNDB = 20 + float64((i*7+ch)%50)/10
				r.CNLowDB = r.CNDB - float64(i%7)/10
				r.LevelDBm = -60 - float64(i%40)/10
				r.TotalBlocks, r.UncorrectedBlocks = 64470, max(0, i%97-95)
			}))
		}
	}
	lines := make([]int64, chunk)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		empty := memstore.New()
		in, err := New(sink{empty, empty}, empty, Options{
			Rules: func(reception.Series) tally.Rules {
				return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB}
			},
			Now: func() time.Time { return time.UnixMilli(week0 + 20*weekMS) },
		})
		if err != nil {
			b.Fatal(err)
		}
		rep, err := in.Import(b.Context(), func(yield func(Rows, error) bool) {
			for c := range slices.Chunk(all, chunk) {
				if !yield(Rows{lines[:len(c)], c}, nil) {
					return
				}
			}
		}, nil)
		if err != nil || rep.New != int64(len(all)) {
			b.Fatal(rep, err)
		}
		n += int(rep.New)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkAdd(b *testing.B) {
	x := newBench(b, second)
	at := int64(week0)
	b.ReportAllocs()
	for b.Loop() {
		x.now = at
		x.must(x.in.Add(b.Context(), []reception.Reading{row(at, func(r *reception.Reading) { r.DwellMS = 1000 })}))
		at += second
	}
}

func TestWeather(t *testing.T) {
	b := newBench(t, 0)
	w := reception.NewWeather()
	w.Time, w.Source, w.TempC, w.WindMPS = week0, "field", 12, 400
	bad := w
	bad.Time = 77
	rep, err := b.in.Weather(t.Context(), []reception.Weather{bad, w, w})
	b.must(err)
	if rep.New != 1 || rep.Duplicates != 1 || len(rep.Bad) != 1 || rep.Bad[0].Line != 0 || len(rep.Discarded) != 2 || rep.Discarded[0].Line != 1 {
		t.Errorf("report %+v", rep)
	}
	if w.WindMPS != 400 {
		t.Error("Weather wrote to its argument")
	}
	w.TempC = 13
	rep, err = b.in.Weather(t.Context(), []reception.Weather{w})
	b.must(err)
	if len(rep.Conflicts) != 1 || rep.New != 0 {
		t.Errorf("report %+v, want a conflict", rep)
	}
}

// However few rows an import holds at once, and whatever their order, the tallies are
// those of one portion: also when intervals change within a week, and when rows come
// late by minutes or by weeks.
func TestPortionsGiveTheSameTallies(t *testing.T) {
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed, 3))
		var all []reception.Reading
		for k := range int64(1 + rng.IntN(3)) {
			gap := []int64{60, 300, 1200, 3000}[rng.IntN(4)] * second
			at := week0 + rng.Int64N(10*24)*hour
			for range 100 + rng.IntN(300) {
				all = append(all, row(at, func(r *reception.Reading) {
					r.FrequencyHz += k * 6e6
					switch rng.IntN(12) {
					case 0:
						r.Locked, r.CNDB = false, math.NaN()
					case 1:
						r.Why, r.Locked, r.CNDB = reception.WhyViewer, false, math.NaN()
					default:
						r.CNDB, r.Mode = 15+float64(rng.IntN(90))/10, "8vsb"
						r.Identity = []string{"100", "100", "200"}[rng.IntN(3)]
					}
				}))
				if r := &all[len(all)-1]; rng.IntN(9) == 0 && r.Why == "" {
					r.LevelDBm, r.Known = rng.NormFloat64(), at
				}
				switch at += gap; rng.IntN(40) {
				case 0:
					at += rng.Int64N(8*hour/second) * second
				case 1:
					at += 1000
				case 2:
					gap = []int64{60, 300, 1200, 3000}[rng.IntN(4)] * second
				}
			}
		}
		byTime := func(a, b reception.Reading) int { return cmp.Compare(a.Time, b.Time) }
		slices.SortStableFunc(all, byTime)
		want := newBench(t, 0)
		want.now = week0 + 40*weekMS
		_, err := want.in.Import(t.Context(), seq(all), nil)
		want.must(err)

		given := slices.Clone(all)
		switch seed % 5 {
		case 0, 1: // by time
		case 2: // some late
			for range 1 + len(given)/40 {
				i := rng.IntN(len(given))
				j := min(len(given)-1, i+1+rng.IntN(1+rng.IntN(200)))
				r := given[i]
				copy(given[i:j], given[i+1:j+1])
				given[j] = r
			}
		case 3: // by channel
			slices.SortStableFunc(given, func(a, b reception.Reading) int { return cmp.Compare(a.FrequencyHz, b.FrequencyHz) })
		case 4:
			slices.Reverse(given)
		}
		b := newBench(t, 0)
		b.now = want.now
		if rng.IntN(3) == 0 { // something is there already
			i := rng.IntN(len(given))
			_, err := b.in.Import(t.Context(), seq(given[i:min(len(given), i+1+rng.IntN(30))]), nil)
			b.must(err)
		}
		b.gather = []int{2, 10, 40, 150, 400}[rng.IntN(5)]
		b.reopen()
		rep, err := b.in.Import(t.Context(), seq(given), nil)
		b.must(err)
		if rep.New+rep.Duplicates != int64(len(all)) || rep.ConflictCount+rep.BadCount > 0 {
			t.Fatalf("seed %d: %+v of %d rows", seed, rep, len(all))
		}
		same(t, b, want)
	}
}
