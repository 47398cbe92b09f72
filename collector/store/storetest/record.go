package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// runRecord is the part for the system of record.
func runRecord(t *testing.T, o Options) {
	t.Run("Reopen", func(t *testing.T) {
		if o.Forgets {
			t.Skip("this engine forgets by design")
		}
		reopen(t, o)
	})
	t.Run("Changes", func(t *testing.T) { changes(t, o) })
	t.Run("ChangesAreResumable", func(t *testing.T) { resume(t, o) })
	t.Run("Dirty", func(t *testing.T) { dirty(t, o) })
	t.Run("SettledAndRaces", func(t *testing.T) { settled(t, o) })
	t.Run("Touch", func(t *testing.T) { touch(t, o) })
	t.Run("Snapshots", func(t *testing.T) { snapshots(t, o) })

	t.Run("Closed", func(t *testing.T) {
		s := o.open(t)
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0)}})
		must(t, s.Close())
		must(t, s.Close())
		for name, call := range calls(s) {
			wantErr(t, name+" after Close", call(t.Context()), store.ErrClosed)
		}
	})

	t.Run("ClosedWhileIterating", func(t *testing.T) {
		s := o.open(t)
		var rs []reception.Reading
		for i := range int64(9000) {
			rs = append(rs, reading(loft, t0+i*1000))
		}
		appendTo(t, s, store.Batch{Readings: rs})
		n := 0
		var last error
		for chunk, err := range s.Readings(t.Context(), store.Query{}) {
			if n == 0 {
				must(t, s.Close())
			}
			n += len(chunk)
			last = err
		}
		if !(errors.Is(last, store.ErrClosed) || last == nil && n == len(rs)) {
			t.Errorf("read %d of %d, then %v; want the rest or ErrClosed", n, len(rs), last)
		}
	})

	t.Run("Cancelled", func(t *testing.T) {
		s := o.open(t)
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0)}})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		for name, call := range calls(s) {
			if err := call(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("%s with a cancelled context: got error %v", name, err)
			}
		}
		if got := readings(t, s, store.Query{}); len(got) != 1 {
			t.Errorf("%d readings after a cancelled append, want 1", len(got))
		}
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0+1000)}})
	})

	t.Run("CancelledHalfWay", func(t *testing.T) {
		s := o.open(t)
		var b store.Batch
		for i := range int64(500) {
			b.Readings = append(b.Readings, reading(loft, t0+i*1000))
		}
		b.Weather = oddWeather()
		b.Tallies = []reception.PackedTally{tally(loft, hour0, "i", "a")}
		for looks := range 30 {
			_, err := s.Append(&countdown{t.Context(), looks}, b)
			n := len(readings(t, s, store.Query{})) + len(all(t, s.Weather(t.Context(), store.Always))) +
				len(all(t, s.Tallies(t.Context(), store.Query{})))
			if err == nil {
				if n != len(b.Readings)+len(b.Weather)+1 {
					t.Errorf("append went through and left %d rows", n)
				}
				return
			}
			wantErr(t, "append", err, context.Canceled)
			if n != 0 {
				t.Fatalf("an append that was cancelled at look %d left %d rows", looks, n)
			}
		}
		t.Error("append never went through")
	})

	t.Run("CancelledWhileIterating", func(t *testing.T) {
		s := o.open(t)
		var rs []reception.Reading
		for i := range int64(9000) {
			rs = append(rs, reading(loft, t0+i*1000))
		}
		appendTo(t, s, store.Batch{Readings: rs})
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var last error
		for _, err := range s.Readings(ctx, store.Query{}) {
			cancel()
			last = err
		}
		wantErr(t, "iteration", last, context.Canceled)
	})

	t.Run("Concurrent", func(t *testing.T) { concurrent(t, o) })
}

