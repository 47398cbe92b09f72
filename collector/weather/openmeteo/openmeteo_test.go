package openmeteo

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

// Answers are written by hand in the form of the service's OpenAPI documents.
const head = `"latitude":43.02,"longitude":-75.01,"generationtime_ms":0.1,"elevation":310,`

func clock(s string) func() time.Time {
	return func() time.Time {
		t, err := time.Parse(time.RFC3339, s)
		if err != nil {
			panic(err)
		}
		return t
	}
}

func source(t *testing.T, now, text string) *Source {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.json")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := New(Options{File: path, Now: clock(now), DistanceKM: 3})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }

func TestHours(t *testing.T) {
	s := source(t, "2026-03-01T14:20:00Z", `{`+head+`"utc_offset_seconds":0,"timezone":"GMT","hourly_units":{"time":"iso8601","temperature_2m":"°C","dew_point_2m":"°C","pressure_msl":"hPa",
"wind_speed_10m":"km/h","wind_gusts_10m":"km/h","wind_direction_10m":"°","precipitation":"mm","rain":"mm","snowfall":"cm","weather_code":"wmo code"},
"hourly":{"time":["2026-03-01T13:00","2026-03-01T14:00","2026-03-01T15:00"],"temperature_2m":[4.5,5,6],"dew_point_2m":[1,2,3],"pressure_msl":[1010,1011,1012],
"wind_speed_10m":[18,0,36],"wind_gusts_10m":[54,9,72],"wind_direction_10m":[210,90,180],"precipitation":[0.4,0,2],"rain":[0.4,0,2],"snowfall":[0,0,0],"weather_code":[61,95,3]}}`)
	rows, err := s.Observe(t.Context())
	if err != nil || len(rows) != 2 {
		t.Fatalf("%d rows, %v; want the two hours that are over, the third is a forecast", len(rows), err)
	}
	w := rows[0]
	// Rain and gust at 13:00 are those of the hour from 12:00.
	if w.Time != clock("2026-03-01T13:00:00Z")().UnixMilli() || w.IntervalS != 3600 || !w.Modelled || w.Source != "open-meteo" || w.DistanceKM != 3 {
		t.Errorf("row %+v", w)
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"temperature", w.TempC, 4.5}, {"dew point", w.DewpointC, 1}, {"pressure", w.PressureHPa, 1010}, {"wind", w.WindMPS, 5}, {"gust", w.GustMPS, 15},
		{"direction", w.WindDirDeg, 210}, {"rain", w.RainMMPerHour, 0.4}, {"snow", w.SnowMMPerHour, 0}, {"calm has no direction", rows[1].WindDirDeg, math.NaN()},
	} {
		if !near(c.got, c.want) {
			t.Errorf("%s = %g, want %g", c.name, c.got, c.want)
		}
	}
	if w.Precipitation != reception.PrecipAmount || rows[1].Precipitation != reception.PrecipNone || w.Thunder != reception.Unknown || rows[1].Thunder != reception.Yes {
		t.Errorf("precipitation %q, %q, thunder %q, %q", w.Precipitation, rows[1].Precipitation, w.Thunder, rows[1].Thunder)
	}
	// The forecast becomes an hour that is over, of the same file.
	s.o.Now = clock("2026-03-01T15:00:00Z")
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 || rows[0].TempC != 6 {
		t.Errorf("an hour later: %+v, %v; want the one new hour", rows, err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 0 {
		t.Errorf("again: %+v, %v", rows, err)
	}
}

const day = `{` + head + `"utc_offset_seconds":%s,"timezone":"%s","hourly_units":{"time":"%s","temperature_2m":"%s"},"hourly":{"time":[%s],"temperature_2m":[%s]}}`

func TestTimes(t *testing.T) {
	const now = "2025-12-01T00:00:00Z"
	for _, c := range []struct{ name, offset, zone, form, time, want string }{
		{"GMT", "0", "GMT", "iso8601", `"2025-11-02T01:00"`, "2025-11-02T01:00:00Z"},
		{"local clock", "-18000", "America/New_York", "iso8601", `"2025-11-02T01:00"`, "ask with timezone=GMT in the url"},
		{"London in winter is not GMT in summer", "0", "Europe/London", "iso8601", `"2025-11-02T01:00"`, "ask with timezone=GMT in the url"},
		{"an offset that is not said", "null", "GMT", "iso8601", `"2025-11-02T01:00"`, "ask with timezone=GMT in the url"},
		{"Unix time is GMT whatever the zone", "-18000", "America/New_York", "unixtime", `1762045200`, "2025-11-02T01:00:00Z"},
		{"no time", "0", "GMT", "iso8601", `"soon"`, `hourly.time has "soon"`},
		{"numbers for times", "0", "GMT", "iso8601", `7`, "not a list of times"},
		{"times for numbers", "0", "GMT", "unixtime", `"x"`, "not a list of Unix seconds"},
		{"before 1970", "0", "GMT", "unixtime", `-5`, "no Unix time"},
	} {
		s := source(t, now, fmt.Sprintf(day, c.offset, c.zone, c.form, "°C", c.time, "5"))
		rows, err := s.Observe(t.Context())
		got := fmt.Sprint(err)
		if len(rows) == 1 {
			got = time.UnixMilli(rows[0].Time).UTC().Format(time.RFC3339)
		}
		if !strings.Contains(got, c.want) || strings.Contains(got, "\n") {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Snow is counted by its water: the depth in cm, and the documents' two rules for it
// (divide by 7, or 7 cm are 10 mm), are not used.
func TestFell(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name                                 string
		total, rain, showers, snowfall, code float64
		wantRain, wantSnow                   float64
	}{
		{"rain", 2, 2, nan, 0, 61, 2, 0},
		{"rain and showers", 2, 0.5, 1.5, 0, 80, 2, 0},
		{"snow of 7 cm", 10, 0, nan, 7, 75, 0, 10},
		{"sleet", 3, 1, nan, 1.4, 68, 1, 2},
		{"sleet of showers", 3, 0.5, 0.5, 1.4, 68, 1, 2},
		{"no depth asked for, by the code", 3, nan, nan, nan, 73, 0, 3},
		{"nothing asked for but the sum", 3, nan, nan, nan, nan, 3, 0},
		{"rounding never makes negative snow", 0.3, 0.4, nan, 0.07, 71, 0.3, 0},
		{"missing", nan, 1, nan, 0, 61, nan, nan},
	} {
		w := reception.NewWeather()
		new(columns).fell(&w, c.total, c.rain, c.showers, c.snowfall, c.code)
		if !near(w.RainMMPerHour, c.wantRain) || !near(w.SnowMMPerHour, c.wantSnow) {
			t.Errorf("%s: rain %g snow %g, want %g and %g", c.name, w.RainMMPerHour, w.SnowMMPerHour, c.wantRain, c.wantSnow)
		}
	}
}

func TestUnitsAreThoseOfTheAnswer(t *testing.T) {
	for unit, want := range map[string]float64{"°C": 50, "°F": 10, "K": nan} {
		s := source(t, "2026-03-02T00:00:00Z", fmt.Sprintf(day, "0", "GMT", "iso8601", unit, `"2026-03-01T13:00"`, "50"))
		rows, err := s.Observe(t.Context())
		if math.IsNaN(want) {
			if err == nil || !strings.Contains(err.Error(), `hourly_units.temperature_2m is "K"`) {
				t.Errorf("unit %s: %v", unit, err)
			}
		} else if err != nil || len(rows) != 1 || !near(rows[0].TempC, want) {
			t.Errorf("unit %s: %+v, %v, want %g", unit, rows, err, want)
		}
	}
	for unit, want := range map[string]float64{"km/h": 1 / 3.6, "m/s": 1, "mp/h": 0.44704, "kn": 0.514444444} {
		if got := units["speed"][unit](1); math.Abs(got-want) > 1e-9 {
			t.Errorf("1 %s = %g m/s, want %g", unit, got, want)
		}
	}
}

var nan = math.NaN()

// Hours that are null for now are waited for, and taken as they are once they are old.
func TestNulls(t *testing.T) {
	const text = `{` + head + `"utc_offset_seconds":0,"timezone":"GMT","hourly_units":{"time":"iso8601","temperature_2m":"°C","precipitation":"mm"},
"hourly":{"time":["2026-03-01T12:00","2026-03-01T13:00","2026-03-01T14:00"],"temperature_2m":[4,5,null],"precipitation":[0,%s,null]}}`
	s := source(t, "2026-03-01T14:20:00Z", fmt.Sprintf(text, "null"))
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 || rows[0].TempC != 4 {
		t.Fatalf("rows %+v, %v; want the complete hour alone", rows, err)
	}
	if err := os.WriteFile(s.o.File, []byte(fmt.Sprintf(text, "1.5")), 0o600); err != nil {
		t.Fatal(err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 || rows[0].RainMMPerHour != 1.5 {
		t.Errorf("when it was filled in: %+v, %v", rows, err)
	}
	s = source(t, "2026-03-03T14:20:00Z", fmt.Sprintf(text, "null"))
	rows, err := s.Observe(t.Context())
	if err != nil || len(rows) != 2 || rows[1].TempC != 5 || !math.IsNaN(rows[1].RainMMPerHour) || rows[1].Precipitation != reception.PrecipUnknown {
		t.Errorf("two days later: %+v, %v; want what there is, and nothing for the hour without a value", rows, err)
	}
}

func TestFaults(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"a page", "<html></html>", "is not JSON of Open-Meteo"},
		{"a refusal", `{"error":true,"reason":"Data corrupted at path"}`, `the service says: "Data corrupted at path"`},
		{"several places", `[{},{}]`, "ask for one latitude and longitude"},
		{"no hours", `{"timezone":"GMT","daily":{}}`, "ask for hourly="},
		{"nothing of use", `{"utc_offset_seconds":0,"timezone":"GMT","hourly_units":{"time":"iso8601"},"hourly":{"time":["2026-03-01T13:00"],"cape":[1]}}`, "none of the hourly values"},
		{"too few", fmt.Sprintf(day, "0", "GMT", "iso8601", "°C", `"2026-03-01T12:00","2026-03-01T13:00"`, "5"), "hourly.temperature_2m has 1 values for 2 times"},
		{"words", fmt.Sprintf(day, "0", "GMT", "iso8601", "°C", `"2026-03-01T12:00"`, `"warm"`), "hourly.temperature_2m is not a list of numbers"},
	} {
		s := source(t, "2026-03-02T00:00:00Z", c.text)
		_, err := s.Observe(t.Context())
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "open-meteo from ") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", c.name, err, c.want)
		}
	}
}

func TestAddress(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, day, "0", "GMT", "iso8601", "°C", `"2026-03-01T13:00"`, "5")
	}))
	defer srv.Close()
	s, err := New(Options{URL: srv.URL + "/v1/forecast?apikey=hidden", DistanceKM: nan})
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 {
		t.Errorf("%+v, %v", rows, err)
	}
	if strings.Contains(s.String(), "hidden") {
		t.Errorf("String() = %q shows the key", s)
	}
	for _, o := range []Options{{}, {File: "a", URL: "http://b"}, {File: "a", DistanceKM: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) succeeded", o)
		}
	}
}

func FuzzHours(f *testing.F) {
	f.Add([]byte(fmt.Sprintf(day, "0", "GMT", "iso8601", "°C", `"2026-03-01T12:00"`, `5`)))
	f.Add([]byte(`{"hourly_units":{"time":"unixtime"},"hourly":{"time":[1e3,null]}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, _, err := hours(text, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))
		if err != nil && len(rows) > 0 {
			t.Errorf("rows beside %v", err)
		}
	})
}
