package exchange

import (
	"bufio"
	"encoding/json"
	"io"
	"strconv"
)

// jsonSink writes one array of objects (RFC 8259), each on a line of its own; a member
// that is not available is left out.
type jsonSink struct {
	w     *bufio.Writer
	keys  [][]byte // `"name":`
	at    int
	b     []byte
	began bool // a row was written
	open  bool // a member of this row was written
	err   error
}

func newJSON(w io.Writer, columns []string) *jsonSink {
	o := &jsonSink{w: bufio.NewWriterSize(w, 64<<10), b: []byte("[")}
	for _, c := range columns {
		o.keys = append(o.keys, append(strconv.AppendQuote(nil, c), ':'))
	}
	o.row()
	return o
}

func (w *jsonSink) row() {
	w.at, w.open = 0, false
	if w.began {
		w.b = append(w.b, ',')
	}
	w.b = append(w.b, '\n', '{')
}

func (w *jsonSink) none() { w.at++ }

func (w *jsonSink) key() {
	if w.open {
		w.b = append(w.b, ',')
	}
	w.b = append(w.b, w.keys[w.at]...)
	w.at++
	w.open = true
}

func (w *jsonSink) text(s string) {
	w.key()
	q, err := json.Marshal(s)
	if err != nil && w.err == nil {
		w.err = err
	}
	w.b = append(w.b, q...)
}

func (w *jsonSink) number(v float64) {
	w.key()
	w.b = strconv.AppendFloat(w.b, v, 'f', -1, 64)
}

func (w *jsonSink) count(v int64) {
	w.key()
	w.b = strconv.AppendInt(w.b, v, 10)
}

func (w *jsonSink) flag(v bool) {
	w.key()
	w.b = strconv.AppendBool(w.b, v)
}

func (w *jsonSink) instant(ms int64) {
	w.key()
	w.b = append(w.b, '"')
	w.b = append(appendTime(w.b, ms), '"')
}

func (w *jsonSink) end() error {
	w.b = append(w.b, '}')
	if w.err == nil {
		_, w.err = w.w.Write(w.b)
	}
	w.b, w.began = w.b[:0], true
	w.row()
	return w.err
}

func (w *jsonSink) close() error {
	if w.err != nil {
		return w.err
	}
	last := "\n]\n"
	if !w.began {
		last = "[]\n"
	}
	if _, err := w.w.WriteString(last); err != nil {
		return err
	}
	return w.w.Flush()
}
