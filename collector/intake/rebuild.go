package intake

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// Sizes of a rebuild: hours taken from the log's list at once, and readings of some weeks
// of a series and their surroundings that are kept in memory together, twice for each
// core. A month of visits each minute are 44640, which is 3 MB.
const (
	hoursAtOnce = 32768
	rowsAtOnce  = 50000
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
	r := rebuild{in: in, jobs: jobs, seq: -1}
	for range 2 * runtime.GOMAXPROCS(0) {
		r.idle = append(r.idle, &weeks{})
	}
	for some := r.next(); len(some) > 0; {
		if some, err = r.step(ctx, some); err != nil {
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
// tallies are stored the next are read.
type rebuild struct {
	in   *Intake
	jobs []*job
	idle []*weeks
	seq  int64 // of the log, after what was stored last
}

// weeks are the first weeks of a job, as many as may be kept in memory together.
type weeks struct {
	*job
	now   []int64 // their hours: none if not even one week may be kept
	later []int64 // the job's other hours
	rows          // of the weeks and what surrounds them
	size  int     // how many the rows count for
	book  formBook
	make  *maker
	fold  tally.Folder
	near  []reception.Reading
	batch store.Batch
	err   error
}

// next returns weeks of the next jobs, one for each core, that are still to be read.
func (r *rebuild) next() (some []*weeks) {
	r.jobs = slices.DeleteFunc(r.jobs, func(j *job) bool { return len(j.hours) == 0 })
	for _, j := range r.jobs[:min(len(r.jobs), runtime.GOMAXPROCS(0))] {
		n := len(r.idle) - 1
		r.idle[n].job = j
		some, r.idle = append(some, r.idle[n]), r.idle[:n]
	}
	return some
}

// step makes weeks again and stores them in one append; meanwhile it reads those that
// come next, which it returns. Readings that come in the meantime wait.
func (r *rebuild) step(ctx context.Context, some []*weeks) (ahead []*weeks, err error) {
	in := r.in
	in.mu.Lock()
	defer in.mu.Unlock()
	seq, err := in.log.Seq(ctx)
	if err != nil {
		return nil, err
	}
	if seq != r.seq { // somebody wrote since they were read
		r.read(ctx, some)
	}
	for _, w := range some {
		if w.err != nil {
			return nil, w.err
		}
		w.hours = w.later
		if len(w.now) == 0 {
			err = in.rebuildDense(ctx, w)
		} else {
			err = in.decideWeeks(ctx, w)
		}
		if err != nil {
			return nil, err
		}
	}
	if seq, err = in.log.Seq(ctx); err != nil {
		return nil, err
	}
	for _, w := range some {
		w.make = in.maker(w.series)
	}
	beside(some, func(w *weeks) { in.remake(w, seq) })
	var all store.Batch
	for _, w := range some {
		in.facts.use(w.make.used)
		all.ReplaceHours = append(all.ReplaceHours, w.batch.ReplaceHours...)
		all.Tallies = append(all.Tallies, w.batch.Tallies...)
		all.Settled = append(all.Settled, w.batch.Settled...)
	}
	r.idle = append(r.idle, some...)
	ahead = r.next()
	var reading sync.WaitGroup
	reading.Go(func() { r.read(ctx, ahead) })
	defer reading.Wait()
	r.seq = seq
	if len(all.Settled) > 0 {
		var done store.Appended
		if done, err = in.append(ctx, all); err != nil {
			return nil, err
		}
		r.seq = done.Seq
	}
	return ahead, nil
}

// beside does something with each weeks at the same time.
func beside(some []*weeks, do func(*weeks)) {
	var all sync.WaitGroup
	for _, w := range some {
		all.Go(func() { do(w) })
	}
	all.Wait()
}

// read reads weeks, beside each other.
func (r *rebuild) read(ctx context.Context, some []*weeks) {
	beside(some, func(w *weeks) { w.err = w.read(ctx, r.in.log) })
}

func (w *weeks) read(ctx context.Context, log store.Log) error {
	week := weekOf(w.hours[0] * reception.HourMS)
	begin, last := weekStart(week), week
	for _, h := range w.hours { // weeks that follow one another
		if k := weekOf(h * reception.HourMS); k > last+1 {
			break
		} else {
			last = k
		}
	}
	end := weekStart(last + 1)
	w.clear()
	for chunk, err := range log.Readings(ctx, of(w.series, begin-padMS, end+padMS)) {
		if err != nil {
			return err
		}
		if w.size >= rowsAtOnce {
			end = weekStart(weekOf(w.of[w.len()-1].time + 1 - padMS))
			break
		}
		w.take(chunk)
	}
	n, _ := slices.BinarySearch(w.hours, end/reception.HourMS)
	w.now, w.later = w.hours[:n], w.hours[n:]
	return nil
}

// decideWeeks decides the intervals of weeks. Of those with another one all hours are
// made again.
func (in *Intake) decideWeeks(ctx context.Context, w *weeks) error {
	schedule, now := in.o.Rules(w.series).BaseIntervalMS, in.now()
	var hours []int64
	for i := 0; i < len(w.now); {
		week := weekOf(w.now[i] * reception.HourMS)
		begin, end := weekStart(week), weekStart(week+1)
		n, _ := slices.BinarySearch(w.now, end/reception.HourMS)
		changed := false
		if over(week, schedule, now) {
			var sp spacing
			for k := w.from(begin); k < w.len() && w.of[k].time < end; k++ {
				if w.base(w.book.list, k) {
					sp.visit(w.of[k].time)
				}
			}
			var err error
			if changed, err = in.decide(ctx, w.series, week, sp.interval(schedule), now); err != nil {
				return err
			}
		}
		if changed {
			hours = append(hours, hoursOf(week)...)
		} else {
			hours = append(hours, w.now[i:n]...)
		}
		i = n
	}
	w.now = hours
	return nil
}

func hoursOf(week int64) (out []int64) {
	for h := weekStart(week) / reception.HourMS; h < weekStart(week+1)/reception.HourMS; h++ {
		out = append(out, h)
	}
	return out
}

// rebuildDense makes the hours of a job's first week again, of which not all readings
// may be kept together, a few hours at a time.
func (in *Intake) rebuildDense(ctx context.Context, w *weeks) error {
	s, week := w.series, weekOf(w.hours[0]*reception.HourMS)
	begin, end := weekStart(week), weekStart(week+1)
	n, _ := slices.BinarySearch(w.hours, end/reception.HourMS)
	hours := w.hours[:n]
	w.hours = w.hours[n:]
	schedule, now := in.o.Rules(s).BaseIntervalMS, in.now()
	if over(week, schedule, now) {
		var sp spacing
		for chunk, err := range in.log.Readings(ctx, of(s, begin, end)) {
			if err != nil {
				return err
			}
			for i := range chunk {
				sp.add(&chunk[i])
			}
		}
		changed, err := in.decide(ctx, s, week, sp.interval(schedule), now)
		if err != nil {
			return err
		}
		if changed {
			hours = hoursOf(week)
		}
	}
	for len(hours) > 0 {
		n := 1
		for n < len(hours) && hours[n] < hours[0]+2 {
			n++
		}
		seq, err := in.log.Seq(ctx)
		if err != nil {
			return err
		}
		w.clear()
		for chunk, err := range in.log.Readings(ctx, of(s, hours[0]*reception.HourMS-padMS, (hours[n-1]+1)*reception.HourMS+padMS)) {
			if err != nil {
				return err
			}
			w.take(chunk)
		}
		w.make, w.now = in.maker(s), hours[:n]
		in.remake(w, seq)
		in.facts.use(w.make.used)
		if _, err := in.append(ctx, w.batch); err != nil {
			return err
		}
		hours = hours[n:]
	}
	w.now = nil
	return nil
}

func (w *weeks) clear() {
	w.rows, w.size = rows{of: w.of[:0], odd: w.odd[:0]}, 0
	if len(w.book.list) > maxForms/4 {
		w.book = formBook{}
	}
}

func (w *weeks) take(chunk []reception.Reading) {
	for i := range chunk {
		w.size += w.add(&w.book, &chunk[i], 0)
	}
}

// remake makes hours and the neighbours that look into them from rows, and settles the
// hours, as of a sequence of the log.
func (in *Intake) remake(w *weeks, seq int64) {
	w.batch = store.Batch{}
	if len(w.now) == 0 {
		return
	}
	b, s := &w.batch, w.series
	l, isLive := in.lives[s]
	isOpen := func(h int64) bool { return isLive && h >= l.open }
	next := w.now[0] - w.make.reach(w.now[0])
	for _, h := range w.now {
		if isOpen(h) {
			continue
		}
		k := w.make.reach(h)
		for x := max(next, h-k); x <= h+k; x++ {
			if isOpen(x) {
				break
			}
			b.ReplaceHours = append(b.ReplaceHours, store.DirtyHour{Series: s, Hour: x})
			b.Tallies = pack(b.Tallies, w.tallies(x))
			next = x + 1
		}
		b.Settled = append(b.Settled, store.DirtyHour{Series: s, Hour: h, Seq: seq})
	}
}

// tallies makes those of one hour, valid until the next.
func (w *weeks) tallies(hour int64) []tally.Keyed {
	start, end := hour*reception.HourMS, (hour+1)*reception.HourMS
	i, j := w.from(start), w.from(end)
	if i == j {
		return nil
	}
	carry := w.make.at(start).CarryMS()
	first, last := w.from(start-carry), w.from(end+carry)
	w.near = w.unpack(w.near[:0], w.book.list, w.of[first:last])
	return w.make.keyed(&w.fold, w.near, i-first, j-first)
}

// reach is how many hours away a tally may look into this hour.
func (m *maker) reach(hour int64) int64 {
	var carry int64
	for _, h := range []int64{hour - 3, hour, hour + 3} {
		carry = max(carry, m.at(h*reception.HourMS).CarryMS())
	}
	return (max(carry, tally.LookAheadMS) + reception.HourMS - 1) / reception.HourMS
}
