package exchange

import (
	"bufio"
	"io"
	"strconv"
	"strings"
	"time"
)

// csvSink writes RFC 4180 with line feeds.
type csvSink struct {
	w     *bufio.Writer
	b     []byte
	first bool
	err   error
}

func newCSV(w io.Writer, columns []string) *csvSink {
	o := &csvSink{w: bufio.NewWriterSize(w, 64<<10), first: true}
	for _, c := range columns {
		o.text(c)
	}
	_ = o.end() // kept, and returned by the next one
	return o
}

func (w *csvSink) none() {
	if !w.first {
		w.b = append(w.b, ',')
	}
	w.first = false
}

func (w *csvSink) text(s string) {
	w.none()
	if !strings.ContainsAny(s, "\",\n\r") && !blank(s[0]) && !blank(s[len(s)-1]) {
		w.b = append(w.b, s...)
		return
	}
	w.b = append(w.b, '"')
	w.b = append(w.b, strings.ReplaceAll(s, `"`, `""`)...)
	w.b = append(w.b, '"')
}

// number writes the shortest decimals that read back as the same value.
func (w *csvSink) number(v float64) {
	w.none()
	w.b = strconv.AppendFloat(w.b, v, 'f', -1, 64)
}

func (w *csvSink) count(v int64) {
	w.none()
	w.b = strconv.AppendInt(w.b, v, 10)
}

func (w *csvSink) flag(v bool) {
	w.none()
	if v {
		w.b = append(w.b, '1')
	} else {
		w.b = append(w.b, '0')
	}
}

// instant writes Unix ms in UTC, with milliseconds where there are any.
func (w *csvSink) instant(ms int64) {
	w.none()
	w.b = appendTime(w.b, ms)
}

func appendTime(b []byte, ms int64) []byte {
	return time.UnixMilli(ms).UTC().AppendFormat(b, time.RFC3339Nano)
}

func (w *csvSink) end() error {
	w.b = append(w.b, '\n')
	if w.err == nil {
		_, w.err = w.w.Write(w.b)
	}
	w.b, w.first = w.b[:0], true
	return w.err
}

func (w *csvSink) close() error {
	if w.err != nil {
		return w.err
	}
	return w.w.Flush()
}
