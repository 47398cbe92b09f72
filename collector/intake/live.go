package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// Limits of what waits in memory while the disk is full, and of how many seconds a
// visit whose second is taken may be moved.
const (
	maxWaiting = 10000
	maxMoves   = 120
	atOnce     = 1000 // readings of one append
)

// A live series has an hour that is still open.
type live struct {
	open   int64               // first hour not closed
	rows   []reception.Reading // from the carry before it on, ascending
	marked map[int64]bool      // hours from open on that are dirty in the log
}

// Add stores readings as they come, in the order given; they are durable when it
// returns nil. A reading that cannot be true is stored as a visit that failed. A
// visit whose second is taken by another starts on the next free one, its time cut
// to whole seconds. One whose hour is closed already is stored, and the hour is made
// again by the next Rebuild.
//
// While the disk is full the readings wait in memory, are stored with a later call,
// and Add returns nil; after 10,000 the oldest are dropped, and stored as time that
// was not measured once there is room. Any other error means that nothing of rs was
// stored: give it again.
func (in *Intake) Add(ctx context.Context, rs []reception.Reading) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil && !errors.Is(err, store.ErrFull) {
		return fmt.Errorf("store %d readings: %w", len(rs), err)
	}
	screened := make([]reception.Reading, 0, len(rs))
	for i := range rs {
		r := rs[i]
		if in.screen(&r) {
			screened = append(screened, r)
		}
	}
	old := len(in.waiting)
	stored, err := in.storeAll(ctx, slices.Concat(in.waiting, screened))
	switch {
	case err == nil:
		in.waiting = nil
		in.roomAgain(ctx)
		return nil
	case errors.Is(err, store.ErrFull):
		in.wait(slices.Concat(in.waiting, screened)[stored:])
		return nil
	case stored > old: // some of rs is stored: the rest must not be given again
		in.keep(slices.Concat(in.waiting, screened)[stored:])
		in.o.Logger.Error("readings cannot be stored and are kept in memory", "waiting", len(in.waiting), "error", err)
		return nil
	}
	in.waiting = slices.Clone(in.waiting[stored:])
	return fmt.Errorf("store %d readings: %w", len(rs), err)
}

// screen makes a reading fit to store, and reports whether it has a place at all.
func (in *Intake) screen(r *reception.Reading) bool {
	r.Time -= r.Time % 1000
	err := in.normalise(r)
	if err == nil {
		return true
	}
	in.counts.Rejected++
	in.counts.LastReject = fmt.Sprintf("tuner %q, %d Hz: %v", r.Tuner, r.FrequencyHz, err)
	in.o.Logger.Warn("a reading cannot be true and is not used", "tuner", r.Tuner, "frequency_hz", r.FrequencyHz, "time", r.Time, "reason", err)
	blank := reception.NewReading()
	blank.Time, blank.Tuner, blank.FrequencyHz, blank.TunedHz, blank.Layer = r.Time, r.Tuner, r.FrequencyHz, r.TunedHz, r.Layer
	blank.Visit, blank.DwellMS, blank.Why = r.Visit, min(max(r.DwellMS, 0), reception.HourMS), reception.WhyFailing
	*r = blank
	return in.normalise(r) == nil
}

// normalise keys a reading by its channel and says what in it cannot be true.
func (in *Intake) normalise(r *reception.Reading) error {
	if in.o.Region != "" {
		if key, rf := in.o.Region.Key(r.FrequencyHz); rf != 0 && key != r.FrequencyHz {
			if r.TunedHz == 0 {
				r.TunedHz = r.FrequencyHz
			}
			r.FrequencyHz = key
		}
	}
	return check(r)
}

// check says what in a reading cannot be true.
func check(r *reception.Reading) error {
	switch {
	case r.Tuner == "":
		return errors.New("the tuner has no name")
	case r.Why != reception.Measured && !slices.Contains(reception.Reasons(), r.Why):
		return fmt.Errorf("why %q is no known reason", string(r.Why))
	}
	return r.Validate()
}

