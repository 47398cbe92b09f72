package intake

import (
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// What waits for room on a full disk outlives a change of rules.
func TestRenewKeepsWhatWaits(t *testing.T) {
	b := newBench(t, 300*second)
	b.add(row(week0, nil))
	b.store.left, b.store.err = 0, store.ErrFull
	all := schedule(week0+minute, week0+11*minute, minute)
	b.must(b.in.Add(t.Context(), all))
	b.in.Renew(func(reception.Series) tally.Rules { return tally.Rules{BaseIntervalMS: 600 * second} }, "us")
	if c := b.in.Counts(); c.Waiting != int64(len(all)) {
		t.Errorf("%d readings wait after new rules, want %d", c.Waiting, len(all))
	}
	b.store.left = -1
	b.must(b.in.Recover(t.Context()))
	b.must(b.in.CloseHours(t.Context(), week0+20*minute))
	if n := len(b.readings()); n != 1+len(all) {
		t.Errorf("%d readings stored, want %d", n, 1+len(all))
	}
}

func TestCloseStoresOrCountsWhatWaits(t *testing.T) {
	b := newBench(t, 300*second)
	b.add(row(week0, nil))
	b.store.left, b.store.err = 0, store.ErrFull
	b.must(b.in.Add(t.Context(), schedule(week0+minute, week0+11*minute, minute)))
	if err := b.in.Close(t.Context()); err == nil || !strings.Contains(err.Error(), "10 readings") || !strings.Contains(err.Error(), "lost") {
		t.Errorf("Close on a full disk = %v, want that 10 readings are lost", err)
	}
	b.store.left = -1
	b.must(b.in.Close(t.Context()))
	if n := len(b.readings()); n != 11 {
		t.Errorf("%d readings stored, want 11", n)
	}
}
