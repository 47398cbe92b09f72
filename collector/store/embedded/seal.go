package embedded

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

// A filing writes files of sealed readings and brings them into the catalogue. Nothing
// is ever changed in place. It goes through these states:
//
//	1 every file is written under another name, and synced
//	2 every file has its name
//	3 and the directory is synced
//	4 one transaction names the files in the catalogue and drops what they replace
//	5 replaced files are removed, when nobody reads them
//
// A crash in state 1 leaves files that the next open removes. One in state 2 or 3 leaves
// files that the catalogue does not name; their readings are looked up one by one, so
// that what is missing comes back, before they are removed. The same is done with files
// of which a lost database knew nothing.
type filing struct {
	s     *Store
	w     *segment.Writer
	files []*filingFile
	named bool // from state 2 on
}

type filingFile struct {
	shelved
	f   diskFile
	buf *bufio.Writer
	tmp bool // is still there under its other name
}

// A moment is a state of a filing, for tests that stop there.
type moment int

func (s *Store) reached(m moment) {
	if s.at != nil {
		s.at(m)
	}
}

// begin starts a file.
func (f *filing) begin(month int64, as mergedness) error {
	id := f.s.lastSegment.Add(1)
	seg := &segmentRow{id: id, file: segmentName(month, id), month: month, merged: as}
	out, err := f.s.disk.Create(filepath.Join(f.s.readings(), unfinishedName(seg.file)))
	if err != nil {
		return err
	}
	x := &filingFile{shelved: shelved{segment: seg}, f: out, buf: bufio.NewWriterSize(out, 64<<10), tmp: true}
	f.files = append(f.files, x)
	return f.w.Begin(x.buf, as != part)
}

// end ends the file that was begun last.
func (f *filing) end(words map[string]string, ids map[reception.Series]int64) error {
	x := f.files[len(f.files)-1]
	groups, size, crc, err := f.w.End(words)
	if err == nil {
		err = x.buf.Flush()
	}
	if err == nil {
		err = x.f.Sync()
	}
	if cerr := x.f.Close(); err == nil {
		err = cerr
	}
	x.f = nil
	if err != nil {
		return err
	}
	x.groups, x.segment.bytes, x.segment.crc = groups, size, crc
	for _, g := range groups {
		x.segment.rows += int64(g.Rows)
		x.series = append(x.series, ids[g.Series])
	}
	return nil
}

// name takes the files from state 1 to state 3.
func (f *filing) name() error {
	if len(f.files) == 0 {
		return nil
	}
	f.s.reached(1)
	dir := f.s.readings()
	f.named = true
	for _, x := range f.files {
		if err := f.s.disk.Rename(filepath.Join(dir, unfinishedName(x.segment.file)), filepath.Join(dir, x.segment.file)); err != nil {
			return err
		}
		x.tmp = false
	}
	f.s.reached(2)
	if err := f.s.disk.SyncDir(dir); err != nil {
		return err
	}
	f.s.reached(3)
	return nil
}

// put names the files in the catalogue, within a transaction.
func (f *filing) put(ctx context.Context) error {
	for _, x := range f.files {
		if err := f.s.put(ctx, &x.shelved); err != nil {
			return err
		}
	}
	return nil
}

// shelve makes what was committed visible. The caller holds mu.
func (f *filing) shelve(without map[int64]bool) {
	var add []shelved
	for _, x := range f.files {
		add = append(add, x.shelved)
	}
	if len(add)+len(without) > 0 {
		f.s.shelf = f.s.shelf.with(add, without)
	}
}

