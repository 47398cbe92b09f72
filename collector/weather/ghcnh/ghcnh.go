// Package ghcnh reads GHCN-Hourly, the archive of hourly surface observations in
// columns separated by bars (documentation of the US National Centers for
// Environmental Information, read in two summaries). Columns are found by the names in
// the first line; each variable has columns with a measurement and a quality code and
// a report type beside it. By-station files give Year, Month, Day, Hour and Minute,
// by-year files DATE; both are UTC.
//
// Several rows may fall into an hour: routine reports of airports (FM15), special ones
// between (FM16), synoptic ones (FM12). They are gathered into hours as package metar
// gathers reports, so that precipitation is that of the last routine report.
package ghcnh

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/weather/metar"
)

// Recognise reports whether a file that begins so is GHCN-Hourly.
func Recognise(head []byte) bool {
	first, _, _ := strings.Cut(strings.ToLower(string(head[:min(len(head), 200)])), "\n")
	return strings.HasPrefix(first, "station") && strings.Count(first, "|") >= 4
}

// Options of a reader.
type Options struct {
	Source string // names the rows; "ghcnh" and the station's name in the file if empty
	// Position of the home, degrees north and east: rows get the station's distance
	// from it. NaN if not known.
	Latitude, Longitude float64
}

// A Reader reads a file once, from front to back.
type Reader struct {
	o       Options
	sc      *bufio.Scanner
	width   int
	columns map[string]int // by lower-case name
	hours   map[string]*metar.Hours
	place   map[string]float64 // distance by station
	failed  map[string]int64   // values by variable
}

const mostLine = 64 << 10

// NewReader reads the first line.
func NewReader(r io.Reader, o Options) (*Reader, error) {
	x := &Reader{o: o, sc: bufio.NewScanner(r), columns: map[string]int{}, hours: map[string]*metar.Hours{}, place: map[string]float64{}, failed: map[string]int64{}}
	x.sc.Buffer(make([]byte, 8192), mostLine)
	if !x.sc.Scan() {
		if err := x.sc.Err(); err != nil {
			return nil, fmt.Errorf("GHCN-Hourly: first line: %w", err)
		}
		return nil, errors.New("GHCN-Hourly: file is empty")
	}
	names := strings.Split(strings.TrimRight(x.sc.Text(), "\r"), "|")
	for i, n := range names {
		x.columns[strings.ToLower(strings.TrimSpace(n))] = i
	}
	x.width = len(names)
	dated := x.has("date") || x.has("year") && x.has("month") && x.has("day") && x.has("hour")
	if !dated {
		return nil, errors.New("GHCN-Hourly: line 1 names neither DATE nor Year, Month, Day and Hour")
	}
	if !x.has("temperature") && !x.has("wind_speed") && !x.has("precipitation") {
		return nil, errors.New("GHCN-Hourly: line 1 names none of temperature, wind_speed and precipitation")
	}
	return x, nil
}

func (x *Reader) has(name string) bool { _, ok := x.columns[name]; return ok }

// Rows yields an hour once a report closes it; a bad line as an *exchange.LineError.
// A row has the line that closed it. The last hour of a file is not closed unless by
// its routine report. Any other error is of the underlying reader and the last pair.
func (x *Reader) Rows() iter.Seq2[exchange.WeatherRow, error] {
	return func(yield func(exchange.WeatherRow, error) bool) {
		line := int64(1)
		for x.sc.Scan() {
			line++
			if len(bytes.TrimSpace(x.sc.Bytes())) == 0 {
				continue
			}
			rows, err := x.line(strings.TrimRight(x.sc.Text(), "\r"))
			if err != nil && !yield(exchange.WeatherRow{Line: line}, &exchange.LineError{Line: line, Reason: err.Error()}) {
				return
			}
			for _, w := range rows {
				if !yield(exchange.WeatherRow{Line: line, Weather: w}, nil) {
					return
				}
			}
		}
		if err := x.sc.Err(); errors.Is(err, bufio.ErrTooLong) {
			yield(exchange.WeatherRow{}, fmt.Errorf("line %d is longer than 64 KiB: this is not GHCN-Hourly", line+1))
		} else if err != nil {
			yield(exchange.WeatherRow{}, err)
		}
	}
}

// Warnings returns one line for each kind of value that failed the archive's own
// checks.
func (x *Reader) Warnings() []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(x.failed)) {
		out = append(out, fmt.Sprintf("%s failed the archive's checks in %d reports: not used", name, x.failed[name]))
	}
	return out
}

// A record is the fields of one line.
type record struct {
	x      *Reader
	fields []string
	err    error
}

func (r *record) text(name string) string {
	if i, ok := r.x.columns[name]; ok {
		return strings.TrimSpace(r.fields[i])
	}
	return ""
}

func (r *record) number(name string) float64 {
	s := r.text(name)
	if s == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		r.fail("%s %.40q is no number", name, s)
		return math.NaN()
	}
	return v
}

func (r *record) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf(format, args...)
	}
}

// value is a number that passed the archive's checks. Codes 0, 1, 4, 5 and 9 did; 2 and
// 6 are suspect, 3 and 7 wrong, letters are the archive's own tests that failed (from
// memory of the format of ISD, and of the summaries; what is not known is not used).
func (r *record) value(name string) float64 {
	v := r.number(name)
	switch q := r.text(name + "_quality_code"); {
	case math.IsNaN(v):
	case q == "" || len(q) == 1 && strings.Contains("01459", q):
	default:
		r.x.failed[name]++
		return math.NaN()
	}
	return v
}

