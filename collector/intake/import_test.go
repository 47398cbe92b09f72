package intake

import (
	"errors"
	"iter"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
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
	rows := func(yield func(Row, error) bool) {
		for r := range seq(schedule(week0, week0+hour, 300*second)) {
			if !yield(r, nil) {
				return
			}
		}
		yield(Row{}, torn)
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

// Rows in the order of time, sorted and stored in many portions, leave almost nothing
// to rebuild, and the tallies are those of one portion.
func TestALongImport(t *testing.T) {
	const channels, days = 2, 28
	want := newBench(t, 0)
	want.now = week0 + 20*weekMS
	rep, err := want.in.Import(t.Context(), months(channels, days), nil)
	want.must(err)
	if rep.New != channels*days*288 || rep.BadCount+rep.ConflictCount != 0 || len(want.tallies()) != channels*days*24 {
		t.Fatalf("report %+v, %d tallies", rep, len(want.tallies()))
	}
	for _, c := range []struct{ gather, atMost int }{
		{7000, 3 * 8 * channels}, // whole weeks: the hours around three of their borders
		{3000, channels * days * 24},
	} {
		b := newBench(t, 0)
		b.now = want.now
		im := newImporter(b.in, c.gather, nil)
		b.must(im.take(t.Context(), months(channels, days)))
		b.must(im.flush(t.Context(), true))
		dirty, err := b.store.Dirty(t.Context(), allDirty)
		b.must(err)
		if len(dirty) == 0 || len(dirty) > c.atMost {
			t.Errorf("portions of %d rows left %d hours dirty, want 1 to %d", c.gather, len(dirty), c.atMost)
		}
		b.must(b.in.Rebuild(t.Context()))
		same(t, b, want)
	}
}

// months yields visits every five minutes on channels over days, by time.
func months(channels, days int) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		line := int64(1)
		for i := range int64(days) * 288 {
			for c := range channels {
				line++
				r := row(week0+i*300*second+int64(c)*20*second, func(r *reception.Reading) {
					r.FrequencyHz = 473e6 + int64(c)*6e6
					r.CNDB = 20 + float64((i*7+int64(c))%50)/10
					r.LevelDBm = -60 - float64(i%40)/10
					r.TotalBlocks, r.UncorrectedBlocks = 64470, max(0, i%97-95)
				})
				if !yield(Row{line, r}, nil) {
					return
				}
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
