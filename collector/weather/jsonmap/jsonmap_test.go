package jsonmap

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

// Names in the JSON are invented.

func source(t *testing.T, mapping string) *Source {
	t.Helper()
	s, err := New(Options{File: filepath.Join(t.TempDir(), "a.json"), Mapping: mapping, Source: "shed", DistanceKM: 0})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func put(t *testing.T, s *Source, text string) {
	t.Helper()
	if err := os.WriteFile(s.o.File, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s.text.Again()
}

func observe(t *testing.T, s *Source, text string) []reception.Weather {
	t.Helper()
	put(t, s, text)
	rows, err := s.Observe(t.Context())
	if err != nil {
		t.Fatalf("Observe: %v", err)
	}
	return rows
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }

func at(s string) int64 {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t.UnixMilli()
}

// Units are the mapping's business.
func TestMapping(t *testing.T) {
	s := source(t, `.shed[] | {time: .when, temp_c: ((.air_f - 32) / 1.8), wind_mps: (.breeze_kmh | if . then . / 3.6 else null end), gust_mps: .puff, wind_dir_deg: .from, thunder: .storm, kind: "observed"}`)
	rows := observe(t, s, `{"shed":[
{"when":"2026-03-01T13:00:00+01:00","air_f":50,"breeze_kmh":18,"puff":null,"from":210,"storm":false},
{"when":1772367300,"air_f":41,"breeze_kmh":36,"puff":14,"from":180,"storm":true}]}`)
	if len(rows) != 2 {
		t.Fatalf("%d rows", len(rows))
	}
	a, b := rows[0], rows[1]
	if a.Time != at("2026-03-01T12:00:00Z") || a.IntervalS != 900 || a.Source != "shed" || a.DistanceKM != 0 || a.Modelled || !near(a.TempC, 10) || !near(a.WindMPS, 5) || !math.IsNaN(a.GustMPS) || a.WindDirDeg != 210 || a.Thunder != reception.No {
		t.Errorf("row %+v", a)
	}
	if b.Time != at("2026-03-01T12:15:00Z") || b.IntervalS != 900 || !near(b.TempC, 5) || b.GustMPS != 14 || b.Thunder != reception.Yes || b.Precipitation != reception.PrecipUnknown {
		t.Errorf("row %+v", b)
	}
	// Repeated frames are none.
	if rows := observe(t, s, `{"shed":[{"when":1772367300,"air_f":41},{"when":1772368200,"air_f":41}]}`); len(rows) != 1 || rows[0].Time != at("2026-03-01T12:30:00Z") {
		t.Errorf("repeated: %+v", rows)
	}
}

// A page that shows what is now has no time.
func TestNow(t *testing.T) {
	s := source(t, `{temp_c: .air}`)
	rows := observe(t, s, `{"air":7}`)
	if len(rows) != 1 || rows[0].TempC != 7 || time.Since(time.UnixMilli(rows[0].Time)) > time.Minute || rows[0].IntervalS != 900 {
		t.Errorf("rows %+v", rows)
	}
}

// The open convention of ISM-band decoders: one object a line, rain as the total since
// the last reset, local time unless configured. Differences by hand.
func TestTotals(t *testing.T) {
	s := source(t, `{time: .t, temp_c: .c, rain_total_mm: .sum}`)
	var text strings.Builder
	for _, l := range []struct {
		t   string
		sum string
	}{
		{"12:00:00", "100.2"}, {"12:15:00", "100.2"}, {"12:30:00", "101.2"}, {"12:45:00", "0.5"}, {"13:00:00", "70"}, {"13:15:00", "60"},
		{"13:30:00", "null"}, {"13:45:00", "61"}, {"19:45:00", "67"}, {"20:00:00", "67"},
	} {
		fmt.Fprintf(&text, `{"t":"2026-03-01T%sZ","c":5,"sum":%s}`+"\n", l.t, l.sum)
	}
	rows := observe(t, s, text.String())
	nan := math.NaN()
	for i, want := range []struct {
		rate, temp float64
		interval   int64
		kind       reception.Precipitation
	}{
		{nan, 5, 900, reception.PrecipUnknown}, // the first: nobody knows since when
		{0, 5, 900, reception.PrecipNone},
		{4, 5, 900, reception.PrecipAmount},    // 1 mm in a quarter of an hour
		{2, 5, 900, reception.PrecipAmount},    // reset: 0.5 mm fell since
		{278, 5, 900, reception.PrecipAmount},  // 69.5 mm: kept as it is here, and found impossible or not later
		{nan, 5, 900, reception.PrecipUnknown}, // back to 60: too much for a reset
		{nan, 5, 900, reception.PrecipUnknown}, // not said
		{2, 5, 1800, reception.PrecipAmount},   // 1 mm in half an hour, since it was last known
		{1, nan, 21600, reception.PrecipAmount},
		{0, 5, 900, reception.PrecipNone},
	} {
		if i >= len(rows) {
			t.Fatalf("%d rows", len(rows))
		}
		if w := rows[i]; !near(w.RainMMPerHour, want.rate) || !near(w.TempC, want.temp) || w.IntervalS != want.interval || w.Precipitation != want.kind {
			t.Errorf("row %d: rain %g temp %g over %d s %q, want %g %g %d %q", i, w.RainMMPerHour, w.TempC, w.IntervalS, w.Precipitation, want.rate, want.temp, want.interval, want.kind)
		}
	}
	// The total is known from one look to the next.
	if rows := observe(t, s, `{"t":"2026-03-01T20:30:00Z","c":5,"sum":68}`); len(rows) != 1 || !near(rows[0].RainMMPerHour, 2) {
		t.Errorf("the next look: %+v", rows)
	}
	// After more than a day nobody knows when it fell.
	if rows := observe(t, s, `{"t":"2026-03-03T20:30:00Z","c":5,"sum":90}`); len(rows) != 1 || !math.IsNaN(rows[0].RainMMPerHour) || rows[0].TempC != 5 || rows[0].IntervalS != 3600 {
		t.Errorf("two days later: %+v", rows)
	}
}

func TestTemperatureThatJumps(t *testing.T) {
	s := source(t, `.[] | {time: .[0], temp_c: .[1]}`)
	rows := observe(t, s, `[[1772366400,5],[1772366460,11],[1772366520,5.5],[1772366580,10],[1772366700,-40]]`)
	want := []float64{5, math.NaN(), 5.5, 10, math.NaN()}
	for i, w := range rows {
		if !near(w.TempC, want[i]) {
			t.Errorf("row %d: %g, want %g", i, w.TempC, want[i])
		}
	}
	if rows := observe(t, s, `[[1772367600,-10]]`); len(rows) != 1 || rows[0].TempC != -10 {
		t.Errorf("a quarter of an hour later: %+v", rows)
	}
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name, mapping, text, want string
		rows                      int
	}{
		{"no JSON", `.`, `<html>`, "line 1 is not JSON", 0},
		{"blank", `.`, " \n", "the text is blank", 0},
		{"another answer", `.shed[]`, `{"error":"busy"}`, "mapping of value 1: jq: cannot iterate over: null", 0},
		{"nothing", `.shed[]?`, `{"error":"busy"}`, "the mapping yields nothing", 0},
		{"no object", `.t`, `{"t":5}`, "mapping of value 1 yields a number; want objects", 0},
		{"unknown name", `{temperature: .t}`, `{"t":5}`, `"temperature"`, 0},
		{"no value", `{time: .t}`, `{"t":1772366400, "rain":1}`, "", 1},
		{"local time", `{time: .t, temp_c: 5}`, `{"t":"2026-03-01T12:00:00"}`, "row 1: time \"2026-03-01T12:00:00\" has no time zone", 0},
		{"no number", `{temp_c: .t}`, `{"t":"warm"}`, `row 1: temp_c "warm" is not a number`, 0},
		{"a group for a number", `{temp_c: .t}`, `{"t":{"value":5}}`, "row 1: temp_c is a group; want a number", 0},
		{"lines in a text", `{temp_c: 5, source: .t}`, `{"t":"a\nb"}`, "row 1: source is a text of several lines", 0},
		{"total and rate", `{rain_total_mm: 5, rain_mm_h: 1}`, `{}`, "row 1: rain_total_mm stands beside interval_s or rain_mm_h", 0},
		{"negative total", `{rain_total_mm: -5}`, `{}`, "row 1: rain_total_mm is no total", 0},
		{"one bad of two", `{time: .t, temp_c: .c}`, `{"t":1772366400,"c":"x"} {"t":1772366460,"c":5}`, `row 1: temp_c "x" is not a number`, 1},
		{"a line being written", `{time: .t, temp_c: .c}`, `{"t":1772366460,"c":5}` + "\n" + `{"t":17723`, "", 1},
		{"torn line", `{time: .t, temp_c: .c}`, `{"t":1772366460,"c":5}` + "\n" + `{"t":17723` + "\n", "line 2 is not JSON", 1},
		{"many", `.[] | {temp_c: "x", time: .}`, `[1772366400,1772366401,1772366402,1772366403,1772366404]`, "; and 2 more", 0},
		{"no end", `def f: f; f`, `{}`, "no end within", 0},
	} {
		s := source(t, c.mapping)
		put(t, s, c.text)
		rows, err := s.Observe(t.Context())
		if c.want == "" && err == nil && len(rows) == c.rows {
			continue
		}
		if err == nil || c.want == "" || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "weather shed from ") || strings.Contains(err.Error(), "\n") || len(rows) != c.rows {
			t.Errorf("%s: %d rows, %v, want %d and one line with %q", c.name, len(rows), err, c.rows, c.want)
		}
	}
	for _, o := range []Options{{Mapping: "."}, {File: "a"}, {File: "a", URL: "http://b", Mapping: "."}, {File: "a", Mapping: ".["}, {File: "a", Mapping: ".", DistanceKM: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) succeeded", o)
		}
	}
}

func TestAddress(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { fmt.Fprint(w, `{"air":7}`) }))
	defer srv.Close()
	s, err := New(Options{URL: srv.URL + "/now?key=hidden", Mapping: `{temp_c: .air}`})
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 || rows[0].Source != "json" || strings.Contains(s.String(), "hidden") {
		t.Errorf("%+v, %v from %s", rows, err, s)
	}
}
