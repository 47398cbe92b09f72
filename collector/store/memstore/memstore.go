// Package memstore keeps a log and a ledger in memory: for tests, and as the plain
// statement of what the durable engines must do.
package memstore

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"maps"
	"slices"
	"sync"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A Store is a log and a ledger that forget all when the process ends.
type Store struct {
	mu       sync.Mutex
	closed   bool
	readings map[reception.Series]map[int64]reception.Reading
	weather  map[weatherKey]reception.Weather
	tallies  map[reception.TallyKey]reception.PackedTally
	dirty    map[seriesHour]int64
	changes  []store.Change
	entries  []reception.Entry
}

var (
	_ store.Log    = (*Store)(nil)
	_ store.Ledger = (*Store)(nil)
)

type weatherKey struct {
	time      int64
	source    string
	intervalS int64
}

type seriesHour struct {
	reception.Series
	hour int64
}

// New returns an empty store.
func New() *Store {
	return &Store{
		readings: map[reception.Series]map[int64]reception.Reading{},
		weather:  map[weatherKey]reception.Weather{},
		tallies:  map[reception.TallyKey]reception.PackedTally{},
		dirty:    map[seriesHour]int64{},
	}
}

// enter locks the store for a call; leave ends it.
func (s *Store) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return store.ErrClosed
	}
	return nil
}

func (s *Store) leave() { s.mu.Unlock() }

func (s *Store) seq() int64 { return int64(len(s.changes)) }

// note adds a line to the change list and returns its sequence.
func (s *Store) note(c store.Change) int64 {
	c.Seq = s.seq() + 1
	s.changes = append(s.changes, c)
	return c.Seq
}

// Append implements [store.Log].
func (s *Store) Append(ctx context.Context, b store.Batch) (store.Appended, error) {
	if err := s.enter(ctx); err != nil {
		return store.Appended{}, err
	}
	defer s.leave()
	var out store.Appended
	spans := map[reception.Series]store.Span{}
	cover := func(k reception.Series, from, to int64) {
		sp, ok := spans[k]
		if !ok {
			sp = store.Span{From: from, To: to}
		}
		spans[k] = store.Span{From: min(sp.From, from), To: max(sp.To, to)}
	}
	var fresh []seriesHour
	for i := range b.Readings {
		r := b.Readings[i]
		of := s.readings[r.Series()]
		if of == nil {
			of = map[int64]reception.Reading{}
			s.readings[r.Series()] = of
		}
		kept, taken := of[r.Time]
		switch {
		case !taken:
			of[r.Time] = r
			out.New++
			cover(r.Series(), r.Time, r.Time+1)
			fresh = append(fresh, seriesHour{r.Series(), store.HourOf(r.Time)})
		case kept.Equal(&r):
			out.Duplicates++
		default:
			out.Conflicts = append(out.Conflicts, store.ReadingConflict(i, &kept, &r))
		}
	}
	weather := store.Span{}
	for i := range b.Weather {
		w := b.Weather[i]
		k := weatherKey{w.Time, w.Source, w.IntervalS}
		kept, taken := s.weather[k]
		switch {
		case !taken:
			s.weather[k] = w
			out.New++
			from, to := w.Time-w.IntervalS*1000, w.Time+1
			if weather == (store.Span{}) {
				weather = store.Span{From: from, To: to}
			}
			weather = store.Span{From: min(weather.From, from), To: max(weather.To, to)}
		case kept.Equal(&w):
			out.Duplicates++
		default:
			out.Conflicts = append(out.Conflicts, store.WeatherConflict(i, &kept, &w))
		}
	}
	for _, h := range b.ReplaceHours {
		maps.DeleteFunc(s.tallies, func(k reception.TallyKey, _ reception.PackedTally) bool {
			return k.Series == h.Series && k.Hour == h.Hour
		})
		cover(h.Series, h.Hour*reception.HourMS, (h.Hour+1)*reception.HourMS)
	}
	for _, t := range b.Tallies {
		t.Body = slices.Clone(t.Body)
		s.tallies[t.TallyKey] = t
		cover(t.Series, t.Hour*reception.HourMS, (t.Hour+1)*reception.HourMS)
	}
	for _, h := range b.Settled {
		k := seriesHour{h.Series, h.Hour}
		if seq, ok := s.dirty[k]; ok && seq <= h.Seq {
			delete(s.dirty, k)
		}
	}
	seqs := map[reception.Series]int64{}
	for _, k := range slices.SortedFunc(maps.Keys(spans), store.CompareSeries) {
		seqs[k] = s.note(store.Change{Series: k, Span: spans[k]})
	}
	if weather != (store.Span{}) {
		s.note(store.Change{Span: weather, Weather: true})
	}
	if !b.FoldedReadings {
		for _, h := range fresh {
			s.dirty[h] = seqs[h.Series]
		}
	}
	out.Seq = s.seq()
	return out, nil
}

