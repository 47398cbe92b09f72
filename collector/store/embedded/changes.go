package embedded

import (
	"context"
	"database/sql"
	"encoding/json"
	"iter"
	"maps"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// writeDown puts the pending lines, merged to one a series, and then more changes
// into the change list, and how these series and the ones touched stand after it.
func (s *Store) writeDown(ctx context.Context, more []store.Change, by []*touched) error {
	merged := map[*seriesRow]int{}
	var out []store.Change
	stand := map[*seriesRow]store.Stored{}
	for _, l := range s.cat.pending {
		i, ok := merged[l.series]
		if !ok {
			i = len(out)
			merged[l.series], stand[l.series] = i, l.series.Stored
			out = append(out, store.Change{Series: l.series.Series})
		}
		out[i].Seq, out[i].Span = l.seq, union(out[i].Span, l.span) // lines ascend
	}
	for _, c := range slices.Concat(out, more) {
		err := s.w.exec(ctx, `INSERT INTO change (seq, weather, tuner, frequency_hz, layer, "from", "to") VALUES (?, ?, ?, ?, ?, ?, ?)`,
			c.Seq, packBool(c.Weather), c.Tuner, c.FrequencyHz, c.Layer, c.From, c.To)
		if err != nil {
			return err
		}
	}
	for _, t := range by {
		stand[t.row] = t.row.with(t.n, t.new)
	}
	for r, d := range stand {
		if err := s.w.exec(ctx, `UPDATE series SET first = ?, last = ?, count = ? WHERE id = ?`, d.First, d.Last, d.Count, r.id); err != nil {
			return err
		}
	}
	return nil
}

// Changes implements [store.Log].
func (s *Store) Changes(ctx context.Context, after int64) iter.Seq2[store.Change, error] {
	return func(yield func(store.Change, error) bool) {
		var pending []line
		deliver(yield, s.read(ctx, func() { pending = slices.Clone(s.cat.pending) }, func(tx *sql.Tx) error {
			rows, err := tx.StmtContext(ctx, s.stmts.changes).QueryContext(ctx, after)
			if err != nil {
				return err
			}
			defer rows.Close()
			for rows.Next() {
				if err := s.check(ctx); err != nil {
					return err
				}
				var c store.Change
				if err := rows.Scan(&c.Seq, &c.Weather, &c.Tuner, &c.FrequencyHz, &c.Layer, &c.From, &c.To); err != nil {
					return err
				}
				if !yield(c, nil) {
					return errStop
				}
			}
			if err := rows.Err(); err != nil {
				return err
			}
			for _, l := range pending {
				if l.seq <= after {
					continue
				}
				if err := s.check(ctx); err != nil {
					return err
				}
				if !yield(store.Change{Seq: l.seq, Series: l.series.Series, Span: l.span}, nil) {
					return errStop
				}
			}
			return nil
		}))
	}
}

// Seq implements [store.Log].
func (s *Store) Seq(ctx context.Context) (int64, error) {
	if err := s.check(ctx); err != nil {
		return 0, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.cat.seq, nil
}

// Series implements [store.Log].
func (s *Store) Series(ctx context.Context) ([]store.Stored, error) {
	if err := s.check(ctx); err != nil {
		return nil, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []store.Stored
	for _, r := range s.cat.series {
		if r.Count > 0 {
			out = append(out, r.Stored)
		}
	}
	slices.SortFunc(out, func(a, b store.Stored) int { return store.CompareSeries(a.Series, b.Series) })
	return out, nil
}

// selected returns the known series that a query selects, in series order. The
// caller holds mu or the turn to write.
func (s *Store) selected(q store.Query) []*seriesRow {
	var out []*seriesRow
	for k, r := range s.cat.series {
		if q.Selects(k) {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b *seriesRow) int { return store.CompareSeries(a.Series, b.Series) })
	return out
}

// Dirty implements [store.Log]. The rows come in the order of their key, without a join
// and a sort by SQLite, and the series of each hour are brought into order here.
func (s *Store) Dirty(ctx context.Context, limit int) ([]store.DirtyHour, error) {
	var out []store.DirtyHour
	if limit <= 0 {
		return nil, s.check(ctx)
	}
	var series map[int64]*seriesRow
	err := s.read(ctx, func() { series = maps.Clone(s.cat.byID) }, func(tx *sql.Tx) error {
		rows, err := tx.StmtContext(ctx, s.stmts.dirty).QueryContext(ctx)
		if err != nil {
			return err
		}
		defer rows.Close()
		from := 0 // of the latest hour
		sortHour := func() {
			slices.SortFunc(out[from:], func(a, b store.DirtyHour) int { return store.CompareSeries(a.Series, b.Series) })
		}
		for rows.Next() {
			var d store.DirtyHour
			var id int64
			if err := rows.Scan(&d.Hour, &id, &d.Seq); err != nil {
				return err
			}
			of := series[id]
			if of == nil { // nothing that this program wrote
				continue
			}
			d.Series = of.Series
			if len(out) > 0 && out[from].Hour != d.Hour {
				if sortHour(); len(out) >= limit {
					return nil
				}
				from = len(out)
			}
			out = append(out, d)
		}
		sortHour()
		return rows.Err()
	})
	if err != nil {
		return nil, err
	}
	return out[:min(len(out), limit)], nil
}

// Touch implements [store.Log].
func (s *Store) Touch(ctx context.Context, q store.Query) error {
	run := context.WithoutCancel(ctx)
	var seq int64
	return s.write(ctx, forReadings, func() error {
		seq = s.cat.seq + 1
		c := store.Change{Seq: seq, Series: reception.Series{Tuner: q.Tuner, FrequencyHz: q.FrequencyHz}, Span: q.Span}
		if q.Layer != nil {
			c.Layer = *q.Layer
		}
		from, to := q.Bounds()
		if from >= to {
			from, to = 0, 0
		}
		first, last := store.HourOf(from), store.HourOf(to-1)
		selected := s.selected(q)
		ids := make([]int64, len(selected))
		for i, r := range selected {
			ids[i] = r.id
		}
		list, err := json.Marshal(ids)
		if err != nil {
			return err
		}
		// One walk over the span for all series: the rows lie in the order of time.
		if err := s.w.exec(run, `INSERT INTO dirty_hour (hour, series, seq)
			SELECT DISTINCT time / ?1, series, ?2 FROM hot WHERE time >= ?3 AND time < ?4 AND series IN (SELECT value FROM json_each(?5))
			ON CONFLICT (hour, series) DO UPDATE SET seq = excluded.seq`,
			int64(reception.HourMS), seq, first*reception.HourMS, (last+1)*reception.HourMS, string(list)); err != nil {
			return err
		}
		marks, err := s.tallyMarks(run, selected, first, last)
		if err != nil {
			return err
		}
		for _, r := range selected {
			if err := ctx.Err(); err != nil {
				return err
			}
			if marks, err = s.sealedMarks(marks, r, first, last); err != nil {
				return err
			}
		}
		if err := s.w.markDirty(run, marks, seq); err != nil {
			return err
		}
		return s.writeDown(run, []store.Change{c}, nil)
	}, func() { s.cat.seq, s.cat.pending = seq, nil })
}
