package intake

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A lostKey names an hour of a series of which readings were dropped.
type lostKey struct {
	reception.Series
	hour int64
}

// wait keeps readings in memory until the disk has room, and says so once.
func (in *Intake) wait(rs []reception.Reading) {
	if !in.full {
		in.full = true
		in.o.Logger.Error("the disk is full: readings are kept in memory; free some space", "waiting", len(rs), "at_most", maxWaiting)
	}
	in.keep(rs)
}

// keep keeps readings in memory. The oldest are dropped when there are too many, and
// leave a note that they were not measured.
func (in *Intake) keep(rs []reception.Reading) {
	drop := max(len(rs)-maxWaiting, 0)
	for i := range rs[:drop] {
		in.drop(&rs[i])
	}
	in.waiting = slices.Clone(rs[drop:])
}

func (in *Intake) drop(r *reception.Reading) {
	in.counts.Dropped++
	k := lostKey{r.Series(), tally.HourOf(r.Time)}
	n, ok := in.lost[k]
	if !ok {
		blank := reception.NewReading()
		blank.Time, blank.Tuner, blank.FrequencyHz, blank.Layer = r.Time, r.Tuner, r.FrequencyHz, r.Layer
		blank.Why = reception.WhyOther
		n = &blank
		in.lost[k] = n
	}
	if r.Visit == reception.VisitBase {
		n.DwellMS = min(n.DwellMS+r.DwellMS, reception.HourMS)
	}
}

// roomAgain notes that the disk has room, and stores what tells of dropped readings.
func (in *Intake) roomAgain(ctx context.Context) {
	if !in.full && len(in.lost) == 0 {
		return
	}
	notes := slices.SortedFunc(maps.Values(in.lost), func(a, b *reception.Reading) int {
		return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.FrequencyHz, b.FrequencyHz), cmp.Compare(a.Layer, b.Layer), cmp.Compare(a.Tuner, b.Tuner))
	})
	rs := make([]reception.Reading, len(notes))
	for i, n := range notes {
		rs[i] = *n
	}
	stored, err := in.storeAll(ctx, rs)
	for _, n := range notes[:stored] {
		delete(in.lost, lostKey{n.Series(), tally.HourOf(n.Time)})
	}
	if err != nil { // the next call tries again
		return
	}
	if !in.full {
		return
	}
	in.full = false
	in.o.Logger.Info("the disk has room again: all waiting readings are stored", "dropped", in.counts.Dropped)
}
