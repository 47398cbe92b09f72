package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"iter"
	"math"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

// A source yields readings of one series by ascending time: a sealed group, or the hot
// rows.
type source interface {
	// next returns the time of the next reading, false if there is none.
	next() (int64, bool, error)
	// take copies what lies before limit into dst, as much as dst holds and perhaps
	// less, but at least one if next lies before limit.
	take(dst []reception.Reading, limit int64) (int, error)
	// skip passes over the next reading.
	skip()
	close()
}

// A merged yields what several sources hold by ascending time. Of readings of one instant
// that of the first source stays.
type merged []source

// take fills dst, less only at the end.
func (m merged) take(dst []reception.Reading) (n int, err error) {
	for n < len(dst) {
		var best source
		var at int64
		limit := int64(math.MaxInt64)
		for _, s := range m {
			t, ok, err := s.next()
			for ok && err == nil && best != nil && t == at {
				s.skip()
				t, ok, err = s.next()
			}
			switch {
			case err != nil:
				return n, err
			case !ok:
			case best == nil:
				best, at = s, t
			case t < at:
				best, at, limit = s, t, at
			default:
				limit = min(limit, t)
			}
		}
		if best == nil {
			return n, nil
		}
		k, err := best.take(dst[n:], limit)
		if err != nil {
			return n, err
		}
		n += k
	}
	return n, nil
}

func (m merged) close() {
	for _, s := range m {
		s.close()
	}
}

// A groupSource is a sealed group within a span. It is read when its turn comes.
type groupSource struct {
	l        *archive
	g        groupRow
	from, to int64
	cols     *segment.Columns
	i, end   int
	done     bool
}

func (s *groupSource) next() (int64, bool, error) {
	switch {
	case s.done:
		return 0, false, nil
	case s.cols == nil && s.g.t0 >= s.from:
		return s.g.t0, s.g.t0 < s.to, nil
	case s.cols == nil:
		if err := s.load(); err != nil || s.done {
			return 0, false, err
		}
	}
	return s.cols.Time(s.i), true, nil
}

func (s *groupSource) load() error {
	c := s.l.borrow()
	if err := s.l.read(s.g, c, false); err != nil {
		s.l.giveBack(c)
		s.done = true
		if errors.Is(err, errAside) {
			return nil
		}
		return err
	}
	s.cols, s.i, s.end = c, c.Search(s.from), c.Search(s.to)
	s.rest()
	return nil
}

// rest gives the columns back at the end.
func (s *groupSource) rest() {
	if s.i >= s.end {
		s.close()
	}
}

func (s *groupSource) take(dst []reception.Reading, limit int64) (int, error) {
	if s.cols == nil && !s.done {
		if err := s.load(); err != nil {
			return 0, err
		}
	}
	if s.done {
		return 0, nil // it was set aside: the caller looks again
	}
	n := min(s.end-s.i, len(dst))
	if s.cols.Time(s.i+n-1) >= limit {
		n = s.cols.Search(limit) - s.i
	}
	s.cols.Fill(dst[:n], s.i)
	s.i += n
	s.rest()
	return n, nil
}

func (s *groupSource) skip() {
	if s.cols == nil && !s.done {
		if s.load() != nil {
			return // next tells again
		}
	}
	if !s.done {
		s.i++
		s.rest()
	}
}

func (s *groupSource) close() {
	if s.cols != nil {
		s.l.giveBack(s.cols)
	}
	s.cols, s.done = nil, true
}

// A hotSource is the hot rows of a series.
type hotSource struct {
	rows   *sql.Rows
	row    *hotRow
	lookup func(int64) (form, error)
	series reception.Series
	ahead  bool // row holds the next
	done   bool
}

func (s *hotSource) next() (int64, bool, error) {
	if !s.ahead && !s.done {
		if !s.rows.Next() {
			s.done = true
			return 0, false, s.rows.Err()
		}
		if err := s.rows.Scan(s.row.dest...); err != nil {
			s.done = true
			return 0, false, err
		}
		s.ahead = true
	}
	return unpackInt(s.row.v[0]), s.ahead, nil
}