func reopen(t *testing.T, o Options) {
	dir := t.TempDir()
	rs, ws := oddReadings(), oddWeather()
	ts := []reception.PackedTally{tally(loft, hour0, "i", "a"), tally(loft, hour0, "j", "b"), tally(shed, hour0+1, "i", "c")}
	s := o.openIn(t, dir)
	appendTo(t, s, store.Batch{Readings: rs[:4], Weather: ws, Tallies: ts})
	var last store.Appended
	for i := range rs[4:] { // one by one, as a live intake does
		last = appendTo(t, s, store.Batch{Readings: rs[4+i : 5+i]})
	}
	late := reading(shed, t0-30*86_400_000)
	last = appendTo(t, s, store.Batch{Readings: []reception.Reading{late}})
	last = appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(shed, t0)}, FoldedReadings: true})
	must(t, s.Put(t.Context(), reception.Entry{Kind: "note", Key: "k", Held: 1, Known: 2, Body: []byte("x")}))
	wantSeries, err := s.Series(t.Context())
	must(t, err)
	wantDirty, err := s.Dirty(t.Context(), 100)
	must(t, err)
	wantLedger, err := s.LedgerSeq(t.Context())
	must(t, err)
	must(t, s.Close())

	s = o.openIn(t, dir)
	sameReadings(t, readings(t, s, store.Query{Tuner: "loft"}), rs)
	sameReadings(t, readings(t, s, store.Query{Tuner: "shed"}), []reception.Reading{late, reading(shed, t0)})
	if n := len(all(t, s.Weather(t.Context(), store.Always))); n != len(ws) {
		t.Errorf("%d weather rows after reopen, want %d", n, len(ws))
	}
	sameStrings(t, "tallies after reopen", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))),
		[]string{"0 473 loft i a v1", "0 473 loft j b v1", "1 473 shed i c v1"})
	series, err := s.Series(t.Context())
	must(t, err)
	if !slices.Equal(series, wantSeries) {
		t.Errorf("series after reopen:\n got %+v\nwant %+v", series, wantSeries)
	}
	dirty, err := s.Dirty(t.Context(), 100)
	must(t, err)
	if !slices.Equal(dirty, wantDirty) {
		t.Errorf("dirty hours after reopen:\n got %+v\nwant %+v", dirty, wantDirty)
	}
	seq, err := s.Seq(t.Context())
	must(t, err)
	if seq != last.Seq {
		t.Errorf("change list at %d after reopen, want %d", seq, last.Seq)
	}
	ledger, err := s.LedgerSeq(t.Context())
	must(t, err)
	if ledger != wantLedger {
		t.Errorf("ledger at %d after reopen, want %d", ledger, wantLedger)
	}
	if es := all(t, s.Entries(t.Context(), "note")); len(es) != 1 || string(es[0].Body) != "x" {
		t.Errorf("entries after reopen: %+v", es)
	}
	a := appendTo(t, s, store.Batch{Readings: rs, Weather: ws})
	if a.New != 0 || a.Duplicates != len(rs)+len(ws) {
		t.Errorf("replay after reopen: %+v", a)
	}
	next := appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0+3_600_000)}})
	if next.Seq <= last.Seq {
		t.Errorf("change list went from %d to %d", last.Seq, next.Seq)
	}
}

func changesAfter(t *testing.T, s store.Log, after int64) []store.Change {
	t.Helper()
	got := all(t, s.Changes(t.Context(), after))
	for i, c := range got {
		if c.Seq <= after || i > 0 && c.Seq <= got[i-1].Seq {
			t.Fatalf("change list after %d does not ascend: %+v", after, got)
		}
	}
	return got
}

// changes looks at lines that are fresh, so that no engine has merged them yet.
func changes(t *testing.T, o Options) {
	s := o.open(t)
	appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0)}, FoldedReadings: true})
	hour := func(k reception.Series, h int64) store.Change {
		return store.Change{Series: k, Span: store.Span{From: h * reception.HourMS, To: (h + 1) * reception.HourMS}}
	}
	for _, c := range []struct {
		name string
		b    store.Batch
		want []store.Change
	}{
		{"one reading", store.Batch{Readings: []reception.Reading{reading(loft, t0+1000)}, FoldedReadings: true},
			[]store.Change{{Series: loft, Span: store.Span{From: t0 + 1000, To: t0 + 1001}}}},
		{"two series", store.Batch{Readings: []reception.Reading{reading(loftHi, t0+9000), reading(shed, t0+5000), reading(shed, t0+3000)}},
			[]store.Change{{Series: shed, Span: store.Span{From: t0 + 3000, To: t0 + 5001}}, {Series: loftHi, Span: store.Span{From: t0 + 9000, To: t0 + 9001}}}},
		{"nothing new", store.Batch{Readings: []reception.Reading{reading(loft, t0+1000)}}, nil},
		{"late reading", store.Batch{Readings: []reception.Reading{reading(loft, t0-86_400_000)}},
			[]store.Change{{Series: loft, Span: store.Span{From: t0 - 86_400_000, To: t0 - 86_399_999}}}},
		{"reading with the tally it closes", store.Batch{Readings: []reception.Reading{reading(loft, t0+20_000)}, Tallies: []reception.PackedTally{tally(loft, hour0-1, "i", "x")}},
			[]store.Change{{Series: loft, Span: store.Span{From: t0 - reception.HourMS, To: t0 + 20_001}}}},
		{"rebuilt hour", store.Batch{ReplaceHours: []store.DirtyHour{{Series: loft, Hour: hour0 - 24}}}, []store.Change{hour(loft, hour0-24)}},
		{"tally of a new series", store.Batch{Tallies: []reception.PackedTally{tally(layerA, hour0+5, "i", "x")}}, []store.Change{hour(layerA, hour0+5)}},
		{"weather", store.Batch{Weather: oddWeather()},
			[]store.Change{{Weather: true, Span: store.Span{From: t0 - reception.HourMS, To: t0 + reception.HourMS + 1}}}},
		{"nothing at all", store.Batch{}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, err := s.Seq(t.Context())
			must(t, err)
			a := appendTo(t, s, c.b)
			got := changesAfter(t, s, before)
			if len(got) > 0 && got[len(got)-1].Seq != a.Seq || len(got) == 0 && a.Seq != before {
				t.Errorf("append says the list is at %d; its last lines are %+v", a.Seq, got)
			}
			for i := range got {
				got[i].Seq = 0
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("lines:\n got %+v\nwant %+v", got, c.want)
			}
		})
	}
}

