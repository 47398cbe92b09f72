// Package jsonmap is a source of weather in any JSON: a jq expression of the user's
// makes rows of it, with the names of weather imports (time, temp_c, wind_mps,
// rain_mm_h and so on).
//
// The expression runs over each JSON value of the text, which may be one document or
// one value a line, and yields an object for each row. A row without time is of now.
// Without interval_s it covers the time since the row before, at most an hour.
//
// rain_total_mm is one name more: a gauge's total since it was last reset. Rows of the
// same or an older time than the last one are repetitions and are passed over, and a
// temperature that has moved by more than 5 degrees C a minute is not used.
package jsonmap

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/jq"
	"holdfast/collector/weather"
	"holdfast/collector/weather/fetch"
)

// Options say where the JSON is and what it means. One of File and URL is needed, and
// Mapping.
type Options struct {
	Source     string // names rows that name none; "json" if empty
	File, URL  string
	Mapping    string        // jq expression
	DistanceKM float64       // of rows that have none; NaN if not known
	Every      time.Duration // how often it is looked at: what the first row covers; 15 min if 0
}

// A Source returns the rows that it has not returned before.
type Source struct {
	o     Options
	text  *fetch.Text
	query *jq.Query

	last  int64 // time of the last row, Unix ms; 0: none
	total struct {
		mm float64
		at int64 // 0: none
	}
	temp struct {
		c  float64
		at int64
	}
}

var _ weather.Source = (*Source)(nil)

// Limits (ours, but for the two that name a source).
const (
	totalName = "rain_total_mm"
	mostTime  = 20 * time.Second // of all runs over one text
	mostNamed = 3                // faults in one error
	longest   = time.Hour        // that values of one instant may stand for
	// Counters that go back were reset; what they show then fell since, unless it is
	// more than a day of heavy rain (common practice, no published source).
	mostReset = 50.0
	// A faster change of temperature is a fault (common practice, no published source).
	mostCPerMinute = 5.0
)

// New returns a source; nothing is read yet.
func New(o Options) (*Source, error) {
	if o.Source == "" {
		o.Source = "json"
	}
	if o.DistanceKM < 0 {
		return nil, fmt.Errorf("weather json: distance_km %g is negative", o.DistanceKM)
	}
	if o.Every <= 0 {
		o.Every = 15 * time.Minute
	}
	q, err := jq.Compile(o.Mapping)
	if err != nil {
		return nil, fmt.Errorf("weather json: mapping: %w", err)
	}
	text, err := fetch.New(fetch.Options{Source: o.Source, File: o.File, URL: o.URL, Accept: "application/json"})
	if err != nil {
		return nil, fmt.Errorf("weather json: %w", err)
	}
	return &Source{o: o, text: text, query: q}, nil
}

func (s *Source) String() string { return s.text.String() }

// Observe returns the new rows. What is wrong with some of them is an error beside the
// others.
func (s *Source) Observe(ctx context.Context) ([]reception.Weather, error) {
	text, written, err := s.text.Read(ctx)
	if err != nil || len(text) == 0 {
		return nil, err
	}
	rows, err := s.observe(ctx, text, written)
	if err != nil {
		err = fmt.Errorf("weather %s: %w", s, err)
	}
	return rows, err
}

func (s *Source) observe(ctx context.Context, text []byte, now time.Time) ([]reception.Weather, error) {
	ctx, cancel := context.WithTimeout(ctx, mostTime)
	defer cancel()
	values, err := jq.Decode(text)
	if len(values) == 0 {
		if err == nil {
			err = errors.New("the text is blank; want JSON")
		}
		return nil, err
	}
	var f faults
	if s.o.File == "" || bytes.HasSuffix(text, []byte("\n")) { // else somebody is still writing the last line
		f.add(err)
	}
	var objects []map[string]any
	for i, v := range values {
		got, err := s.query.Run(ctx, v)
		if ctx.Err() != nil {
			return nil, errors.New("the mapping takes too long; make it simpler, or the text shorter")
		}
		if err != nil {
			f.add(fmt.Errorf("mapping of value %d: %w", i+1, err))
			continue
		}
		for _, g := range got {
			o, ok := g.(map[string]any)
			if !ok {
				f.add(fmt.Errorf("mapping of value %d yields %s; want objects such as {time: .when, temp_c: .t}", i+1, kindOf(g)))
				continue
			}
			objects = append(objects, o)
		}
	}
	if len(objects) == 0 {
		if f.n == 0 {
			return nil, errors.New("the mapping yields nothing; check mapping in the config against what the address sends")
		}
		return nil, f.err()
	}
	rows, err := s.rows(objects, now, &f)
	if err != nil {
		return nil, err
	}
	return rows, f.err()
}

// faults gathers what is wrong; some are named, all are counted.
type faults struct {
	named []string
	n     int
}

func (f *faults) add(err error) {
	if err == nil {
		return
	}
	if f.n++; len(f.named) < mostNamed {
		f.named = append(f.named, err.Error())
	}
}

func (f *faults) err() error {
	switch {
	case f.n == 0:
		return nil
	case f.n > len(f.named):
		return fmt.Errorf("%s; and %d more", strings.Join(f.named, "; "), f.n-len(f.named))
	}
	return errors.New(strings.Join(f.named, "; "))
}

func kindOf(v any) string {
	switch v.(type) {
	case nil:
		return "null"
	case string:
		return "a text"
	case []any:
		return "a list"
	case bool:
		return "true or false"
	case map[string]any:
		return "a group"
	}
	return "a number"
}

