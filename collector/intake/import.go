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

// Rows are readings of an import, each with the line it stood in. They may be used
// again for the next ones.
type Rows struct {
	Lines    []int64 // from 0 on
	Readings []reception.Reading
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

// Sizes of an import: rows that are gathered before they are sorted and stored, which
// part of them is unpacked and stored at once, and issues listed. A row takes 72 bytes,
// and while rows are stored the next are gathered; unpacked it takes 272.
const (
	gatherRows = 250000
	atOncePart = 4
	maxIssues  = 100
)

// nearMS is beyond the longest carry and the hour that it reaches into: readings
// further apart do not touch each other's tallies.
const nearMS = 4 * reception.HourMS

// longestCarryMS is the carry of the longest base interval, one hour.
const longestCarryMS = 3 * reception.HourMS

// Import stores readings in bulk, in any order, with their tallies; hours that had
// readings before, or lie near some, are made again at its end. An import that was
// broken off may be given again: what is there already counts as duplicate. progress,
// which may be nil, is called now and then with the number of rows taken.
//
// The first error that rows yields ends the import; what came before it is stored,
// and the report counts it. An error wrapping store.ErrFull means that the disk is
// full.
func (in *Intake) Import(ctx context.Context, rows iter.Seq2[Rows, error], progress func(rows int64)) (Report, error) {
	im := newImporter(in, in.gather, progress)
	err := im.all(ctx, rows)
	if err == nil {
		err = in.Rebuild(ctx)
	}
	im.progress(im.report.Rows)
	if err != nil {
		return im.report, fmt.Errorf("import readings, %d stored: %w", im.report.New, err)
	}
	return im.report, nil
}

// An importer gathers readings by series and stores them portion by portion, while the
// next are gathered.
type importer struct {
	in       *Intake
	gather   int // rows held at most
	atOnce   int // rows unpacked at most
	buffers  map[reception.Series]*buffer
	order    []*buffer // in series order
	latest   *buffer   // of the latest row
	held     int       // rows that are not stored
	room     int       // for rows until they must be
	forms    formBook
	storing  chan error // nil: nothing is being stored
	unpacked unpacked   // that are being stored; memory to use again
	report   Report
	said     int64 // rows at the last progress
	progress func(int64)
}

// A buffer holds readings of one series.
type buffer struct {
	series reception.Series
	rows           // some of which may be stored already and stay as neighbours
	held   int     // the others
	sorted bool    // ascending, no instant twice
	edge   int64   // what comes with a time before it is late
	old    rows    // that are being stored; memory to use again
	next   *buffer // of the row that came after the latest of this one

	was    store.Stored // of the series, when others last wrote it
	had    bool
	expect store.Stored // of the series, after our own last append
	week   weekUnderWay
}

func newImporter(in *Intake, gather int, progress func(int64)) *importer {
	if progress == nil {
		progress = func(int64) {}
	}
	return &importer{in: in, gather: gather, atOnce: max(gather/atOncePart, 1), room: gather, buffers: map[reception.Series]*buffer{}, progress: progress}
}

// all stores all rows, and those before an error.
func (im *importer) all(ctx context.Context, rows iter.Seq2[Rows, error]) error {
	err, stored := im.take(ctx, rows)
	if stored == nil {
		stored = im.flush(ctx, true)
	}
	return cmp.Or(err, stored, im.wait())
}

// take gathers rows, and stores portions of them. It returns an error of the rows and
// one of the store.
func (im *importer) take(ctx context.Context, rows iter.Seq2[Rows, error]) (err, stored error) {
	for c, err := range rows {
		if err != nil {
			return err, nil
		}
		for i := range c.Readings {
			if fault := im.put(&c.Readings[i], c.Lines[i]); fault != nil {
				im.report.BadCount++
				im.report.Bad = list(im.report.Bad, Issue{c.Lines[i], fault.Error()})
			}
			if im.room <= 0 {
				if err := im.flush(ctx, false); err != nil {
					return nil, err
				}
			}
		}
		if im.report.Rows += int64(len(c.Readings)); im.report.Rows-im.said >= 10000 {
			im.said = im.report.Rows
			im.progress(im.said)
			if err := ctx.Err(); err != nil {
				return err, nil
			}
		}
	}
	return nil, nil
}

func list(l []Issue, i Issue) []Issue {
	if len(l) < maxIssues {
		l = append(l, i)
	}
	return l
}

// put puts a reading into the buffer of its series. Channels mostly follow each other
// in the same order again and again.
func (im *importer) put(r *reception.Reading, line int64) error {
	var b *buffer
	if im.latest != nil {
		b = im.latest.next
	}
	if b == nil || b.series.FrequencyHz != r.FrequencyHz || b.series.Tuner != r.Tuner || b.series.Layer != r.Layer {
		key := *r
		if err := im.in.normalise(&key); err != nil {
			return err
		}
		if b = im.buffers[key.Series()]; b == nil {
			b = &buffer{series: key.Series(), sorted: true}
			im.buffers[b.series] = b
			at, _ := slices.BinarySearchFunc(im.order, b, func(x, y *buffer) int { return store.CompareSeries(x.series, y.series) })
			im.order = slices.Insert(im.order, at, b)
		}
		if im.latest != nil {
			im.latest.next = b
		}
		r = &key
	} else if err := check(r); err != nil { // it is keyed as the others of its series are
		return err
	}
	im.latest = b
	n := b.len()
	b.sorted = b.sorted && (n == 0 || b.of[n-1].time < r.Time)
	b.held, im.held = b.held+1, im.held+1
	im.room -= b.add(&im.forms, r, line)
	return nil
}

// flush stores what was gathered. Unless it is the last time, the end of each series is
// kept back, so that its tallies can be made from rows alone when the rest has come: its
// last week if that leaves half of the rows to store, so that the week's interval is
// decided by all of it, or else its last hours, if that does.
func (im *importer) flush(ctx context.Context, final bool) error {
	if err := im.wait(); err != nil {
		return err
	}
	for _, b := range im.order {
		im.sort(b)
	}
	cuts := []func(last int64) int64{
		func(last int64) int64 { return weekStart(weekOf(last)) },
		func(last int64) int64 { return tally.HourOf(last-longestCarryMS) * reception.HourMS },
		func(last int64) int64 { return last + 1 },
	}
	if final {
		cuts = cuts[2:]
	}
	for len(cuts) > 1 && im.before(cuts[0]) < im.held/2 {
		cuts = cuts[1:]
	}
	portions, err := im.portions(ctx, cuts[0], final)
	im.room = im.gather - im.held
	if err != nil || len(portions) == 0 {
		return err
	}
	im.storing = make(chan error, 1)
	forms := im.forms.list // those of later rows are added behind
	go func() { im.storing <- im.store(ctx, portions, forms) }()
	return nil
}

// wait waits until what is being stored is stored.
func (im *importer) wait() error {
	if im.storing == nil {
		return nil
	}
	err := <-im.storing
	im.storing = nil
	return err
}

// before counts the rows that are to be stored before the instants that a cut makes of
// the last of each series.
func (im *importer) before(cut func(last int64) int64) (n int) {
	for _, b := range im.order {
		if b.held == 0 {
			continue
		}
		for i := range b.of[:b.from(b.cut(cut))] {
			if !b.of[i].stored() {
				n++
			}
		}
	}
	return n
}

// cut returns where a buffer is cut: not before its edge.
func (b *buffer) cut(cut func(last int64) int64) int64 {
	return max(b.edge, cut(b.of[b.len()-1].time))
}

// sort puts a buffer in order of time; of two readings at one instant the first one
// given stays.
func (im *importer) sort(b *buffer) {
	if b.sorted {
		return
	}
	slices.SortStableFunc(b.of, func(x, y packed) int { return cmp.Compare(x.time, y.time) })
	n := 0
	for i := range b.of {
		if n == 0 || b.of[n-1].time != b.of[i].time {
			b.of[n] = b.of[i]
			n++
			continue
		}
		b.held--
		im.held--
		kept, given := b.at(im.forms.list, n-1), b.at(im.forms.list, i)
		if kept.Equal(&given) {
			im.report.Duplicates++
		} else {
			im.conflict(b.of[i].line, store.ReadingConflict(0, &kept, &given))
		}
	}
	b.of = b.of[:n]
	b.sorted = true
}

func (im *importer) conflict(line int64, c store.Conflict) {
	im.report.ConflictCount++
	im.report.Conflicts = list(im.report.Conflicts, Issue{line, c.String()})
}