// is reports whether a text names a kind of report, FM15 or FM-15 and what follows.
func is(text, kind string) bool {
	return strings.HasPrefix(strings.ReplaceAll(strings.ToUpper(text), "-", ""), kind)
}

func (x *Reader) line(text string) ([]reception.Weather, error) {
	r := &record{x: x, fields: strings.Split(text, "|")}
	if len(r.fields) != x.width {
		return nil, fmt.Errorf("has %d columns; line 1 has %d", len(r.fields), x.width)
	}
	at := r.time()
	rep := metar.NewReport()
	rep.Time, rep.Auto, rep.NoThunder = at, true, true // what is heard is not read here
	rep.TempC, rep.DewpointC = r.value("temperature"), r.value("dew_point_temperature")
	rep.SLPHPa = r.value("sea_level_pressure")
	rep.Wind.MPS, rep.Wind.GustMPS, rep.Wind.DirDeg = r.value("wind_speed"), r.value("wind_gust"), r.value("wind_direction")
	if rep.Wind.MPS == 0 || rep.Wind.DirDeg == 0 || rep.Wind.DirDeg > 360 { // 000: calm
		rep.Wind.DirDeg = math.NaN()
	}
	kind := ""
	for _, n := range []string{"temperature", "precipitation", "wind_speed", "sea_level_pressure"} {
		if kind == "" {
			kind = r.text(n + "_report_type")
		}
	}
	// A synoptic report on the hour is routine too, where no airport's came before it.
	rep.Special = !(is(kind, "FM15") || is(kind, "FM12") && at.Minute() == 0)
	if !rep.Special {
		r.fell(&rep)
	}
	station := r.text("station_id")
	if station == "" {
		station = r.text("station")
	}
	if r.err == nil && x.hours[station] == nil {
		x.hours[station] = new(metar.Hours)
		x.place[station] = x.distance(r.number("latitude"), r.number("longitude"))
	}
	if r.err != nil {
		return nil, r.err
	}
	h := x.hours[station]
	h.Keep(rep)
	rows := h.Rows()
	for i := range rows {
		rows[i].Source, rows[i].DistanceKM = x.o.Source, x.place[station]
		if x.o.Source == "" {
			rows[i].Source = strings.TrimSpace("ghcnh " + station)
		}
	}
	return rows, nil
}

func (r *record) time() time.Time {
	if s := r.text("date"); s != "" {
		for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", time.RFC3339} {
			if t, err := time.ParseInLocation(layout, s, time.UTC); err == nil {
				return r.inTime(t)
			}
		}
		r.fail("DATE %.40q is no time such as 2024-01-09T00:53:00", s)
		return time.Time{}
	}
	var v [5]int
	for i, n := range []string{"year", "month", "day", "hour", "minute"} {
		f := r.number(n)
		if math.IsNaN(f) && n == "minute" {
			f = 0
		}
		if !(f >= 0 && f <= 3000) || f != math.Floor(f) {
			r.fail("%s %.40q is no part of a date", n, r.text(n))
			return time.Time{}
		}
		v[i] = int(f)
	}
	t := time.Date(v[0], time.Month(v[1]), v[2], v[3], v[4], 0, 0, time.UTC)
	if t.Year() != v[0] || int(t.Month()) != v[1] || t.Day() != v[2] || t.Hour() != v[3] || t.Minute() != v[4] {
		r.fail("%d-%d-%d %d:%d is no time", v[0], v[1], v[2], v[3], v[4])
	}
	return r.inTime(t)
}

func (r *record) inTime(t time.Time) time.Time {
	w := reception.NewWeather()
	w.Time = t.UnixMilli()
	if err := w.Validate(); err != nil {
		r.fail("%v", err)
	}
	return t
}

// fell reads what fell in the hour before, mm; the measurement code T or 2 says that it
// was a trace. The archive has what fell in another form for each report: at or below
// freezing it is taken as snow (ours, no source).
func (r *record) fell(rep *metar.Report) {
	code := r.text("precipitation_measurement_code")
	traced := code == "2" || strings.HasPrefix(strings.ToUpper(code), "T")
	if mm := r.value("precipitation"); !math.IsNaN(mm) || traced && r.text("precipitation") == "" {
		rep.Hour = metar.Amount{MM: mm, Reported: true, Trace: traced}
		if traced {
			rep.Hour.MM = 0
		}
		if rep.TempC <= 0 && (mm > 0 || traced) {
			rep.Weather = []metar.Phenomenon{{Frozen: true}}
		}
	}
}

// distance is that of the great circle on a sphere of 6371 km, within half a per cent
// of the true one; NaN if a position is not known.
func (x *Reader) distance(lat, lon float64) float64 {
	rad := math.Pi / 180
	a, b := math.Sin((lat-x.o.Latitude)*rad/2), math.Sin((lon-x.o.Longitude)*rad/2)
	s := a*a + math.Cos(lat*rad)*math.Cos(x.o.Latitude*rad)*b*b
	return math.Round(2 * 6371 * math.Asin(math.Sqrt(math.Min(s, 1))))
}
