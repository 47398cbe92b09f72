package segment

import (
	"fmt"

	"github.com/klauspost/compress/zstd"
)

// A Codec holds the compressors that writers and readers share: an encoder is the
// dearest thing in memory here, and is made once for each effort and worker. Its
// methods may be called concurrently.
type Codec struct {
	encoders [better + 1]*zstd.Encoder
	decoder  *zstd.Decoder
}

// Window is how far back zstd looks. The page of a column is rarely longer.
const window = 128 << 10

// NewCodec returns a codec for so many concurrent workers.
func NewCodec(workers int) (*Codec, error) {
	c := &Codec{}
	for e, level := range []zstd.EncoderLevel{quick: zstd.SpeedFastest, steady: zstd.SpeedDefault, better: zstd.SpeedBetterCompression} {
		var err error
		n := workers
		if effort(e) == better {
			n = 1 // it takes four megabytes
		}
		c.encoders[e], err = zstd.NewWriter(nil, zstd.WithEncoderLevel(level), zstd.WithEncoderConcurrency(n), zstd.WithWindowSize(window),
			zstd.WithLowerEncoderMem(true), zstd.WithEncoderCRC(false), zstd.WithZeroFrames(true))
		if err != nil {
			return nil, fmt.Errorf("make a compressor: %w", err)
		}
	}
	var err error
	c.decoder, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(workers), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxPage))
	if err != nil {
		return nil, fmt.Errorf("make a decompressor: %w", err)
	}
	return c, nil
}

// maxPage bounds what a page unpacks to: MaxRows texts of some length.
const maxPage = 256 << 20