// Readings implements [store.Log].
func (s *Store) Readings(ctx context.Context, q store.Query) iter.Seq2[[]reception.Reading, error] {
	return func(yield func([]reception.Reading, error) bool) {
		if err := s.enter(ctx); err != nil {
			yield(nil, err)
			return
		}
		from, to := q.Bounds()
		var all [][]reception.Reading
		for _, k := range slices.SortedFunc(maps.Keys(s.readings), store.CompareSeries) {
			var of []reception.Reading
			for t, r := range s.readings[k] {
				if q.Selects(k) && t >= from && t < to {
					of = append(of, r)
				}
			}
			slices.SortFunc(of, func(a, b reception.Reading) int { return cmp.Compare(a.Time, b.Time) })
			all = append(all, of)
		}
		s.leave()
		for _, of := range all {
			for chunk := range slices.Chunk(of, 2048) {
				if err := ctx.Err(); err != nil {
					yield(nil, err)
					return
				}
				if !yield(chunk, nil) {
					return
				}
			}
		}
	}
}

// Weather implements [store.Log].
func (s *Store) Weather(ctx context.Context, span store.Span) iter.Seq2[reception.Weather, error] {
	return rows(ctx, s, func() (out []reception.Weather) {
		from, to := span.Bounds()
		for k, w := range s.weather {
			if k.time >= from && k.time < to {
				out = append(out, w)
			}
		}
		slices.SortFunc(out, func(a, b reception.Weather) int {
			return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.Source, b.Source), cmp.Compare(a.IntervalS, b.IntervalS))
		})
		return out
	})
}

// Tallies implements [store.Log].
func (s *Store) Tallies(ctx context.Context, q store.Query) iter.Seq2[reception.PackedTally, error] {
	return rows(ctx, s, func() (out []reception.PackedTally) {
		from, to := q.Bounds()
		for k, t := range s.tallies {
			if at := k.Hour * reception.HourMS; q.Selects(k.Series) && at >= from && at < to {
				t.Body = slices.Clone(t.Body)
				out = append(out, t)
			}
		}
		slices.SortFunc(out, func(a, b reception.PackedTally) int { return store.CompareTallies(a.TallyKey, b.TallyKey) })
		return out
	})
}

// Series implements [store.Log].
func (s *Store) Series(ctx context.Context) ([]store.Stored, error) {
	if err := s.enter(ctx); err != nil {
		return nil, err
	}
	defer s.leave()
	var out []store.Stored
	for k, of := range s.readings {
		times := slices.Collect(maps.Keys(of))
		out = append(out, store.Stored{Series: k, First: slices.Min(times), Last: slices.Max(times), Count: int64(len(times))})
	}
	slices.SortFunc(out, func(a, b store.Stored) int { return store.CompareSeries(a.Series, b.Series) })
	return out, nil
}

// Dirty implements [store.Log].
func (s *Store) Dirty(ctx context.Context, limit int) ([]store.DirtyHour, error) {
	if err := s.enter(ctx); err != nil {
		return nil, err
	}
	defer s.leave()
	var out []store.DirtyHour
	for k, seq := range s.dirty {
		out = append(out, store.DirtyHour{Series: k.Series, Hour: k.hour, Seq: seq})
	}
	slices.SortFunc(out, func(a, b store.DirtyHour) int {
		return cmp.Or(cmp.Compare(a.Hour, b.Hour), store.CompareSeries(a.Series, b.Series))
	})
	return out[:max(0, min(limit, len(out)))], nil
}

