package segment

import (
	"encoding/binary"
	"hash/crc32"
	"slices"

	"github.com/parquet-go/parquet-go/encoding/delta"
	"github.com/parquet-go/parquet-go/encoding/rle"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"
)

// An encoder makes one column chunk: a page with the dictionary if there is one, and
// one page with all values.
type encoder struct {
	codec *Codec
	rows  int
	meta  format.ColumnMetaData // offsets relative to out
	out   []byte

	body, packed, values, dict []byte
	levels                     []byte
	wide                       []int64
	narrow                     []int32
	ids                        map[int64]int32
}

// begin starts a chunk. A column has the same compression in all groups of a file: there
// are readers that count on it.
func (e *encoder) begin(c *Codec, rows int, bare bool, out []byte) {
	e.codec, e.rows, e.out, e.body = c, rows, out[:0], e.body[:0]
	e.meta = format.ColumnMetaData{NumValues: int64(rows), DictionaryPageOffset: -1, Encoding: thrift.Slice[format.Encoding]{format.RLE}, Codec: format.Zstd}
	if bare {
		e.meta.Codec = format.Uncompressed
	}
}

// maxDictionary is how many different numbers a dictionary holds; with more the column
// is delta coded.
const maxDictionary = 4096

// present gathers the values that are there, and writes the definition levels.
func (e *encoder) present(c *intColumn, v []int64) []int64 {
	if !c.optional {
		return v
	}
	n := 0
	for _, x := range v {
		if x != c.missing {
			n++
		}
	}
	e.level(n, func(i int) bool { return v[i] != c.missing })
	e.meta.Statistics.NullCount = int64(len(v) - n)
	if n == len(v) {
		return v
	}
	e.wide = e.wide[:0]
	for _, x := range v {
		if x != c.missing {
			e.wide = append(e.wide, x)
		}
	}
	return e.wide
}

// level writes the definition levels of rows of which n are there.
func (e *encoder) level(n int, there func(int) bool) {
	at := len(e.body)
	e.body = append(e.body, 0, 0, 0, 0)
	switch n {
	case 0, e.rows:
		e.body = binary.AppendUvarint(e.body, uint64(e.rows)<<1)
		e.body = append(e.body, byte(min(n, 1)))
	default:
		e.levels = slices.Grow(e.levels[:0], e.rows)[:e.rows]
		for i := range e.levels {
			e.levels[i] = 0
			if there(i) {
				e.levels[i] = 1
			}
		}
		e.packed, _ = (&rle.Encoding{BitWidth: 1}).EncodeLevels(e.packed, e.levels)
		e.body = append(e.body, e.packed...)
	}
	binary.LittleEndian.PutUint32(e.body[at:], uint32(len(e.body)-at-4))
}

// ints encodes whole numbers.
func (e *encoder) ints(c *intColumn, b *intBuffer, how effort) error {
	e.meta.Type = format.Int32
	if c.wide {
		e.meta.Type = format.Int64
	}
	v := b.v
	switch {
	case len(v) == 0:
		return e.constant(c, b.one)
	case c.rest && !slices.ContainsFunc(v, func(x int64) bool { return x != 0 && x != c.missing }):
		return e.constant(c, c.missing) // the source is no finer
	}
	v = e.present(c, v)
	if c.bounds {
		e.bounds(slices.Min(v), slices.Max(v))
	}
	if c.dict && e.number(v) {
		e.dict = e.dict[:0]
		ids := make([]int64, len(e.ids))
		for x, id := range e.ids {
			ids[id] = x
		}
		for _, x := range ids {
			e.word(c, x)
		}
		return e.indexed(len(ids), how)
	}
	var err error
	if c.wide {
		e.values, err = (&delta.BinaryPackedEncoding{}).EncodeInt64(e.values, v)
	} else {
		e.narrow = e.narrow[:0]
		for _, x := range v {
			e.narrow = append(e.narrow, int32(x))
		}
		e.values, err = (&delta.BinaryPackedEncoding{}).EncodeInt32(e.values, e.narrow)
	}
	if err != nil {
		return err
	}
	e.body = append(e.body, e.values...)
	return e.dataPage(format.DeltaBinaryPacked, how)
}

// constant encodes a number that stands in all rows.
func (e *encoder) constant(c *intColumn, x int64) error {
	if c.optional && (x == c.missing || c.rest && x == 0) {
		e.level(0, nil)
		e.meta.Statistics.NullCount = int64(e.rows)
		return e.dataPage(format.Plain, quick)
	}
	if c.optional {
		e.level(e.rows, nil)
	}
	if c.bounds {
		e.bounds(x, x)
	}
	e.dict = e.dict[:0]
	e.word(c, x)
	return e.same()
}

// same writes the only word of the dictionary for all rows.
func (e *encoder) same() error {
	e.values = binary.AppendUvarint(append(e.values[:0], 0), uint64(e.rows)<<1) // indexes of no bits
	return e.pages(1, quick)
}

