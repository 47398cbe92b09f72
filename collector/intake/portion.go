package intake

import (
	"context"
	"runtime"
	"slices"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// A portion is what an import stores of one series at a time: of all rows, sorted, those
// before the cut that are not stored; the others are known, but stored already or kept
// back.
type portion struct {
	*buffer
	all       rows
	edge, cut int64 // what comes later with a time before the cut is late
	n, new    int   // rows before the cut, and those of them that are not stored
	parts     []part
	make      *maker
	of        []reception.PackedTally
}

// A part is a run of a portion's rows that are not stored; folded if their tallies were
// made, else they are made again from the log.
type part struct {
	i, j   int
	folded bool
}

// leave begins the buffer anew with what the portion does not store, behind those
// neighbours that the next hour's tallies may look at. A buffer keeps its memory up to
// so many rows.
func (p *portion) leave(most int) {
	b, spare := p.buffer, p.spare
	if cap(spare.readings) > most {
		spare = rows{}
	}
	first := from(p.all.readings, p.cut-longestCarryMS)
	b.rows = rows{append(spare.readings[:0], p.all.readings[first:]...), append(spare.lines[:0], p.all.lines[first:]...)}
	for i := range p.n - min(first, p.n) {
		b.lines[i] = storedLine
	}
	b.spare, b.edge, b.held = p.all, max(b.edge, p.cut), b.held-p.new
}

// clear reports whether the log held nothing within [from, to) that did not come with
// this import.
func (p *portion) clear(from, to int64) bool { return !p.had || p.was.Last < from || p.was.First >= to }

// store stores portions: what can be folded at once with its tallies,
// and what must be made again.
func (im *importer) store(ctx context.Context, f stored) error {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	for _, p := range f.portions {
		if now, ok := in.spans[p.series]; now != p.expect { // somebody else wrote
			p.was, p.had = now, ok
		}
		delete(in.lives, p.series) // read again when the series is next visited
		if err := in.learn(ctx, p.series, p.all.readings[:p.n]); err != nil {
			return err
		}
	}
	if err := im.decideWeeks(ctx, f); err != nil {
		return err
	}
	im.fold(f)
	folded, rest := &im.loads[0], &im.loads[1]
	folded.empty()
	rest.empty()
	folded.batch.FoldedReadings = true
	for _, p := range f.portions {
		folded.batch.Tallies = append(folded.batch.Tallies, p.of...)
		for _, x := range p.parts {
			if x.folded {
				folded.take(p, x)
			} else {
				rest.take(p, x)
			}
		}
	}
	for _, l := range []*load{folded, rest} {
		if err := im.append(ctx, l); err != nil {
			return err
		}
	}
	for _, p := range f.portions {
		p.expect = in.spans[p.series]
	}
	return nil
}

// fold makes the tallies of all portions, on all cores.
func (im *importer) fold(f stored) {
	for _, p := range f.portions {
		p.make = im.in.maker(p.series)
	}
	var next, workers = make(chan *portion), sync.WaitGroup{}
	for range min(runtime.GOMAXPROCS(0), len(f.portions)) {
		workers.Go(func() {
			var fold tally.Folder
			for p := range next {
				p.fold(&fold, f.final)
			}
		})
	}
	for _, p := range f.portions {
		next <- p
	}
	close(next)
	workers.Wait()
	for _, p := range f.portions {
		im.in.facts.use(p.make.used)
	}
}

func (p *portion) fold(f *tally.Folder, final bool) {
	rs := p.all.readings
	last := rs[len(rs)-1].Time
	for i := 0; i < p.n; {
		if p.all.lines[i] == storedLine {
			i++
			continue
		}
		hour := tally.HourOf(rs[i].Time)
		start, end := hour*reception.HourMS, (hour+1)*reception.HourMS
		j := i + 1
		for j < len(rs) && rs[j].Time < end {
			j++
		}
		x := part{i, min(j, p.n), false}
		if x.folded = j <= p.n && start >= p.edge && (final || last >= end+longestCarryMS) && p.foldable(start, end); x.folded {
			p.of = p.make.append(p.of, f, rs, i, j)
		} else {
			x.j = i + 1
			for x.j < min(j, p.n) && p.all.lines[x.j] != storedLine {
				x.j++
			}
		}
		if n := len(p.parts); n > 0 && p.parts[n-1].j == i && p.parts[n-1].folded == x.folded {
			p.parts[n-1].j = x.j
		} else {
			p.parts = append(p.parts, x)
		}
		i = x.j
	}
}

// foldable reports whether an hour's tallies can be made from the rows alone: its
// week's interval is known, and nothing that others stored lies near.
func (p *portion) foldable(start, end int64) bool {
	w := weekOf(start)
	return p.clear(weekStart(w), weekStart(w+1)) && p.clear(start-nearMS, end+nearMS)
}

// A weekUnderWay is the latest week of which an import stored rows of a series, unless
// the log had rows of it before.
type weekUnderWay struct {
	week int64
	spacing
	decided bool // its interval, though perhaps by a part of the week
}

// decideWeeks decides the base intervals of the weeks that the portions begin or end,
// so that their tallies can be made at once: first by the rows at hand, and once more
// when all are known. If the interval then is another one, the week is made again.
// Weeks that the log had rows of are decided when they are made again.
func (im *importer) decideWeeks(ctx context.Context, f stored) error {
	in, now := im.in, im.in.now()
	var entries []reception.Entry
	fresh := map[weekKey]weekInterval{}
	for _, p := range f.portions {
		schedule := in.o.Rules(p.series).BaseIntervalMS
		rs := p.all.readings
		for i := from(rs, p.edge); i < p.n; {
			w := weekOf(rs[i].Time)
			end := i + from(rs[i:], weekStart(w+1))
			u := &p.week
			if u.week != w {
				*u = weekUnderWay{week: w}
			}
			for k := i; k < min(end, p.n); k++ {
				u.add(&rs[k])
			}
			begun := i
			i = min(end, p.n)
			complete := end < len(rs) || f.final
			if !p.clear(weekStart(w), weekStart(w+1)) || !over(w, schedule, now) || u.decided && !complete {
				continue
			}
			sp := spacing{u.last, u.ms}
			if end > p.n {
				sp.ms = slices.Clone(sp.ms)
				for k := max(begun, p.n); k < end; k++ {
					sp.add(&rs[k])
				}
			}
			ms := sp.interval(schedule)
			if u.decided {
				if _, err := in.decide(ctx, p.series, w, ms, now); err != nil {
					return err
				}
				continue
			}
			u.decided = true
			k := weekKey{p.series, w}
			was, ok := in.weeks[k]
			if ok && was.ms == ms && was.known >= weekStart(w+1) {
				continue
			}
			iv := weekInterval{ms, max(now, was.known+1)}
			e, err := iv.entry(k)
			if err != nil {
				return err
			}
			fresh[k] = iv
			entries = append(entries, e)
		}
	}
	if len(entries) > 0 {
		if err := in.ledger.Put(ctx, entries...); err != nil {
			return err
		}
	}
	for k, iv := range fresh {
		in.weeks[k] = iv
	}
	return nil
}

// A load is one append with the lines of its readings.
type load struct {
	batch store.Batch
	lines []int64
}

func (l *load) take(p *portion, x part) {
	l.batch.Readings = append(l.batch.Readings, p.all.readings[x.i:x.j]...)
	l.lines = append(l.lines, p.all.lines[x.i:x.j]...)
}

func (l *load) empty() {
	l.batch = store.Batch{Readings: l.batch.Readings[:0]}
	l.lines = l.lines[:0]
}

func (im *importer) append(ctx context.Context, l *load) error {
	if len(l.lines) == 0 {
		return nil
	}
	in, rep := im.in, &im.report
	done, err := in.append(ctx, l.batch)
	if err != nil {
		return err
	}
	rep.New += int64(done.New)
	rep.Duplicates += int64(done.Duplicates)
	for _, x := range done.Conflicts {
		im.conflict(l.lines[x.Index], x)
	}
	if !l.batch.FoldedReadings || done.New == len(l.lines) {
		return nil
	}
	// The log held what the spans of its series deny: trust no tally of this append.
	for _, t := range l.batch.Tallies {
		if err := in.log.Touch(ctx, of(t.Series, t.Hour*reception.HourMS, (t.Hour+1)*reception.HourMS)); err != nil {
			return err
		}
	}
	return nil
}
