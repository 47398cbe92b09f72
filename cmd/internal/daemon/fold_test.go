package daemon

import (
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/memstore"
)

// Readings that follow on a history have its last hours made again; that is not
// another history, over which alarms would have to be replayed. Earlier hours are.
func TestWhatChangesHistory(t *testing.T) {
	t.Parallel()
	const until = 500000*reception.HourMS + 59*60000
	log := memstore.New()
	f := &folder{log: log}
	seq := func() int64 {
		t.Helper()
		n, err := f.historySeq(t.Context(), until)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	touch := func(from, to int64) {
		t.Helper()
		if err := log.Touch(t.Context(), store.Query{Span: store.Span{From: from, To: to}, Tuner: "attic", FrequencyHz: 545e6}); err != nil {
			t.Fatal(err)
		}
	}
	touch(until-100*dayMS, until-99*dayMS)
	was := seq()
	if was == 0 {
		t.Fatal("a change of days long before is no change of history")
	}
	touch(until-69*60000, until-59*60000) // what the hour before shares with the open one
	touch(until, until+reception.HourMS)
	if n := seq(); n != was {
		t.Errorf("readings that follow moved the history from %d to %d", was, n)
	}
	touch(until-dayMS, until)
	if n := seq(); n <= was {
		t.Errorf("a change of the day before left the history at %d", n)
	}
}
