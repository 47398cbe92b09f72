package embedded

import (
	"context"
	"database/sql"
	"encoding/json"
	"math"
	"slices"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

const (
	dayMS = 24 * reception.HourMS
	// hotMS is how long readings stay hot after their day.
	hotMS = 48 * reception.HourMS
	// hotRows is how many hot readings there may be before days are sealed earlier.
	hotRows = 200000
	// maxParts is how many files a month has before they are merged.
	maxParts = 8
	// closedMS is how long after its end a month is merged in any case.
	closedMS = 3 * dayMS
	// lateShare: what came late into a merged month waits until it is this part of it.
	lateShare = 16
)

// Tidy keeps the house at an instant: it seals days that are over, and merges months of
// many files into one. It does nothing most of the time; call it every hour, and after
// an import. Reading and writing go on beside it. What it has done stays done if it is
// broken off.
func (s *Store) Tidy(ctx context.Context, now time.Time) error {
	if err := s.check(ctx); err != nil {
		return err
	}
	select {
	case s.tidying <- struct{}{}:
		defer func() { <-s.tidying }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := s.strikeAside(ctx); err != nil {
		return err
	}
	if err := s.sealDays(ctx, now.UnixMilli()); err != nil {
		return err
	}
	if err := s.mergeMonths(ctx, now.UnixMilli()); err != nil {
		return err
	}
	s.rest()
	return s.compact(ctx)
}

// compactBytes is how much of the database may be empty pages, if they are half of it,
// before it is written anew. They are used again by what is measured next, so this is
// for stores that kept all readings in the database, or were filled far beyond two days.
const compactBytes = 32 << 20

// compact gives the space of empty pages back to the file system. It needs as much as
// remains, for a moment, and if there is not so much it is tried again the next time.
func (s *Store) compact(ctx context.Context) error {
	if s.closed.Load() {
		return store.ErrClosed
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.turn:
	default:
		return nil // somebody writes
	}
	defer func() { s.turn <- struct{}{} }()
	var pages, empty, size int64
	err := s.readers.QueryRowContext(ctx, `SELECT page_count, freelist_count, page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).
		Scan(&pages, &empty, &size)
	if err != nil {
		return s.failed(ctx, err)
	}
	if empty*size < s.compactBytes || empty < pages/2 {
		return nil
	}
	if free, err := s.free(s.dir); err == nil && free < 3*uint64((pages-empty)*size) {
		return nil
	}
	// Passive: it waits for no reader. What it leaves is done by a later one.
	for _, q := range []string{`VACUUM`, `PRAGMA wal_checkpoint(PASSIVE)`} {
		if _, err := s.w.conn.ExecContext(context.WithoutCancel(ctx), q); err != nil {
			return s.explain("compact", err)
		}
	}
	return nil
}

// rest gives back the memory of late readings and imports, unless somebody writes.
func (s *Store) rest() {
	select {
	case <-s.turn:
		s.late, s.ahead, s.bulkWriter = lateCache{}, lookAhead{}, nil
		s.turn <- struct{}{}
	default:
	}
}

// sealDays seals the days that are due, oldest first.
func (s *Store) sealDays(ctx context.Context, now int64) error {
	var total int64
	days := map[int64]bool{}
	err := s.read(ctx, nil, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT time / ?1 - (time < 0 AND time % ?1 <> 0), count(*) FROM hot GROUP BY 1`, int64(dayMS))
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var day, n int64
			if err := rows.Scan(&day, &n); err != nil {
				return err
			}
			days[day] = true
			total += n
		}
		return rows.Err()
	})
	if err != nil {
		return err
	}
	for _, day := range sortedDays(days) {
		from, to := day*dayMS, (day+1)*dayMS
		if to > now-hotMS && (total <= s.hotRows || from <= now && now < to) {
			continue
		}
		for {
			n, err := s.seal(ctx, from, to)
			if err != nil {
				return err
			}
			if total -= int64(n); n == 0 {
				break
			}
		}
	}
	return nil
}

func sortedDays(m map[int64]bool) []int64 {
	var out []int64
	for d := range m {
		out = append(out, d)
	}
	slices.Sort(out)
	return out
}

// mergeMonths merges the months that are due.
func (s *Store) mergeMonths(ctx context.Context, now int64) error {
	s.mu.RLock()
	h := s.shelf
	s.mu.RUnlock()
	months := map[int64][]*segmentRow{}
	for _, seg := range h.segments {
		if !s.archive.isAside(seg) {
			months[seg.month] = append(months[seg.month], seg)
		}
	}
	as := func(month int64) mergedness {
		if monthStart(month+1) <= now-closedMS {
			return whole
		}
		return soFar
	}
	var due []int64
	for m, segs := range months {
		if mergeDue(segs, as(m) == whole) {
			due = append(due, m)
		}
	}
	slices.Sort(due)
	for _, m := range due {
		if err := s.merge(ctx, m, months[m], as(m)); err != nil {
			return err
		}
	}
	return nil
}

// mergeDue reports whether a month's files are to be merged.
func mergeDue(segs []*segmentRow, closed bool) bool {
	if len(segs) > maxParts {
		return true
	}
	var done, late int64
	for _, seg := range segs {
		if seg.merged == whole {
			done += seg.rows
		} else {
			late += seg.rows
		}
	}
	return closed && late > 0 && late*lateShare >= done
}