// storeAll stores readings in order and returns how many it has stored.
func (in *Intake) storeAll(ctx context.Context, rs []reception.Reading) (int, error) {
	stored := 0
	for chunk := range slices.Chunk(rs, atOnce) {
		if err := in.storeChunk(ctx, chunk); err != nil {
			return stored, err
		}
		stored += len(chunk)
	}
	return stored, nil
}

// storeChunk stores readings in one append, with the tallies of hours they close.
func (in *Intake) storeChunk(ctx context.Context, rs []reception.Reading) error {
	p := plan{in: in, touched: map[reception.Series]*live{}, batch: store.Batch{FoldedReadings: true}}
	err := p.fill(ctx, rs)
	if err == nil {
		err = p.commit(ctx)
	}
	if err != nil { // what memory holds may be ahead of the log: read it again
		for s := range p.touched {
			delete(in.lives, s)
		}
	}
	return err
}

// A plan is one append in the making.
type plan struct {
	in      *Intake
	batch   store.Batch
	touched map[reception.Series]*live
	late    []bool // of batch.Readings: their hour was closed
	counts  Counts
}

func (p *plan) fill(ctx context.Context, rs []reception.Reading) error {
	bySeries := map[reception.Series][]reception.Reading{}
	for _, r := range rs {
		if r.Identity != "" {
			bySeries[r.Series()] = append(bySeries[r.Series()], r)
		}
	}
	for _, s := range sortedSeries(bySeries) {
		if err := p.in.learn(ctx, s, bySeries[s]); err != nil {
			return err
		}
	}
	for _, r := range rs {
		if err := p.place(ctx, r); err != nil {
			return err
		}
	}
	return p.close(ctx)
}

// place enters one reading into the batch and, where it matters to an open hour,
// into memory.
func (p *plan) place(ctx context.Context, r reception.Reading) error {
	s := r.Series()
	l, err := p.in.goLive(ctx, s, tally.HourOf(r.Time))
	if err != nil {
		return err
	}
	p.touched[s] = l
	i := from(l.rows, r.Time)
	for i < len(l.rows) && l.rows[i].Time == r.Time {
		if l.rows[i].Equal(&r) {
			p.counts.Duplicates++
			return nil
		}
		r.Time += 1000
		p.counts.Moved++
		i = from(l.rows, r.Time)
	}
	hour, start := tally.HourOf(r.Time), l.open*reception.HourMS
	carry := p.in.rules(s, l.open).CarryMS()
	switch {
	case hour < l.open:
		p.batch.FoldedReadings = false
		p.counts.Late++
	case r.Time < start+carry && p.in.spans[s].First < start && l.looksBack(i, r.Time):
		// Late, though not out of the open hour: tallies before it look at this one.
		if err := p.in.log.Touch(ctx, of(s, start-carry, start)); err != nil {
			return err
		}
		fallthrough
	default:
		if !l.marked[hour] {
			l.marked[hour] = true
			p.batch.FoldedReadings = false
			p.batch.ReplaceHours = append(p.batch.ReplaceHours, store.DirtyHour{Series: s, Hour: hour})
		}
	}
	if r.Time >= start-carry {
		l.rows = slices.Insert(l.rows, i, r)
	}
	p.batch.Readings = append(p.batch.Readings, r)
	p.late = append(p.late, hour < l.open)
	return nil
}

// looksBack reports whether the tallies of closed hours would see a reading placed at
// row i: it is the first visit after them, or not the last reading there is, or lies
// in the seconds that they look at in any case.
func (l *live) looksBack(i int, at int64) bool {
	start := l.open * reception.HourMS
	return i < len(l.rows) || at < start+tally.LookAheadMS ||
		!slices.ContainsFunc(l.rows[from(l.rows, start):], func(r reception.Reading) bool { return r.Valid() })
}

