package intake

import (
	"errors"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

func (b *bench) readings() []reception.Reading {
	b.t.Helper()
	var out []reception.Reading
	for chunk, err := range b.store.Readings(b.t.Context(), store.Query{}) {
		b.must(err)
		out = append(out, chunk...)
	}
	return out
}

func (b *bench) add(rs ...reception.Reading) {
	b.t.Helper()
	for _, r := range rs {
		b.now = max(b.now, r.Time+6*second)
		b.must(b.in.Add(b.t.Context(), []reception.Reading{r}))
	}
}

// imported returns a bench that was given all by one import, long after.
func imported(t *testing.T, all []reception.Reading) *bench {
	t.Helper()
	slices.SortStableFunc(all, func(a, b reception.Reading) int { return int(a.Time - b.Time) })
	w := newBench(t, 300*second)
	w.now = week0 + 30*24*hour
	_, err := w.in.Import(t.Context(), seq(all), nil)
	w.must(err)
	return w
}

func TestAnHourIsStoredWithTheReadingThatClosesIt(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0+second*7, week0+hour, 300*second)
	b.add(all...)
	if n := len(b.tallies()); n != 0 {
		t.Fatalf("%d tallies stored while the hour is open, want none", n)
	}
	open := b.in.OpenTallies()
	if len(open) != 1 || open[0].Tally.Visits != 12 {
		t.Fatalf("open tallies %+v, want one of 12 visits", open)
	}
	next := row(week0+hour+20*second, nil)
	b.add(next)
	if n := len(b.tallies()); n != 1 {
		t.Fatalf("%d tallies after the hour's end, want 1", n)
	}
	if open := b.in.OpenTallies(); len(open) != 1 || open[0].Key.Hour != tally.HourOf(next.Time) {
		t.Fatalf("open tallies %+v, want the new hour's", open)
	}
	if d, _ := b.store.Dirty(t.Context(), 10); len(d) != 1 || d[0].Hour != tally.HourOf(next.Time) {
		t.Fatalf("dirty %+v, want the open hour alone", d)
	}
	// No reading follows: the clock closes the hour.
	b.must(b.in.CloseHours(t.Context(), week0+2*hour+14*minute))
	if n := len(b.tallies()); n != 1 {
		t.Fatalf("%d tallies 14 minutes after the end, want still 1: a visit may follow", n)
	}
	b.must(b.in.CloseHours(t.Context(), week0+2*hour+15*minute))
	if n := len(b.tallies()); n != 2 {
		t.Fatalf("%d tallies 15 minutes after the end, want 2", n)
	}
	b.finish()
	same(t, b, imported(t, append(all, next)))
}

func TestClockStepsBackAnHour(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+3*hour, 300*second)
	b.add(all...)
	// An hour again, 100 s beside the first; then on the very seconds of the first.
	beside := schedule(week0+2*hour+100*second, week0+3*hour, 300*second)
	b.add(beside...)
	again := schedule(week0+2*hour, week0+2*hour+20*minute, 300*second)
	for i := range again {
		again[i].CNDB = 19.9
	}
	b.add(again...)
	if got, want := len(b.readings()), len(all)+len(beside)+len(again); got != want {
		t.Fatalf("%d readings stored, want all %d", got, want)
	}
	c := b.in.Counts()
	if c.Moved != int64(len(again)) || c.Rejected != 0 {
		t.Errorf("moved %d, rejected %d; want %d moved to the next free second", c.Moved, c.Rejected, len(again))
	}
	b.finish()
	for i := range again {
		again[i].Time += second
	}
	same(t, b, imported(t, slices.Concat(all, beside, again)))
}

// The clock goes forward a day, measures there for an hour, and is set right again:
// what came under the wrong time stays where it was stamped, and every hour ends as one
// import of all would have it.
func TestClockStepsForwardADayAndBack(t *testing.T) {
	b := newBench(t, 300*second)
	before := schedule(week0, week0+3*hour, 300*second)
	wrong := schedule(week0+27*hour, week0+28*hour, 300*second)
	after := schedule(week0+3*hour, week0+30*hour, 300*second)
	for i := range after { // later on the same seconds as the wrong ones
		after[i].CNDB = 19.9
	}
	b.add(before...)
	b.add(wrong...)
	for i, r := range after {
		b.now = r.Time + 6*second // the clock on the wall
		b.must(b.in.Add(t.Context(), []reception.Reading{r}))
		if i%50 == 0 {
			b.must(b.in.CloseHours(t.Context(), b.now))
			b.must(b.in.Rebuild(t.Context()))
		}
	}
	got := b.readings()
	if want := len(before) + len(wrong) + len(after); len(got) != want {
		t.Fatalf("%d readings stored, want all %d", len(got), want)
	}
	if c := b.in.Counts(); c.Rejected != 0 || c.Moved != int64(len(wrong)) {
		t.Errorf("moved %d, rejected %d; want %d moved to the next free second", c.Moved, c.Rejected, len(wrong))
	}
	b.finish()
	same(t, b, imported(t, got))
}

func TestAClosedHourIsMadeAgain(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+6*hour, 300*second)
	b.add(all...)
	late := row(week0+90*minute+second, func(r *reception.Reading) { r.Locked, r.CNDB = false, math.NaN() })
	taken := row(week0+30*minute, func(r *reception.Reading) { r.CNDB = 17 })
	b.add(late, taken)
	if d, _ := b.store.Dirty(t.Context(), 10); len(d) < 2 {
		t.Fatalf("dirty %+v, want the hours of the late readings", d)
	}
	if c := b.in.Counts(); c.Late != 2 || c.Moved != 1 {
		t.Errorf("counts %+v, want two late and one moved", c)
	}
	b.finish()
	taken.Time += second
	same(t, b, imported(t, append(all, late, taken)))
}

