// Package openmeteo is a source of modelled weather in the JSON of Open-Meteo, whose
// forecast and archive endpoints answer alike: hourly arrays beside hourly.time, the
// unit of each in hourly_units. What the variables mean is as of that service's
// OpenAPI documents. Its data are licensed CC BY 4.0: whoever shows them names the
// service.
//
// All of it is a model's, the archive too (a reanalysis): gusts and showers are
// smoother than true ones, and rows are labelled so. A forecast is no observation:
// hours that are not over yet are left out.
package openmeteo

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/weather"
	"holdfast/collector/weather/fetch"
)

// Options say where the JSON is. One of File and URL is needed.
type Options struct {
	Source     string // names the rows; "open-meteo" if empty
	File, URL  string
	DistanceKM float64          // of the grid cell from the home; NaN if not known
	Now        func() time.Time // time.Now if nil
}

// A Source makes hourly rows of one place.
type Source struct {
	o        Options
	text     *fetch.Text
	returned map[int64]bool // ends of hours
}

var _ weather.Source = (*Source)(nil)

// settled is how long an hour of which a value is missing is waited for: recent hours
// may be null for a while (from memory; the time is ours).
const settled = 24 * time.Hour

// New returns a source; nothing is read yet.
func New(o Options) (*Source, error) {
	if o.Source == "" {
		o.Source = "open-meteo"
	}
	if o.DistanceKM < 0 {
		return nil, fmt.Errorf("open-meteo: distance_km %g is negative", o.DistanceKM)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	text, err := fetch.New(fetch.Options{Source: o.Source, File: o.File, URL: o.URL, Accept: "application/json"})
	if err != nil {
		return nil, fmt.Errorf("open-meteo: %w", err)
	}
	return &Source{o: o, text: text, returned: map[int64]bool{}}, nil
}

func (s *Source) String() string { return s.text.String() }

// Observe returns the hours that are over and were not returned before. An hour's
// values stay as they were first given: later revisions of the model are not followed.
func (s *Source) Observe(ctx context.Context) ([]reception.Weather, error) {
	text, _, err := s.text.Read(ctx)
	if err != nil || len(text) == 0 {
		return nil, err
	}
	rows, more, err := hours(text, s.o.Now())
	if err != nil {
		return nil, fmt.Errorf("weather %s: %w", s, err)
	}
	if more && s.o.File != "" {
		s.text.Again() // hours of this file come to their end later
	}
	out := rows[:0]
	seen := make(map[int64]bool, len(rows)) // what the text holds no more cannot come again
	for _, w := range rows {
		if !s.returned[w.Time] {
			w.Source, w.DistanceKM = s.o.Source, s.o.DistanceKM
			out = append(out, w)
		}
		seen[w.Time] = true
	}
	s.returned = seen
	return out, nil
}

type answer struct {
	Error    bool                       `json:"error"`
	Reason   string                     `json:"reason"`
	Offset   *float64                   `json:"utc_offset_seconds"`
	TimeZone string                     `json:"timezone"`
	Units    map[string]string          `json:"hourly_units"`
	Hourly   map[string]json.RawMessage `json:"hourly"`
}

// hours makes a row of each hour that is over; more says that others follow.
//
// A value at time t is of that instant, except for sums and gusts, which are of the
// hour before it. Either way it goes to the hour that ends at t: reports of airports,
// made just before the full hour, stand for their hour in the same way.
func hours(text []byte, now time.Time) (rows []reception.Weather, more bool, err error) {
	var a answer
	if err := json.Unmarshal(text, &a); err != nil {
		if strings.HasPrefix(strings.TrimSpace(string(text)), "[") {
			return nil, false, errors.New("the answer holds several places; ask for one latitude and longitude")
		}
		return nil, false, fmt.Errorf("the answer is not JSON of Open-Meteo (%w); check weather url in the config", err)
	}
	if a.Error {
		return nil, false, fmt.Errorf("the service says: %.200q; check weather url in the config", a.Reason)
	}
	times, err := a.times()
	if err != nil {
		return nil, false, err
	}
	c, err := a.columns(len(times))
	if err != nil {
		return nil, false, err
	}
	for i, t := range times {
		if t > now.UnixMilli() {
			more = true
			continue
		}
		w := reception.NewWeather()
		w.Time, w.Modelled = t, true
		some, all := c.fill(&w, i)
		switch {
		case !some:
		case !all && now.Sub(time.UnixMilli(t)) < settled:
			more = true
		default:
			rows = append(rows, w)
		}
	}
	slices.SortFunc(rows, func(a, b reception.Weather) int { return cmp.Compare(a.Time, b.Time) })
	return rows, more, nil
}

// Names under which the service gives UTC.
var utc = []string{"GMT", "UTC", "Etc/GMT", "Etc/UTC"}

// times reads hourly.time as Unix ms. Local times come without an offset, so that the
// hour of the autumn change is there twice and that of spring is missing: they are
// refused. Unix time is UTC whatever the zone.
func (a *answer) times() ([]int64, error) {
	raw, ok := a.Hourly["time"]
	if !ok {
		return nil, errors.New("the answer has no hourly.time; ask for hourly=temperature_2m,precipitation,wind_speed_10m,wind_gusts_10m and more")
	}
	var unix []int64
	if a.Units["time"] == "unixtime" {
		if err := json.Unmarshal(raw, &unix); err != nil {
			return nil, fmt.Errorf("hourly.time is not a list of Unix seconds: %w", err)
		}
		for i := range unix {
			if unix[i] < 0 || unix[i] > reception.LatestMS/1000 {
				return nil, fmt.Errorf("hourly.time has %d, which is no Unix time", unix[i])
			}
			unix[i] *= 1000
		}
		return unix, nil
	}
	if !slices.Contains(utc, a.TimeZone) || a.Offset == nil || *a.Offset != 0 {
		return nil, fmt.Errorf("times are by the wall clock of %.60q, on which one hour of autumn comes twice; ask with timezone=GMT in the url", a.TimeZone)
	}
	var text []string
	if err := json.Unmarshal(raw, &text); err != nil {
		return nil, fmt.Errorf("hourly.time is not a list of times: %w", err)
	}
	for _, s := range text {
		t, err := time.ParseInLocation("2006-01-02T15:04", s, time.UTC)
		if err != nil {
			return nil, fmt.Errorf("hourly.time has %.40q; want such as 2026-03-01T13:00, or timeformat=unixtime", s)
		}
		unix = append(unix, t.UnixMilli())
	}
	return unix, nil
}

// columns are the arrays that we read; nil where they were not asked for.
type columns struct {
	temp, dew, pressure, wind, gust, dir, precip, rain, showers, snowfall, code []float64
}

// Units of the service, by what they turn into. Miles, inches and knots are exact by
// definition.
var units = map[string]map[string]func(float64) float64{
	"temperature": {"°C": times(1), "°F": func(v float64) float64 { return (v - 32) / 1.8 }},
	"speed":       {"km/h": times(1 / 3.6), "m/s": times(1), "ms": times(1), "mp/h": times(0.44704), "mph": times(0.44704), "kn": times(1852.0 / 3600)},
	"water":       {"mm": times(1), "inch": times(25.4)},
	"pressure":    {"hPa": times(1)},
	"direction":   {"°": times(1)},
	"depth":       {"cm": times(1), "inch": times(2.54)},
	"code":        {"wmo code": times(1)},
}

func times(k float64) func(float64) float64 { return func(v float64) float64 { return k * v } }

func (a *answer) columns(n int) (c columns, err error) {
	found := false
	for _, x := range []struct {
		name, kind string
		to         *[]float64
	}{
		{"temperature_2m", "temperature", &c.temp}, {"dew_point_2m", "temperature", &c.dew}, {"pressure_msl", "pressure", &c.pressure},
		{"wind_speed_10m", "speed", &c.wind}, {"wind_gusts_10m", "speed", &c.gust}, {"wind_direction_10m", "direction", &c.dir},
		{"precipitation", "water", &c.precip}, {"rain", "water", &c.rain}, {"showers", "water", &c.showers},
		{"snowfall", "depth", &c.snowfall}, {"weather_code", "code", &c.code},
	} {
		raw, ok := a.Hourly[x.name]
		if !ok {
			continue
		}
		convert, ok := units[x.kind][a.Units[x.name]]
		if !ok {
			return c, fmt.Errorf("hourly_units.%s is %.20q, which is not known; ask without units in the url", x.name, a.Units[x.name])
		}
		var vs []*float64
		if err := json.Unmarshal(raw, &vs); err != nil {
			return c, fmt.Errorf("hourly.%s is not a list of numbers: %w", x.name, err)
		}
		if len(vs) != n {
			return c, fmt.Errorf("hourly.%s has %d values for %d times", x.name, len(vs), n)
		}
		*x.to = make([]float64, n)
		for i, v := range vs {
			(*x.to)[i] = math.NaN()
			if v != nil {
				(*x.to)[i] = convert(*v)
			}
		}
		found = found || x.name != "rain" && x.name != "showers" && x.name != "snowfall" && x.name != "wind_direction_10m"
	}
	if !found {
		return c, errors.New("the answer has none of the hourly values that are used; ask for hourly=temperature_2m,dew_point_2m,pressure_msl,wind_speed_10m,wind_gusts_10m,wind_direction_10m,precipitation,rain,snowfall,weather_code, of one model")
	}
	return c, nil
}

// fill reports whether any value is there, and whether all that were asked for are.
func (c *columns) fill(w *reception.Weather, i int) (some, all bool) {
	all = true
	at := func(v []float64) float64 {
		if v == nil {
			return math.NaN()
		}
		some, all = some || !math.IsNaN(v[i]), all && !math.IsNaN(v[i])
		return v[i]
	}
	w.TempC, w.DewpointC, w.PressureHPa = at(c.temp), at(c.dew), at(c.pressure)
	w.WindMPS, w.GustMPS, w.WindDirDeg = at(c.wind), at(c.gust), at(c.dir)
	if w.WindMPS == 0 {
		w.WindDirDeg = math.NaN()
	}
	code, rain, showers, snowfall := at(c.code), at(c.rain), at(c.showers), at(c.snowfall)
	if code >= 95 && code <= 99 { // WMO code table 4677: thunderstorm
		w.Thunder = reception.Yes
	}
	c.fell(w, at(c.precip), rain, showers, snowfall, code)
	return some, all
}

// fell splits the hour's precipitation, which is water and includes snow, into what
// fell as rain and as snow. The depth of snow says only whether there was some: the
// service's documents give two rules for its water that differ tenfold.
func (c *columns) fell(w *reception.Weather, total, rain, showers, snowfall, code float64) {
	if math.IsNaN(total) {
		return
	}
	w.Precipitation = reception.PrecipNone
	if total > 0 {
		w.Precipitation = reception.PrecipAmount
	}
	snowy := snowfall > 0
	if math.IsNaN(snowfall) { // WMO code table 4677: 70 to 79 snow, 85 and 86 its showers
		snowy = code >= 70 && code < 80 || code == 85 || code == 86
	}
	switch {
	case !snowy:
		w.RainMMPerHour, w.SnowMMPerHour = total, 0
	case math.IsNaN(rain):
		w.RainMMPerHour, w.SnowMMPerHour = 0, total
	default:
		if !math.IsNaN(showers) {
			rain += showers
		}
		w.RainMMPerHour = min(rain, total)
		w.SnowMMPerHour = total - w.RainMMPerHour
	}
}
