package embedded

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// hoursADay is how many tallies one row of tally_day holds at most.
const hoursADay = 24

// An hourTally is one tally of a packed day.
type hourTally struct {
	hour    int64 // of the day, 0 to 23
	version int64
	body    []byte
}

// The first byte of a packed day says how the rest is to be read.
const (
	// plainForm: the tallies follow ascending by hour, each as hour (one byte), version
	// (varint), length (uvarint), bytes.
	plainForm = 1
	// zstdForm: one frame of Zstandard (RFC 8878) follows, which holds what follows
	// plainForm.
	zstdForm = 2
)

// maxDayBytes bounds what a packed day may unpack to. An hour of visits each second
// packs to a few kilobytes.
const maxDayBytes = 16 << 20

// errDamaged: bytes that this program did not write so.
var errDamaged = errors.New("a packed day of tallies is damaged")

// zipper returns the one encoder and the one decoder of the process. Each further
// encoder would cost some hundred kilobytes, which in a prototype was most of the
// memory of writing; these two keep their buffers and hand them from call to call. A
// day is a few kilobytes, so that a larger window would find nothing.
var zipper = sync.OnceValues(func() (*zstd.Encoder, *zstd.Decoder) {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest),
		zstd.WithWindowSize(16<<10), zstd.WithLowerEncoderMem(true), zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true))
	if err != nil {
		panic(fmt.Sprintf("options of the encoder: %v", err))
	}
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxDayBytes))
	if err != nil {
		panic(fmt.Sprintf("options of the decoder: %v", err))
	}
	return e, d
})

// packDay returns a day's tallies plain, or compressed if that saves a sixteenth and so
// is worth the time to read: tallies may be packed tight already.
func packDay(of []hourTally) []byte {
	plain := []byte{plainForm}
	for _, t := range of {
		plain = append(plain, byte(t.hour))
		plain = binary.AppendVarint(plain, t.version)
		plain = binary.AppendUvarint(plain, uint64(len(t.body)))
		plain = append(plain, t.body...)
	}
	e, _ := zipper()
	if z := e.EncodeAll(plain[1:], append(make([]byte, 0, len(plain)), zstdForm)); len(z) < len(plain)-len(plain)/16 && len(plain) <= maxDayBytes {
		return z
	}
	return plain
}

// unpackDay returns the tallies of a packed day; b may be used again. Its only error is
// errDamaged.
func unpackDay(b []byte) ([]hourTally, error) {
	switch {
	case len(b) == 0:
		return nil, errDamaged
	case b[0] == plainForm:
		b = bytes.Clone(b[1:])
	case b[0] == zstdForm && len(b) > 1:
		var err error
		_, d := zipper()
		if b, err = d.DecodeAll(b[1:], nil); err != nil {
			return nil, fmt.Errorf("%w: %w", errDamaged, err)
		}
	default:
		return nil, errDamaged
	}
	out := make([]hourTally, 0, hoursADay)
	for len(b) > 0 {
		t := hourTally{hour: int64(b[0])}
		b = b[1:]
		v, n := binary.Varint(b)
		if n <= 0 || t.hour >= hoursADay || len(out) > 0 && out[len(out)-1].hour >= t.hour {
			return nil, errDamaged
		}
		size, m := binary.Uvarint(b[n:])
		if m <= 0 || size > uint64(len(b)-n-m) {
			return nil, errDamaged
		}
		b = b[n+m:]
		t.version, t.body = v, b[:size:size]
		out, b = append(out, t), b[size:]
	}
	return out, nil
}

// dayOf splits an hour since 1970 into its UTC day and the hour of that day.
func dayOf(hour int64) (day, of int64) {
	day, of = hour/hoursADay, hour%hoursADay
	if of < 0 {
		day, of = day-1, of+hoursADay
	}
	return day, of
}
