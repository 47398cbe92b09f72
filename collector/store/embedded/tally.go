package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"iter"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A dayKey names a row of tally_day.
type dayKey struct{ day, series, regime int64 }

// A dayRow is a row of tally_day under change.
type dayRow struct {
	id    int64 // 0: not stored yet
	old   []byte
	hours [hoursADay]*hourTally
}

// tallies drops the hours to be replaced, then puts the batch's tallies. Each day is
// read and written once.
func (a *appending) tallies(b *store.Batch) error {
	if len(b.Tallies)+len(b.ReplaceHours) == 0 {
		return nil
	}
	days := map[dayKey]*dayRow{}
	type seriesDay struct{ day, series int64 }
	whole := map[seriesDay][]*dayRow{} // what days has of all regimes
	for _, h := range b.ReplaceHours {
		t := a.series[h.Series]
		t.tallied(h.Hour)
		day, of := dayOf(h.Hour)
		k := seriesDay{day, t.row.id}
		rows, ok := whole[k]
		if !ok {
			var err error
			if rows, err = a.loadDays(days, t, `day = ? AND series = ?`, day, t.row.id); err != nil {
				return err
			}
			whole[k] = rows
		}
		for _, d := range rows {
			d.hours[of] = nil
		}
	}
	regimes := map[reception.Regime]int64{}
	for i := range b.Tallies {
		if err := a.ctx.Err(); err != nil {
			return err
		}
		p := &b.Tallies[i]
		t := a.series[p.Series]
		t.tallied(p.Hour)
		id, ok := regimes[p.Regime]
		if !ok {
			var err error
			if id, err = a.regime(p.Regime); err != nil {
				return err
			}
			regimes[p.Regime] = id
		}
		day, of := dayOf(p.Hour)
		k := dayKey{day, t.row.id, id}
		if days[k] == nil {
			if _, ok := whole[seriesDay{day, t.row.id}]; !ok {
				if _, err := a.loadDays(days, t, `day = ? AND series = ? AND regime = ?`, day, t.row.id, id); err != nil {
					return err
				}
			}
		}
		if days[k] == nil {
			days[k] = &dayRow{}
		}
		days[k].hours[of] = &hourTally{of, p.Version, p.Body}
	}
	return a.putDays(days)
}

func (a *appending) regime(r reception.Regime) (int64, error) {
	return a.s.w.intern(a.run, `SELECT id FROM regime WHERE installation = ? AND mode = ? AND scale = ?`,
		`INSERT INTO regime (installation, mode, scale) VALUES (?, ?, ?) RETURNING id`, r.Installation, r.Mode, r.Scale)
}

