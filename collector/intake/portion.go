package intake

import (
	"context"
	"maps"
	"runtime"
	"slices"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// A portion is what an import stores of one series at a time: readings in the order of
// time, of which none came with a time before the edge.
type portion struct {
	*buffer
	edge          int64
	from, n       int                 // place among the rows that are stored, the late ones first
	late          int                 // rows that came late
	before, after []reception.Reading // neighbours that are stored already, or kept back
	last          int64               // time of the last reading known
	final         bool                // nothing comes after it
	parts         []part
	make          *maker
	tallies       []reception.PackedTally
}

// A part is a run of n rows; folded if their tallies were made, else they are made again
// from the log.
type part struct {
	n      int
	folded bool
}

// portions takes what is to be stored from the buffers, up to where each is cut.
func (im *importer) portions(ctx context.Context, cut func(last int64) int64, final bool) (out []*portion, err error) {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return nil, err
	}
	im.rows.cut(0)
	var weeks decisions
	for _, b := range im.order {
		if b.held == 0 {
			continue
		}
		b.look(in)
		at := b.cut(cut)
		n := from(b.readings, at)
		if err := in.learn(ctx, b.series, b.readings[:n]); err != nil {
			return nil, err
		}
		if err := b.decide(ctx, in, &weeks, n, final); err != nil {
			return nil, err
		}
		if p := im.portionOf(b, at, n); p != nil {
			p.final = final
			out = append(out, p)
		}
		if most := 2 * im.gather / len(im.order); cap(b.readings) > most && len(b.lines) < most {
			b.rows = rows{slices.Clone(b.readings), slices.Clone(b.lines)}
		}
	}
	return out, weeks.put(ctx, in)
}

// look looks whether somebody else wrote the series since.
func (b *buffer) look(in *Intake) {
	if now, ok := in.spans[b.series]; now != b.expect {
		b.was, b.had, b.expect = now, ok, now
	}
}

// portionOf takes the first n rows of a buffer, which lie before a cut. What is stored or
// kept back and near enough to be looked at by tallies of other rows stays.
func (im *importer) portionOf(b *buffer, cut int64, n int) *portion {
	rs, edge := b.readings, from(b.readings, b.edge)
	p := &portion{buffer: b, edge: b.edge, from: len(im.rows.lines), last: rs[len(rs)-1].Time}
	for i, line := range b.lines[:edge] {
		if line != storedLine {
			im.rows.add(rs[i:i+1], b.lines[i:i+1])
			p.late++
		}
	}
	im.rows.add(rs[edge:n], b.lines[edge:n])
	p.n = len(im.rows.lines) - p.from
	b.before = append(b.before[:0], rs[from(rs, b.edge-longestCarryMS):edge]...)
	b.after = append(b.after[:0], rs[n:from(rs, cut+longestCarryMS)]...)
	p.before, p.after = b.before, b.after

	first := from(rs, cut-longestCarryMS)
	for i := first; i < n; i++ {
		b.lines[i] = storedLine
	}
	b.rows.cut(copy(b.lines, b.lines[first:]))
	copy(b.readings, rs[first:])
	b.edge, b.held = cut, b.held-p.n
	im.held -= p.n
	if p.n == 0 {
		return nil
	}
	return p
}

// store stores portions: what can be folded at once with its tallies, and what must be
// made again.
func (im *importer) store(ctx context.Context, portions []*portion) error {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	for _, p := range portions {
		p.look(in)
		delete(in.lives, p.series) // read again when the series is next visited
	}
	im.fold(portions)
	folded, rest := im.split(portions)
	for _, p := range portions {
		folded.tallies = append(folded.tallies, p.tallies...)
	}
	if err := im.append(ctx, folded, true); err != nil {
		return err
	}
	if err := im.append(ctx, rest, false); err != nil {
		return err
	}
	for _, p := range portions {
		p.expect = in.spans[p.series]
	}
	return nil
}

// fold makes the tallies of all portions, on all cores.
func (im *importer) fold(portions []*portion) {
	for _, p := range portions {
		p.make = im.in.maker(p.series)
	}
	next, workers := make(chan *portion), sync.WaitGroup{}
	for range min(runtime.GOMAXPROCS(0), len(portions)) {
		workers.Go(func() {
			var f folder
			for p := range next {
				p.fold(&f, im.rows.readings[p.from:p.from+p.n])
			}
		})
	}
	for _, p := range portions {
		next <- p
	}
	close(next)
	workers.Wait()
	for _, p := range portions {
		im.in.facts.use(p.make.used)
	}
}

// A folder is a [tally.Folder] with memory for what lies around a portion's ends.
type folder struct {
	tally.Folder
	before, after []reception.Reading
}

// fold makes the tallies of a portion's rows, hour by hour, where that can be done.
func (p *portion) fold(f *folder, rs []reception.Reading) {
	p.add(p.late, false)
	rs = rs[p.late:]
	for i := 0; i < len(rs); {
		start := tally.HourOf(rs[i].Time) * reception.HourMS
		end := start + reception.HourMS
		j := i + 1
		for j < len(rs) && rs[j].Time < end {
			j++
		}
		whole := start >= p.edge && (p.final || p.last >= end+longestCarryMS)
		if whole = whole && p.foldable(start, end); whole {
			rules := p.make.at(start)
			before, after := rs[:i], rs[j:]
			if carried := start - rules.CarryMS(); carried < rs[0].Time && len(p.before) > 0 {
				f.before = append(append(f.before[:0], p.before[from(p.before, carried):]...), before...)
				before = f.before
			}
			if carried := end + rules.CarryMS(); carried > rs[len(rs)-1].Time && len(p.after) > 0 {
				f.after = append(append(f.after[:0], after...), p.after[:from(p.after, carried)]...)
				after = f.after
			}
			p.tallies = pack(p.tallies, f.Hour(rs[i:j], before, after, p.make.regime, rules))
		}
		p.add(j-i, whole)
		i = j
	}
}

