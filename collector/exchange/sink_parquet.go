package exchange

import (
	"fmt"
	"io"
	"reflect"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// parquetSink writes Apache Parquet. Columns stand in the order of the CSV; all but
// time may be null.
type parquetSink struct {
	w     *parquet.GenericWriter[any]
	types []reflect.Type
	row   parquet.Row
	batch []parquet.Row
	err   error
}

// Rows in a row group, and how many are handed over at once.
const (
	groupRows = 50_000
	batchRows = 256
)

// typed gives the columns that hold no number.
var typed = map[string]string{
	"time": "instant", "known": "instant",
	"locked": "flag", "thunder": "flag",
	"frequency_hz": "count", "pre_errors": "count", "pre_bits": "count", "uncorrected_blocks": "count", "total_blocks": "count", "interval_s": "count",
	"tuner": "text", "visit": "text", "identity": "text", "mode": "text", "system": "text", "layer": "text", "scale": "text", "why": "text",
	"source": "text", "kind": "text", "precipitation": "text", "installation": "text", "note": "text",
	"unit": "text", "level_kind": "text", "quantity": "text", "driver": "text",
}

func newParquet(w io.Writer, name string, columns []string) *parquetSink {
	var fields []reflect.StructField
	o := &parquetSink{}
	for i, c := range columns {
		t, tag := reflect.TypeFor[float64](), c
		switch typed[c] {
		case "instant":
			t, tag = reflect.TypeFor[int64](), c+",timestamp(millisecond),delta"
		case "flag":
			t = reflect.TypeFor[bool]()
		case "count":
			t, tag = reflect.TypeFor[int64](), c+",delta"
		case "text":
			t, tag = reflect.TypeFor[string](), c+",dict"
		}
		o.types = append(o.types, t)
		if c != "time" {
			tag += ",optional"
		}
		fields = append(fields, reflect.StructField{Name: fmt.Sprintf("F%d", i), Type: t, Tag: reflect.StructTag(fmt.Sprintf("parquet:%q", tag))})
	}
	schema := parquet.NewSchema(name, parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface()))
	o.w = parquet.NewGenericWriter[any](w, schema, parquet.Compression(&zstd.Codec{Level: zstd.SpeedDefault, Concurrency: 1}), parquet.MaxRowsPerRowGroup(groupRows))
	return o
}

func (w *parquetSink) put(t reflect.Type, v parquet.Value) {
	i := len(w.row)
	if w.types[i] != t && w.err == nil {
		w.err = fmt.Errorf("column %d of the Parquet file holds %v, not %v", i, w.types[i], t)
	}
	level := 1
	if i == 0 && w.types[0] == reflect.TypeFor[int64]() {
		level = 0 // time
	}
	w.row = append(w.row, v.Level(0, level, i))
}

func (w *parquetSink) none() { w.row = append(w.row, parquet.NullValue().Level(0, 0, len(w.row))) }
func (w *parquetSink) text(s string) {
	w.put(reflect.TypeFor[string](), parquet.ByteArrayValue([]byte(s)))
}
func (w *parquetSink) number(v float64) { w.put(reflect.TypeFor[float64](), parquet.DoubleValue(v)) }
func (w *parquetSink) count(v int64)    { w.put(reflect.TypeFor[int64](), parquet.Int64Value(v)) }
func (w *parquetSink) flag(v bool)      { w.put(reflect.TypeFor[bool](), parquet.BooleanValue(v)) }
func (w *parquetSink) instant(ms int64) { w.count(ms) }

func (w *parquetSink) end() error {
	w.batch = append(w.batch, w.row)
	w.row = make(parquet.Row, 0, len(w.types))
	if len(w.batch) == batchRows {
		w.flush()
	}
	return w.err
}

func (w *parquetSink) flush() {
	if w.err == nil && len(w.batch) > 0 {
		_, w.err = w.w.WriteRows(w.batch)
	}
	w.batch = w.batch[:0]
}

func (w *parquetSink) close() error {
	if w.flush(); w.err != nil {
		return w.err
	}
	return w.w.Close()
}

// ParquetRows returns how many rows a Parquet file of size bytes says that it holds,
// once its beginning and end prove to be whole.
func ParquetRows(f io.ReaderAt, size int64) (int64, error) {
	p, err := parquet.OpenFile(f, size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true))
	if err != nil {
		return 0, fmt.Errorf("read back the Parquet file: %w", err)
	}
	return p.NumRows(), nil
}
