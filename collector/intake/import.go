package intake

import (
	"cmp"
	"context"
	"fmt"
	"iter"
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

// Sizes of an import: rows that are gathered before they are sorted and stored,
// readings of one append, and issues listed.
const (
	gatherRows = 200000
	appendRows = 50000
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
	buffers  map[reception.Series][]Row
	held     int
	report   Report
	progress func(int64)
}

func newImporter(in *Intake, gather int, progress func(int64)) *importer {
	if progress == nil {
		progress = func(int64) {}
	}
	return &importer{in: in, gather: gather, buffers: map[reception.Series][]Row{}, progress: progress}
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
		im.buffers[s] = append(im.buffers[s], row)
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

// flush stores what was gathered. Unless it is the last time, the last week of each
// series is kept back: if rows come in order of time, each week is stored whole, and
// its tallies with it.
func (im *importer) flush(ctx context.Context, final bool) error {
	for _, s := range sortedSeries(im.buffers) {
		rows := im.sorted(s)
		if len(rows) == 0 {
			delete(im.buffers, s)
			continue
		}
		n := len(rows)
		if !final {
			cut := weekStart(weekOf(rows[n-1].Reading.Time))
			n, _ = slices.BinarySearchFunc(rows, cut, func(r Row, at int64) int { return cmp.Compare(r.Reading.Time, at) })
		}
		if err := im.store(ctx, s, rows, n); err != nil {
			return err
		}
		im.held -= n
		im.buffers[s] = slices.Clone(rows[n:])
	}
	if !final && im.held > im.gather/2 { // too many series for whole weeks
		return im.flush(ctx, true)
	}
	return nil
}

// sorted returns a series' rows by time; of two at one instant the first stays.
func (im *importer) sorted(s reception.Series) []Row {
	rows := im.buffers[s]
	if !slices.IsSortedFunc(rows, compareRows) {
		slices.SortStableFunc(rows, compareRows)
	}
	out := rows[:0]
	for i := range rows {
		if n := len(out); n == 0 || out[n-1].Reading.Time != rows[i].Reading.Time {
			out = append(out, rows[i])
			continue
		}
		im.held--
		if kept, given := &out[len(out)-1].Reading, &rows[i].Reading; kept.Equal(given) {
			im.report.Duplicates++
		} else {
			im.conflict(rows[i].Line, store.ReadingConflict(0, kept, given))
		}
	}
	return out
}

func compareRows(a, b Row) int { return cmp.Compare(a.Reading.Time, b.Reading.Time) }

func (im *importer) conflict(line int64, c store.Conflict) {
	im.report.ConflictCount++
	im.report.Conflicts = list(im.report.Conflicts, Issue{line, c.String()})
}

// store stores the first n of a series' rows; the others are known but not yet
// stored.
func (im *importer) store(ctx context.Context, s reception.Series, rows []Row, n int) error {
	if n == 0 {
		return nil
	}
	in := im.in
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	all := make([]reception.Reading, len(rows))
	for i := range rows {
		all[i] = rows[i].Reading
	}
	c := chunker{im: im, s: s, all: all, rows: rows, n: n, was: in.spans[s], now: in.now(), schedule: in.o.Rules(s).BaseIntervalMS}
	_, c.had = in.spans[s]
	delete(in.lives, s) // read again when the series is next visited
	if err := c.weeks(ctx); err != nil {
		return err
	}
	return c.run(ctx)
}

// A chunker stores a series' rows in appends of whole hours.
type chunker struct {
	im       *importer
	s        reception.Series
	all      []reception.Reading
	rows     []Row
	n        int
	was      store.Stored // of the series, before
	had      bool
	now      int64
	schedule int64
}

// clear reports whether the log held nothing within [from, to).
func (c *chunker) clear(from, to int64) bool { return !c.had || c.was.Last < from || c.was.First >= to }

// weeks decides the base intervals of the weeks that the rows are all of, so that
// tallies can be made at once. Other weeks are decided when they are made again.
func (c *chunker) weeks(ctx context.Context) error {
	in := c.im.in
	var entries []reception.Entry
	fresh := map[weekKey]weekInterval{}
	for i := 0; i < c.n; {
		w := weekOf(c.all[i].Time)
		var sp spacing
		for ; i < len(c.all) && weekOf(c.all[i].Time) == w; i++ {
			sp.add(&c.all[i])
		}
		if !c.clear(weekStart(w), weekStart(w+1)) || !over(w, c.schedule, c.now) {
			continue
		}
		k := weekKey{c.s, w}
		iv := weekInterval{sp.interval(c.schedule), max(c.now, in.weeks[k].known+1)}
		if was, ok := in.weeks[k]; ok && was.ms == iv.ms && was.known >= weekStart(w+1) {
			continue
		}
		e, err := iv.entry(k)
		if err != nil {
			return err
		}
		fresh[k] = iv
		entries = append(entries, e)
	}
	if len(entries) == 0 {
		return nil
	}
	if err := in.ledger.Put(ctx, entries...); err != nil {
		return err
	}
	for k, iv := range fresh {
		in.weeks[k] = iv
	}
	return nil
}

// foldable reports whether an hour's tallies can be made from the rows alone: its
// week's interval is known, and nothing stored lies near.
func (c *chunker) foldable(hour int64) bool {
	start := hour * reception.HourMS
	w := weekOf(start)
	return c.clear(weekStart(w), weekStart(w+1)) && c.clear(start-nearMS, start+reception.HourMS+nearMS)
}

func (c *chunker) run(ctx context.Context) error {
	b := store.Batch{FoldedReadings: true}
	begin := 0
	for i := 0; i < c.n; {
		hour := tally.HourOf(c.all[i].Time)
		j := i
		for j < len(c.all) && tally.HourOf(c.all[j].Time) == hour {
			j++
		}
		fold := c.foldable(hour) && j <= c.n
		if i > begin && (fold != b.FoldedReadings || i-begin >= appendRows) {
			if err := c.append(ctx, b, begin, i); err != nil {
				return err
			}
			b, begin = store.Batch{}, i
		}
		if b.FoldedReadings = fold; fold {
			b.Tallies = append(b.Tallies, c.im.in.make(c.s, c.all, i, j)...)
		}
		i = min(j, c.n)
	}
	return c.append(ctx, b, begin, c.n)
}

// append stores rows [i, j) with their batch.
func (c *chunker) append(ctx context.Context, b store.Batch, i, j int) error {
	in, rep := c.im.in, &c.im.report
	b.Readings = c.all[i:j]
	done, err := in.append(ctx, b)
	if err != nil {
		return err
	}
	rep.New += int64(done.New)
	rep.Duplicates += int64(done.Duplicates)
	for _, x := range done.Conflicts {
		c.im.conflict(c.rows[i+x.Index].Line, x)
	}
	if b.FoldedReadings && done.New < j-i { // the log held what the series' span denied
		return in.log.Touch(ctx, of(c.s, c.all[i].Time, c.all[j-1].Time+1))
	}
	return nil
}
