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

// A portion is what an import stores of one series at a time: rows lo to hi of a buffer
// that are in the order of time, of which none came with a time before the edge.
type portion struct {
	*buffer
	lo, hi  int
	late    []packed // rows that came late, to be stored with them
	edge    int64
	final   bool // nothing comes after what the buffer held
	from, n int  // place of its rows among those that are stored at once, the late ones first
	parts   []part
	make    *maker
	tallies []reception.PackedTally
}

// unpacked are readings with the line of each.
type unpacked struct {
	readings []reception.Reading
	lines    []int64
}

func (u *unpacked) add(r *rows, f forms, of []packed) {
	u.readings = r.unpack(u.readings, f, of)
	for i := range of {
		u.lines = append(u.lines, of[i].line)
	}
}

func (u *unpacked) cut(n int) { u.readings, u.lines = u.readings[:n], u.lines[:n] }

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
	var weeks decisions
	for _, b := range im.order {
		if b.held == 0 {
			continue
		}
		b.look(in)
		at := b.cut(cut)
		n := b.from(at)
		if err := b.decide(ctx, in, im.forms.list, &weeks, n, final); err != nil {
			return nil, err
		}
		out = im.portionsOf(out, b, at, n, final)
	}
	return out, weeks.put(ctx, in)
}

// look looks whether somebody else wrote the series since.
func (b *buffer) look(in *Intake) {
	if now, ok := in.spans[b.series]; now != b.expect {
		b.was, b.had, b.expect = now, ok, now
	}
}

// portionsOf takes the first n rows of a buffer, which lie before a cut, as portions of which
// each can be unpacked at once. What is stored or kept back and near enough to be looked
// at by tallies of other rows stays in the buffer.
func (im *importer) portionsOf(dst []*portion, b *buffer, cut int64, n int, final bool) []*portion {
	b.rows, b.old = b.old, b.rows
	old, most := &b.old, 2*im.gather/len(im.order)
	if cap(b.of) > most { // memory of a time with fewer series
		b.rows = rows{}
	}
	first := old.from(cut - longestCarryMS)
	b.begin(old, first)
	for i := range b.of[:max(n-first, 0)] {
		b.of[i].line = storedLine
	}
	p := &portion{buffer: b, lo: old.from(b.edge), edge: b.edge, final: final}
	for i := range old.of[:p.lo] {
		if !old.of[i].stored() {
			p.late = append(p.late, old.of[i])
		}
	}
	b.edge = cut
	for p.hi = n; ; {
		if p.hi-p.lo > im.atOnce {
			hour := tally.HourOf(old.of[p.lo+im.atOnce].time) * reception.HourMS
			if hi := old.from(hour); hi > p.lo {
				next := &portion{buffer: b, lo: hi, hi: n, edge: hour, final: final}
				p.hi = hi
				dst = append(dst, p)
				p = next
				continue
			}
		}
		break
	}
	if len(p.late)+p.hi-p.lo > 0 {
		dst = append(dst, p)
	}
	taken := b.held
	b.held = b.len() - max(n-first, 0)
	im.held -= taken - b.held
	return dst
}

// store stores portions, some at once.
func (im *importer) store(ctx context.Context, portions []*portion, f forms) error {
	for len(portions) > 0 {
		n, rows := 0, 0
		for n < len(portions) && (n == 0 || rows+portions[n].hi-portions[n].lo <= im.atOnce) {
			rows += portions[n].hi - portions[n].lo
			n++
		}
		if err := im.storeSome(ctx, portions[:n], f); err != nil {
			return err
		}
		portions = portions[n:]
	}
	return nil
}