// undo removes the files of a filing that failed. If its transaction had come to the
// commit, nobody knows whether a crash would find it done: then files with a name stay
// until a later commit has settled that it was not.
func (f *filing) undo(committing bool) {
	var errs []error
	dir := f.s.readings()
	for _, x := range f.files {
		if x.f != nil {
			x.f.Close()
		}
		switch path := filepath.Join(dir, x.segment.file); {
		case x.tmp:
			errs = append(errs, f.s.disk.Remove(filepath.Join(dir, unfinishedName(x.segment.file))))
		case committing:
			f.s.stranded.add(path)
		default:
			errs = append(errs, f.s.disk.Remove(path))
		}
	}
	if err := errors.Join(errs...); err != nil {
		f.s.log.Warn("a file that was not finished cannot be removed; the next start does it", "error", err)
	}
}

// removeStranded is called after a commit that followed.
func (s *Store) removeStranded() {
	for _, path := range s.stranded.take() {
		if err := s.disk.Remove(path); err != nil {
			s.log.Warn("a file that was not finished cannot be removed; the next start does it", "error", err)
		}
	}
}

const (
	// sealRows is how many hot rows a seal takes at most, so that its transaction's log
	// stays small. It is more than a minute's visits to forty channels make in a day.
	sealRows = 60000
	// sealHold is how many of them are in memory at once, unless one series has more.
	sealHold = 16384
)

// seal brings hot rows from one instant up to another into a file, sealRows of them at
// most, and returns how many it took. The span must lie in one month.
func (s *Store) seal(ctx context.Context, from, to int64) (n int, err error) {
	words, err := s.words(ctx)
	if err != nil {
		return 0, err
	}
	var seq int64
	var series []*seriesRow
	f := &filing{s: s, w: segment.NewWriter(s.codec, 1)}
	committing := false
	defer func() {
		if err != nil {
			f.undo(committing)
		}
	}()
	err = s.read(ctx, func() { seq, series = s.cat.seq, s.selected(store.Query{}) }, func(tx *sql.Tx) (err error) {
		if to, err = s.sealEnd(ctx, tx, from, to); err == nil {
			n, err = s.writeHot(ctx, tx, f, words, series, from, to)
		}
		return err
	})
	if err == nil {
		err = f.name()
	}
	if err != nil {
		return 0, s.explainFile("seal", err)
	}
	if n == 0 {
		return 0, nil
	}
	run := context.WithoutCancel(ctx)
	err = s.write(ctx, forSealing, func() error {
		if err := f.put(run); err != nil {
			return err
		}
		gone, err := s.w.execN(run, `DELETE FROM hot WHERE time >= ? AND time < ? AND seq <= ?`, from, to, seq)
		if err != nil {
			return err
		}
		if gone != n {
			return fmt.Errorf("seal in store %s: %d readings were written and %d would be dropped; this should not be, please report it", s.dir, n, gone)
		}
		if err := s.writeDown(run, nil, nil); err != nil {
			return err
		}
		committing = true
		return nil
	}, func() {
		f.shelve(nil)
		s.cat.pending = nil
	})
	if err != nil {
		return 0, err
	}
	s.reached(4)
	s.removeStranded()
	return n, nil
}

// sealEnd returns the end of a span that begins at from, ends at to at the latest, and
// has about sealRows hot rows. Rows of one instant stay together.
func (s *Store) sealEnd(ctx context.Context, tx *sql.Tx, from, to int64) (int64, error) {
	var first, end sql.NullInt64
	err := tx.QueryRowContext(ctx, `SELECT (SELECT min(time) FROM hot WHERE time >= ?1 AND time < ?2),
		(SELECT time FROM hot WHERE time >= ?1 AND time < ?2 ORDER BY time LIMIT 1 OFFSET ?3)`, from, to, s.sealRows).Scan(&first, &end)
	if err != nil || !end.Valid {
		return to, err
	}
	if end.Int64 > first.Int64 {
		return end.Int64, nil
	}
	err = tx.QueryRowContext(ctx, `SELECT min(time) FROM hot WHERE time > ? AND time < ?`, end.Int64, to).Scan(&end)
	if err != nil || !end.Valid {
		return to, err
	}
	return end.Int64, nil
}

