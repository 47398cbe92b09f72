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
// of a series and their surroundings that are kept in memory together, once for each
// core. A month of visits each minute are 44640, which is 12 MB.
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
	memory := make([][]reception.Reading, runtime.GOMAXPROCS(0))
	for len(jobs) > 0 {
		some := jobs[:min(len(jobs), len(memory))]
		for i, j := range some {
			j.rows = memory[i]
		}
		if err := in.rebuildJobs(ctx, some); err != nil {
			return false, err
		}
		for i, j := range some {
			memory[i], j.rows = j.rows[:0], nil
		}
		jobs = slices.DeleteFunc(jobs, func(j *job) bool { return len(j.hours) == 0 })
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
	rows   []reception.Reading // of the first weeks and what surrounds them; memory to use again
	now    []int64             // the hours of these weeks
	make   *maker
	batch  store.Batch
	err    error
}

// rebuildJobs makes the first weeks of each job again, beside each other, and stores
// them in one append. Readings that come in the meantime wait no longer than that.
func (in *Intake) rebuildJobs(ctx context.Context, jobs []*job) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := beside(jobs, func(j *job) error { return j.read(ctx, in.log) }); err != nil {
		return err
	}
	for _, j := range jobs {
		if len(j.now) == 0 {
			if err := in.rebuildDense(ctx, j); err != nil {
				return err
			}
		} else if err := in.decideJob(ctx, j); err != nil {
			return err
		}
	}
	seq, err := in.log.Seq(ctx)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		j.make = in.maker(j.series)
	}
	if err := beside(jobs, func(j *job) error {
		j.batch = in.remake(j.make, new(tally.Folder), j.rows, j.now, seq)
		return nil
	}); err != nil {
		return err
	}
	var all store.Batch
	for _, j := range jobs {
		in.facts.use(j.make.used)
		all.ReplaceHours = append(all.ReplaceHours, j.batch.ReplaceHours...)
		all.Tallies = append(all.Tallies, j.batch.Tallies...)
		all.Settled = append(all.Settled, j.batch.Settled...)
	}
	if len(all.Settled) == 0 {
		return nil
	}
	_, err = in.append(ctx, all)
	return err
}

// beside does something for each job at the same time.
func beside(jobs []*job, do func(*job) error) error {
	var all sync.WaitGroup
	for _, j := range jobs {
		all.Go(func() { j.err = do(j) })
	}
	all.Wait()
	for _, j := range jobs {
		if j.err != nil {
			return j.err
		}
	}
	return nil
}

// read reads the readings of as many weeks as may be kept together, and takes their
// hours from the job's: none if not even one may.
func (j *job) read(ctx context.Context, log store.Log) error {
	week := weekOf(j.hours[0] * reception.HourMS)
	begin, last := weekStart(week), week
	for _, h := range j.hours { // weeks that follow one another
		if w := weekOf(h * reception.HourMS); w > last+1 {
			break
		} else {
			last = w
		}
	}
	end := weekStart(last + 1)
	j.rows = j.rows[:0]
	for chunk, err := range log.Readings(ctx, of(j.series, begin-padMS, end+padMS)) {
		if err != nil {
			return err
		}
		if n := len(j.rows); n > 0 && n+len(chunk) > rowsAtOnce {
			end = weekStart(weekOf(j.rows[n-1].Time + 1 - padMS))
			break
		}
		j.rows = append(j.rows, chunk...)
	}
	n, _ := slices.BinarySearch(j.hours, end/reception.HourMS)
	j.now, j.hours = j.hours[:n], j.hours[n:]
	return nil
}

// decideJob decides the intervals of a job's weeks. Of weeks with another one all hours
// are made again.
func (in *Intake) decideJob(ctx context.Context, j *job) error {
	schedule, now := in.o.Rules(j.series).BaseIntervalMS, in.now()
	var hours []int64
	for i := 0; i < len(j.now); {
		week := weekOf(j.now[i] * reception.HourMS)
		begin, end := weekStart(week), weekStart(week+1)
		n, _ := slices.BinarySearch(j.now, end/reception.HourMS)
		changed := false
		if over(week, schedule, now) {
			var sp spacing
			for k := from(j.rows, begin); k < len(j.rows) && j.rows[k].Time < end; k++ {
				sp.add(&j.rows[k])
			}
			var err error
			if changed, err = in.decide(ctx, j.series, week, sp.interval(schedule), now); err != nil {
				return err
			}
		}
		if changed {
			hours = append(hours, hoursOf(week)...)
		} else {
			hours = append(hours, j.now[i:n]...)
		}
		i = n
	}
	j.now = hours
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
func (in *Intake) rebuildDense(ctx context.Context, j *job) error {
	s, week := j.series, weekOf(j.hours[0]*reception.HourMS)
	begin, end := weekStart(week), weekStart(week+1)
	n, _ := slices.BinarySearch(j.hours, end/reception.HourMS)
	hours := j.hours[:n]
	j.hours = j.hours[n:]
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
	var fold tally.Folder
	for len(hours) > 0 {
		n := 1
		for n < len(hours) && hours[n] < hours[0]+2 {
			n++
		}
		seq, err := in.log.Seq(ctx)
		if err != nil {
			return err
		}
		rows, err := in.read(ctx, s, hours[0]*reception.HourMS-padMS, (hours[n-1]+1)*reception.HourMS+padMS)
		if err != nil {
			return err
		}
		m := in.maker(s)
		b := in.remake(m, &fold, rows, hours[:n], seq)
		in.facts.use(m.used)
		if _, err := in.append(ctx, b); err != nil {
			return err
		}
		hours = hours[n:]
	}
	return nil
}

// remake makes hours and the neighbours that look into them from rows, and settles the
// hours, as of a sequence of the log.
func (in *Intake) remake(m *maker, f *tally.Folder, rows []reception.Reading, hours []int64, seq int64) (b store.Batch) {
	if len(hours) == 0 {
		return b
	}
	s := m.series
	l, isLive := in.lives[s]
	isOpen := func(h int64) bool { return isLive && h >= l.open }
	next := hours[0] - m.reach(hours[0])
	for _, h := range hours {
		if isOpen(h) {
			continue
		}
		k := m.reach(h)
		for x := max(next, h-k); x <= h+k; x++ {
			if isOpen(x) {
				break
			}
			i, j := from(rows, x*reception.HourMS), from(rows, (x+1)*reception.HourMS)
			b.ReplaceHours = append(b.ReplaceHours, store.DirtyHour{Series: s, Hour: x})
			b.Tallies = pack(b.Tallies, m.keyed(f, rows, i, j))
			next = x + 1
		}
		b.Settled = append(b.Settled, store.DirtyHour{Series: s, Hour: h, Seq: seq})
	}
	return b
}

// reach is how many hours away a tally may look into this hour.
func (m *maker) reach(hour int64) int64 {
	var carry int64
	for _, h := range []int64{hour - 3, hour, hour + 3} {
		carry = max(carry, m.at(h*reception.HourMS).CarryMS())
	}
	return (max(carry, tally.LookAheadMS) + reception.HourMS - 1) / reception.HourMS
}
