package intake

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// A Row is one reading of an import with the line it stood in.
type Row struct {
	Line    int64
	Reading reception.Reading
}

// An Issue names a line (or an index) and what is wrong with it.
type Issue struct {
	Line int64
	What string
}

// A Report says what became of an import.
type Report struct {
	Rows, New, Duplicates int64
	Bad                   []Issue // the first ones; their rows are not stored
	BadCount              int64
	Conflicts             []Issue // the first ones: the stored reading stays
	ConflictCount         int64
}

// Sizes of an import: rows that are gathered before they are sorted and stored, and
// issues listed.
const (
	gatherRows = 200000
	maxIssues  = 100
)

// nearMS is beyond the longest carry and the hour that it reaches into: readings
// further apart do not touch each other's tallies.
const nearMS = 4 * reception.HourMS

// Import stores readings in bulk, in any order, with their tallies; hours that had
// readings before, or lie near some, are made again at its end. An import that was
// broken off may be given again: what is there already counts as duplicate. progress,
// which may be nil, is called now and then with the number of rows taken.
//
// The first error that rows yields ends the import; what came before it is stored,
// and the report counts it. An error wrapping store.ErrFull means that the disk is
// full.
func (in *Intake) Import(ctx context.Context, rows iter.Seq2[Row, error], progress func(rows int64)) (Report, error) {
	im := newImporter(in, gatherRows, progress)
	err := im.take(ctx, rows)
	if e := im.flush(ctx, true); err == nil {
		err = e
	}
	if err == nil {
		err = in.Rebuild(ctx)
	}
	im.progress(im.report.Rows)
	if err != nil {
		return im.report, fmt.Errorf("import readings, %d stored: %w", im.report.New, err)
	}
	return im.report, nil
}

type importer struct {
	in       *Intake
	gather   int // rows held at most
	buffers  map[reception.Series]*buffer
	held     int
	loads    [2]load // of the week that is stored: memory to use again
	report   Report
	progress func(int64)
}

func newImporter(in *Intake, gather int, progress func(int64)) *importer {
	if progress == nil {
		progress = func(int64) {}
	}
	return &importer{in: in, gather: gather, buffers: map[reception.Series]*buffer{}, progress: progress}
}

func (im *importer) take(ctx context.Context, rows iter.Seq2[Row, error]) error {
	for row, err := range rows {
		if err != nil {
			return err
		}
		im.report.Rows++
		if im.report.Rows%10000 == 0 {
			im.progress(im.report.Rows)
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		if err := im.in.normalise(&row.Reading); err != nil {
			im.report.BadCount++
			im.report.Bad = list(im.report.Bad, Issue{row.Line, err.Error()})
			continue
		}
		s := row.Reading.Series()
		b, ok := im.buffers[s]
		if !ok {
			b = &buffer{}
			im.buffers[s] = b
		}
		b.readings, b.lines = append(b.readings, row.Reading), append(b.lines, row.Line)
		if im.held++; im.held >= im.gather {
			if err := im.flush(ctx, false); err != nil {
				return err
			}
		}
	}
	return nil
}

func list(l []Issue, i Issue) []Issue {
	if len(l) < maxIssues {
		l = append(l, i)
	}
	return l
}

// flush stores what was gathered, week by week over all series, which is the order
// of the log. Unless it is the last time, the last week of each series is kept back:
// if rows come in order of time, each week is stored whole, and its tallies with it.
func (im *importer) flush(ctx context.Context, final bool) error {
	var portions []*portion
	for _, s := range sortedSeries(im.buffers) {
		b := im.buffers[s]
		im.sort(b)
		n := len(b.lines)
		if !final && n > 0 {
			n = from(b.readings, weekStart(weekOf(b.readings[n-1].Time)))
		}
		if n > 0 {
			portions = append(portions, &portion{buffer: b, series: s, n: n})
		}
	}
	if err := im.store(ctx, portions); err != nil {
		return err
	}
	for _, p := range portions {
		im.held -= p.n
		p.readings, p.lines = p.readings[:copy(p.readings, p.readings[p.n:])], p.lines[:copy(p.lines, p.lines[p.n:])]
	}
	// Buffers keep their memory for the next rows, up to twice their share of it.
	for _, b := range im.buffers {
		if cap(b.readings) > 2*im.gather/len(im.buffers) {
			b.readings, b.lines = slices.Clone(b.readings), slices.Clone(b.lines)
		}
	}
	if !final && im.held > im.gather/2 { // too many series for whole weeks
		return im.flush(ctx, true)
	}
	return nil
}

// A buffer holds readings of one series, and the line of each.
type buffer struct {
	readings []reception.Reading
	lines    []int64
}

// sort puts a buffer in order of time; of two readings at one instant the first one
// given stays.
func (im *importer) sort(b *buffer) {
	byTime := func(x, y reception.Reading) int { return cmp.Compare(x.Time, y.Time) }
	if !slices.IsSortedFunc(b.readings, byTime) {
		order := make([]int, len(b.lines))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(i, j int) int { return byTime(b.readings[i], b.readings[j]) })
		was := *b
		*b = buffer{make([]reception.Reading, len(order)), make([]int64, len(order))}
		for to, i := range order {
			b.readings[to], b.lines[to] = was.readings[i], was.lines[i]
		}
	}
	n := 0
	for i := range b.readings {
		if n == 0 || b.readings[n-1].Time != b.readings[i].Time {
			b.readings[n], b.lines[n] = b.readings[i], b.lines[i]
			n++
			continue
		}
		im.held--
		if kept, given := &b.readings[n-1], &b.readings[i]; kept.Equal(given) {
			im.report.Duplicates++
		} else {
			im.conflict(b.lines[i], store.ReadingConflict(0, kept, given))
		}
	}
	b.readings, b.lines = b.readings[:n], b.lines[:n]
}

