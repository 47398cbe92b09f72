package intake

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sort"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// Sizes of a rebuild: hours taken from the log's list at once, readings after which the
// weeks of a series that are made together end, and how often such weeks are made and
// stored while other readings wait, a few tens of milliseconds each.
const (
	hoursAtOnce  = 131072
	rowsAtOnce   = 100000
	roundsAtOnce = 4
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
	var jobs []*job
	for _, s := range sortedSeries(bySeries) {
		slices.Sort(bySeries[s])
		jobs = append(jobs, &job{series: s, hours: bySeries[s]})
	}
	r := rebuild{in: in, jobs: jobs}
	for range 2 * runtime.GOMAXPROCS(0) {
		r.idle = append(r.idle, &weeks{})
	}
	for more := true; more; {
		if more, err = r.step(ctx); err != nil {
			return false, err
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

// A job is hours of one series that are to be made again, ascending.
type job struct {
	series reception.Series
	hours  []int64
}

// A rebuild makes the hours of jobs again, some jobs beside each other. While their
// tallies are stored the next are made.
type rebuild struct {
	in   *Intake
	jobs []*job
	idle []*weeks
}

// weeks are the first weeks of a job. Their readings pass by once: an hour is made as
// soon as those around it are known.
type weeks struct {
	*job
	now   []int64 // hours to make, of which so many are done
	done  int
	next  int64 // the first hour whose tallies were not made yet
	open  int64 // hours from here on are open
	seq   int64 // of the log, before the readings were read
	make  *maker
	fold  tally.Folder
	near  []reception.Reading // those that may still be needed
	batch store.Batch

	week    int64 // whose visits are in spacing
	spacing spacing
	found   []foundInterval
	err     error
}

// A foundInterval is a week's base interval as its readings have it.
type foundInterval struct{ week, ms int64 }

// step makes weeks of some jobs and stores them, a few times. Readings that come in the
// meantime wait. It reports whether there is more to do.
func (r *rebuild) step(ctx context.Context) (more bool, err error) {
	in := r.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return false, err
	}
	some, err := r.prepared(ctx)
	if err != nil {
		return false, err
	}
	beside(some, func(w *weeks) { w.err = w.first(ctx, in.log) })
	for round := 1; len(some) > 0; round++ {
		all, err := r.decided(ctx, some)
		if err != nil {
			return false, err
		}
		r.idle = append(r.idle, some...)
		some = nil
		if round < roundsAtOnce {
			if some, err = r.prepared(ctx); err != nil {
				return false, err
			}
		}
		var making sync.WaitGroup
		making.Go(func() { beside(some, func(w *weeks) { w.err = w.first(ctx, in.log) }) })
		if len(all.Settled) > 0 {
			_, err = in.append(ctx, all)
		}
		making.Wait()
		if err != nil {
			return false, err
		}
	}
	return slices.ContainsFunc(r.jobs, func(j *job) bool { return len(j.hours) > 0 }), nil
}

// prepared returns weeks of the next jobs, one for each core, that are still to be made.
func (r *rebuild) prepared(ctx context.Context) (some []*weeks, err error) {
	r.jobs = slices.DeleteFunc(r.jobs, func(j *job) bool { return len(j.hours) == 0 })
	for _, j := range r.jobs[:min(len(r.jobs), runtime.GOMAXPROCS(0))] {
		n := len(r.idle) - 1
		w := r.idle[n]
		w.job = j
		if err := r.in.prepare(ctx, w); err != nil {
			return nil, err
		}
		some, r.idle = append(some, w), r.idle[:n]
	}
	return some, nil
}

// prepare has weeks made by what is known now.
func (in *Intake) prepare(ctx context.Context, w *weeks) (err error) {
	w.make, w.open = in.maker(w.series), math.MaxInt64
	if l, ok := in.lives[w.series]; ok {
		w.open = l.open
	}
	w.seq, err = in.log.Seq(ctx)
	return err
}

// decided decides the intervals of weeks that were made, makes those again that came out
// with another one, and returns what is to be stored.
func (r *rebuild) decided(ctx context.Context, some []*weeks) (all store.Batch, err error) {
	in := r.in
	var again []*weeks
	for _, w := range some {
		if w.err != nil {
			return all, w.err
		}
		in.facts.use(w.make.used)
		changed, err := in.decideWeeks(ctx, w)
		if err != nil {
			return all, err
		}
		if !changed {
			continue
		}
		again = append(again, w)
		if err := in.prepare(ctx, w); err != nil {
			return all, err
		}
	}
	beside(again, func(w *weeks) { w.err = w.again(ctx, in.log) })
	for _, w := range again {
		if w.err != nil {
			return all, w.err
		}
		in.facts.use(w.make.used)
	}
	for _, w := range some {
		all.ReplaceHours = append(all.ReplaceHours, w.batch.ReplaceHours...)
		all.Tallies = append(all.Tallies, w.batch.Tallies...)
		all.Settled = append(all.Settled, w.batch.Settled...)
	}
	return all, nil
}

// beside does something with each weeks at the same time.
func beside(some []*weeks, do func(*weeks)) {
	var all sync.WaitGroup
	for _, w := range some {
		all.Go(func() { do(w) })
	}
	all.Wait()
}

// first makes the hours of a job's first weeks, by the intervals that are known so far,
// and finds out what they are. What is left of the job follows later.
func (w *weeks) first(ctx context.Context, log store.Log) error {
	begin := weekOf(w.hours[0] * reception.HourMS)
	last := begin
	for _, h := range w.hours { // weeks that follow one another
		if k := weekOf(h * reception.HourMS); k > last+1 {
			break
		} else {
			last = k
		}
	}
	n, _ := slices.BinarySearch(w.hours, weekStart(last+1)/reception.HourMS)
	w.begin(w.hours[:n])
	w.week, w.spacing, w.found = begin, spacing{ms: w.spacing.ms[:0]}, w.found[:0]
	rows := 0
	for chunk, err := range log.Readings(ctx, of(w.series, weekStart(begin)-padMS, weekStart(last+1)+padMS)) {
		if err != nil {
			return err
		}
		for i := range chunk {
			w.space(&chunk[i])
		}
		w.take(chunk)
		rows += len(chunk)
		if w.makeUpTo(chunk[len(chunk)-1].Time, rows >= rowsAtOnce) {
			break
		}
	}
	if w.done < len(w.now) {
		w.makeUpTo(math.MaxInt64, false)
	}
	for last = weekOf(w.now[len(w.now)-1] * reception.HourMS); w.week <= last; {
		w.weekEnds()
	}
	w.found = w.found[:last+1-begin]
	w.hours = w.hours[len(w.now):]
	return nil
}

// again makes the hours of weeks whose intervals are decided.
func (w *weeks) again(ctx context.Context, log store.Log) error {
	w.begin(w.now)
	from, to := weekStart(weekOf(w.now[0]*reception.HourMS)), weekStart(weekOf(w.now[len(w.now)-1]*reception.HourMS)+1)
	for chunk, err := range log.Readings(ctx, of(w.series, from-padMS, to+padMS)) {
		if err != nil {
			return err
		}
		w.take(chunk)
		w.makeUpTo(chunk[len(chunk)-1].Time, false)
	}
	w.makeUpTo(math.MaxInt64, false)
	return nil
}

func (w *weeks) begin(hours []int64) {
	w.now, w.done, w.next, w.near = hours, 0, hours[0]-w.make.reach(hours[0]), w.near[:0]
	b := &w.batch
	b.ReplaceHours, b.Tallies, b.Settled = b.ReplaceHours[:0], b.Tallies[:0], b.Settled[:0]
}

// space enters a reading into the spacing of its week.
func (w *weeks) space(r *reception.Reading) {
	for r.Time >= weekStart(w.week+1) {
		w.weekEnds()
	}
	if r.Time >= weekStart(w.week) {
		w.spacing.add(r)
	}
}

func (w *weeks) weekEnds() {
	w.found = append(w.found, foundInterval{w.week, w.spacing.interval(w.make.rules.BaseIntervalMS)})
	w.week, w.spacing = w.week+1, spacing{ms: w.spacing.ms[:0]}
}

// take keeps the readings that hours still to be made may need, and drops others.
func (w *weeks) take(chunk []reception.Reading) {
	if w.done == len(w.now) {
		return
	}
	first := max(w.next*reception.HourMS-longestCarryMS, w.now[w.done]*reception.HourMS-padMS)
	if n := before(w.near, first); n > 0 {
		w.near = w.near[:copy(w.near, w.near[n:])]
	}
	if len(w.near) == 0 {
		chunk = chunk[before(chunk, first):]
	}
	w.near = append(w.near, chunk...)
}

// makeUpTo makes the hours, and the neighbours that look into them, around which all
// readings up to an instant tell everything, and settles them. If there were enough
// readings it stops where a week begins, leaves the hours from there on, and says so.
func (w *weeks) makeUpTo(known int64, enough bool) bool {
	b := &w.batch
	for ; w.done < len(w.now); w.done++ {
		h := w.now[w.done]
		if enough && w.done > 0 && weekOf(h*reception.HourMS) > weekOf(w.now[w.done-1]*reception.HourMS) {
			w.now = w.now[:w.done]
			return true
		}
		if h >= w.open {
			continue
		}
		k := w.make.reach(h)
		for x := max(w.next, h-k); x <= h+k && x < w.open; x++ {
			rules := w.make.at(x * reception.HourMS)
			if known < (x+1)*reception.HourMS+max(rules.CarryMS(), tally.LookAheadMS) {
				return false
			}
			b.ReplaceHours = append(b.ReplaceHours, store.DirtyHour{Series: w.series, Hour: x})
			b.Tallies = pack(b.Tallies, w.tallies(x, rules))
			w.next = x + 1
		}
		b.Settled = append(b.Settled, store.DirtyHour{Series: w.series, Hour: h, Seq: w.seq})
	}
	return false
}

// tallies makes those of one hour, valid until the next.
func (w *weeks) tallies(hour int64, rules tally.Rules) []tally.Keyed {
	start, end := hour*reception.HourMS, (hour+1)*reception.HourMS
	i, j := before(w.near, start), before(w.near, end)
	if i == j {
		return nil
	}
	carry := rules.CarryMS()
	first, last := before(w.near[:i], start-carry), j+before(w.near[j:], end+max(carry, tally.LookAheadMS))
	return w.fold.Hour(w.near[i:j], w.near[first:i], w.near[j:last], w.make.regime, rules)
}

// before returns how many readings lie before ms.
func before(rows []reception.Reading, ms int64) int {
	return sort.Search(len(rows), func(i int) bool { return rows[i].Time >= ms })
}

// decideWeeks decides the intervals found, and reports whether one is another than the
// weeks were made by. Of a week with another one all hours are to be made again.
func (in *Intake) decideWeeks(ctx context.Context, w *weeks) (any bool, err error) {
	schedule, now := in.o.Rules(w.series).BaseIntervalMS, in.now()
	var hours []int64
	rest := w.now
	for _, f := range w.found {
		n, _ := slices.BinarySearch(rest, weekStart(f.week+1)/reception.HourMS)
		changed := false
		if over(f.week, schedule, now) {
			if changed, err = in.decide(ctx, w.series, f.week, f.ms, now); err != nil {
				return false, err
			}
		}
		if changed {
			hours, any = append(hours, hoursOf(f.week)...), true
		} else {
			hours = append(hours, rest[:n]...)
		}
		rest = rest[n:]
	}
	w.now = hours
	return any, nil
}

func hoursOf(week int64) (out []int64) {
	for h := weekStart(week) / reception.HourMS; h < weekStart(week+1)/reception.HourMS; h++ {
		out = append(out, h)
	}
	return out
}

// reach is how many hours away a tally may look into this hour.
func (m *maker) reach(hour int64) int64 {
	var carry int64
	for _, h := range []int64{hour - 3, hour, hour + 3} {
		carry = max(carry, m.at(h*reception.HourMS).CarryMS())
	}
	return (max(carry, tally.LookAheadMS) + reception.HourMS - 1) / reception.HourMS
}