func (e *encoder) bounds(lo, hi int64) {
	e.meta.Statistics.MinValue = binary.LittleEndian.AppendUint64(nil, uint64(lo))
	e.meta.Statistics.MaxValue = binary.LittleEndian.AppendUint64(nil, uint64(hi))
}

// word adds a number to the dictionary.
func (e *encoder) word(c *intColumn, x int64) {
	if c.wide {
		e.dict = binary.LittleEndian.AppendUint64(e.dict, uint64(x))
	} else {
		e.dict = binary.LittleEndian.AppendUint32(e.dict, uint32(x))
	}
}

// number gives each different number an index, in the order of their coming, and
// reports whether they are few enough.
func (e *encoder) number(v []int64) bool {
	if e.ids == nil {
		e.ids = map[int64]int32{}
	}
	clear(e.ids)
	e.narrow = e.narrow[:0]
	var last int64
	id := int32(-1)
	for _, x := range v {
		if id < 0 || x != last {
			var ok bool
			if id, ok = e.ids[x]; !ok {
				if len(e.ids) == maxDictionary {
					return false
				}
				id = int32(len(e.ids))
				e.ids[x] = id
			}
			last = x
		}
		e.narrow = append(e.narrow, id)
	}
	return true
}

// indexed writes the dictionary's page and the page of e.narrow, which point into it.
func (e *encoder) indexed(n int, how effort) (err error) {
	if e.values, err = (&rle.DictionaryEncoding{}).EncodeInt32(e.values, e.narrow); err != nil {
		return err
	}
	return e.pages(n, how)
}

// pages writes the dictionary's page of n words and the page of e.values.
func (e *encoder) pages(n int, how effort) error {
	e.meta.DictionaryPageOffset = 0
	e.meta.Encoding = append(e.meta.Encoding, format.Plain)
	h := format.PageHeader{Type: format.DictionaryPage,
		DictionaryPageHeader: thrift.New(format.DictionaryPageHeader{NumValues: int32(n), Encoding: format.Plain})}
	e.body = append(e.body, e.values...)
	if err := e.page(&h, e.dict, how); err != nil {
		return err
	}
	return e.dataPage(format.RLEDictionary, how)
}

// dataPage writes e.body as the page of all values.
func (e *encoder) dataPage(enc format.Encoding, how effort) error {
	e.meta.Encoding = append(e.meta.Encoding, enc)
	e.meta.DataPageOffset = int64(len(e.out))
	h := format.PageHeader{Type: format.DataPage, DataPageHeader: thrift.New(format.DataPageHeader{
		NumValues: int32(e.rows), Encoding: enc, DefinitionLevelEncoding: format.RLE, RepetitionLevelEncoding: format.RLE,
		Statistics: format.Statistics{NullCount: e.meta.Statistics.NullCount}})}
	return e.page(&h, e.body, how)
}

func (e *encoder) page(h *format.PageHeader, body []byte, how effort) error {
	h.UncompressedPageSize = int32(len(body))
	if e.meta.Codec == format.Zstd {
		e.packed = e.codec.encoders[how].EncodeAll(body, e.packed[:0])
		body = e.packed
	}
	h.CompressedPageSize = int32(len(body))
	h.CRC = int32(crc32.ChecksumIEEE(body))
	head, err := thrift.Marshal(compact, h)
	if err != nil {
		return err
	}
	e.out = append(append(e.out, head...), body...)
	e.meta.TotalUncompressedSize += int64(len(head)) + int64(h.UncompressedPageSize)
	e.meta.TotalCompressedSize = int64(len(e.out))
	return nil
}

// bools encodes whether a reading was locked: a bit each, the lowest first.
func (e *encoder) bools(v []bool) error {
	e.meta.Type = format.Boolean
	e.body = append(e.body, make([]byte, (len(v)+7)/8)...)
	for i, b := range v {
		if b {
			e.body[i/8] |= 1 << (i % 8)
		}
	}
	return e.dataPage(format.Plain, quick)
}

// texts encodes words, always by a dictionary.
func (e *encoder) texts(c *textColumn, b *textBuffer) error {
	e.meta.Type = format.ByteArray
	e.dict = e.dict[:0]
	for _, s := range b.words {
		e.dict = binary.LittleEndian.AppendUint32(e.dict, uint32(len(s)))
		e.dict = append(e.dict, s...)
	}
	switch {
	case len(b.of) == 0 && c.optional && b.words[0] == "":
		e.level(0, nil)
		e.meta.Statistics.NullCount = int64(e.rows)
		return e.dataPage(format.Plain, quick)
	case len(b.of) == 0:
		if c.optional {
			e.level(e.rows, nil)
		}
		return e.same()
	}
	e.narrow = e.narrow[:0]
	if c.optional {
		none, ok := b.ids[""]
		if !ok {
			none = -1
		}
		for _, id := range b.of {
			if id != none {
				e.narrow = append(e.narrow, id)
			}
		}
		e.level(len(e.narrow), func(i int) bool { return b.of[i] != none })
		e.meta.Statistics.NullCount = int64(e.rows - len(e.narrow))
	} else {
		e.narrow = append(e.narrow, b.of...)
	}
	return e.indexed(len(b.words), quick)
}
