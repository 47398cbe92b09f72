package segment

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"github.com/parquet-go/parquet-go/encoding/delta"
	"github.com/parquet-go/parquet-go/encoding/rle"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"

	"holdfast/analysis/reception"
)

// Columns is a group in memory, and the memory to read another one into. The zero
// value is ready.
type Columns struct {
	rows   int
	time   []int64
	ints   []ints
	locked []byte // a bit each
	texts  []texts
	odd    bool // column exact is there
	row    reception.Reading

	raw, page, dict []byte
	levels          []byte
	narrow          []int32
}

// ints is a column of whole numbers: one for all rows, or one a row.
type ints struct {
	one    bool
	value  int64
	wide   []int64
	narrow []int32
}

func (c *ints) at(i int) int64 {
	switch {
	case c.one:
		return c.value
	case len(c.wide) > 0:
		return c.wide[i]
	}
	return int64(c.narrow[i])
}

type texts struct {
	words []string
	of    []int32 // empty: the first word for all rows
}

// Rows returns how many rows were read.
func (c *Columns) Rows() int { return c.rows }

// Time returns the time of a row.
func (c *Columns) Time(i int) int64 { return c.time[i] }

// Search returns the first row whose time is not before t, Rows if there is none.
func (c *Columns) Search(t int64) int {
	i, _ := slices.BinarySearch(c.time, t)
	return i
}

// Read reads a group.
func (f *File) Read(g int, c *Columns) error { return f.read(g, c, columnCount) }

// ReadTimes reads the times of a group alone, so that Fill may not be called.
func (f *File) ReadTimes(g int, c *Columns) error { return f.read(g, c, milliColumn+1) }

func (f *File) read(g int, c *Columns, upTo int) (err error) {
	if c.raw, err = f.load(g, c.raw); err != nil {
		return err
	}
	x := &f.groups[g]
	c.rows = x.rows
	if c.ints == nil {
		c.ints, c.texts = make([]ints, len(intColumns)), make([]texts, len(textColumns))
	}
	return guard(func() error {
		for i, ch := range x.chunks[:upTo] {
			if err := c.column(f.codec, i, ch); err != nil {
				return fmt.Errorf("%w: group %d, column %s: %w", ErrDamaged, g, columnNames[i], err)
			}
		}
		if upTo == columnCount {
			c.constants()
		}
		c.times()
		if !slices.IsSorted(c.time) {
			return fmt.Errorf("%w: group %d does not ascend by time", ErrDamaged, g)
		}
		return nil
	})
}

// times puts the time together.
func (c *Columns) times() {
	s, ms := &c.ints[secondColumn], &c.ints[milliColumn]
	c.time = slices.Grow(c.time[:0], c.rows)[:c.rows]
	for i := range c.time {
		c.time[i] = 1000 * s.at(i)
	}
	if ms.one && ms.value == null32 {
		return
	}
	for i := range c.time {
		c.time[i] += ms.at(i)
	}
}

// column decodes a chunk.
func (c *Columns) column(codec *Codec, i int, ch chunk) error {
	b := c.raw[ch.from:ch.to]
	h, body, b, err := c.next(codec, b, ch.compressed)
	if err != nil {
		return err
	}
	words := 0
	if h.Type == format.DictionaryPage {
		c.dict = append(c.dict[:0], body...)
		words = int(h.DictionaryPageHeader.V.NumValues)
		if h, body, b, err = c.next(codec, b, ch.compressed); err != nil {
			return err
		}
	}
	if len(b) > 0 || h.Type != format.DataPage || int(h.DataPageHeader.V.NumValues) != c.rows {
		return fmt.Errorf("not one page of %d rows", c.rows)
	}
	enc := h.DataPageHeader.V.Encoding
	switch {
	case i < len(intColumns):
		return c.decodeInts(&intColumns[i], &c.ints[i], enc, words, body)
	case i == len(intColumns):
		if len(body) < (c.rows+7)/8 {
			return fmt.Errorf("%d bytes are too short", len(body))
		}
		c.locked = append(c.locked[:0], body...)
		return nil
	}
	k := i - len(intColumns) - 1
	return c.decodeTexts(&textColumns[k], &c.texts[k], enc, words, body)
}

// next reads a page's header and body, and returns what follows.
func (c *Columns) next(codec *Codec, b []byte, compressed bool) (h format.PageHeader, body, rest []byte, err error) {
	r := compact.NewReaderFromBytes(b)
	if err := thrift.NewDecoder(r).Decode(&h); err != nil {
		return h, nil, nil, err
	}
	b = b[r.BytesRead():]
	n := int(h.CompressedPageSize)
	if n < 0 || n > len(b) {
		return h, nil, nil, fmt.Errorf("a page of %d bytes in %d", n, len(b))
	}
	body, rest = b[:n], b[n:]
	if compressed {
		if c.page, err = codec.decoder.DecodeAll(body, c.page[:0]); err != nil {
			return h, nil, nil, err
		}
		body = c.page
	}
	if len(body) != int(h.UncompressedPageSize) {
		return h, nil, nil, fmt.Errorf("a page of %d bytes, not %d", len(body), h.UncompressedPageSize)
	}
	return h, body, rest, nil
}