// resume checks that from any sequence on, the list covers all that was stored after
// it, also when the engine merged lines, and after a reopen.
func resume(t *testing.T, o Options) {
	dir := t.TempDir()
	s := o.openIn(t, dir)
	type mark struct {
		seq int64
		r   reception.Reading
	}
	var marks []mark
	put := func(k reception.Series, ms int64) {
		r := reading(k, ms)
		marks = append(marks, mark{appendTo(t, s, store.Batch{Readings: []reception.Reading{r}, FoldedReadings: true}).Seq, r})
	}
	check := func(what string, step int) {
		t.Helper()
		for i := 0; i < len(marks); i += step {
			lines := changesAfter(t, s, marks[i].seq)
			for _, m := range marks[i+1:] {
				if !slices.ContainsFunc(lines, func(c store.Change) bool {
					return c.Series == m.r.Series() && c.From <= m.r.Time && c.To > m.r.Time && c.Seq >= m.seq
				}) {
					t.Fatalf("%s: after %d nothing covers the reading of %d stored at %d", what, marks[i].seq, m.r.Time, m.seq)
				}
			}
			if i == len(marks)-1 && len(lines) != 0 {
				t.Errorf("%s: after the last sequence there are %d lines", what, len(lines))
			}
		}
	}
	for i := range int64(300) {
		put([]reception.Series{loft, shed, loftHi}[i%3], t0+i*1000)
	}
	check("at once", 13)
	put(loft, t0-86_400_000) // late: engines may now write down what was pending
	for i := range int64(100) {
		put([]reception.Series{loft, shed, loftHi}[i%3], t0+1_000_000+i*1000)
	}
	check("after a late reading", 13)
	if o.Forgets {
		return
	}
	must(t, s.Close())
	s = o.openIn(t, dir)
	check("after reopen", 1)
}

func dirtyHours(t *testing.T, s store.Log) []string {
	t.Helper()
	ds, err := s.Dirty(t.Context(), 1000)
	must(t, err)
	var out []string
	for _, d := range ds {
		out = append(out, fmt.Sprintf("%d %d %s%s", d.Hour-hour0, d.FrequencyHz/1e6, d.Layer, d.Tuner))
	}
	return out
}

func dirty(t *testing.T, o Options) {
	s := o.open(t)
	appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loftHi, t0+5)}, FoldedReadings: true})
	sameStrings(t, "readings that are folded", dirtyHours(t, s), nil)
	appendTo(t, s, store.Batch{Readings: []reception.Reading{
		reading(loftHi, t0), reading(loft, t0+reception.HourMS-1), reading(loft, t0+reception.HourMS), reading(shed, t0), reading(loft, t0-1)}})
	want := []string{"-1 473 loft", "0 473 loft", "0 473 shed", "0 569 loft", "1 473 loft"}
	sameStrings(t, "oldest first", dirtyHours(t, s), want)
	two, err := s.Dirty(t.Context(), 2)
	must(t, err)
	if len(two) != 2 || two[0].Hour != hour0-1 {
		t.Errorf("Dirty(2) = %+v", two)
	}
	none, err := s.Dirty(t.Context(), 0)
	must(t, err)
	if len(none) != 0 {
		t.Errorf("Dirty(0) = %+v", none)
	}
	for _, d := range two {
		if d.Seq <= 0 {
			t.Errorf("dirty hour without a sequence: %+v", d)
		}
	}
	appendTo(t, s, store.Batch{Settled: two})
	sameStrings(t, "after two were settled", dirtyHours(t, s), want[2:])
	// Readings that are there already touch nothing.
	appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0-1)}})
	sameStrings(t, "after a duplicate", dirtyHours(t, s), want[2:])
}