// merge makes one file of several of a month.
func (s *Store) merge(ctx context.Context, month int64, segs []*segmentRow, as mergedness) (err error) {
	s.mu.RLock()
	series, h := s.selected(store.Query{}), s.shelf
	s.mu.RUnlock()
	old := map[int64]bool{}
	var rows int64
	for _, seg := range segs {
		old[seg.id] = true
		rows += seg.rows
	}
	f := &filing{s: s, w: segment.NewWriter(s.codec, 1)}
	committing := false
	defer func() {
		if err != nil {
			f.undo(committing)
		}
	}()
	wrote, err := s.writeMerged(ctx, f, month, as, series, h, old)
	if err == nil && slices.ContainsFunc(segs, s.archive.isAside) {
		// It was reported; the others are merged the next time.
		f.undo(false)
		return nil
	}
	if err == nil {
		err = f.name()
	}
	if err != nil {
		return s.explainFile("merge a month", err)
	}
	run := context.WithoutCancel(ctx)
	dropped := map[*seriesRow]int64{} // readings that were there twice
	for _, r := range series {
		for _, g := range h.groups[r.id] {
			if old[g.seg.id] {
				dropped[r] += g.n
			}
		}
		dropped[r] -= wrote[r.id]
	}
	err = s.write(ctx, forSealing, func() error {
		for id := range old {
			if err := s.strike(run, id); err != nil {
				return err
			}
		}
		for r, n := range dropped {
			if n > 0 {
				if err := s.w.exec(run, `UPDATE series SET count = count - ? WHERE id = ?`, n, r.id); err != nil {
					return err
				}
			}
		}
		if err := f.put(run); err != nil {
			return err
		}
		committing = true
		return nil
	}, func() {
		f.shelve(old)
		for r, n := range dropped {
			r.Count -= n
		}
	})
	if err != nil {
		return err
	}
	s.reached(4)
	s.removeStranded()
	var paths []string
	for _, seg := range segs {
		s.archive.forget(seg.id)
		paths = append(paths, s.segmentPath(seg))
	}
	if rerr := s.pins.unlink(paths...); rerr != nil {
		s.log.Warn("a file of sealed readings that was merged cannot be removed; the next start does it", "error", rerr)
	}
	s.reached(5)
	return nil
}

// writeMerged writes what the files `old` hold, and returns how many readings of each
// series that were.
func (s *Store) writeMerged(ctx context.Context, f *filing, month int64, as mergedness, series []*seriesRow, h *shelf, old map[int64]bool) (map[int64]int64, error) {
	words, err := s.words(ctx)
	if err != nil {
		return nil, err
	}
	if err := f.begin(month, as); err != nil {
		return nil, err
	}
	part := &shelf{groups: map[int64][]groupRow{}}
	for id, of := range h.groups {
		for _, g := range of {
			if old[g.seg.id] {
				part.groups[id] = append(part.groups[id], g)
			}
		}
	}
	buf := make([]reception.Reading, readingsAtOnce)
	ids, wrote := map[reception.Series]int64{}, map[int64]int64{}
	for _, r := range series {
		ids[r.Series] = r.id
		if len(part.groups[r.id]) == 0 {
			continue
		}
		n, err := s.writeSeries(ctx, f, part, r, buf)
		if err != nil {
			return nil, err
		}
		wrote[r.id] = n
	}
	return wrote, f.end(words, ids)
}

func (s *Store) writeSeries(ctx context.Context, f *filing, part *shelf, r *seriesRow, buf []reception.Reading) (rows int64, err error) {
	m, err := s.sources(ctx, nil, part, r, math.MinInt64, math.MaxInt64)
	if err != nil {
		return 0, err
	}
	defer m.close()
	for {
		if err := s.check(ctx); err != nil {
			return rows, err
		}
		n, err := m.take(buf[:min(len(buf), segment.MaxRows-f.w.Rows())])
		if err != nil {
			return rows, err
		}
		if n == 0 {
			return rows, f.w.Cut()
		}
		f.w.Add(buf[:n])
		rows += int64(n)
		if f.w.Rows() == segment.MaxRows {
			if err := f.w.Cut(); err != nil {
				return rows, err
			}
		}
	}
}

// A word is an entry of the ledger as files of sealed readings carry it.
type word struct {
	Key   string          `json:"key"`
	Held  time.Time       `json:"held"`
	Known time.Time       `json:"known"`
	Body  json.RawMessage `json:"body"`
}

// words returns what files of sealed readings carry along, so that they can be
// understood without the database: the installations, and the scales of the tuners.
func (s *Store) words(ctx context.Context) (map[string]string, error) {
	out := map[string]string{}
	for _, kind := range []string{reception.KindInstallation, reception.KindScale} {
		var list []word
		for e, err := range s.Entries(ctx, kind) {
			if err != nil {
				return nil, err
			}
			if json.Valid(e.Body) {
				list = append(list, word{e.Key, time.UnixMilli(e.Held).UTC(), time.UnixMilli(e.Known).UTC(), e.Body})
			}
		}
		if len(list) == 0 {
			continue
		}
		b, err := json.Marshal(list)
		if err != nil {
			return nil, err
		}
		out["holdfast."+kind+"s"] = string(b)
	}
	return out, nil
}