// present reads the definition levels before a page's values: how many are there, and
// which, nil if it is all or none.
func (c *Columns) present(body []byte) (n int, levels, rest []byte, err error) {
	if len(body) < 4 || uint64(binary.LittleEndian.Uint32(body)) > uint64(len(body)-4) {
		return 0, nil, nil, fmt.Errorf("levels are longer than their page")
	}
	size := 4 + int(binary.LittleEndian.Uint32(body))
	l := body[4:size]
	if head, k := binary.Uvarint(l); k > 0 && head&1 == 0 && head>>1 >= uint64(c.rows) && k < len(l) {
		if l[k] == 0 {
			return 0, nil, body[size:], nil
		}
		return c.rows, nil, body[size:], nil
	}
	c.levels, err = (&rle.Encoding{BitWidth: 1}).DecodeLevels(c.levels, l)
	if err != nil || len(c.levels) < c.rows {
		return 0, nil, nil, fmt.Errorf("levels of %d rows: %v", len(c.levels), err)
	}
	c.levels = c.levels[:c.rows]
	for _, x := range c.levels {
		n += int(x)
	}
	return n, c.levels, body[size:], nil
}

func (c *Columns) decodeInts(col *intColumn, out *ints, enc format.Encoding, words int, body []byte) (err error) {
	n, levels := c.rows, []byte(nil)
	if col.optional {
		if n, levels, body, err = c.present(body); err != nil {
			return err
		}
	}
	out.one, out.wide, out.narrow = false, out.wide[:0], out.narrow[:0]
	if n == 0 {
		out.one, out.value = true, col.missing
		return nil
	}
	switch enc {
	case format.RLEDictionary:
		size := 4
		if col.wide {
			size = 8
		}
		if words < 1 || len(c.dict) != words*size {
			return fmt.Errorf("a dictionary of %d in %d bytes", words, len(c.dict))
		}
		word := func(i int32) int64 {
			if col.wide {
				return int64(binary.LittleEndian.Uint64(c.dict[8*i:]))
			}
			return int64(int32(binary.LittleEndian.Uint32(c.dict[4*i:])))
		}
		if words == 1 && levels == nil {
			out.one, out.value = true, word(0)
			return nil
		}
		ids, err := c.indexes(body, n, words)
		if err != nil {
			return err
		}
		if col.wide {
			for _, id := range ids {
				out.wide = append(out.wide, word(id))
			}
		} else {
			for i, id := range ids {
				ids[i] = int32(word(id))
			}
			out.narrow = append(out.narrow, ids...)
		}
	case format.DeltaBinaryPacked:
		if col.wide {
			out.wide, err = (&delta.BinaryPackedEncoding{}).DecodeInt64(out.wide, body)
		} else {
			out.narrow, err = (&delta.BinaryPackedEncoding{}).DecodeInt32(out.narrow, body)
		}
		if err != nil {
			return err
		}
	default:
		return fmt.Errorf("encoding %v", enc)
	}
	if len(out.wide)+len(out.narrow) != n {
		return fmt.Errorf("%d values, not %d", len(out.wide)+len(out.narrow), n)
	}
	if levels != nil {
		if col.wide {
			out.wide = spread(out.wide, levels, col.missing)
		} else {
			out.narrow = spread(out.narrow, levels, int32(col.missing))
		}
	}
	return nil
}

// spread moves values to the rows that have one.
func spread[T int32 | int64](v []T, levels []byte, missing T) []T {
	k := len(v)
	v = slices.Grow(v, len(levels)-k)[:len(levels)]
	for i := len(levels) - 1; i >= 0; i-- {
		if levels[i] == 0 {
			v[i] = missing
		} else {
			k--
			v[i] = v[k]
		}
	}
	return v
}

// indexes decodes n indexes into a dictionary. They are good until the next call.
func (c *Columns) indexes(body []byte, n, words int) (ids []int32, err error) {
	c.narrow, err = (&rle.DictionaryEncoding{}).DecodeInt32(c.narrow, body)
	if err != nil {
		return nil, err
	}
	if len(c.narrow) < n {
		return nil, fmt.Errorf("%d indexes, not %d", len(c.narrow), n)
	}
	ids = c.narrow[:n]
	for _, id := range ids {
		if uint32(id) >= uint32(words) {
			return nil, fmt.Errorf("index %d into a dictionary of %d", id, words)
		}
	}
	return ids, nil
}

