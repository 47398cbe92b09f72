package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A damagedDay is a row of tally_day that could not be read.
type damagedDay struct {
	id, day int64
	series  *seriesRow
}

func (d damagedDay) span() store.Span {
	return store.Span{From: d.day * hoursADay * reception.HourMS, To: (d.day + 1) * hoursADay * reception.HourMS}
}

// repair sets damaged days aside and has the hours that they held made again. Tallies
// follow from the readings, so nothing is lost by it.
func (s *Store) repair(ctx context.Context, days []damagedDay) {
	run := context.WithoutCancel(ctx)
	seq := int64(0)
	var again int
	err := s.write(ctx, forReadings, func() error {
		seq = s.cat.seq
		var changes []store.Change
		for _, d := range days {
			_, err := s.w.setAside(run, d.id, d.series.id, seq+1)
			if errors.Is(err, sql.ErrNoRows) {
				continue // put right in the meantime
			}
			if err != nil {
				return err
			}
			seq++
			changes = append(changes, store.Change{Seq: seq, Series: d.series.Series, Span: d.span()})
		}
		if again = len(changes); again == 0 {
			return nil
		}
		return s.writeDown(run, changes, nil)
	}, func() {
		if again > 0 {
			s.cat.seq, s.cat.pending = seq, nil
		}
	})
	first := fmt.Sprintf("tuner %q, %d Hz, %s", days[0].series.Tuner, days[0].series.FrequencyHz, time.UnixMilli(days[0].span().From).UTC().Format(time.DateOnly))
	switch {
	case err != nil:
		s.log.Warn("packed days of tallies are damaged and could not be set aside", "days", len(days), "first", first, "error", err)
	case again > 0:
		s.log.Warn("packed days of tallies were damaged; they were set aside and are made again from the readings", "days", again, "first", first)
	}
}

// setAside moves a row of tally_day that still cannot be read out of the way and marks
// its hours dirty, with a sequence. It returns the span of the day, and sql.ErrNoRows if
// there is nothing to set aside.
func (w *writer) setAside(ctx context.Context, id, series, seq int64) (store.Span, error) {
	var day, mask int64
	var body []byte
	if err := w.row(ctx, `SELECT day, hours, body FROM tally_day WHERE id = ?`, []any{id}, &day, &mask, &body); err != nil {
		return store.Span{}, err
	}
	if _, err := unpackDay(body); err == nil {
		return store.Span{}, sql.ErrNoRows
	}
	if err := w.exec(ctx, `INSERT INTO tally_damaged (day, series, regime, body) SELECT day, series, regime, body FROM tally_day WHERE id = ?`, id); err != nil {
		return store.Span{}, err
	}
	if err := w.exec(ctx, `DELETE FROM tally_day WHERE id = ?`, id); err != nil {
		return store.Span{}, err
	}
	var marks []mark
	for h := range int64(hoursADay) {
		if mask&(1<<h) != 0 {
			marks = append(marks, mark{day*hoursADay + h, series})
		}
	}
	if err := w.markDirty(ctx, marks, seq); err != nil {
		return store.Span{}, err
	}
	return damagedDay{day: day}.span(), nil
}

// compressDays brings every packed day into the form that packDay gives it. A day that
// cannot be read stays as it is.
func compressDays(ctx context.Context, c *sql.Conn) error {
	rows, err := c.QueryContext(ctx, `SELECT id FROM tally_day`)
	if err != nil {
		return err
	}
	defer rows.Close()
	var ids []int64
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return err
		}
		ids = append(ids, id)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, id := range ids {
		var body []byte
		if err := c.QueryRowContext(ctx, `SELECT body FROM tally_day WHERE id = ?`, id).Scan(&body); err != nil {
			return err
		}
		of, err := unpackDay(body)
		if err != nil {
			continue
		}
		if packed := packDay(of); len(packed) < len(body) {
			if _, err := c.ExecContext(ctx, `UPDATE tally_day SET body = ? WHERE id = ?`, packed, id); err != nil {
				return err
			}
		}
	}
	return nil
}