// close closes the hours that the plan's readings complete.
func (p *plan) close(ctx context.Context) error {
	for _, s := range sortedSeries(p.touched) {
		l := p.touched[s]
		if len(l.rows) == 0 {
			continue
		}
		for p.in.complete(s, l, l.rows[len(l.rows)-1].Time, 0) {
			if err := p.in.closeHour(ctx, s, l, &p.batch); err != nil {
				return err
			}
		}
	}
	return nil
}

// commit appends the batch. A late reading whose second is taken moves on.
func (p *plan) commit(ctx context.Context) error {
	in := p.in
	if len(p.batch.Readings) == 0 && len(p.batch.Tallies) == 0 {
		in.count(p.counts)
		return nil
	}
	done, err := in.append(ctx, p.batch)
	if err != nil {
		return err
	}
	p.counts.Added += int64(done.New)
	p.counts.Duplicates += int64(done.Duplicates)
	moved := done.Conflicts
	for n := 0; len(moved) > 0 && n < maxMoves; n++ {
		var next store.Batch
		for _, c := range moved {
			r := p.batch.Readings[c.Index]
			delete(in.lives, r.Series()) // memory holds what the log does not
			if err := in.log.Touch(ctx, of(r.Series(), r.Time, r.Time+1)); err != nil {
				return err
			}
			r.Time += 1000
			next.Readings = append(next.Readings, r)
		}
		if done, err = in.append(ctx, next); err != nil {
			return err
		}
		p.counts.Added += int64(done.New)
		p.counts.Moved += int64(done.New)
		p.counts.Duplicates += int64(done.Duplicates)
		p.batch, moved = next, done.Conflicts
	}
	if len(moved) > 0 {
		p.counts.Rejected += int64(len(moved))
		p.counts.LastReject = fmt.Sprintf("no free second in the %d after: %s", maxMoves, moved[0].Given)
		in.o.Logger.Warn("readings found no free second and are not stored", "count", len(moved), "first", moved[0].Given)
	}
	in.count(p.counts)
	return nil
}

func (in *Intake) count(c Counts) {
	in.counts.Added += c.Added
	in.counts.Duplicates += c.Duplicates
	in.counts.Moved += c.Moved
	in.counts.Late += c.Late
	in.counts.Rejected += c.Rejected
	if c.LastReject != "" {
		in.counts.LastReject = c.LastReject
	}
}

// goLive takes a series into memory from an hour on, or from the hour of its last
// stored reading if that is later. Hours before, which may have been closed without
// what follows, are touched.
func (in *Intake) goLive(ctx context.Context, s reception.Series, hour int64) (*live, error) {
	if l, ok := in.lives[s]; ok {
		return l, nil
	}
	if sp, ok := in.spans[s]; ok {
		hour = max(hour, tally.HourOf(sp.Last))
	}
	start := hour * reception.HourMS
	carry := in.rules(s, hour).CarryMS()
	rows, err := in.read(ctx, s, start-carry, store.Always.To)
	if err != nil {
		return nil, err
	}
	if sp, ok := in.spans[s]; ok && sp.First < start {
		if err := in.log.Touch(ctx, of(s, start-carry, start)); err != nil {
			return nil, err
		}
	}
	l := &live{open: hour, rows: rows, marked: map[int64]bool{}}
	if i := from(rows, start); i < len(rows) { // an hour that was closed is open again
		var b store.Batch
		for _, r := range rows[i:] {
			if h := tally.HourOf(r.Time); !l.marked[h] {
				l.marked[h] = true
				b.ReplaceHours = append(b.ReplaceHours, store.DirtyHour{Series: s, Hour: h})
			}
		}
		if err := in.log.Touch(ctx, of(s, start, rows[len(rows)-1].Time+1)); err != nil {
			return nil, err
		}
		if _, err := in.append(ctx, b); err != nil {
			return nil, err
		}
	}
	in.lives[s] = l
	return l, nil
}

