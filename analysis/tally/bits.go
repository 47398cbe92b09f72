package tally

import (
	"encoding/binary"
	"math/bits"
)

// A bitWriter appends numbers to bytes, the lowest bit first.
type bitWriter struct {
	b   []byte
	acc uint64
	n   uint // bits in acc, fewer than 32 between calls
}

// put appends the k lowest bits of v, which has no others; k is at most 32.
func (w *bitWriter) put(v uint64, k uint) {
	w.acc |= v << w.n
	if w.n += k; w.n >= 32 {
		w.b = binary.LittleEndian.AppendUint32(w.b, uint32(w.acc))
		w.acc >>= 32
		w.n -= 32
	}
}

func (w *bitWriter) bit(is bool) {
	if is {
		w.put(1, 1)
	} else {
		w.put(0, 1)
	}
}

// wide appends the k lowest bits of v; k is at most 64.
func (w *bitWriter) wide(v uint64, k uint) {
	if k > 32 {
		w.put(v&(1<<32-1), 32)
		v, k = v>>32, k-32
	}
	w.put(v&(1<<k-1), k)
}

// gamma appends v: its k lowest bits as they are, and what is above them as the number
// of its bits in unary, then these without the highest (P. Elias, IEEE Trans. Inf.
// Theory 21 (1975) 194-203; with k lowest bits apart also called exponential Golomb
// code). Numbers about 2^k take k + 1 to k + 4 bits.
func (w *bitWriter) gamma(v uint64, k uint) {
	u := v >> k
	l := uint(bits.Len64(u))
	switch {
	case l == 0 && k < 32:
		w.put(v<<1, k+1)
		return
	case l > 0 && 2*l+k <= 32:
		w.put(1<<l-1|u&^(1<<(l-1))<<(l+1)|v&(1<<k-1)<<(2*l), 2*l+k)
		return
	}
	w.wide(1<<l-1, l)
	w.put(0, 1)
	if l > 1 {
		w.wide(u&^(1<<(l-1)), l-1)
	}
	w.wide(v&(1<<k-1), k)
}

// gammaBits is how many bits gamma takes.
func gammaBits(v uint64, k uint) uint {
	l := uint(bits.Len64(v >> k))
	return l + max(l, 1) + k
}

// end fills the last byte up with zeros.
func (w *bitWriter) end() []byte {
	for ; w.n > 0; w.n -= min(w.n, 8) {
		w.b = append(w.b, byte(w.acc))
		w.acc >>= 8
	}
	return w.b
}

// A bitReader reads what a bitWriter wrote; after the first fault it yields zeros and
// is bad.
type bitReader struct {
	b   []byte // not in acc yet
	acc uint64
	n   uint // bits in acc; above them acc is 0
	bad bool
}

// fill brings 57 bits or more into acc, if there are so many.
func (r *bitReader) fill() {
	if len(r.b) >= 8 {
		r.acc |= binary.LittleEndian.Uint64(r.b) << r.n
		whole := (64 - r.n) / 8
		r.b = r.b[whole:]
		if r.n += whole * 8; r.n < 64 {
			r.acc &= 1<<r.n - 1
		}
		return
	}
	for r.n <= 56 && len(r.b) > 0 {
		r.acc |= uint64(r.b[0]) << r.n
		r.b = r.b[1:]
		r.n += 8
	}
}

// take reads k bits, at most 56.
func (r *bitReader) take(k uint) uint64 {
	if r.n < k {
		if r.fill(); r.n < k {
			r.fail()
			return 0
		}
	}
	v := r.acc & (1<<k - 1)
	r.acc >>= k
	r.n -= k
	return v
}

func (r *bitReader) fail() { r.b, r.acc, r.n, r.bad = nil, 0, 0, true }

func (r *bitReader) bit() bool { return r.take(1) == 1 }

// wide reads k bits, at most 64.
func (r *bitReader) wide(k uint) uint64 {
	if k <= 32 {
		return r.take(k)
	}
	low := r.take(32)
	return low | r.take(k-32)<<32
}

func (r *bitReader) gamma(k uint) uint64 {
	if r.n < 40 {
		r.fill()
	}
	l := uint(bits.TrailingZeros64(^r.acc))
	if all := 2*l + 1 + k; all <= r.n { // one more than there are, if l is not 0
		acc := r.acc >> (l + 1)
		if l == 0 {
			r.acc, r.n = acc>>k, r.n-1-k
			return acc & (1<<k - 1)
		}
		u := acc&(1<<(l-1)-1) | 1<<(l-1)
		acc >>= l - 1
		r.acc, r.n = acc>>k, r.n+1-all
		return u<<k | acc&(1<<k-1)
	}
	return r.longGamma(k)
}

// longGamma reads what may not be in acc as a whole.
func (r *bitReader) longGamma(k uint) uint64 {
	l := uint(0)
	for ; r.bit(); l++ {
		if l == 64 {
			r.fail()
		}
	}
	if l > 64-k || r.bad {
		r.fail()
		return 0
	}
	var u uint64
	if l > 0 {
		u = 1<<(l-1) | r.wide(l-1)
	}
	return u<<k | r.wide(k)
}

// left is how many bits can still be read.
func (r *bitReader) left() int { return 8*len(r.b) + int(r.n) }

// over reports whether all was read but the zeros that fill up the last byte.
func (r *bitReader) over() bool { return !r.bad && r.left() < 8 && r.acc == 0 && len(r.b) == 0 }

// zigzag folds a signed number into an unsigned one: 0, -1, 1, -2, ...
func zigzag(v int64) uint64 { return uint64(v<<1 ^ v>>63) }

func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }
