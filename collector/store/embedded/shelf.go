package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"holdfast/collector/store/embedded/segment"
)

// A segmentRow is a file of sealed readings.
type segmentRow struct {
	id     int64
	file   string
	month  int64 // since 1970-01, UTC
	rows   int64
	bytes  int64
	crc    uint32 // of what follows the last group
	merged mergedness
}

// A mergedness says whether a file is a month's only one, or was so once.
type mergedness int64

const (
	part  mergedness = iota // of a month
	soFar                   // all of a month that was not over
	whole                   // all of a month that was over
)

// A groupRow is a row group of a file: readings of one series.
type groupRow struct {
	t0, t1 int64 // of its first and last reading
	n      int64
	rg     int
	seg    *segmentRow
}

// A shelf is the catalogue of sealed readings. It is never changed: who has it may read
// it without a lock, and who changes it puts another one in its place.
type shelf struct {
	segments map[int64]*segmentRow
	groups   map[int64][]groupRow // by series id, ascending by t0, then segment, then rg
}

// overlapping returns the groups of a series that reach into [from, to).
func (h *shelf) overlapping(series, from, to int64) []groupRow {
	all := h.groups[series]
	n, _ := slices.BinarySearchFunc(all, to, func(g groupRow, t int64) int { return cmp.Compare(g.t0, t) })
	var out []groupRow
	for _, g := range all[:n] {
		if g.t1 >= from {
			out = append(out, g)
		}
	}
	return out
}

// with returns a shelf without the files `without` and with another file. groups are by
// series id.
func (h *shelf) with(add []shelved, without map[int64]bool) *shelf {
	out := &shelf{segments: maps.Clone(h.segments), groups: maps.Clone(h.groups)}
	maps.DeleteFunc(out.segments, func(id int64, _ *segmentRow) bool { return without[id] })
	if len(without) > 0 {
		for id, of := range out.groups {
			out.groups[id] = slices.DeleteFunc(slices.Clone(of), func(g groupRow) bool { return without[g.seg.id] })
		}
	}
	fresh := map[int64]bool{}
	for _, a := range add {
		out.segments[a.segment.id] = a.segment
		for i, g := range a.groups {
			id := a.series[i]
			if !fresh[id] && len(without) == 0 {
				out.groups[id] = slices.Clone(out.groups[id])
			}
			fresh[id] = true
			out.groups[id] = append(out.groups[id], groupRow{g.First, g.Last, int64(g.Rows), i, a.segment})
		}
	}
	for id := range fresh {
		slices.SortFunc(out.groups[id], compareGroups)
	}
	return out
}

func compareGroups(a, b groupRow) int {
	return cmp.Or(cmp.Compare(a.t0, b.t0), cmp.Compare(a.seg.id, b.seg.id), cmp.Compare(a.rg, b.rg))
}

// A shelved is a file that was written and is to enter the catalogue.
type shelved struct {
	segment *segmentRow
	groups  []segment.Group
	series  []int64 // of each group
}

// monthOf returns the month, counted from 1970-01 UTC, that a Unix ms lies in.
func monthOf(ms int64) int64 {
	t := time.UnixMilli(ms).UTC()
	return int64(t.Year()-1970)*12 + int64(t.Month()) - 1
}

// monthStart returns the Unix ms at which a month begins.
func monthStart(month int64) int64 {
	return time.Date(1970, time.Month(1+month), 1, 0, 0, 0, 0, time.UTC).UnixMilli()
}

// segmentName is the file name of a segment.
func segmentName(month, id int64) string {
	return fmt.Sprintf("%s.%06d.parquet", time.UnixMilli(monthStart(month)).UTC().Format("2006-01"), id)
}

// unfinishedName is the name under which a file is written.
func unfinishedName(name string) string { return "." + name + ".tmp" }

func (s *Store) segmentPath(seg *segmentRow) string { return filepath.Join(s.readings(), seg.file) }

// loadShelf reads the catalogue of sealed readings.
func loadShelf(ctx context.Context, db *sql.DB) (*shelf, error) {
	h := &shelf{segments: map[int64]*segmentRow{}, groups: map[int64][]groupRow{}}
	rows, err := db.QueryContext(ctx, `SELECT id, file, month, rows, bytes, crc32c, merged FROM segment`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		g := &segmentRow{}
		if err := rows.Scan(&g.id, &g.file, &g.month, &g.rows, &g.bytes, &g.crc, &g.merged); err != nil {
			return nil, err
		}
		h.segments[g.id] = g
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	rows, err = db.QueryContext(ctx, `SELECT series, t0, t1, n, rg, segment FROM segment_group ORDER BY series, t0, segment, rg`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var series, id int64
		var g groupRow
		if err := rows.Scan(&series, &g.t0, &g.t1, &g.n, &g.rg, &id); err != nil {
			return nil, err
		}
		if g.seg = h.segments[id]; g.seg == nil {
			return nil, fmt.Errorf("the catalogue of sealed readings names file %d and does not have it", id)
		}
		h.groups[series] = append(h.groups[series], g)
	}
	return h, rows.Err()
}

// put writes a file into the catalogue.
func (s *Store) put(ctx context.Context, a *shelved) error {
	g := a.segment
	if err := s.w.exec(ctx, `INSERT INTO segment (id, file, month, rows, bytes, crc32c, merged) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		g.id, g.file, g.month, g.rows, g.bytes, int64(g.crc), int64(g.merged)); err != nil {
		return err
	}
	for i, x := range a.groups {
		if err := s.w.exec(ctx, `INSERT INTO segment_group (series, t0, segment, rg, t1, n) VALUES (?, ?, ?, ?, ?, ?)`,
			a.series[i], x.First, g.id, i, x.Last, x.Rows); err != nil {
			return err
		}
	}
	return nil
}

// strike takes a file out of the catalogue.
func (s *Store) strike(ctx context.Context, id int64) error {
	if err := s.w.exec(ctx, `DELETE FROM segment_group WHERE segment = ?`, id); err != nil {
		return err
	}
	return s.w.exec(ctx, `DELETE FROM segment WHERE id = ?`, id)
}