// A row before its interval and rain are known.
type row struct {
	reception.Weather
	total      float64 // NaN: none
	hasTotal   bool
	ownSpan    bool // has its own interval
	unlabelled bool // does not say what precipitation it had
}

// rows makes rows of objects. It writes them as the table that imports read and reads
// that, so that names, times and numbers mean the same in both.
func (s *Source) rows(objects []map[string]any, now time.Time, f *faults) ([]reception.Weather, error) {
	names := map[string]bool{"time": true, "rain_mm_h": true}
	for _, o := range objects {
		for k := range o {
			names[k] = true
		}
	}
	delete(names, totalName)
	columns := slices.Sorted(maps.Keys(names))
	var table bytes.Buffer
	w := csv.NewWriter(&table)
	w.Write(columns)                     // a buffer takes all
	kept := make([]int, 0, len(objects)) // by line of the table
	for i, o := range objects {
		record := make([]string, len(columns))
		var err error
		for k, name := range columns {
			if record[k], err = cell(o[name]); err != nil {
				f.add(fmt.Errorf("row %d: %s is %w", i+1, name, err))
				break
			}
			if name == "time" && record[k] == "" {
				record[k] = strconv.FormatInt(now.Unix(), 10)
			}
		}
		if err == nil {
			w.Write(record)
			kept = append(kept, i)
		}
	}
	w.Flush()
	rd, err := exchange.ReadWeather(&table, s.o.Source)
	if err != nil {
		return nil, fmt.Errorf("the mapping's names: %w; rain_total_mm is known too", err)
	}
	var rows []row
	for x, err := range rd.Rows() {
		if le, ok := errors.AsType[*exchange.LineError](err); ok {
			f.add(fmt.Errorf("row %d: %s", kept[le.Line-2]+1, le.Reason))
			continue
		}
		if err != nil {
			return nil, err
		}
		n := kept[x.Line-2] // cells have no line feeds
		o := objects[n]
		r := row{Weather: x.Weather, total: math.NaN(), ownSpan: o["interval_s"] != nil, unlabelled: o["precipitation"] == nil}
		if t := o[totalName]; t != nil {
			text, err := cell(t)
			if r.total, _ = strconv.ParseFloat(text, 64); err != nil || text == "" || !(r.total >= 0 && r.total < 1e6) {
				f.add(fmt.Errorf("row %d: %s is no total of millimetres", n+1, totalName))
				continue
			}
			if r.ownSpan || o["rain_mm_h"] != nil {
				f.add(fmt.Errorf("row %d: %s stands beside interval_s or rain_mm_h; keep the total, or those", n+1, totalName))
				continue
			}
			r.hasTotal = true
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.Time, b.Time) })
	var out []reception.Weather
	for _, r := range rows {
		if r.Time > s.last {
			out = append(out, s.settle(r))
		}
	}
	return out, nil
}

// cell writes a value as a field of a table; null is empty.
func cell(v any) (string, error) {
	switch v := v.(type) {
	case nil:
		return "", nil
	case string:
		if strings.ContainsFunc(v, func(r rune) bool { return r < ' ' }) || len(v) > 200 {
			return "", errors.New("a text of several lines or too long")
		}
		return v, nil
	case bool:
		if v {
			return "1", nil
		}
		return "0", nil
	case int:
		return strconv.Itoa(v), nil
	case *big.Int:
		return v.String(), nil
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return "", nil
		}
		return strconv.FormatFloat(v, 'f', -1, 64), nil
	}
	return "", fmt.Errorf("%s; want a number, a text or null", kindOf(v))
}

// settle gives a row its interval, makes a rate of the gauge's total, and leaves out a
// temperature that has jumped.
func (s *Source) settle(r row) reception.Weather {
	w := r.Weather
	if math.IsNaN(w.DistanceKM) {
		w.DistanceKM = s.o.DistanceKM
	}
	if !r.ownSpan {
		span := s.o.Every
		if s.last != 0 {
			span = time.Duration(w.Time-s.last) * time.Millisecond
		}
		w.IntervalS = max(1, int64(min(span, longest)/time.Second))
	}
	if r.hasTotal {
		s.difference(&w, r)
	}
	if !math.IsNaN(w.TempC) {
		if minutes := math.Max(1, float64(w.Time-s.temp.at)/60000); s.temp.at != 0 && math.Abs(w.TempC-s.temp.c) > mostCPerMinute*minutes {
			w.TempC, w.DewpointC = math.NaN(), math.NaN()
		} else {
			s.temp.c, s.temp.at = w.TempC, w.Time
		}
	}
	s.last = w.Time
	return w
}

// difference makes the rain of the time since the total was last known. After more
// than an hour the row holds the rain alone: its other values are of one instant.
func (s *Source) difference(w *reception.Weather, r row) {
	was := s.total
	s.total.mm, s.total.at = r.total, w.Time
	spanS := (w.Time - was.at) / 1000
	if was.at == 0 || spanS < 1 || spanS > 86400 {
		return
	}
	mm := r.total - was.mm
	if mm < 0 {
		if mm = r.total; mm >= mostReset {
			return
		}
	}
	if time.Duration(spanS)*time.Second > longest {
		bare := reception.NewWeather()
		bare.Time, bare.Source, bare.DistanceKM, bare.Modelled, bare.Known = w.Time, w.Source, w.DistanceKM, w.Modelled, w.Known
		*w = bare
	}
	w.IntervalS = spanS
	w.RainMMPerHour = mm * 3600 / float64(spanS)
	switch {
	case !r.unlabelled:
	case mm > 0:
		w.Precipitation = reception.PrecipAmount
	default:
		w.Precipitation = reception.PrecipNone
	}
}
