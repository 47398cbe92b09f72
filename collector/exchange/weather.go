package exchange

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"strings"

	"holdfast/analysis/reception"
)

func weatherForm() form {
	return form{
		name: "weather",
		columns: []string{"time", "interval_s", "temp_c", "dewpoint_c", "pressure_hpa", "wind_mps", "gust_mps", "wind_dir_deg",
			"rain_mm_h", "snow_mm_h", "source", "distance_km", "kind", "precipitation", "thunder", "known"},
		example: "time,interval_s,temp_c,dewpoint_c,pressure_hpa,wind_mps,gust_mps,wind_dir_deg,rain_mm_h,snow_mm_h",
	}
}

// Words of the column kind.
const (
	kindObserved = "observed"
	kindModelled = "modelled"
)

// A WeatherRow is one line of a weather file.
type WeatherRow struct {
	Line    int64
	Weather reception.Weather
}

// Weather reads a weather file once, from front to back.
type Weather struct {
	s      *sheet
	source string
	tells  bool // has the column precipitation
	n      notices
}

// ReadWeather reads the header of a weather file: time and at least one value are
// needed. source names the rows that name none; "imported" if empty.
//
// Values that cannot be true stay as they are and are warned of: whoever uses the
// rows passes them through reception.Weather.Discard. Where the file has no column
// precipitation, an amount of rain or snow tells it.
func ReadWeather(r io.Reader, source string) (*Weather, error) {
	s, err := weatherForm().open(r)
	if err != nil {
		return nil, err
	}
	err = errors.Join(s.need("time"), s.need("temp_c", "dewpoint_c", "pressure_hpa", "wind_mps", "gust_mps", "wind_dir_deg",
		"rain_mm_h", "snow_mm_h", "precipitation", "thunder"))
	if err != nil {
		return nil, err
	}
	if source == "" {
		source = "imported"
	}
	return &Weather{s: s, source: source, tells: s.need("precipitation") == nil}, nil
}

// Rows yields the rows in the order of the file; a bad one as a *LineError. Any
// other error is of the underlying reader and the last pair.
func (w *Weather) Rows() iter.Seq2[WeatherRow, error] {
	return rows(w.s, w.row)
}

func (w *Weather) row(row *WeatherRow, fields [][]byte, line int64) error {
	row.Line = line
	x := &row.Weather
	*x = reception.NewWeather()
	for i, b := range fields {
		if len(b) == 0 {
			continue
		}
		var err error
		name := w.s.form.columns[w.s.columns[i]]
		switch name {
		case "time":
			x.Time, err = instant(b)
		case "interval_s":
			x.IntervalS, err = whole(b)
		case "temp_c":
			x.TempC, err = number(b)
		case "dewpoint_c":
			x.DewpointC, err = number(b)
		case "pressure_hpa":
			x.PressureHPa, err = number(b)
		case "wind_mps":
			x.WindMPS, err = number(b)
		case "gust_mps":
			x.GustMPS, err = number(b)
		case "wind_dir_deg":
			x.WindDirDeg, err = number(b)
		case "rain_mm_h":
			x.RainMMPerHour, err = number(b)
		case "snow_mm_h":
			x.SnowMMPerHour, err = number(b)
		case "source":
			x.Source, err = w.s.text(b)
		case "distance_km":
			if x.DistanceKM, err = number(b); err == nil && x.DistanceKM < 0 {
				err = fmt.Errorf("%g is negative", x.DistanceKM)
			}
		case "kind":
			var k string
			k, err = oneOf(b, kindObserved, kindModelled)
			x.Modelled = k == kindModelled
		case "precipitation":
			x.Precipitation, err = oneOf(b, reception.PrecipNone, reception.PrecipTrace, reception.PrecipAmount)
		case "thunder":
			x.Thunder, err = tristate(b)
		case "known":
			x.Known, err = instant(b)
		}
		if err != nil {
			return bad(line, name, err)
		}
	}
	if err := inTime(x.Time, line); err != nil {
		return err
	}
	if err := x.Validate(); err != nil {
		return bad(line, "", err)
	}
	if x.Source == "" {
		x.Source = w.source
	}
	if !w.tells {
		switch {
		case x.RainMMPerHour > 0 || x.SnowMMPerHour > 0:
			x.Precipitation = reception.PrecipAmount
		case x.RainMMPerHour == 0 || x.SnowMMPerHour == 0:
			x.Precipitation = reception.PrecipNone
		}
	}
	c := *x
	for _, said := range c.Discard() {
		name, _, _ := strings.Cut(said, " ")
		w.n.add(name+" cannot be true in %s: left out", 1, line)
	}
	if math.IsNaN(x.TempC) && math.IsNaN(x.DewpointC) && math.IsNaN(x.PressureHPa) && math.IsNaN(x.WindMPS) && math.IsNaN(x.GustMPS) &&
		math.IsNaN(x.RainMMPerHour) && math.IsNaN(x.SnowMMPerHour) && x.Precipitation == reception.PrecipUnknown && x.Thunder == reception.Unknown {
		w.n.add("%s without any value", 1, line)
	}
	return nil
}

func tristate(b []byte) (reception.Tristate, error) {
	switch string(b) {
	case "1", "yes":
		return reception.Yes, nil
	case "0", "no":
		return reception.No, nil
	}
	return "", fmt.Errorf("%q is neither 0 nor 1; leave it empty if it is not available", clip(string(b)))
}

// Warnings returns one line for each kind of thing that looks odd in the rows so far.
func (w *Weather) Warnings() []string { return append(w.n.lines(), w.s.empty()...) }