func (c *Columns) decodeTexts(col *textColumn, out *texts, enc format.Encoding, words int, body []byte) (err error) {
	n, levels := c.rows, []byte(nil)
	if col.optional {
		if n, levels, body, err = c.present(body); err != nil {
			return err
		}
	}
	out.words, out.of = append(out.words[:0], ""), out.of[:0]
	if n == 0 {
		return nil
	}
	if enc != format.RLEDictionary {
		return fmt.Errorf("encoding %v", enc)
	}
	if levels == nil {
		out.words = out.words[:0] // else index 0 is the missing one
	}
	extra := int32(len(out.words))
	for d := c.dict; len(d) > 0; {
		if len(d) < 4 || uint64(binary.LittleEndian.Uint32(d)) > uint64(len(d)-4) {
			return fmt.Errorf("a word is longer than its dictionary")
		}
		size := 4 + int(binary.LittleEndian.Uint32(d))
		out.words = append(out.words, string(d[4:size]))
		d = d[size:]
	}
	if len(out.words)-int(extra) != words || words < 1 {
		return fmt.Errorf("a dictionary of %d words, not %d", len(out.words), words)
	}
	if words == 1 && levels == nil {
		return nil
	}
	ids, err := c.indexes(body, n, words)
	if err != nil {
		return err
	}
	out.of = append(out.of, ids...)
	if levels != nil {
		for i := range out.of {
			out.of[i] += extra
		}
		out.of = spread(out.of, levels, 0)
	}
	return nil
}

// constants makes the reading that rows begin as.
func (c *Columns) constants() {
	c.row = reception.Reading{}
	for i := range intColumns {
		if at := intColumns[i].at; at != nil && c.ints[i].one {
			*at(&c.row) = c.ints[i].value
		}
	}
	for i := range textColumns {
		if t := &c.texts[i]; len(t.of) == 0 && len(t.words) > 0 && !textColumns[i].optional {
			textColumns[i].set(&c.row, t.words[0])
		}
	}
	for i := range floatColumns {
		if f := &floatColumns[i]; c.constant(f) {
			*f.at(&c.row) = c.float(f, 0)
		}
	}
	x := &c.texts[len(c.texts)-1]
	c.odd = len(x.of) > 0 || len(x.words) > 0 && x.words[0] != ""
}

// constant reports whether a measurement is the same in all rows.
func (c *Columns) constant(f *floatColumn) bool {
	return c.ints[f.rest].one && (f.step == 0 || c.ints[f.coarse].one) && (!f.below || c.constant(&floatColumns[cnColumn]))
}

// number returns what a column keeps of a measurement, in thousandths.
func (c *Columns) number(f *floatColumn, i int) int64 {
	m := c.ints[f.rest].at(i)
	if f.step == 0 {
		return m
	}
	q := c.ints[f.coarse].at(i)
	switch {
	case q == null32:
		return null32
	case m == null32:
		return f.step * q
	}
	return f.step*q + m
}

// float returns a measurement before the column exact is looked at.
func (c *Columns) float(f *floatColumn, i int) float64 {
	m := c.number(f, i)
	if m == null32 {
		return math.NaN()
	}
	if f.below {
		m = c.number(&floatColumns[cnColumn], i) - m
	}
	return float64(m) / 1000
}

// Fill writes the rows from number `from` on.
func (c *Columns) Fill(dst []reception.Reading, from int) {
	for i := range dst {
		dst[i] = c.row
		dst[i].Time = c.time[from+i]
	}
	for i := range intColumns {
		at, v := intColumns[i].at, &c.ints[i]
		if at == nil || v.one {
			continue
		}
		for j, x := range v.wide[from : from+len(dst)] {
			*at(&dst[j]) = x
		}
	}
	for i := range floatColumns {
		c.floats(&floatColumns[i], dst, from)
	}
	for i := range dst {
		dst[i].Locked = c.locked[(from+i)/8]>>((from+i)%8)&1 != 0
	}
	for i := range textColumns {
		t := &c.texts[i]
		if len(t.of) == 0 || textColumns[i].optional {
			continue
		}
		set := textColumns[i].set
		for j, id := range t.of[from : from+len(dst)] {
			set(&dst[j], t.words[id])
		}
	}
	if c.odd {
		x, set := &c.texts[len(c.texts)-1], textColumns[len(c.texts)-1].set
		for j := range dst {
			if len(x.of) == 0 {
				set(&dst[j], x.words[0])
			} else {
				set(&dst[j], x.words[x.of[from+j]])
			}
		}
	}
}

func (c *Columns) floats(f *floatColumn, dst []reception.Reading, from int) {
	if c.constant(f) {
		return // in c.row
	}
	if q := &c.ints[f.coarse]; f.step > 0 && len(q.narrow) > 0 && c.coarseAlone(f) { // as most are
		cn := &ints{one: true}
		if f.below {
			cn = &c.ints[floatColumns[cnColumn].coarse]
		}
		per := float64(1000 / f.step) // the same as of so many thousandths over 1000
		for j, x := range q.narrow[from : from+len(dst)] {
			switch {
			case x == null32:
				*f.at(&dst[j]) = math.NaN()
			case f.below:
				*f.at(&dst[j]) = float64(cn.at(from+j)-int64(x)) / per
			default:
				*f.at(&dst[j]) = float64(x) / per
			}
		}
		return
	}
	for j := range dst {
		*f.at(&dst[j]) = c.float(f, from+j)
	}
}

// coarseAlone reports whether the coarse part says everything.
func (c *Columns) coarseAlone(f *floatColumn) bool {
	r := &c.ints[f.rest]
	return r.one && r.value == null32 && (!f.below || c.coarseAlone(&floatColumns[cnColumn]))
}
