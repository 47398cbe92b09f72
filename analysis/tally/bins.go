package tally

import (
	"encoding/binary"
	"math"
	"slices"

	"holdfast/analysis/reception"
)

// AppendBins appends a histogram to dst: its length, then of each bin the step from
// the bin before, times eight, and in the same number the count if that is 1 to 7, or
// else 0 and the count after it. The first step is from the bin near, in zigzag. A bin
// of few visits close to the one before takes one byte.
func AppendBins(dst []byte, bins []reception.Bin, near int32) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(bins)))
	at := int64(near)
	for i, b := range bins {
		step := int64(b.Bin) - at
		at = int64(b.Bin)
		if i == 0 {
			step = step<<1 ^ step>>63
		}
		if b.N >= 1 && b.N <= 7 {
			dst = binary.AppendUvarint(dst, uint64(step<<3|b.N))
			continue
		}
		dst = binary.AppendVarint(binary.AppendUvarint(dst, uint64(step<<3)), b.N)
	}
	return dst
}

// ReadBins reads from the front of b what AppendBins wrote, and appends it to into. It
// returns the histogram and the rest of b; ok is false if b is damaged.
func ReadBins(into []reception.Bin, b []byte, near int32) (bins []reception.Bin, rest []byte, ok bool) {
	d := byteReader{b: b}
	bins = d.bins(into, near)
	return bins, d.b, !d.bad
}

// A byteReader reads whole bytes; after the first fault it yields zeros and is bad.
type byteReader struct {
	b   []byte
	bad bool
}

func (d *byteReader) unsigned() uint64 {
	v, n := binary.Uvarint(d.b)
	if n <= 0 {
		d.b, d.bad = nil, true
		return 0
	}
	d.b = d.b[n:]
	return v
}

func (d *byteReader) signed() int64 {
	v, n := binary.Varint(d.b)
	if n <= 0 {
		d.b, d.bad = nil, true
		return 0
	}
	d.b = d.b[n:]
	return v
}

// count reads a length; each element takes at least size bytes, so a damaged length
// cannot ask for more memory than there is to read.
func (d *byteReader) count(size int) int {
	n := d.unsigned()
	if n > uint64(len(d.b)/size) {
		d.b, d.bad = nil, true
		return 0
	}
	return int(n)
}

func (d *byteReader) bins(out []reception.Bin, near int32) []reception.Bin {
	n := d.count(1)
	if n == 0 {
		return out
	}
	out = slices.Grow(out, n)
	at := int64(near)
	for i := range n {
		v := d.unsigned()
		step, count := int64(v>>3), int64(v&7)
		if count == 0 {
			count = d.signed()
		}
		if step == 0 && i > 0 || step > 2*math.MaxUint32 || count == 0 {
			d.bad = true
			return out
		}
		if i == 0 {
			step = step>>1 ^ -(step & 1)
		}
		if at += step; at < math.MinInt32 || at > math.MaxInt32 {
			d.bad = true
			return out
		}
		out = append(out, reception.Bin{Bin: int32(at), N: count})
	}
	return out
}