func (p *portion) add(n int, folded bool) {
	if k := len(p.parts); k > 0 && p.parts[k-1].folded == folded {
		p.parts[k-1].n += n
	} else if n > 0 {
		p.parts = append(p.parts, part{n, folded})
	}
}

// clear reports whether the log held nothing within [from, to) that did not come with
// this import.
func (b *buffer) clear(from, to int64) bool { return !b.had || b.was.Last < from || b.was.First >= to }

// foldable reports whether an hour's tallies can be made from the rows alone: its
// week's interval is known, and nothing that others stored lies near.
func (b *buffer) foldable(start, end int64) bool {
	w := weekOf(start)
	return b.clear(weekStart(w), weekStart(w+1)) && b.clear(start-nearMS, end+nearMS)
}

// split parts the rows by whether they are folded. Mostly all are, or none.
func (im *importer) split(portions []*portion) (folded, rest load) {
	var n [2]int
	for _, p := range portions {
		for _, x := range p.parts {
			if x.folded {
				n[1] += x.n
			} else {
				n[0] += x.n
			}
		}
	}
	switch {
	case n[0] == 0:
		return load{rows: im.rows}, load{}
	case n[1] == 0:
		return load{}, load{rows: im.rows}
	}
	from, to := 0, 0
	for _, p := range portions {
		for _, x := range p.parts {
			rs, lines := im.rows.readings[from:from+x.n], im.rows.lines[from:from+x.n]
			from += x.n
			if !x.folded {
				rest.add(rs, lines)
				continue
			}
			copy(im.rows.readings[to:], rs)
			to += copy(im.rows.lines[to:], lines)
		}
	}
	im.rows.cut(to)
	return load{rows: im.rows}, rest
}

// A weekUnderWay is the latest week of which an import stored rows of a series, unless
// the log had rows of it before.
type weekUnderWay struct {
	week int64
	spacing
	decided bool // its interval, though perhaps by a part of the week
}

// decisions are intervals that are put into the ledger together.
type decisions struct {
	entries []reception.Entry
	weeks   map[weekKey]weekInterval
}

func (d *decisions) put(ctx context.Context, in *Intake) error {
	if len(d.entries) == 0 {
		return nil
	}
	if err := in.ledger.Put(ctx, d.entries...); err != nil {
		return err
	}
	maps.Copy(in.weeks, d.weeks)
	return nil
}

// decide decides the base intervals of the weeks that the first n rows of a buffer begin
// or end, so that their tallies can be made at once: first by the rows at hand, and once
// more when all are known. If the interval then is another one, the week is made again.
// Weeks that the log had rows of are decided when they are made again.
func (b *buffer) decide(ctx context.Context, in *Intake, d *decisions, n int, final bool) error {
	schedule, now := in.o.Rules(b.series).BaseIntervalMS, in.now()
	rs, u := b.readings, &b.week
	for i := from(rs, b.edge); i < n; {
		w := weekOf(rs[i].Time)
		end := from(rs, weekStart(w+1)) // of the week's rows at hand
		if u.week != w {
			*u = weekUnderWay{week: w}
		}
		for ; i < min(end, n); i++ {
			u.add(&rs[i])
		}
		complete := end < len(rs) || final
		if !b.clear(weekStart(w), weekStart(w+1)) || !over(w, schedule, now) || u.decided && !complete {
			continue
		}
		sp := u.spacing
		if end > n {
			sp.ms = slices.Clone(sp.ms)
			for k := n; k < end; k++ {
				sp.add(&rs[k])
			}
		}
		ms := sp.interval(schedule)
		if u.decided {
			if _, err := in.decide(ctx, b.series, w, ms, now); err != nil {
				return err
			}
			continue
		}
		u.decided = true
		k := weekKey{b.series, w}
		was, ok := in.weeks[k]
		if ok && was.ms == ms && was.known >= weekStart(w+1) {
			continue
		}
		iv := weekInterval{ms, max(now, was.known+1)}
		e, err := iv.entry(k)
		if err != nil {
			return err
		}
		if d.weeks == nil {
			d.weeks = map[weekKey]weekInterval{}
		}
		d.weeks[k], d.entries = iv, append(d.entries, e)
	}
	return nil
}

// A load is one append.
type load struct {
	rows
	tallies []reception.PackedTally
}

func (im *importer) append(ctx context.Context, l load, folded bool) error {
	if len(l.lines) == 0 {
		return nil
	}
	in, rep := im.in, &im.report
	done, err := in.append(ctx, store.Batch{Readings: l.readings, Tallies: l.tallies, FoldedReadings: folded})
	if err != nil {
		return err
	}
	rep.New += int64(done.New)
	rep.Duplicates += int64(done.Duplicates)
	for _, x := range done.Conflicts {
		im.conflict(l.lines[x.Index], x)
	}
	if !folded || done.New == len(l.lines) {
		return nil
	}
	// The log held what the spans of its series deny: trust no tally of this append.
	for _, t := range l.tallies {
		if err := in.log.Touch(ctx, of(t.Series, t.Hour*reception.HourMS, (t.Hour+1)*reception.HourMS)); err != nil {
			return err
		}
	}
	return nil
}
