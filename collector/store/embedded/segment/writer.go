package segment

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"github.com/parquet-go/parquet-go/deprecated"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"

	"holdfast/analysis/reception"
)

const magic = "PAR1"

// createdBy is in the form that the format asks for.
const createdBy = "holdfast version " + version

var compact = &thrift.CompactProtocol{}

// A Writer writes one file, group by group. Its memory may be used for another file
// with Reset. One goroutine at a time.
type Writer struct {
	codec *Codec
	small bool

	w    io.Writer
	at   int64
	crcs []byte
	meta format.FileMetaData
	done []Group

	columns
	enc encoder
}

// NewWriter returns a writer.
func NewWriter(c *Codec) *Writer { return &Writer{codec: c} }

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
	from := w.at
	g := format.RowGroup{NumRows: int64(w.rows), FileOffset: from, Ordinal: int16(len(w.meta.RowGroups)),
		SortingColumns: []format.SortingColumn{{ColumnIdx: secondColumn}, {ColumnIdx: milliColumn}}}
	var sum uint32
	for i := range columnCount {
		chunk, b, err := w.column(i)
		if err != nil {
			return fmt.Errorf("column %s: %w", columnNames()[i], err)
		}
		g.TotalByteSize += chunk.MetaData.TotalUncompressedSize
		g.Columns = append(g.Columns, chunk)
		sum = crc32.Update(sum, castagnoli, b)
		if err := w.write(b); err != nil {
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

// column encodes a column of the group that is gathered.
func (w *Writer) column(i int) (format.ColumnChunk, []byte, error) {
	var err error
	switch {
	case i < len(intColumns):
		c := &intColumns[i]
		w.enc.begin(w.codec, w.rows, c.bare)
		e := c.effort
		if e == steady && !w.small {
			e = quick
		}
		err = w.enc.ints(c, w.ints[i], e)
	case i == len(intColumns):
		w.enc.begin(w.codec, w.rows, false)
		err = w.enc.bools(w.locked)
	default:
		c := &textColumns[i-len(intColumns)-1]
		w.enc.begin(w.codec, w.rows, c.bare)
		err = w.enc.texts(c, &w.texts[i-len(intColumns)-1])
	}
	m := &w.enc.meta
	m.PathInSchema = thrift.Slice[string]{columnNames()[i]}
	if m.DictionaryPageOffset >= 0 {
		m.DictionaryPageOffset += w.at
	} else {
		m.DictionaryPageOffset = 0
	}
	m.DataPageOffset += w.at
	return format.ColumnChunk{MetaData: *m}, w.enc.out, err
}

// columns gathers the rows of a group.
type columns struct {
	rows        int
	series      reception.Series
	first, last int64
	ints        [][]int64
	locked      []bool
	texts       []textBuffer
}

type textBuffer struct {
	words []string
	ids   map[string]int32
	of    []int32 // index into words of each row
}

func (b *textBuffer) add(s string) {
	if n := len(b.of); n > 0 && b.words[b.of[n-1]] == s {
		b.of = append(b.of, b.of[n-1])
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
	b.of = append(b.of, id)
}

func (c *columns) gather(rs []reception.Reading) {
	if c.ints == nil {
		c.ints, c.texts = make([][]int64, len(intColumns)), make([]textBuffer, len(textColumns))
	}
	c.rows += len(rs)
	for i := range intColumns {
		at := intColumns[i].at
		if at == nil {
			continue
		}
		v := c.ints[i]
		for j := range rs {
			v = append(v, *at(&rs[j]))
		}
		c.ints[i] = v
	}
	for j := range rs {
		s, ms := rs[j].Time/1000, rs[j].Time%1000
		if ms < 0 {
			s, ms = s-1, ms+1000
		}
		c.ints[secondColumn], c.ints[milliColumn] = append(c.ints[secondColumn], s), append(c.ints[milliColumn], ms)
	}
	odd := false
	for i := range floatColumns {
		f := &floatColumns[i]
		if c.floats(f, rs) {
			odd = true
		}
	}
	for j := range rs {
		c.locked = append(c.locked, rs[j].Locked)
	}
	for i := range textColumns {
		t, b := &textColumns[i], &c.texts[i]
		if t.optional && !odd { // exact: nothing to add
			for range rs {
				b.add("")
			}
			continue
		}
		for j := range rs {
			b.add(t.get(&rs[j]))
		}
	}
}

// floats gathers a measurement, and reports whether any value needs its exact text.
func (c *columns) floats(f *floatColumn, rs []reception.Reading) (odd bool) {
	rest := c.ints[f.rest]
	if f.step == 0 {
		for j := range rs {
			m, same := f.number(&rs[j])
			odd = odd || !same
			rest = append(rest, m)
		}
		c.ints[f.rest] = rest
		return odd
	}
	coarse := c.ints[f.coarse]
	for j := range rs {
		m, same := f.number(&rs[j])
		odd = odd || !same
		q, r := int64(null32), int64(null32)
		if m != null32 {
			q, r = split(m, f.step)
		}
		coarse, rest = append(coarse, q), append(rest, r)
	}
	c.ints[f.coarse], c.ints[f.rest] = coarse, rest
	return odd
}

func (c *columns) reset() {
	c.rows = 0
	for i := range c.ints {
		c.ints[i] = c.ints[i][:0]
	}
	c.locked = c.locked[:0]
	for i := range c.texts {
		b := &c.texts[i]
		clear(b.words)
		b.words, b.of = b.words[:0], b.of[:0]
		clear(b.ids)
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
