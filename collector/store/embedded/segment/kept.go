package segment

import (
	"encoding/binary"
	"slices"
	"sort"

	"holdfast/analysis/reception"
)

// Kept is rows of a group that were read, in little memory: where [Columns] take some 80
// bytes a row, it takes some 20. The zero value is ready.
type Kept struct {
	rows   int
	b      []byte // what the strips hold, one after the other
	ints   []keptInts
	locked int // where its bits begin in b
	texts  []keptTexts
	odd    bool
	row    reception.Reading
}

type keptInts struct {
	one   bool
	value int64
	strip
}

type keptTexts struct {
	words []string
	all   bool // the first word is that of all rows
	strip
}

// A strip is numbers in as few bytes each as they need: 0 for one that is missing, else
// how far it lies above the smallest, and 1. In eight bytes it is the number itself.
type strip struct {
	at, size int // where it begins, and bytes a number
	least    int64
}

// Size returns how much memory it holds, in bytes, but for some hundreds.
func (k *Kept) Size() int { return cap(k.b) }

// Keep keeps the rows lo to hi of what was read, whole groups of eight.
func (c *Columns) Keep(k *Kept, lo, hi int) (from int) {
	lo &^= 7
	k.rows, k.b, k.odd, k.row = hi-lo, k.b[:0], c.odd, c.row
	if k.ints == nil {
		k.ints, k.texts = make([]keptInts, len(intColumns)), make([]keptTexts, len(textColumns))
	}
	for i := range intColumns {
		v, out := &c.ints[i], &k.ints[i]
		switch out.one, out.value = v.one, v.value; {
		case v.one:
		case intColumns[i].wide:
			k.b, out.strip = pack(k.b, v.wide[lo:hi], intColumns[i].missing)
		default:
			k.b, out.strip = pack(k.b, v.narrow[lo:hi], int32(intColumns[i].missing))
		}
	}
	k.locked = len(k.b)
	k.b = append(k.b, c.locked[lo/8:(hi+7)/8]...)
	for i := range c.texts {
		v, out := &c.texts[i], &k.texts[i]
		out.words, out.all = append(out.words[:0], v.words...), len(v.of) == 0
		if !out.all {
			k.b, out.strip = pack(k.b, v.of[lo:hi], 0)
		}
	}
	return lo
}

// Give makes c the kept rows with times from `from` up to and including `to`, and perhaps
// some before them.
func (k *Kept) Give(c *Columns, from, to int64) {
	lo := sort.Search(k.rows, func(i int) bool { return k.time(i) >= from }) &^ 7
	hi := sort.Search(k.rows, func(i int) bool { return k.time(i) > to })
	hi = max(lo, hi)
	c.rows, c.odd, c.row = hi-lo, k.odd, k.row
	if c.ints == nil {
		c.ints, c.texts = make([]ints, len(intColumns)), make([]texts, len(textColumns))
	}
	for i := range intColumns {
		v, out := &k.ints[i], &c.ints[i]
		out.one, out.value, out.wide, out.narrow = v.one, v.value, out.wide[:0], out.narrow[:0]
		switch {
		case v.one:
		case intColumns[i].wide:
			out.wide = unpack(out.wide, k.b, v.strip, lo, hi, intColumns[i].missing)
		default:
			out.narrow = unpack(out.narrow, k.b, v.strip, lo, hi, int32(intColumns[i].missing))
		}
	}
	c.locked = append(c.locked[:0], k.b[k.locked+lo/8:k.locked+(hi+7)/8]...)
	for i := range k.texts {
		v, out := &k.texts[i], &c.texts[i]
		out.words, out.of = append(out.words[:0], v.words...), out.of[:0]
		if !v.all {
			out.of = unpack(out.of, k.b, v.strip, lo, hi, 0)
		}
	}
	c.times()
}

// time returns the time of a row.
func (k *Kept) time(i int) int64 {
	s, ms := k.int(secondColumn, i), k.int(milliColumn, i)
	if ms == null32 {
		ms = 0
	}
	return 1000*s + ms
}

func (k *Kept) int(column, i int) int64 {
	v := &k.ints[column]
	if v.one {
		return v.value
	}
	return v.number(k.b, i, intColumns[column].missing)
}

func (s *strip) number(b []byte, i int, missing int64) int64 {
	var code uint64
	switch b = b[s.at+i*s.size:]; s.size {
	case 1:
		code = uint64(b[0])
	case 2:
		code = uint64(binary.LittleEndian.Uint16(b))
	case 4:
		code = uint64(binary.LittleEndian.Uint32(b))
	default:
		return int64(binary.LittleEndian.Uint64(b))
	}
	if code == 0 {
		return missing
	}
	return s.least + int64(code) - 1
}

// pack appends numbers to b.
func pack[T int32 | int64](b []byte, v []T, missing T) ([]byte, strip) {
	var least, most T
	none := true
	for _, x := range v {
		switch {
		case x == missing:
		case none:
			least, most, none = x, x, false
		default:
			least, most = min(least, x), max(most, x)
		}
	}
	s := strip{at: len(b), size: 8, least: int64(least)}
	switch span := uint64(most) - uint64(least); {
	case span < 1<<8-1:
		s.size = 1
	case span < 1<<16-1:
		s.size = 2
	case span < 1<<32-1:
		s.size = 4
	}
	b = slices.Grow(b, len(v)*s.size)[:s.at+len(v)*s.size]
	code := func(x T) uint64 {
		if x == missing {
			return 0
		}
		return uint64(x) - uint64(least) + 1
	}
	out := b[s.at:]
	switch s.size {
	case 1:
		for i, x := range v {
			out[i] = byte(code(x))
		}
	case 2:
		for i, x := range v {
			binary.LittleEndian.PutUint16(out[2*i:], uint16(code(x)))
		}
	case 4:
		for i, x := range v {
			binary.LittleEndian.PutUint32(out[4*i:], uint32(code(x)))
		}
	default:
		for i, x := range v {
			binary.LittleEndian.PutUint64(out[8*i:], uint64(x))
		}
	}
	return b, s
}

// unpack appends the numbers lo to hi of a strip to dst.
func unpack[T int32 | int64](dst []T, b []byte, s strip, lo, hi int, missing T) []T {
	dst = slices.Grow(dst, hi-lo)
	b = b[s.at+lo*s.size : s.at+hi*s.size]
	number := func(code uint64) T {
		if code == 0 {
			return missing
		}
		return T(s.least + int64(code) - 1)
	}
	switch s.size {
	case 1:
		for _, x := range b {
			dst = append(dst, number(uint64(x)))
		}
	case 2:
		for ; len(b) > 0; b = b[2:] {
			dst = append(dst, number(uint64(binary.LittleEndian.Uint16(b))))
		}
	case 4:
		for ; len(b) > 0; b = b[4:] {
			dst = append(dst, number(uint64(binary.LittleEndian.Uint32(b))))
		}
	default:
		for ; len(b) > 0; b = b[8:] {
			dst = append(dst, T(binary.LittleEndian.Uint64(b)))
		}
	}
	return dst
}