func (s *hotSource) take(dst []reception.Reading, limit int64) (n int, err error) {
	for n < len(dst) {
		t, ok, err := s.next()
		if err != nil || !ok || t >= limit {
			return n, err
		}
		dst[n] = reception.Reading{Tuner: s.series.Tuner, FrequencyHz: s.series.FrequencyHz, Layer: s.series.Layer}
		if err := s.row.fill(&dst[n], s.lookup); err != nil {
			return n, err
		}
		s.ahead = false
		n++
	}
	return n, nil
}

func (s *hotSource) skip()  { s.ahead = false }
func (s *hotSource) close() { s.rows.Close() }

// sources returns what holds readings of a series within a span. The caller closes them.
func (s *Store) sources(ctx context.Context, hot *sql.Stmt, h *shelf, of *seriesRow, from, to int64) (merged, error) {
	var out merged
	groups := h.overlapping(of.id, from, to)
	slices.SortFunc(groups, func(a, b groupRow) int { // the first to be written wins
		return cmp.Or(cmp.Compare(a.seg.id, b.seg.id), cmp.Compare(a.rg, b.rg))
	})
	for _, g := range groups {
		out = append(out, &groupSource{l: s.archive, g: g, from: from, to: to})
	}
	if hot != nil {
		rows, err := hot.QueryContext(ctx, from, to, of.id)
		if err != nil {
			return nil, err
		}
		out = append(out, &hotSource{rows: rows, row: newHotRow(), lookup: s.formLookup(ctx), series: of.Series})
	}
	return out, nil
}

// Readings implements [store.Log]. The snapshot is held while the loop runs, and the
// log behind it cannot shrink meanwhile: a loop that takes hours should ask for days.
func (s *Store) Readings(ctx context.Context, q store.Query) iter.Seq2[[]reception.Reading, error] {
	return func(yield func([]reception.Reading, error) bool) {
		var series []*seriesRow
		var h *shelf
		release := s.pins.hold()
		err := s.read(ctx, func() { series, h = s.selected(q), s.shelf }, func(tx *sql.Tx) error {
			st := tx.StmtContext(ctx, s.stmts.hot)
			defer st.Close()
			buf := make([]reception.Reading, 64) // grows where much is read
			for _, r := range series {
				if err := s.readSeries(ctx, st, h, r, q, &buf, yield); err != nil {
					return err
				}
			}
			return nil
		})
		if rerr := release(); rerr != nil {
			s.log.Warn("a file of sealed readings that was merged cannot be removed", "error", rerr)
		}
		deliver(yield, err)
	}
}

func (s *Store) readSeries(ctx context.Context, hot *sql.Stmt, h *shelf, of *seriesRow, q store.Query, buf *[]reception.Reading,
	yield func([]reception.Reading, error) bool) error {
	from, to := q.Bounds()
	if from >= to {
		return s.check(ctx)
	}
	m, err := s.sources(ctx, hot, h, of, from, to)
	if err != nil {
		return err
	}
	defer m.close()
	for {
		n, err := m.take(*buf)
		if err != nil {
			return err
		}
		if n == 0 {
			return nil
		}
		if err := s.check(ctx); err != nil {
			return err
		}
		if !yield((*buf)[:n], nil) {
			return errStop
		}
		if n < len(*buf) {
			return nil
		}
		if n < readingsAtOnce {
			*buf = make([]reception.Reading, min(4*n, readingsAtOnce))
		}
	}
}

// sealedMarks appends the hours from first to last that hold sealed readings of a series.
func (s *Store) sealedMarks(marks []mark, r *seriesRow, first, last int64) ([]mark, error) {
	from, to := first*reception.HourMS, (last+1)*reception.HourMS
	for _, g := range s.shelf.overlapping(r.id, from, to) {
		var err error
		if marks, err = s.groupMarks(marks, r, g, from, to); err != nil && !errors.Is(err, errAside) {
			return nil, err
		}
	}
	return marks, nil
}

func (s *Store) groupMarks(marks []mark, r *seriesRow, g groupRow, from, to int64) ([]mark, error) {
	c := s.archive.borrow()
	defer s.archive.giveBack(c)
	if err := s.archive.read(g, c, true); err != nil {
		return marks, err
	}
	for i := c.Search(from); i < c.Rows() && c.Time(i) < to; {
		hour := store.HourOf(c.Time(i))
		marks = append(marks, mark{hour, r.id})
		i = c.Search((hour + 1) * reception.HourMS)
	}
	return marks, nil
}
