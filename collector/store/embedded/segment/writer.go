package segment

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/parquet-go/parquet-go/deprecated"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"

	"holdfast/analysis/reception"
)

const magic = "PAR1"

// createdBy is in the form that the format asks for.
const createdBy = "holdfast version " + version

var compact = &thrift.CompactProtocol{}

// A Writer writes one file after another, group by group. One goroutine at a time.
type Writer struct {
	codec *Codec
	small bool

	w    io.Writer
	at   int64
	crcs []byte
	meta format.FileMetaData
	done []Group

	columns
	encoders []encoder // one a worker
	chunks   []written
}

// written is a column of a group as it is written.
type written struct {
	meta format.ColumnMetaData // offsets within bytes
	b    []byte
	err  error
}

// NewWriter returns a writer that has so many workers encode columns side by side.
func NewWriter(c *Codec, workers int) *Writer {
	return &Writer{codec: c, encoders: make([]encoder, workers), chunks: make([]written, columnCount)}
}

// Begin starts a file. small has the writer try harder to make it small, which takes a
// sixth more time.
func (w *Writer) Begin(to io.Writer, small bool) error {
	w.w, w.at, w.small, w.crcs, w.done = to, 0, small, w.crcs[:0], nil
	w.meta = format.FileMetaData{Version: 1, CreatedBy: createdBy, Schema: schema()}
	for range columnCount {
		w.meta.ColumnOrders = append(w.meta.ColumnOrders, format.ColumnOrder{Value: &format.TypeDefinedOrder{}})
	}
	return w.write([]byte(magic))
}

func (w *Writer) write(b []byte) error {
	n, err := w.w.Write(b)
	w.at += int64(n)
	return err
}

// Add adds readings of one series, by ascending time and all of different times, to
// the group that the next Cut writes. It panics if they would be more than MaxRows.
func (w *Writer) Add(rs []reception.Reading) {
	if len(rs) == 0 {
		return
	}
	if w.rows == 0 {
		w.series = rs[0].Series()
		w.first = rs[0].Time
	}
	w.last = rs[len(rs)-1].Time
	if w.rows+len(rs) > MaxRows {
		panic(fmt.Sprintf("segment: a group of %d rows", w.rows+len(rs)))
	}
	for chunk := range slices.Chunk(rs, 256) { // a chunk stays in the processor's cache over all columns
		w.gather(chunk)
	}
}

// Rows returns how many rows the group to be cut holds.
func (w *Writer) Rows() int { return w.rows }

// Cut writes what was added as one group, if anything was.
func (w *Writer) Cut() error {
	if w.rows == 0 {
		return nil
	}
	w.encode()
	from := w.at
	g := format.RowGroup{NumRows: int64(w.rows), FileOffset: from, Ordinal: int16(len(w.meta.RowGroups)),
		SortingColumns: []format.SortingColumn{{ColumnIdx: secondColumn}, {ColumnIdx: milliColumn}}}
	var sum uint32
	for i := range w.chunks {
		x := &w.chunks[i]
		if x.err != nil {
			return fmt.Errorf("column %s: %w", columnNames[i], x.err)
		}
		m := x.meta
		m.PathInSchema = columnNames[i : i+1 : i+1]
		m.DataPageOffset += w.at
		if m.DictionaryPageOffset >= 0 {
			m.DictionaryPageOffset += w.at
		} else {
			m.DictionaryPageOffset = 0
		}
		g.TotalByteSize += m.TotalUncompressedSize
		g.Columns = append(g.Columns, format.ColumnChunk{MetaData: m})
		sum = crc32.Update(sum, castagnoli, x.b)
		if err := w.write(x.b); err != nil {
			return err
		}
	}
	g.TotalCompressedSize = w.at - from
	w.meta.RowGroups = append(w.meta.RowGroups, g)
	w.meta.NumRows += g.NumRows
	w.crcs = hex.AppendEncode(w.crcs, binary.BigEndian.AppendUint32(nil, sum))
	w.done = append(w.done, Group{Rows: w.rows, First: w.first, Last: w.last, Series: w.series})
	w.reset()
	return nil
}

// encode encodes the columns of the group that is gathered.
func (w *Writer) encode() {
	if len(w.encoders) == 1 {
		for i := range w.chunks {
			w.column(&w.encoders[0], i)
		}
		return
	}
	var next atomic.Int32
	var wg sync.WaitGroup
	for k := range w.encoders {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(w.chunks); i = int(next.Add(1)) - 1 {
				w.column(&w.encoders[k], i)
			}
		})
	}
	wg.Wait()
}