// storeSome stores portions: what can be folded at once with its tallies, and what must
// be made again.
func (im *importer) storeSome(ctx context.Context, portions []*portion, f forms) error {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	im.unpacked.cut(0)
	for _, p := range portions {
		p.look(in)
		delete(in.lives, p.series) // read again when the series is next visited
		p.from = len(im.unpacked.lines)
		im.unpacked.add(&p.old, f, p.late)
		im.unpacked.add(&p.old, f, p.old.of[p.lo:p.hi])
		p.n = len(im.unpacked.lines) - p.from
		if err := in.learn(ctx, p.series, im.unpacked.readings[p.from:]); err != nil {
			return err
		}
	}
	im.fold(portions, f)
	for _, p := range portions { // should storing fail, wider than what is there: no harm
		rs := im.unpacked.readings[p.from : p.from+p.n]
		for i := range p.late {
			in.seen(&rs[i])
		}
		if p.n > len(p.late) {
			in.seen(&rs[len(p.late)])
			in.seen(&rs[p.n-1])
		}
	}
	folded, rest := im.split(portions)
	for _, p := range portions {
		folded.tallies = append(folded.tallies, p.tallies...)
		p.tallies = nil
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
func (im *importer) fold(portions []*portion, forms forms) {
	for _, p := range portions {
		p.make = im.in.maker(p.series)
	}
	next, workers := make(chan *portion), sync.WaitGroup{}
	for range min(runtime.GOMAXPROCS(0), len(portions)) {
		workers.Go(func() {
			var f folder
			for p := range next {
				p.fold(&f, forms, im.unpacked.readings[p.from:p.from+p.n])
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
func (p *portion) fold(f *folder, forms forms, rs []reception.Reading) {
	p.add(len(p.late), false)
	rs, old := rs[len(p.late):], &p.old
	known := old.of[old.len()-1].time
	for i := 0; i < len(rs); {
		start := tally.HourOf(rs[i].Time) * reception.HourMS
		end := start + reception.HourMS
		j := i + 1
		for j < len(rs) && rs[j].Time < end {
			j++
		}
		whole := start >= p.edge && (p.final || known >= end+longestCarryMS)
		if whole = whole && p.foldable(start, end); whole {
			rules := p.make.at(start)
			before, after := rs[:i], rs[j:]
			if carried := start - rules.CarryMS(); carried < rs[0].Time && p.lo > 0 {
				f.before = old.unpack(f.before[:0], forms, old.of[min(old.from(carried), p.lo):p.lo])
				f.before = append(f.before, before...)
				before = f.before
			}
			if carried := end + rules.CarryMS(); carried > rs[len(rs)-1].Time && p.hi < old.len() {
				f.after = append(f.after[:0], after...)
				f.after = old.unpack(f.after, forms, old.of[p.hi:max(old.from(carried), p.hi)])
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
		return load{unpacked: im.unpacked}, load{}
	case n[1] == 0:
		return load{}, load{unpacked: im.unpacked}
	}
	from, to := 0, 0
	for _, p := range portions {
		for _, x := range p.parts {
			rs, lines := im.unpacked.readings[from:from+x.n], im.unpacked.lines[from:from+x.n]
			from += x.n
			if !x.folded {
				rest.readings, rest.lines = append(rest.readings, rs...), append(rest.lines, lines...)
				continue
			}
			copy(im.unpacked.readings[to:], rs)
			to += copy(im.unpacked.lines[to:], lines)
		}
	}
	im.unpacked.cut(to)
	return load{unpacked: im.unpacked}, rest
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
func (b *buffer) decide(ctx context.Context, in *Intake, f forms, d *decisions, n int, final bool) error {
	schedule, now := in.o.Rules(b.series).BaseIntervalMS, in.now()
	u := &b.week
	add := func(sp *spacing, i int) {
		if b.base(f, i) {
			sp.visit(b.of[i].time)
		}
	}
	for i := b.from(b.edge); i < n; {
		w := weekOf(b.of[i].time)
		end := b.from(weekStart(w + 1)) // of the week's rows at hand
		if u.week != w {
			*u = weekUnderWay{week: w}
		}
		for ; i < min(end, n); i++ {
			add(&u.spacing, i)
		}
		complete := end < b.len() || final
		if !b.clear(weekStart(w), weekStart(w+1)) || !over(w, schedule, now) || u.decided && !complete {
			continue
		}
		sp := u.spacing
		if end > n {
			sp.ms = slices.Clone(sp.ms)
			for k := n; k < end; k++ {
				add(&sp, k)
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
	unpacked
	tallies []reception.PackedTally
}

func (im *importer) append(ctx context.Context, l load, folded bool) error {
	if len(l.lines) == 0 {
		return nil
	}
	in, rep := im.in, &im.report
	done, err := in.log.Append(ctx, store.Batch{Readings: l.readings, Tallies: l.tallies, FoldedReadings: folded})
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
