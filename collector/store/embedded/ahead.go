package embedded

import (
	"holdfast/collector/store/embedded/segment"
)

// A lookAhead keeps what follows, in groups that a history was compared with, the rows
// that were compared: a history that is given again comes in portions of some days of
// each series, and without it each portion would decode whole months again. It is used
// with the turn to write.
type lookAhead struct {
	of      map[groupKey]*aheadGroup
	free    []*segment.Kept
	bytes   int   // of all
	appends int64 // so far
}

type groupKey struct {
	segment int64
	rg      int
}

func keyOf(g groupRow) groupKey { return groupKey{g.seg.id, g.rg} }

// An aheadGroup is some rows of a group: all that lie from `from` up to and including
// `to`.
type aheadGroup struct {
	from, to int64
	rows     *segment.Kept
	used     int64 // number of the append
}

const (
	// aheadRows is how many rows are kept of a group, of 20 bytes or so. A month at a
	// visit a minute has 44,640; forty series then take 13 MB, and a month is decoded
	// twice, not seven times.
	aheadRows = 16384
	// aheadBytes bounds all; what finds no room is read again.
	aheadBytes = 24 << 20
	// aheadAppends is after how many appends what was not used is dropped. A portion of
	// all series comes in some four appends.
	aheadAppends = 16
)

// give makes c the rows of a group from first to last, if they are kept, and reports
// whether they are, and whether others of the group were.
func (h *lookAhead) give(g groupRow, c *segment.Columns, first, last int64) (given, known bool) {
	x := h.of[keyOf(g)]
	if x == nil {
		return false, false
	}
	if x.from > max(first, g.t0) || x.to < min(last, g.t1) {
		return false, true
	}
	x.used = h.appends
	x.rows.Give(c, first, last)
	if last >= x.to {
		h.drop(keyOf(g))
	}
	return true, true
}

// keep keeps rows of a group that was read, those that follow last.
func (h *lookAhead) keep(g groupRow, c *segment.Columns, last int64) {
	h.drop(keyOf(g))
	lo := c.Search(last + 1)
	if lo == c.Rows() {
		return
	}
	k := h.room()
	if k == nil {
		return
	}
	hi := min(lo+aheadRows, c.Rows())
	x := &aheadGroup{from: g.t0, to: g.t1, rows: k, used: h.appends}
	h.bytes -= k.Size()
	if lo = c.Keep(k, lo, hi); lo > 0 {
		x.from = c.Time(lo-1) + 1
	}
	h.bytes += k.Size()
	if hi < c.Rows() {
		x.to = c.Time(hi) - 1
	}
	if h.of == nil {
		h.of = map[groupKey]*aheadGroup{}
	}
	h.of[keyOf(g)] = x
}

// room returns where to keep rows, nil if there is no room.
func (h *lookAhead) room() *segment.Kept {
	if len(h.free) == 0 && h.bytes < aheadBytes {
		return &segment.Kept{}
	}
	if len(h.free) == 0 {
		for k, x := range h.of {
			if x.used < h.appends-aheadAppends {
				h.drop(k)
			}
		}
	}
	if len(h.free) == 0 {
		return nil
	}
	k := h.free[len(h.free)-1]
	h.free = h.free[:len(h.free)-1]
	return k
}

func (h *lookAhead) drop(k groupKey) {
	if x := h.of[k]; x != nil {
		delete(h.of, k)
		h.free = append(h.free, x.rows)
	}
}
