package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"slices"
	"sort"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A catalogue is what the store knows by heart.
//
// The change list would cost each append a page of its own, as much as the reading
// itself. So the line of an append that lies near the end of time is kept here
// alone: its sequence stands in the rows of hot, from which [Store.recover] makes it
// again. Every so often the pending lines are written down, merged to one a series,
// and with them the series' counts.
type catalogue struct {
	seq     int64
	latest  tail
	series  map[reception.Series]*seriesRow
	byID    map[int64]*seriesRow
	pending []line // ascending by seq
}

type seriesRow struct {
	id int64
	store.Stored
}

// A line of the change list that only the rows of hot bear witness to.
type line struct {
	seq    int64
	series *seriesRow
	span   store.Span
}

const (
	// pendingLines is how many lines may be pending, and so about how many rows are
	// read when the store is opened after a crash.
	pendingLines = 1024
	// reachBackMS is how far behind the end of time a reading may lie for its line to
	// stay pending: tuners that are read in turn overlap.
	reachBackMS = 10 * 60 * 1000
	// strays is how many readings may lie after the end of time. A clock that was
	// wrong once would otherwise put everything that follows far behind it.
	strays = 64
	// tallyBackHours is how many hours before a reading the tallies that come with
	// it may lie for its line to stay pending. A recovered line covers them.
	tallyBackHours = 2
	// pendingReadings bounds what one append may add to a look back.
	pendingReadings = 256
)

// A tail holds the times of the latest readings, up to strays+1 of them, descending.
// Readings may come in any order.
type tail []int64

// with returns the tail that also knows a reading's time.
func (l tail) with(t int64) tail {
	i := sort.Search(len(l), func(i int) bool { return l[i] < t })
	if i > strays {
		return l
	}
	return slices.Insert(l, i, t)[:min(len(l)+1, strays+1)]
}

// near reports whether a reading lies near the end of time, which is the earliest of
// a full tail. While that is not full everything is near.
func (l tail) near(t int64) bool { return len(l) <= strays || t >= l[strays]-reachBackMS }

// recover fills the catalogue.
func (s *Store) recover(ctx context.Context) error {
	c := catalogue{series: map[reception.Series]*seriesRow{}, byID: map[int64]*seriesRow{}}
	rows, err := s.readers.QueryContext(ctx, `SELECT id, frequency_hz, layer, tuner, first, last, count FROM series`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		r := &seriesRow{}
		if err := rows.Scan(&r.id, &r.FrequencyHz, &r.Layer, &r.Tuner, &r.First, &r.Last, &r.Count); err != nil {
			return err
		}
		c.series[r.Series], c.byID[r.id] = r, r
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if err := s.readers.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM change`).Scan(&c.seq); err != nil {
		return err
	}
	var ledger int64
	if err := s.readers.QueryRowContext(ctx, lastEntry).Scan(&ledger); err != nil {
		return err
	}
	s.ledgerSeq.Store(ledger)
	if err := s.recoverPending(ctx, &c); err != nil {
		return err
	}
	s.cat = c
	return nil
}

// recoverPending finds the lines above the last one written down. When they were made
// they lay near the end of time, and that only moves on: so it looks back until it has
// left what is near by the readings alone whose lines are written.
func (s *Store) recoverPending(ctx context.Context, c *catalogue) error {
	rows, err := s.readers.QueryContext(ctx, `SELECT time, series, seq FROM hot ORDER BY time DESC, series DESC`)
	if err != nil {
		return err
	}
	defer rows.Close()
	written := c.seq
	type group struct {
		series   *seriesRow
		readings store.Span
		n        int64
	}
	groups := map[int64]*group{} // by seq
	var known tail               // of readings whose line is written
	for rows.Next() {
		var t, id, seq int64
		if err := rows.Scan(&t, &id, &seq); err != nil {
			return err
		}
		if !known.near(t) {
			break
		}
		c.latest = c.latest.with(t)
		if seq <= written {
			known = known.with(t)
			continue
		}
		g := groups[seq]
		if g == nil {
			g = &group{series: c.byID[id]}
			groups[seq] = g
		}
		g.readings = union(g.readings, store.Span{From: t, To: t + 1})
		g.n++
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for seq, g := range groups {
		g.series.Stored = g.series.with(g.n, g.readings)
		c.pending = append(c.pending, line{seq: seq, series: g.series, span: recovered(g.readings)})
		c.seq = max(c.seq, seq)
	}
	slices.SortFunc(c.pending, func(a, b line) int { return cmp.Compare(a.seq, b.seq) })
	return nil
}

// with returns the series' description with n new readings within a span.
func (r *seriesRow) with(n int64, span store.Span) store.Stored {
	d := r.Stored
	if n == 0 {
		return d
	}
	if d.Count == 0 {
		d.First, d.Last = span.From, span.To-1
	}
	d.First, d.Last, d.Count = min(d.First, span.From), max(d.Last, span.To-1), d.Count+n
	return d
}

// A form is what readings of a series have in common for long.
type form struct {
	visit    reception.VisitKind
	why      reception.Reason
	locked   bool
	tunedHz  int64
	identity string
	mode     string
	system   reception.System
	scale    string
}

func formOf(r *reception.Reading) form {
	return form{r.Visit, r.Why, r.Locked, r.TunedHz, r.Identity, r.Mode, r.System, r.Scale}
}

// forms remembers some thousand rows of table form, both ways.
type forms struct {
	mu   sync.Mutex
	byID map[int64]form
	ids  map[form]int64
}

// formsKept bounds the memory that a tuner with a new identity at each visit costs.
const formsKept = 4096

func (f *forms) learn(id int64, x form) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.byID == nil || len(f.byID) >= formsKept {
		f.byID, f.ids = map[int64]form{}, map[form]int64{}
	}
	f.byID[id], f.ids[x] = x, id
}

func (f *forms) id(x form) (int64, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	id, ok := f.ids[x]
	return id, ok
}

func (f *forms) form(id int64) (form, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	x, ok := f.byID[id]
	return x, ok
}

// form returns the form with an id, from memory or the database.
func (s *Store) form(ctx context.Context, id int64) (form, error) {
	if x, ok := s.forms.form(id); ok {
		return x, nil
	}
	var x form
	// Another connection than the caller's: a form that its snapshot shows stays.
	err := s.stmts.form.QueryRowContext(ctx, id).Scan(&x.visit, &x.why, &x.locked, &x.tunedHz, &x.identity, &x.mode, &x.system, &x.scale)
	if err == nil {
		s.forms.learn(id, x)
	}
	return x, err
}

// intern returns the id of a row of names, which it makes if there is none.
func (w *writer) intern(ctx context.Context, find, insert string, args ...any) (id int64, err error) {
	err = w.row(ctx, find, args, &id)
	if errors.Is(err, sql.ErrNoRows) {
		err = w.row(ctx, insert, args, &id)
	}
	return id, err
}
