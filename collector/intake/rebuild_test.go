package intake

import (
	"encoding/json"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

func (b *bench) intervals() map[int64]int64 {
	b.t.Helper()
	out := map[int64]int64{}
	for e, err := range b.store.Entries(b.t.Context(), KindBaseInterval) {
		b.must(err)
		var x intervalBody
		b.must(json.Unmarshal(e.Body, &x))
		out[(e.Held-week0)/weekMS] = x.IntervalMS
	}
	return out
}

func TestTheBaseIntervalIsTheWeeksMedianSpacing(t *testing.T) {
	b := newBench(t, 0)
	all := schedule(week0, week0+weekMS, 15*minute)
	all = append(all, schedule(week0+weekMS, week0+2*weekMS, 7*minute)...)
	all = append(all, row(week0+3*weekMS, nil)) // alone: the plain schedule's
	_, err := b.in.Import(t.Context(), seq(all), nil)
	b.must(err)
	got := b.intervals()
	if got[0] != 15*minute || got[1] != 7*minute || got[3] != 5*minute || len(got) != 3 {
		t.Errorf("intervals by week %v, want 15, 7 and 5 minutes", got)
	}
	p := b.tallies()[100]
	k, err := tally.Unpack(p)
	b.must(err)
	if k.Tally.Visits != 4 || k.Tally.StoodMS != hour {
		t.Errorf("tally %+v, want four visits that stand for an hour", k.Tally)
	}
}

func TestALiveWeekKeepsItsScheduleUnlessVisitsWereOther(t *testing.T) {
	// Visits 3 s off the schedule: nothing is made again when the week is over.
	b := newBench(t, 300*second)
	b.add(schedule(week0, week0+6*hour, 303*second)...)
	b.now = week0 + weekMS + hour
	b.must(b.in.CloseHours(t.Context(), b.now))
	if d, _ := b.store.Dirty(t.Context(), 10); len(d) != 0 || b.intervals()[0] != 300*second {
		t.Errorf("dirty %v, intervals %v; want none and the schedule's", d, b.intervals())
	}
	// A tuner that was stretched to half the visits: the week is made again.
	b = newBench(t, 300*second)
	all := schedule(week0, week0+6*hour, 600*second)
	b.add(all...)
	b.now = week0 + weekMS + hour
	b.must(b.in.CloseHours(t.Context(), b.now))
	if d, _ := b.store.Dirty(t.Context(), 10); len(d) != 6 || b.intervals()[0] != 600*second {
		t.Errorf("dirty %v, intervals %v; want six hours and 600 s", d, b.intervals())
	}
	b.finish()
	same(t, b, imported(t, all))
}

func TestABackdatedInstallationMovesHours(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+12*hour, 300*second)
	b.now = week0 + 2*weekMS
	_, err := b.in.Import(t.Context(), seq(all), nil)
	b.must(err)
	seq0, _ := b.store.Seq(t.Context())
	b.install(week0+6*hour+30*minute, "loft", "mast")
	b.install(week0, "den", "other tuner's")
	b.must(b.in.InstallationsChanged(t.Context()))
	dirty, err := b.store.Dirty(t.Context(), 100)
	b.must(err)
	if len(dirty) != 6 || dirty[0].Hour != tally.HourOf(week0+6*hour) {
		t.Fatalf("dirty %+v, want the six hours from the change on", dirty)
	}
	b.must(b.in.Rebuild(t.Context()))
	var before, after, both int
	for _, p := range b.tallies() {
		switch {
		case p.Regime.Installation == "mast" && p.Hour == tally.HourOf(week0+6*hour):
			both++
		case p.Regime.Installation == "mast":
			after++
		default:
			before++
		}
	}
	if before != 7 || both != 1 || after != 5 {
		t.Errorf("%d tallies before, %d in the hour, %d after; want 7, 1, 5", before, both, after)
	}
	seq1, _ := b.store.Seq(t.Context())
	b.must(b.in.InstallationsChanged(t.Context()))
	if seq2, _ := b.store.Seq(t.Context()); seq2 != seq1 || seq1 == seq0 {
		t.Errorf("sequence %d, %d, %d: telling it twice must do nothing", seq0, seq1, seq2)
	}
}

func TestTalliesOfAnotherVersionAreMadeAgain(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+3*hour, 300*second)
	b.now = week0 + 2*weekMS
	_, err := b.in.Import(t.Context(), seq(all), nil)
	b.must(err)
	want := b.tallies()
	old := make([]reception.PackedTally, len(want))
	copy(old, want)
	for i := range old {
		old[i].Version, old[i].Body = tally.Version-1, []byte("of old")
	}
	_, err = b.store.Append(t.Context(), store.Batch{Tallies: old})
	b.must(err)
	body, err := json.Marshal(tallied{Version: tally.Version - 1})
	b.must(err)
	b.now += hour
	b.must(b.store.Put(t.Context(), reception.Entry{Kind: KindTallied, Key: "tallies", Known: b.now, Body: body}))
	b.reopen()
	got := b.tallies()
	for i := range want {
		if got[i].Version != tally.Version || string(got[i].Body) != string(want[i].Body) {
			t.Fatalf("tally %d is %+v, want %+v", i, got[i], want[i])
		}
	}
}

func TestAScaleDescribedLate(t *testing.T) {
	b := newBench(t, 300*second)
	all := schedule(week0, week0+2*hour, 300*second)
	for i := range all {
		all[i].CNDB, all[i].QualityPct, all[i].Scale = reception.NewReading().CNDB, 81, "maker"
	}
	b.now = week0 + 2*weekMS
	_, err := b.in.Import(t.Context(), seq(all), nil)
	b.must(err)
	b.must(b.store.Put(t.Context(), reception.Entry{Kind: reception.KindScale, Key: "maker", Known: b.now, Body: []byte(`{"ID":"maker","Unit":"pct"}`)}))
	b.must(b.in.Rebuild(t.Context()))
	for _, p := range b.tallies() {
		k, err := tally.Unpack(p)
		b.must(err)
		if len(k.Tally.CN) != 1 || k.Tally.CN[0].Bin != 81 {
			t.Errorf("tally %+v, want all visits at 81 per cent", k.Tally)
		}
	}
}

func TestDenseWeeksAreMadeInPieces(t *testing.T) {
	b := newBench(t, 2*second)
	all := schedule(week0+weekMS-57*hour, week0+weekMS+3*hour, 2*second) // the first week is as much as is made together
	if n := 57 * 1800; n < rowsAtOnce {
		t.Fatalf("%d rows are too few for this test", n)
	}
	b.now = week0 + 3*weekMS
	_, err := b.in.Import(t.Context(), seq(all), nil)
	b.must(err)
	want := b.tallies()
	b.must(b.store.Touch(t.Context(), store.Query{}))
	b.must(b.in.Rebuild(t.Context()))
	if dirty, err := b.store.Dirty(t.Context(), 1); len(dirty) > 0 || err != nil {
		t.Errorf("still dirty: %+v, %v", dirty, err)
	}
	got := b.tallies()
	if len(got) != 60 || len(want) != 60 {
		t.Fatalf("%d tallies, before %d, want 60", len(got), len(want))
	}
	for i := range want {
		if string(got[i].Body) != string(want[i].Body) {
			t.Errorf("tally %d came out otherwise", i)
		}
	}
}