// Touch implements [store.Log].
func (s *Store) Touch(ctx context.Context, q store.Query) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.leave()
	c := store.Change{Series: reception.Series{Tuner: q.Tuner, FrequencyHz: q.FrequencyHz}, Span: q.Span}
	if q.Layer != nil {
		c.Layer = *q.Layer
	}
	seq := s.note(c)
	from, to := q.Bounds()
	mark := func(k reception.Series, hour int64) {
		if q.Selects(k) && (hour+1)*reception.HourMS > from && hour*reception.HourMS < to {
			s.dirty[seriesHour{k, hour}] = seq
		}
	}
	for k, of := range s.readings {
		for t := range of {
			mark(k, store.HourOf(t))
		}
	}
	for k := range s.tallies {
		mark(k.Series, k.Hour)
	}
	return nil
}

// Changes implements [store.Log].
func (s *Store) Changes(ctx context.Context, after int64) iter.Seq2[store.Change, error] {
	return rows(ctx, s, func() []store.Change {
		return slices.Clone(s.changes[max(0, min(after, s.seq())):])
	})
}

// Seq implements [store.Log].
func (s *Store) Seq(ctx context.Context) (int64, error) {
	if err := s.enter(ctx); err != nil {
		return 0, err
	}
	defer s.leave()
	return s.seq(), nil
}

// Close implements [store.Log].
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	return nil
}

// Put implements [store.Ledger].
func (s *Store) Put(ctx context.Context, e ...reception.Entry) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.leave()
	all := slices.Clone(s.entries)
	for _, n := range e {
		i := slices.IndexFunc(all, func(o reception.Entry) bool {
			return o.Kind == n.Kind && o.Key == n.Key && o.Held == n.Held && o.Known == n.Known
		})
		switch {
		case i < 0:
			n.Body = slices.Clone(n.Body)
			all = append(all, n)
		case string(all[i].Body) != string(n.Body):
			return fmt.Errorf("put %s: there is another entry known at the same instant; give a later one", store.EntryName(n))
		}
	}
	s.entries = all
	return nil
}

// Entries implements [store.Ledger].
func (s *Store) Entries(ctx context.Context, kind string) iter.Seq2[reception.Entry, error] {
	return rows(ctx, s, func() []reception.Entry {
		type at struct {
			key  string
			held int64
		}
		latest := map[at]reception.Entry{}
		for _, e := range s.entries {
			k := at{e.Key, e.Held}
			if o, ok := latest[k]; e.Kind == kind && (!ok || e.Known > o.Known) {
				latest[k] = e
			}
		}
		return slices.SortedFunc(maps.Values(latest), func(a, b reception.Entry) int {
			return cmp.Or(cmp.Compare(a.Held, b.Held), cmp.Compare(a.Key, b.Key))
		})
	})
}

// History implements [store.Ledger].
func (s *Store) History(ctx context.Context, kind string) iter.Seq2[reception.Entry, error] {
	return rows(ctx, s, func() (out []reception.Entry) {
		for _, e := range s.entries {
			if e.Kind == kind {
				out = append(out, e)
			}
		}
		slices.SortFunc(out, func(a, b reception.Entry) int {
			return cmp.Or(cmp.Compare(a.Known, b.Known), cmp.Compare(a.Held, b.Held), cmp.Compare(a.Key, b.Key))
		})
		return out
	})
}

// LedgerSeq implements [store.Ledger].
func (s *Store) LedgerSeq(ctx context.Context) (int64, error) {
	if err := s.enter(ctx); err != nil {
		return 0, err
	}
	defer s.leave()
	return int64(len(s.entries)), nil
}

// rows iterates over what gather returned when iteration began.
func rows[T any](ctx context.Context, s *Store, gather func() []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		if err := s.enter(ctx); err != nil {
			yield(none, err)
			return
		}
		all := gather()
		s.leave()
		for _, x := range all {
			if err := ctx.Err(); err != nil {
				yield(none, err)
				return
			}
			if !yield(x, nil) {
				return
			}
		}
	}
}
