// Package isdlite reads ISD-Lite, the archive of hourly surface observations in lines
// of twelve numbers (format document and technical document of 2006, US National
// Centers for Environmental Information):
//
//	year month day hour temperature dewpoint pressure direction wind sky rain-1h rain-6h
//
// in UTC; temperatures in tenths of a degree C, sea-level pressure in tenths of hPa,
// wind in tenths of m/s, precipitation in tenths of mm; -9999 is missing, a
// precipitation of -1 is a trace, a direction of 0 is calm. The document's columns
// disagree with themselves in places, so lines are split at blanks. Values are those
// observed within the ten minutes before the hour.
//
// There are no gusts in it: it says nothing about what they do.
package isdlite

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"regexp"
	"strconv"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
)

var form = regexp.MustCompile(`^\d{4} +\d{1,2} +\d{1,2} +\d{1,2}( +-?\d+){8} *\r?\n`)

// Recognise reports whether a file that begins so is ISD-Lite. head holds its first
// line, if it is one of at most some hundred bytes.
func Recognise(head []byte) bool { return form.Match(head) }

// A Reader reads a file once, from front to back.
type Reader struct {
	r      io.Reader
	source string
	hourly int64 // last hour whose own precipitation was reported, Unix ms
	rows   int64
}

// NewReader returns a reader. source names the rows; "isd-lite" if empty. Sums over six
// hours, where no sum of one of these hours is there, get the name with " 6 h" added.
func NewReader(r io.Reader, source string) *Reader {
	if source == "" {
		source = "isd-lite"
	}
	return &Reader{r: r, source: source}
}

// Rows yields the rows in the order of the file; a bad line as an *exchange.LineError.
// Any other error is of the underlying reader and the last pair.
func (x *Reader) Rows() iter.Seq2[exchange.WeatherRow, error] {
	return func(yield func(exchange.WeatherRow, error) bool) {
		sc := bufio.NewScanner(x.r)
		sc.Buffer(make([]byte, 4096), 4096)
		line := int64(0)
		for sc.Scan() {
			line++
			if len(bytes.TrimSpace(sc.Bytes())) == 0 {
				continue
			}
			rows, err := x.line(sc.Bytes())
			if err != nil {
				if !yield(exchange.WeatherRow{Line: line}, &exchange.LineError{Line: line, Reason: err.Error()}) {
					return
				}
				continue
			}
			for _, w := range rows {
				x.rows++
				if !yield(exchange.WeatherRow{Line: line, Weather: w}, nil) {
					return
				}
			}
		}
		if err := sc.Err(); errors.Is(err, bufio.ErrTooLong) {
			yield(exchange.WeatherRow{}, fmt.Errorf("line %d is longer than 4096 bytes: this is not ISD-Lite", line+1))
		} else if err != nil {
			yield(exchange.WeatherRow{}, err)
		}
	}
}

// Warnings returns one line for each thing to know of the rows so far.
func (x *Reader) Warnings() []string {
	if x.rows == 0 {
		return nil
	}
	return []string{"ISD-Lite has no gusts and does not say where its station is: effects of wind and distance are not known from it"}
}

const (
	missing = -9999
	trace   = -1
)

func (x *Reader) line(text []byte) ([]reception.Weather, error) {
	fields := bytes.Fields(text)
	if len(fields) != 12 {
		return nil, fmt.Errorf("has %d numbers; want the 12 of ISD-Lite", len(fields))
	}
	var v [12]int
	for i, f := range fields {
		n, err := strconv.ParseInt(string(f), 10, 32)
		if err != nil {
			return nil, fmt.Errorf("%.40q is no whole number; want the 12 of ISD-Lite", f)
		}
		v[i] = int(n)
	}
	at := time.Date(v[0], time.Month(v[1]), v[2], v[3], 0, 0, 0, time.UTC)
	if at.Year() != v[0] || int(at.Month()) != v[1] || at.Day() != v[2] || at.Hour() != v[3] {
		return nil, fmt.Errorf("%d %d %d %d is no hour of a year, month and day", v[0], v[1], v[2], v[3])
	}
	w := reception.NewWeather()
	w.Time, w.Source = at.UnixMilli(), x.source
	if err := w.Validate(); err != nil {
		return nil, err
	}
	w.TempC, w.DewpointC, w.PressureHPa = tenths(v[4]), tenths(v[5]), tenths(v[6])
	w.WindMPS = tenths(v[8])
	if v[7] != missing && v[7] != 0 && w.WindMPS != 0 { // 0: calm
		w.WindDirDeg = float64(v[7])
	}
	fell(&w, v[10], w.TempC)
	if v[10] != missing {
		x.hourly = w.Time
	}
	rows := []reception.Weather{w}
	if v[11] != missing && w.Time-x.hourly >= 6*reception.HourMS {
		six := reception.NewWeather()
		six.Time, six.Source, six.IntervalS = w.Time, x.source+" 6 h", 6*3600
		fell(&six, v[11], w.TempC)
		six.RainMMPerHour, six.SnowMMPerHour = six.RainMMPerHour/6, six.SnowMMPerHour/6
		rows = append(rows, six)
	}
	return rows, nil
}

func tenths(v int) float64 {
	if v == missing {
		return math.NaN()
	}
	return float64(v) / 10
}

// fell settles precipitation. The archive does not say what fell: at or below freezing
// it is taken as snow (ours, no source).
func fell(w *reception.Weather, v int, tempC float64) {
	switch {
	case v == missing:
		return
	case v == trace:
		w.Precipitation, v = reception.PrecipTrace, 0
	case v == 0:
		w.Precipitation = reception.PrecipNone
	default:
		w.Precipitation = reception.PrecipAmount
	}
	w.RainMMPerHour, w.SnowMMPerHour = float64(v)/10, 0
	if tempC <= 0 {
		w.RainMMPerHour, w.SnowMMPerHour = 0, float64(v)/10
	}
}
