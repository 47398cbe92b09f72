// Package usobs is a source of weather in the JSON of the US national weather
// service: api.weather.gov/stations/{station}/observations, a GeoJSON collection, or
// /observations/latest, one Feature.
//
// An observation that carries its report as text (rawMessage) is decoded from that,
// as package metar does; the JSON's own values check it and fill what it lacks. They
// alone are known to lose what the text says: gusts, winds, and sums of precipitation
// (public issue list of the service, numbers 10, 26 and 33). An observation without
// text is taken from the JSON.
//
// Each value has its unit and a quality code: V, C and S passed checks, G was called
// good by a human, Z was not checked; X and Q failed a check, B was called bad, T is a
// virtual temperature (the codes of MADIS; G, B and T from memory). Those that failed
// are not used, in the report neither.
package usobs

import (
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
	"holdfast/collector/weather/metar"
)

// Options say where the JSON is. One of File and URL is needed.
type Options struct {
	Source     string // names the rows; "usobs" if empty
	File, URL  string
	Station    string  // refuse those of others; "": take the first one's
	DistanceKM float64 // of the station from the home; NaN if not known
}

// A Source makes hourly rows of one station.
type Source struct {
	o     Options
	text  *fetch.Text
	hours metar.Hours
	held  string          // station
	texts bool            // it sends its reports as text
	said  map[string]bool // kinds of disagreement told
}

var _ weather.Source = (*Source)(nil)

// New returns a source; nothing is read yet.
func New(o Options) (*Source, error) {
	if o.Source == "" {
		o.Source = "usobs"
	}
	if o.DistanceKM < 0 {
		return nil, fmt.Errorf("usobs: distance_km %g is negative", o.DistanceKM)
	}
	text, err := fetch.New(fetch.Options{Source: o.Source, File: o.File, URL: o.URL, Accept: "application/geo+json"})
	if err != nil {
		return nil, fmt.Errorf("usobs: %w", err)
	}
	o.Station = strings.ToUpper(o.Station)
	return &Source{o: o, text: text, held: o.Station, said: map[string]bool{}}, nil
}

func (s *Source) String() string { return s.text.String() }

// Observe returns the hours that the observations close. The latest observation may
// be older than an hour, and the same one may come again: neither is a fault. A
// disagreement between report and JSON is an error beside the rows, once for each
// kind.
func (s *Source) Observe(ctx context.Context) ([]reception.Weather, error) {
	text, _, err := s.text.Read(ctx)
	if err != nil || len(text) == 0 {
		return nil, err
	}
	said, err := s.take(text)
	if err != nil {
		return nil, fmt.Errorf("weather %s: %w", s, err)
	}
	rows := s.hours.Rows()
	for i := range rows {
		rows[i].Source, rows[i].DistanceKM = s.o.Source, s.o.DistanceKM
	}
	if len(said) > 0 {
		err = fmt.Errorf("weather %s: %s", s, strings.Join(said, "; "))
	}
	return rows, err
}

// A collection, or one feature: then Properties is set.
type answer struct {
	Type       string      `json:"type"`
	Features   []feature   `json:"features"`
	Properties *properties `json:"properties"`
}

type feature struct {
	Properties properties `json:"properties"`
}

type properties struct {
	Station    string    `json:"station"` // an address that ends in the station
	StationID  string    `json:"stationId"`
	Timestamp  time.Time `json:"timestamp"`
	RawMessage string    `json:"rawMessage"`

	PresentWeather []struct {
		RawString string `json:"rawString"`
	} `json:"presentWeather"`
	Temperature           quantity `json:"temperature"`
	Dewpoint              quantity `json:"dewpoint"`
	WindDirection         quantity `json:"windDirection"`
	WindSpeed             quantity `json:"windSpeed"`
	WindGust              quantity `json:"windGust"`
	SeaLevelPressure      quantity `json:"seaLevelPressure"`
	PrecipitationLastHour quantity `json:"precipitationLastHour"`
}

func (p *properties) station() string {
	if p.StationID != "" {
		return strings.ToUpper(p.StationID)
	}
	return strings.ToUpper(p.Station[strings.LastIndexByte(p.Station, '/')+1:])
}

// take keeps the observations. An error is of the whole text.
func (s *Source) take(text []byte) (said []string, err error) {
	var a answer
	if err := json.Unmarshal(text, &a); err != nil {
		return nil, fmt.Errorf("the answer is not JSON of observations (%w); check weather url in the config", err)
	}
	obs := make([]properties, 0, len(a.Features)+1)
	for _, f := range a.Features {
		obs = append(obs, f.Properties)
	}
	if a.Properties != nil {
		obs = append(obs, *a.Properties)
	}
	obs = slices.DeleteFunc(obs, func(p properties) bool { return p.Timestamp.IsZero() })
	if len(obs) == 0 {
		if a.Type == "FeatureCollection" && len(a.Features) == 0 {
			return nil, errors.New("the station has no observations; choose another station near the home")
		}
		return nil, errors.New("the answer holds no observation; want the address .../stations/KABC/observations")
	}
	slices.SortStableFunc(obs, func(a, b properties) int { return a.Timestamp.Compare(b.Timestamp) })
	s.texts = s.texts || slices.ContainsFunc(obs, func(p properties) bool { return p.RawMessage != "" })
	note := func(kind, format string, args ...any) {
		if !s.said[kind] {
			s.said[kind] = true
			said = append(said, fmt.Sprintf(format, args...))
		}
	}
	for i := range obs {
		p := &obs[i]
		if s.held == "" {
			s.held = p.station()
		}
		if st := p.station(); st != s.held {
			if s.o.Station != "" {
				return nil, fmt.Errorf("observations of station %s, not of %s; check url and station in the config", st, s.held)
			}
			note("station", "observations of several stations; only %s is taken, not %s", s.held, st)
			continue
		}
		r, ok := report(p, note)
		if !ok {
			r = fromJSON(p, !s.texts && (p.Timestamp.Minute() == 0 || last(obs[i:], s.held)))
		}
		s.hours.Keep(r)
	}
	return said, nil
}