// A heap is how many hot rows a series has.
type heap struct {
	series *seriesRow
	rows   int
}

// writeHot writes the hot rows of a span into one file, and returns how many there are.
// It reads the span for a few series at a time, so that their rows fit into memory.
func (s *Store) writeHot(ctx context.Context, tx *sql.Tx, f *filing, words map[string]string, series []*seriesRow, from, to int64) (n int, err error) {
	heaps, err := countHot(ctx, tx, series, from, to)
	if err != nil || len(heaps) == 0 {
		return 0, err
	}
	if err := f.begin(monthOf(from), part); err != nil {
		return 0, err
	}
	ids := map[reception.Series]int64{}
	for len(heaps) > 0 {
		k, rows := 1, heaps[0].rows
		for k < len(heaps) && rows+heaps[k].rows <= sealHold {
			rows += heaps[k].rows
			k++
		}
		if err := s.writeHeaps(ctx, tx, f, heaps[:k], from, to); err != nil {
			return 0, err
		}
		for _, h := range heaps[:k] {
			ids[h.series.Series] = h.series.id
		}
		n += rows
		heaps = heaps[k:]
	}
	return n, f.end(words, ids)
}

// countHot counts the hot rows of a span, in series order.
func countHot(ctx context.Context, tx *sql.Tx, series []*seriesRow, from, to int64) (out []heap, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT series, count(*) FROM hot WHERE time >= ? AND time < ? GROUP BY series`, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	count := map[int64]int{}
	for rows.Next() {
		var id int64
		var n int
		if err := rows.Scan(&id, &n); err != nil {
			return nil, err
		}
		count[id] = n
	}
	for _, r := range series {
		if n := count[r.id]; n > 0 {
			out = append(out, heap{r, n})
		}
	}
	return out, rows.Err()
}

// writeHeaps writes the hot rows of some series.
func (s *Store) writeHeaps(ctx context.Context, tx *sql.Tx, f *filing, heaps []heap, from, to int64) error {
	ids := make([]int64, len(heaps))
	held := map[int64][]reception.Reading{}
	for i, h := range heaps {
		ids[i], held[h.series.id] = h.series.id, make([]reception.Reading, 0, h.rows)
	}
	list, err := json.Marshal(ids)
	if err != nil {
		return err
	}
	st := tx.StmtContext(ctx, s.stmts.hotSome)
	defer st.Close()
	rows, err := st.QueryContext(ctx, from, to, string(list))
	if err != nil {
		return err
	}
	defer rows.Close()
	lookup := s.formLookup(ctx)
	row := newHotRow()
	for n := 0; rows.Next(); n++ {
		if err := rows.Scan(row.dest...); err != nil {
			return err
		}
		var r reception.Reading
		if err := row.fill(&r, lookup); err != nil {
			return err
		}
		id := unpackInt(row.v[1])
		held[id] = append(held[id], r)
		if n%readingsAtOnce == 0 {
			if err := s.check(ctx); err != nil {
				return err
			}
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, h := range heaps {
		of := held[h.series.id]
		for i := range of {
			of[i].Tuner, of[i].FrequencyHz, of[i].Layer = h.series.Tuner, h.series.FrequencyHz, h.series.Layer
		}
		for chunk := range slices.Chunk(of, segment.MaxRows) {
			f.w.Add(chunk)
			if err := f.w.Cut(); err != nil {
				return err
			}
		}
	}
	return nil
}

// explainFile gives an error of a file of sealed readings its place and a remedy.
func (s *Store) explainFile(what string, err error) error {
	switch {
	case errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, store.ErrClosed) || errors.Is(err, store.ErrFull):
		return err
	case isFull(err):
		return fmt.Errorf("%s in store %s: %w: free space on its file system (%w)", what, s.dir, store.ErrFull, err)
	}
	return fmt.Errorf("%s in store %s: %w; look at the disk and at the system's log", what, s.dir, err)
}