// loadDays reads rows of tally_day, all of one series and not in days yet, into days, and
// returns them. Damaged ones are set aside.
func (a *appending) loadDays(days map[dayKey]*dayRow, t *touched, where string, args ...any) (loaded []*dayRow, err error) {
	st, err := a.s.w.prepare(a.run, `SELECT id, day, series, regime, body FROM tally_day WHERE `+where)
	if err != nil {
		return nil, err
	}
	rows, err := st.QueryContext(a.run, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var damaged []int64
	for rows.Next() {
		d := &dayRow{}
		var k dayKey
		if err := rows.Scan(&d.id, &k.day, &k.series, &k.regime, &d.old); err != nil {
			return nil, err
		}
		of, err := unpackDay(d.old)
		if err != nil {
			damaged = append(damaged, d.id)
			continue
		}
		for _, t := range of {
			d.hours[t.hour] = &t
		}
		days[k] = d
		loaded = append(loaded, d)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	for _, id := range damaged {
		day, err := a.s.w.setAside(a.run, id, t.row.id, t.seq)
		if err != nil {
			return nil, err
		}
		t.tally = union(t.tally, day)
	}
	return loaded, nil
}

// putDays writes the days that differ from what is there, in the order of the key.
func (a *appending) putDays(days map[dayKey]*dayRow) error {
	keys := make([]dayKey, 0, len(days))
	for k := range days {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(x, y dayKey) int {
		return cmp.Or(cmp.Compare(x.day, y.day), cmp.Compare(x.series, y.series), cmp.Compare(x.regime, y.regime))
	})
	for _, k := range keys {
		d := days[k]
		var of []hourTally
		var mask int64
		for _, t := range d.hours {
			if t != nil {
				of = append(of, *t)
				mask |= 1 << t.hour
			}
		}
		body := packDay(of)
		var err error
		switch {
		case mask == 0 && d.id == 0 || d.id != 0 && string(body) == string(d.old):
		case mask == 0:
			err = a.exec(`DELETE FROM tally_day WHERE id = ?`, d.id)
		case d.id == 0:
			err = a.exec(`INSERT INTO tally_day (day, series, regime, hours, body) VALUES (?, ?, ?, ?, ?)`, k.day, k.series, k.regime, mask, body)
		default:
			err = a.exec(`UPDATE tally_day SET hours = ?, body = ? WHERE id = ?`, mask, body, d.id)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// tallyMarks lists the hours from first to last that hold tallies of some series.
func (s *Store) tallyMarks(ctx context.Context, of []*seriesRow, first, last int64) (marks []mark, err error) {
	from, _ := dayOf(first)
	to, _ := dayOf(last)
	selected := map[int64]bool{}
	for _, r := range of {
		selected[r.id] = true
	}
	st, err := s.w.prepare(ctx, `SELECT day, series, hours FROM tally_day WHERE day >= ? AND day <= ?`)
	if err != nil {
		return nil, err
	}
	rows, err := st.QueryContext(ctx, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var day, series, mask int64
		if err := rows.Scan(&day, &series, &mask); err != nil {
			return nil, err
		}
		for h := range int64(hoursADay) {
			if hour := day*hoursADay + h; mask&(1<<h) != 0 && hour >= first && hour <= last && selected[series] {
				marks = append(marks, mark{hour, series})
			}
		}
	}
	return marks, rows.Err()
}

// Tallies implements [store.Log]. It keeps one day of all series in memory. A day of a
// series that cannot be read is left out and marked dirty.
func (s *Store) Tallies(ctx context.Context, q store.Query) iter.Seq2[reception.PackedTally, error] {
	return func(yield func(reception.PackedTally, error) bool) {
		from, to := q.Bounds()
		if from >= to {
			deliver(yield, s.check(ctx))
			return
		}
		first, last := store.HourOf(from+reception.HourMS-1), store.HourOf(to-1)
		var damaged []damagedDay
		deliver(yield, s.readTallies(ctx, q, first, last, yield, func(d damagedDay) { damaged = append(damaged, d) }))
		if len(damaged) > 0 {
			s.repair(ctx, damaged)
		}
	}
}

// readTallies yields the tallies of hours from first to last.
func (s *Store) readTallies(ctx context.Context, q store.Query, first, last int64, yield func(reception.PackedTally, error) bool,
	damaged func(damagedDay)) error {
	firstDay, _ := dayOf(first)
	lastDay, _ := dayOf(last)
	series := map[int64]*seriesRow{}
	return s.read(ctx, func() {
		for _, r := range s.selected(q) {
			series[r.id] = r
		}
	}, func(tx *sql.Tx) error {
		rows, err := tx.StmtContext(ctx, s.stmts.tallies).QueryContext(ctx, firstDay, lastDay)
		if err != nil {
			return err
		}
		defer rows.Close()
		var today day
		for rows.Next() {
			var id, n, of int64
			var k reception.TallyKey
			var body sql.RawBytes
			if err := rows.Scan(&id, &n, &of, &k.Regime.Installation, &k.Regime.Mode, &k.Regime.Scale, &body); err != nil {
				return err
			}
			row, ok := series[of]
			if !ok {
				continue
			}
			k.Series = row.Series
			if n != today.n {
				if err := s.yieldDay(ctx, &today, first, last, yield); err != nil {
					return err
				}
				today = day{n: n, of: today.of[:0]}
			}
			tallies, err := unpackDay(body)
			if err != nil {
				damaged(damagedDay{id, n, row})
				continue
			}
			today.of = append(today.of, dayOfSeries{k, tallies})
		}
		if err := rows.Err(); err != nil {
			return err
		}
		return s.yieldDay(ctx, &today, first, last, yield)
	})
}

// A day is one UTC day of tallies.
type day struct {
	n  int64 // since 1970
	of []dayOfSeries
}

type dayOfSeries struct {
	key reception.TallyKey // its Hour is not set
	of  []hourTally        // ascending
}

// yieldDay yields a day's tallies from hour first to last, hour by hour.
func (s *Store) yieldDay(ctx context.Context, d *day, first, last int64, yield func(reception.PackedTally, error) bool) error {
	slices.SortFunc(d.of, func(a, b dayOfSeries) int { return store.CompareTallies(a.key, b.key) })
	for h := range int64(hoursADay) {
		hour := d.n*hoursADay + h
		for i := range d.of {
			o := &d.of[i]
			if len(o.of) == 0 || o.of[0].hour != h {
				continue
			}
			t := o.of[0]
			o.of = o.of[1:]
			if hour < first || hour > last {
				continue
			}
			if err := s.check(ctx); err != nil {
				return err
			}
			k := o.key
			k.Hour = hour
			if !yield(reception.PackedTally{TallyKey: k, Version: t.version, Body: t.body}, nil) {
				return errStop
			}
		}
	}
	return nil
}