// End writes the last group and the end of the file, with some words of the caller's
// among its metadata. It returns the groups, the file's length, and the CRC-32C of all
// that follows the last group.
func (w *Writer) End(words map[string]string) (groups []Group, size int64, crc uint32, err error) {
	if err := w.Cut(); err != nil {
		return nil, 0, 0, err
	}
	w.meta.KeyValueMetadata = []format.KeyValue{{Key: formatKey, Value: version}, {Key: crcKey, Value: string(w.crcs)}}
	for _, k := range sortedKeys(words) {
		w.meta.KeyValueMetadata = append(w.meta.KeyValueMetadata, format.KeyValue{Key: k, Value: words[k]})
	}
	b, err := thrift.Marshal(compact, &w.meta)
	if err != nil {
		return nil, 0, 0, err
	}
	b = binary.LittleEndian.AppendUint32(b, uint32(len(b)))
	b = append(b, magic...)
	err = w.write(b)
	return w.done, w.at, crc32.Checksum(b, castagnoli), err
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// column encodes one column.
func (w *Writer) column(e *encoder, i int) {
	x := &w.chunks[i]
	switch k := i - len(intColumns) - 1; {
	case i < len(intColumns):
		c := &intColumns[i]
		how := c.effort
		if how == steady && !w.small {
			how = quick
		}
		e.begin(w.codec, w.rows, c.bare, x.b)
		x.err = e.ints(c, &w.ints[i], how)
	case k < 0:
		e.begin(w.codec, w.rows, false, x.b)
		x.err = e.bools(w.locked)
	default:
		e.begin(w.codec, w.rows, textColumns[k].bare, x.b)
		x.err = e.texts(&textColumns[k], &w.texts[k])
	}
	x.meta, x.b = e.meta, e.out
}

// columns gathers the rows of a group.
type columns struct {
	rows        int
	series      reception.Series
	first, last int64
	ints        []intBuffer
	locked      []bool
	texts       []textBuffer
}

// An intBuffer holds whole numbers. Most columns say the same in all rows of a group.
type intBuffer struct {
	n   int
	one int64   // all n of them, as long as v is empty
	v   []int64 // each
}

func (b *intBuffer) add(x int64) {
	b.n++
	if len(b.v) == 0 {
		if b.n == 1 || x == b.one {
			b.one = x
			return
		}
		b.v = slices.Grow(b.v, b.n)
		for range b.n - 1 {
			b.v = append(b.v, b.one)
		}
	}
	b.v = append(b.v, x)
}

type textBuffer struct {
	n     int
	last  int32
	words []string
	ids   map[string]int32
	of    []int32 // index into words of each row; empty: all are the first
}

func (b *textBuffer) add(s string) {
	if b.n++; b.n > 1 && b.words[b.last] == s {
		if len(b.of) > 0 {
			b.of = append(b.of, b.last)
		}
		return
	}
	id, ok := b.ids[s]
	if !ok {
		if b.ids == nil {
			b.ids = map[string]int32{}
		}
		id = int32(len(b.words))
		b.ids[s], b.words = id, append(b.words, s)
	}
	b.last = id
	if b.n == 1 {
		return
	}
	if len(b.of) == 0 {
		b.of = append(b.of, make([]int32, b.n-1)...)
	}
	b.of = append(b.of, id)
}

func (c *columns) gather(rs []reception.Reading) {
	if c.ints == nil {
		c.ints, c.texts = make([]intBuffer, len(intColumns)), make([]textBuffer, len(textColumns))
	}
	c.rows += len(rs)
	for i := range intColumns {
		at, b := intColumns[i].at, &c.ints[i]
		if at == nil {
			continue
		}
		for j := range rs {
			b.add(*at(&rs[j]))
		}
	}
	for j := range rs {
		s, ms := rs[j].Time/1000, rs[j].Time%1000
		if ms < 0 {
			s, ms = s-1, ms+1000
		}
		c.ints[secondColumn].add(s)
		c.ints[milliColumn].add(ms)
	}
	odd := false
	for i := range floatColumns {
		if c.floats(&floatColumns[i], rs) {
			odd = true
		}
	}
	for j := range rs {
		c.locked = append(c.locked, rs[j].Locked)
	}
	for i := range textColumns {
		t, b := &textColumns[i], &c.texts[i]
		for j := range rs {
			if t.optional && !odd { // exact: nothing to add
				b.add("")
			} else {
				b.add(t.get(&rs[j]))
			}
		}
	}
}

// floats gathers a measurement, and reports whether any value needs its exact text.
func (c *columns) floats(f *floatColumn, rs []reception.Reading) (odd bool) {
	rest, coarse := &c.ints[f.rest], &c.ints[f.coarse]
	for j := range rs {
		m, same := f.number(&rs[j])
		odd = odd || !same
		switch {
		case f.step == 0:
			rest.add(m)
		case m == null32:
			coarse.add(null32)
			rest.add(null32)
		default:
			q, r := split(m, f.step)
			coarse.add(q)
			rest.add(r)
		}
	}
	return odd
}

func (c *columns) reset() {
	c.rows = 0
	for i := range c.ints {
		c.ints[i] = intBuffer{v: c.ints[i].v[:0]}
	}
	c.locked = c.locked[:0]
	for i := range c.texts {
		b := &c.texts[i]
		clear(b.words)
		clear(b.ids)
		*b = textBuffer{words: b.words[:0], ids: b.ids, of: b.of[:0]}
	}
}

// schema describes the columns.
func schema() thrift.Slice[format.SchemaElement] {
	out := thrift.Slice[format.SchemaElement]{{Name: "readings", NumChildren: thrift.New(int32(columnCount))}}
	add := func(name string, typ format.Type, optional bool) *format.SchemaElement {
		rep := format.Required
		if optional {
			rep = format.Optional
		}
		out = append(out, format.SchemaElement{Name: name, Type: thrift.New(typ), RepetitionType: thrift.New(rep)})
		return &out[len(out)-1]
	}
	for i := range intColumns {
		c := &intColumns[i]
		typ := format.Int32
		if c.wide {
			typ = format.Int64
		}
		e := add(c.name, typ, c.optional)
		if c.timestamp {
			e.ConvertedType = thrift.New(deprecated.TimestampMillis)
			e.LogicalType.Value = &format.TimestampType{IsAdjustedToUTC: true, Unit: format.TimeUnit{Value: &format.MilliSeconds{}}}
		}
	}
	add(lockedName, format.Boolean, false)
	for i := range textColumns {
		e := add(textColumns[i].name, format.ByteArray, textColumns[i].optional)
		e.ConvertedType = thrift.New(deprecated.UTF8)
		e.LogicalType.Value = &format.StringType{}
	}
	return out
}