func TestARestartOpensTheHourAgain(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+hour+25*minute, 300*second)
	b.add(all...)
	before := b.in.OpenTallies()
	b.reopen()
	after := b.in.OpenTallies()
	if len(after) != 1 || len(before) != 1 || string(tally.Pack(before[0]).Body) != string(tally.Pack(after[0]).Body) {
		t.Fatalf("open tallies after a restart %+v, want %+v", after, before)
	}
	if n := len(b.tallies()); n != 1 {
		t.Fatalf("%d tallies stored, want the closed hour's", n)
	}
}

func TestKilledBetweenReadingAndTally(t *testing.T) {
	// Written as if the program had been killed after readings were appended that an
	// intake had in memory, over several hours, and no tally was stored.
	b := newBench(t, 300*second)
	all := schedule(week0, week0+5*hour, 300*second)
	for i, r := range all {
		_, err := b.store.Store.Append(t.Context(), store.Batch{Readings: all[i : i+1], FoldedReadings: r.Time%hour != 0})
		b.must(err)
	}
	b.now = week0 + 5*hour
	b.reopen()
	if n := len(b.tallies()); n != 4 {
		t.Errorf("%d tallies after Recover, want those of four hours; the fifth is open", n)
	}
	b.finish()
	same(t, b, imported(t, all))
}

func TestWhatCannotBeTrue(t *testing.T) {
	b := newBench(t, 300*second)
	b.add(
		row(week0, func(r *reception.Reading) { r.CNDB = 655.35 }),
		row(week0+minute, func(r *reception.Reading) { r.Why = "sulking" }),
		row(week0+2*minute, func(r *reception.Reading) { r.DwellMS = -4 }),
		row(week0+3*minute, nil),
	)
	b.must(b.in.Add(t.Context(), []reception.Reading{row(12345, nil), row(week0+4*minute, func(r *reception.Reading) { r.Tuner = "" })}))
	got := b.readings()
	if len(got) != 4 {
		t.Fatalf("%d readings stored, want 4: what has a place is kept as a failed visit", len(got))
	}
	for _, r := range got[:3] {
		if r.Why != reception.WhyFailing || r.Locked || !math.IsNaN(r.CNDB) {
			t.Errorf("stored %+v, want a visit that failed", r)
		}
	}
	c := b.in.Counts()
	if c.Rejected != 5 || !strings.Contains(c.LastReject, "the tuner has no name") {
		t.Errorf("counts %+v, want 5 rejected and the last reason", c)
	}
}

func TestChannelsAreKeyedByTheRaster(t *testing.T) {
	b := newBench(t, 300*second)
	b.in.o.Region = reception.RegionUS
	b.add(row(week0, func(r *reception.Reading) { r.FrequencyHz = 605e6 + 120e3 }))
	if r := b.readings()[0]; r.FrequencyHz != 605e6 || r.TunedHz != 605e6+120e3 {
		t.Errorf("stored %d Hz, tuned %d; want 605000000, tuned 605120000", r.FrequencyHz, r.TunedHz)
	}
}

func TestDiskFull(t *testing.T) {
	b := newBench(t, 300*second)
	var log strings.Builder
	b.in.o.Logger = slog.New(slog.NewTextHandler(&log, nil))
	b.add(row(week0, nil))
	b.store.left, b.store.err = 0, store.ErrFull
	all := schedule(week0+minute, week0+minute+(maxWaiting+7)*second, second)
	for chunk := range slices.Chunk(all, 500) {
		b.must(b.in.Add(t.Context(), chunk))
	}
	if n := strings.Count(log.String(), "disk is full"); n != 1 {
		t.Errorf("said %d times that the disk is full, want once", n)
	}
	if c := b.in.Counts(); c.Waiting != maxWaiting || c.Dropped != 7 {
		t.Errorf("counts %+v, want %d waiting, 7 dropped", c, maxWaiting)
	}
	b.store.left = -1
	b.now = week0 + 4*hour
	b.must(b.in.CloseHours(t.Context(), b.now))
	got := b.readings()
	// The first row, a note for the seven dropped, and all that waited.
	if len(got) != 1+1+maxWaiting {
		t.Fatalf("%d readings stored, want %d", len(got), 2+maxWaiting)
	}
	if r := got[1]; r.Why != reception.WhyOther || r.DwellMS != 7*5*second || r.Time != all[0].Time {
		t.Errorf("note %+v, want 35 s not measured from %d", r, all[0].Time)
	}
	if c := b.in.Counts(); c.Waiting != 0 || c.Added != int64(len(got)) || !strings.Contains(log.String(), "room again") {
		t.Errorf("counts %+v, log %q", c, log.String())
	}
	b.finish()
	same(t, b, imported(t, got))
}

func TestAnotherFaultOfTheStoreIsReturned(t *testing.T) {
	b := newBench(t, 300*second)
	b.add(row(week0, nil))
	b.store.left, b.store.err = 0, errCrash
	if err := b.in.Add(t.Context(), []reception.Reading{row(week0+minute, nil)}); !errors.Is(err, errCrash) {
		t.Fatalf("Add = %v, want the store's error", err)
	}
	b.store.left = -1
	b.add(row(week0+minute, nil))
	if n := len(b.readings()); n != 2 {
		t.Errorf("%d readings, want 2", n)
	}
}