// complete reports whether the open hour can be closed: its readings and all that
// its tallies look at after it are there, by the last reading at last; or, by the
// clock at now, nothing more that they look at will come.
func (in *Intake) complete(s reception.Series, l *live, last, now int64) bool {
	end := (l.open + 1) * reception.HourMS
	if max(last, now) < end {
		return false
	}
	if max(last, now) >= end+in.rules(s, l.open).CarryMS() {
		return true
	}
	return last >= end+tally.LookAheadMS &&
		slices.ContainsFunc(l.rows[from(l.rows, end):], func(r reception.Reading) bool { return r.Valid() })
}

// closeHour enters the open hour's tallies into the batch and opens the next one.
func (in *Intake) closeHour(ctx context.Context, s reception.Series, l *live, b *store.Batch) error {
	start := l.open * reception.HourMS
	end := start + reception.HourMS
	i, j := from(l.rows, start), from(l.rows, end)
	if i < j {
		seq, err := in.log.Seq(ctx)
		if err != nil {
			return err
		}
		h := store.DirtyHour{Series: s, Hour: l.open, Seq: seq}
		b.Tallies = append(b.Tallies, in.make(s, l.rows, i, j)...)
		b.ReplaceHours = append(b.ReplaceHours, h)
		b.Settled = append(b.Settled, h)
	}
	delete(l.marked, l.open)
	l.open++
	if j < len(l.rows) {
		l.open = max(l.open, tally.HourOf(l.rows[j].Time))
	}
	keep := from(l.rows, l.open*reception.HourMS-in.rules(s, l.open).CarryMS())
	l.rows = slices.Clone(l.rows[keep:])
	return nil
}

// CloseHours stores the tallies of hours that are over at now though no reading
// followed, and settles the base intervals of weeks that have ended. A timer calls
// it every minute or so; Rebuild then makes what it touched.
func (in *Intake) CloseHours(ctx context.Context, now int64) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return fmt.Errorf("close hours: %w", err)
	}
	if len(in.waiting) > 0 {
		stored, err := in.storeAll(ctx, in.waiting)
		in.waiting = slices.Clone(in.waiting[stored:])
		if err != nil {
			if errors.Is(err, store.ErrFull) {
				return nil
			}
			return fmt.Errorf("store %d waiting readings: %w", len(in.waiting), err)
		}
	}
	in.roomAgain(ctx)
	var b store.Batch
	touched := map[reception.Series]*live{}
	for _, s := range sortedSeries(in.lives) {
		l := in.lives[s]
		for len(l.marked) > 0 && in.complete(s, l, last(l), now) {
			touched[s] = l
			if err := in.closeHour(ctx, s, l, &b); err != nil {
				delete(in.lives, s)
				return fmt.Errorf("close hours: %w", err)
			}
		}
	}
	if len(touched) > 0 {
		if _, err := in.append(ctx, b); err != nil {
			for s := range touched {
				delete(in.lives, s)
			}
			return fmt.Errorf("close hours: %w", err)
		}
	}
	if err := in.settleWeeks(ctx, now); err != nil {
		return fmt.Errorf("settle base intervals: %w", err)
	}
	return nil
}

func last(l *live) int64 {
	if len(l.rows) == 0 {
		return 0
	}
	return l.rows[len(l.rows)-1].Time
}

// OpenTallies returns the tallies so far of the hours that are open, ascending by
// hour, then series. The log has none of these hours.
func (in *Intake) OpenTallies() []tally.Keyed {
	in.mu.Lock()
	defer in.mu.Unlock()
	var out []tally.Keyed
	for _, s := range sortedSeries(in.lives) {
		l := in.lives[s]
		for i := from(l.rows, l.open*reception.HourMS); i < len(l.rows); {
			j := from(l.rows, (tally.HourOf(l.rows[i].Time)+1)*reception.HourMS)
			out = append(out, in.keyed(s, l.rows, i, j)...)
			i = j
		}
	}
	slices.SortStableFunc(out, func(a, b tally.Keyed) int { return store.CompareTallies(a.Key, b.Key) })
	return out
}