// settled plays the races of a rebuild: whatever touches an hour after Dirty gave it
// keeps it dirty.
func settled(t *testing.T, o Options) {
	mark := func(t *testing.T, s store.Log) store.DirtyHour {
		t.Helper()
		ds, err := s.Dirty(t.Context(), 10)
		must(t, err)
		if len(ds) != 1 {
			t.Fatalf("dirty hours: %+v, want one", ds)
		}
		return ds[0]
	}
	rebuilt := func(d store.DirtyHour, body string) store.Batch {
		return store.Batch{Tallies: []reception.PackedTally{tally(loft, d.Hour, "i", body)},
			ReplaceHours: []store.DirtyHour{d}, Settled: []store.DirtyHour{d}}
	}
	start := func(t *testing.T) (Store, store.DirtyHour) {
		s := o.open(t)
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0)}})
		return s, mark(t, s)
	}
	t.Run("Undisturbed", func(t *testing.T) {
		s, d := start(t)
		appendTo(t, s, rebuilt(d, "a"))
		sameStrings(t, "dirty", dirtyHours(t, s), nil)
	})
	t.Run("NewReading", func(t *testing.T) {
		s, d := start(t)
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0+1000)}})
		appendTo(t, s, rebuilt(d, "a"))
		if later := mark(t, s); later.Seq <= d.Seq {
			t.Errorf("mark has sequence %d, want later than %d", later.Seq, d.Seq)
		}
		appendTo(t, s, rebuilt(mark(t, s), "b"))
		sameStrings(t, "dirty", dirtyHours(t, s), nil)
		sameStrings(t, "tallies", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), []string{"0 473 loft i b v1"})
	})
	t.Run("NewReadingInTheSameBatch", func(t *testing.T) {
		s, d := start(t)
		b := rebuilt(d, "a")
		b.Readings = []reception.Reading{reading(loft, t0+1000)}
		appendTo(t, s, b)
		if later := mark(t, s); later.Seq <= d.Seq {
			t.Errorf("mark has sequence %d, want later than %d", later.Seq, d.Seq)
		}
	})
	t.Run("Touched", func(t *testing.T) {
		s, d := start(t)
		must(t, s.Touch(t.Context(), store.Query{}))
		appendTo(t, s, rebuilt(d, "a"))
		mark(t, s)
	})
	t.Run("OtherHour", func(t *testing.T) {
		s, d := start(t)
		other := d
		other.Hour++
		unknown := d
		unknown.Tuner = "cellar"
		appendTo(t, s, store.Batch{Settled: []store.DirtyHour{other, unknown}})
		mark(t, s)
	})
}

func touch(t *testing.T, o Options) {
	s := o.open(t)
	for _, k := range []reception.Series{loft, shed, loftHi} {
		appendTo(t, s, store.Batch{FoldedReadings: true, Readings: []reception.Reading{
			reading(k, t0+1), reading(k, t0+reception.HourMS), reading(k, t0+30*reception.HourMS)}})
	}
	appendTo(t, s, store.Batch{Tallies: []reception.PackedTally{tally(loft, hour0+7, "i", "x"), tally(loft, hour0+30, "i", "y")}})
	layer := ""
	for _, c := range []struct {
		name string
		q    store.Query
		want []string
	}{
		{"nothing there", store.Query{Tuner: "cellar"}, nil},
		{"overlapped hours", store.Query{Tuner: "shed", Span: store.Span{From: t0 + reception.HourMS - 1, To: t0 + reception.HourMS}}, []string{"0 473 shed"}},
		{"one ms of the next", store.Query{Tuner: "shed", Span: store.Span{From: t0 + reception.HourMS - 1, To: t0 + reception.HourMS + 1}},
			[]string{"0 473 shed", "1 473 shed"}},
		{"hours with tallies alone", store.Query{Tuner: "loft", FrequencyHz: 473e6, Layer: &layer, Span: store.Span{From: t0 + 2*reception.HourMS, To: t0 + 99*reception.HourMS}},
			[]string{"7 473 loft", "30 473 loft"}},
		{"everything", store.Query{}, []string{"0 473 loft", "0 473 shed", "0 569 loft", "1 473 loft", "1 473 shed", "1 569 loft", "7 473 loft",
			"30 473 loft", "30 473 shed", "30 569 loft"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, err := s.Seq(t.Context())
			must(t, err)
			must(t, s.Touch(t.Context(), c.q))
			lines := changesAfter(t, s, before)
			if len(lines) == 0 {
				t.Fatal("no line in the change list")
			}
			last := lines[len(lines)-1]
			if last.Tuner != c.q.Tuner || last.FrequencyHz != c.q.FrequencyHz || last.Span != c.q.Span || last.Weather {
				t.Errorf("line %+v of query %+v", last, c.q)
			}
			seq, err := s.Seq(t.Context())
			must(t, err)
			if seq != last.Seq {
				t.Errorf("Seq = %d, want %d", seq, last.Seq)
			}
			sameStrings(t, "dirty", dirtyHours(t, s), c.want)
			ds, err := s.Dirty(t.Context(), 1000)
			must(t, err)
			for _, d := range ds {
				if d.Seq <= before {
					t.Errorf("mark %+v is older than the touch", d)
				}
			}
			appendTo(t, s, store.Batch{Settled: ds})
		})
	}
}