func (im *importer) conflict(line int64, c store.Conflict) {
	im.report.ConflictCount++
	im.report.Conflicts = list(im.report.Conflicts, Issue{line, c.String()})
}

// store stores the portions of several series.
func (im *importer) store(ctx context.Context, portions []*portion) error {
	if len(portions) == 0 {
		return nil
	}
	if err := im.begin(ctx, portions); err != nil {
		return err
	}
	for {
		week, more := int64(math.MaxInt64), false
		for _, p := range portions {
			if p.next < p.n {
				week, more = min(week, weekOf(p.readings[p.next].Time)), true
			}
		}
		if !more {
			return nil
		}
		if err := im.storeWeek(ctx, portions, week); err != nil {
			return err
		}
	}
}

// begin looks at what the log holds of the portions' series, and decides the base
// intervals of weeks that the rows are all of, so that their tallies can be made at
// once. Other weeks are decided when they are made again.
func (im *importer) begin(ctx context.Context, portions []*portion) error {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	var entries []reception.Entry
	fresh := map[weekKey]weekInterval{}
	now := in.now()
	for _, p := range portions {
		p.was, p.had = in.spans[p.series]
		p.expect = p.was
		if err := in.learn(ctx, p.series, p.readings[:p.n]); err != nil {
			return err
		}
		schedule := in.o.Rules(p.series).BaseIntervalMS
		for i := 0; i < p.n; {
			w := weekOf(p.readings[i].Time)
			var sp spacing
			for ; i < len(p.readings) && weekOf(p.readings[i].Time) == w; i++ {
				sp.add(&p.readings[i])
			}
			k := weekKey{p.series, w}
			was, ok := in.weeks[k]
			iv := weekInterval{sp.interval(schedule), max(now, was.known+1)}
			if !p.clear(weekStart(w), weekStart(w+1)) || !over(w, schedule, now) || ok && was.ms == iv.ms && was.known >= weekStart(w+1) {
				continue
			}
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
	maps.Copy(in.weeks, fresh)
	return nil
}

// storeWeek stores what the portions have of a week: what can be folded at once, and
// what must be made again.
func (im *importer) storeWeek(ctx context.Context, portions []*portion, week int64) error {
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	folded, rest := &im.loads[0], &im.loads[1]
	folded.empty()
	rest.empty()
	folded.batch.FoldedReadings = true
	for _, p := range portions {
		if now := in.spans[p.series]; now != p.expect { // somebody else wrote meanwhile
			p.was, p.had = now, true
		}
		for p.next < p.n && weekOf(p.readings[p.next].Time) == week {
			i, hour := p.next, tally.HourOf(p.readings[p.next].Time)
			j := i + from(p.readings[i:], (hour+1)*reception.HourMS)
			p.next = min(j, p.n)
			if j > p.n || !p.foldable(hour) {
				rest.take(p, i, p.next)
				continue
			}
			folded.batch.Tallies = append(folded.batch.Tallies, in.make(p.series, p.readings, i, j)...)
			folded.take(p, i, j)
		}
		delete(in.lives, p.series) // read again when the series is next visited
	}
	for _, l := range []*load{folded, rest} {
		if err := im.append(ctx, l); err != nil {
			return err
		}
	}
	for _, p := range portions {
		p.expect = in.spans[p.series]
	}
	return nil
}

// A load is one append with the lines of its readings.
type load struct {
	batch store.Batch
	lines []int64
}

func (l *load) take(p *portion, i, j int) {
	l.batch.Readings = append(l.batch.Readings, p.readings[i:j]...)
	l.lines = append(l.lines, p.lines[i:j]...)
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

// A portion is what an import stores of one series at a time: the first n readings of
// a sorted buffer; the others are known but kept back.
type portion struct {
	*buffer
	series reception.Series
	n      int
	next   int          // readings before are stored
	was    store.Stored // of the series, when others last wrote it
	had    bool
	expect store.Stored // of the series, after our own last append
}

// clear reports whether the log held nothing within [from, to).
func (p *portion) clear(from, to int64) bool { return !p.had || p.was.Last < from || p.was.First >= to }

// foldable reports whether an hour's tallies can be made from the rows alone: its
// week's interval is known, and nothing stored lies near.
func (p *portion) foldable(hour int64) bool {
	start := hour * reception.HourMS
	w := weekOf(start)
	return p.clear(weekStart(w), weekStart(w+1)) && p.clear(start-nearMS, start+reception.HourMS+nearMS)
}
