package intake

import (
	"context"
	"fmt"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// Sizes of a rebuild: hours taken from the log's list at once, and readings of a
// week and its surroundings that are kept in memory together.
const (
	hoursAtOnce = 4096
	rowsAtOnce  = 40000
)

// padMS is how far around its hours a rebuild reads: neighbours within the longest
// carry (three base intervals of an hour each), and their own carry.
const padMS = 8 * reception.HourMS

// Rebuild makes the tallies of all dirty hours again, with those of the neighbours
// that look into them, until none is left but open ones.
func (in *Intake) Rebuild(ctx context.Context) error {
	if err := in.InstallationsChanged(ctx); err != nil {
		return err
	}
	for {
		more, err := in.rebuildSome(ctx)
		if err != nil {
			return fmt.Errorf("rebuild tallies: %w", err)
		}
		if !more {
			return nil
		}
	}
}

func (in *Intake) rebuildSome(ctx context.Context) (bool, error) {
	dirty, err := in.closedDirty(ctx)
	if err != nil {
		return false, err
	}
	bySeries := map[reception.Series][]int64{}
	for _, d := range dirty {
		bySeries[d.Series] = append(bySeries[d.Series], d.Hour)
	}
	for _, s := range sortedSeries(bySeries) {
		hours := bySeries[s]
		slices.Sort(hours)
		for len(hours) > 0 {
			week := weekOf(hours[0] * reception.HourMS)
			n := 1
			for n < len(hours) && weekOf(hours[n]*reception.HourMS) == week {
				n++
			}
			if err := in.rebuildWeek(ctx, s, week, hours[:n]); err != nil {
				return false, err
			}
			hours = hours[n:]
		}
	}
	return len(dirty) > 0, nil
}

// closedDirty lists dirty hours that are not open.
func (in *Intake) closedDirty(ctx context.Context) ([]store.DirtyHour, error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return nil, err
	}
	open := 0
	for _, l := range in.lives {
		open += len(l.marked)
	}
	dirty, err := in.log.Dirty(ctx, hoursAtOnce+open)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(dirty, func(d store.DirtyHour) bool {
		l, ok := in.lives[d.Series]
		return ok && d.Hour >= l.open
	}), nil
}

// rebuildWeek makes hours of one week of a series again. Readings that come in the
// meantime wait no longer than that.
func (in *Intake) rebuildWeek(ctx context.Context, s reception.Series, week int64, hours []int64) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	begin, end := weekStart(week), weekStart(week+1)
	var sp spacing
	var rows []reception.Reading
	dense := false
	for chunk, err := range in.log.Readings(ctx, of(s, begin-padMS, end+padMS)) {
		if err != nil {
			return err
		}
		for i := range chunk {
			if t := chunk[i].Time; t >= begin && t < end {
				sp.add(&chunk[i])
			}
		}
		if dense = dense || len(rows)+len(chunk) > rowsAtOnce; dense {
			rows = nil
			continue
		}
		rows = append(rows, chunk...)
	}
	schedule, now := in.o.Rules(s).BaseIntervalMS, in.now()
	if over(week, schedule, now) {
		changed, err := in.decide(ctx, s, week, sp.interval(schedule), now)
		if err != nil {
			return err
		}
		if changed {
			hours = nil
			for h := begin / reception.HourMS; h < end/reception.HourMS; h++ {
				hours = append(hours, h)
			}
		}
	}
	if !dense {
		return in.remake(ctx, s, rows, hours)
	}
	for len(hours) > 0 {
		n := 1
		for n < len(hours) && hours[n] < hours[0]+2 {
			n++
		}
		rows, err := in.read(ctx, s, hours[0]*reception.HourMS-padMS, (hours[n-1]+1)*reception.HourMS+padMS)
		if err != nil {
			return err
		}
		if err := in.remake(ctx, s, rows, hours[:n]); err != nil {
			return err
		}
		hours = hours[n:]
	}
	return nil
}

// remake makes hours and the neighbours that look into them from rows, and settles
// the hours.
func (in *Intake) remake(ctx context.Context, s reception.Series, rows []reception.Reading, hours []int64) error {
	seq, err := in.log.Seq(ctx)
	if err != nil {
		return err
	}
	l, isLive := in.lives[s]
	isOpen := func(h int64) bool { return isLive && h >= l.open }
	var b store.Batch
	next := hours[0] - in.reach(s, hours[0])
	flush := func() error {
		_, err := in.append(ctx, b)
		b = store.Batch{}
		return err
	}
	for _, h := range hours {
		if isOpen(h) {
			continue
		}
		k := in.reach(s, h)
		for x := max(next, h-k); x <= h+k; x++ {
			if isOpen(x) {
				break
			}
			i, j := from(rows, x*reception.HourMS), from(rows, (x+1)*reception.HourMS)
			b.ReplaceHours = append(b.ReplaceHours, store.DirtyHour{Series: s, Hour: x})
			b.Tallies = append(b.Tallies, in.make(s, rows, i, j)...)
			next = x + 1
		}
		b.Settled = append(b.Settled, store.DirtyHour{Series: s, Hour: h, Seq: seq})
		if len(b.ReplaceHours) >= 200 {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	if len(b.Settled) == 0 {
		return nil
	}
	return flush()
}

// reach is how many hours away a tally may look into this hour.
func (in *Intake) reach(s reception.Series, hour int64) int64 {
	var carry int64
	for _, h := range []int64{hour - 3, hour, hour + 3} {
		carry = max(carry, in.rules(s, h).CarryMS())
	}
	return (max(carry, tally.LookAheadMS) + reception.HourMS - 1) / reception.HourMS
}