// snapshots checks that an iterator shows what was there when it began.
func snapshots(t *testing.T, o Options) {
	s := o.open(t)
	var rs []reception.Reading
	for i := range int64(5000) {
		rs = append(rs, reading(loft, t0+i*1000))
	}
	appendTo(t, s, store.Batch{Readings: rs, Weather: oddWeather()})
	n, round := 0, int64(0)
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		must(t, err)
		n += len(chunk)
		round++
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(loft, t0+9_000_000+round), reading(shed, t0+round)}})
	}
	if n != len(rs) {
		t.Errorf("iterator yielded %d readings, want the %d of its beginning", n, len(rs))
	}
	n = 0
	for _, err := range s.Weather(t.Context(), store.Always) {
		must(t, err)
		n++
		w := reception.NewWeather()
		w.Time, w.Source = t0+10*reception.HourMS+int64(n), "roof"
		appendTo(t, s, store.Batch{Weather: []reception.Weather{w}})
	}
	if n != len(oddWeather()) {
		t.Errorf("iterator yielded %d weather rows, want the %d of its beginning", n, len(oddWeather()))
	}
}

// concurrent has several writers and readers at once. Each batch holds a pair of
// readings at one instant; no reader may ever see half of it.
func concurrent(t *testing.T, o Options) {
	s := o.open(t)
	const writers, batches = 4, 40
	var writing, watching sync.WaitGroup
	stop := make(chan struct{})
	for w := range int64(writers) {
		writing.Go(func() {
			for i := range int64(batches) {
				at := t0 + (i*writers+w)*1000
				_, err := s.Append(t.Context(), store.Batch{Readings: []reception.Reading{reading(loft, at), reading(shed, at)}})
				if err == nil {
					err = s.Put(t.Context(), reception.Entry{Kind: "note", Key: fmt.Sprint(w), Held: i, Known: i})
				}
				if err != nil {
					t.Errorf("writer %d: %v", w, err)
					return
				}
			}
		})
	}
	for range 2 {
		watching.Go(func() {
			for {
				count := map[string]int{}
				for chunk, err := range s.Readings(t.Context(), store.Query{}) {
					if err != nil {
						t.Error(err)
						return
					}
					count[chunk[0].Tuner] += len(chunk)
				}
				if count["loft"] != count["shed"] {
					t.Errorf("a snapshot shows %v", count)
					return
				}
				_, err1 := s.Series(t.Context())
				_, err2 := s.Dirty(t.Context(), 10)
				if err := errors.Join(err1, err2, lastErr(s.Changes(t.Context(), 0)), lastErr(s.Entries(t.Context(), "note"))); err != nil {
					t.Error(err)
					return
				}
				select {
				case <-stop:
					return
				default:
				}
			}
		})
	}
	writing.Wait()
	close(stop)
	watching.Wait()
	if n := len(readings(t, s, store.Query{})); n != 2*writers*batches {
		t.Errorf("%d readings, want %d", n, 2*writers*batches)
	}
	if n := len(all(t, s.History(t.Context(), "note"))); n != writers*batches {
		t.Errorf("%d entries, want %d", n, writers*batches)
	}
}

// A countdown is a context that is cancelled once it was looked at often enough.
type countdown struct {
	context.Context
	looks int
}

func (c *countdown) Err() error {
	if c.looks--; c.looks < 0 {
		return context.Canceled
	}
	return nil
}