// last reports whether the first of the observations is the last one of its hour, and
// near its end.
func last(obs []properties, held string) bool {
	if obs[0].Timestamp.Minute() < 45 {
		return false
	}
	end := func(t time.Time) int64 { return (t.Unix() + 3599) / 3600 }
	for _, o := range obs[1:] {
		if o.station() == held {
			return end(o.Timestamp) > end(obs[0].Timestamp)
		}
	}
	return false
}

// report decodes an observation's text and checks it against the JSON.
func report(p *properties, note func(kind, format string, args ...any)) (metar.Report, bool) {
	if strings.TrimSpace(p.RawMessage) == "" {
		return metar.Report{}, false
	}
	at := p.Timestamp.UTC()
	r, err := metar.Parse(p.RawMessage, at)
	if err != nil {
		note("no report", "rawMessage of %s: %v", at.Format(time.RFC3339), err)
		return r, false
	}
	if d := r.Time.Sub(at); d < -time.Hour || d > time.Hour {
		note("time", "rawMessage of %s is a report of %s: not used", at.Format(time.RFC3339), r.Time.Format(time.RFC3339))
		return r, false
	}
	if r.Nil {
		return r, false
	}
	for _, x := range []struct {
		name, unit string
		report     *float64
		json       quantity
		to         map[string]scale
		near       float64 // a difference that rounding makes
	}{
		{"temperature", "degrees C", &r.TempC, p.Temperature, celsius, 0.6},
		{"dewpoint", "degrees C", &r.DewpointC, p.Dewpoint, celsius, 0.6},
		{"windSpeed", "m/s", &r.Wind.MPS, p.WindSpeed, speed, 0.6},
		{"windGust", "m/s", &r.Wind.GustMPS, p.WindGust, speed, 0.6},
		{"windDirection", "degrees", &r.Wind.DirDeg, p.WindDirection, degrees, 5.5},
		{"seaLevelPressure", "hPa", &r.SLPHPa, p.SeaLevelPressure, hPa, 0.6},
	} {
		v, ok := x.json.in(x.to)
		switch {
		case !ok:
			note("unit "+x.name, "%s has the unit %.40q, which is not known: not used", x.name, x.json.UnitCode)
		case math.IsNaN(v):
		case math.IsNaN(*x.report) && x.name == "windDirection": // variable or calm: the text knows
		case x.json.failed():
			if math.Abs(v-*x.report) <= x.near {
				*x.report = math.NaN()
			}
		case math.IsNaN(*x.report):
			*x.report = v
		case math.Abs(v-*x.report) > x.near:
			note("differs "+x.name, "%s at %s is %.1f %s in the JSON and %.1f in the report: the report is used", x.name, at.Format(time.RFC3339), v, x.unit, *x.report)
		}
	}
	return r, true
}

// fromJSON makes a report of an observation without text. closes says that it ends its
// hour: then its sum of the last hour is the hour's. Where a station sends its routine
// reports as text, those close the hours.
func fromJSON(p *properties, closes bool) metar.Report {
	r := metar.NewReport()
	r.Station, r.Time, r.Auto = p.station(), p.Timestamp.UTC(), true
	r.NoThunder = true // nobody says that the station would hear it
	get := func(q quantity, to map[string]scale) float64 {
		v, ok := q.in(to)
		if !ok || q.failed() {
			return math.NaN()
		}
		return v
	}
	r.TempC, r.DewpointC, r.SLPHPa = get(p.Temperature, celsius), get(p.Dewpoint, celsius), get(p.SeaLevelPressure, hPa)
	r.Wind.MPS, r.Wind.GustMPS, r.Wind.DirDeg = get(p.WindSpeed, speed), get(p.WindGust, speed), get(p.WindDirection, degrees)
	if r.Wind.Calm = r.Wind.MPS == 0; r.Wind.Calm {
		r.Wind.DirDeg = math.NaN()
	}
	for _, w := range p.PresentWeather {
		if x, ok := metar.Present(w.RawString); ok {
			r.Weather = append(r.Weather, x)
		}
	}
	r.Special = !closes
	if mm := get(p.PrecipitationLastHour, millimetres); closes && !math.IsNaN(mm) { // null: none, or no gauge
		r.Hour = metar.Amount{MM: mm, Reported: true}
	}
	return r
}
