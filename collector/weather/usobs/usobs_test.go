package usobs

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

// Answers are written by hand in the form of the service's schema.

// q is a value as the JSON has it; v may be null.
func q(name, v, unit, code string) string {
	return fmt.Sprintf(`"%s":{"value":%s,"unitCode":"%s","qualityControl":"%s"}`, name, v, unit, code)
}

func feature1(at, raw string, values ...string) string {
	values = append([]string{`"station":"https://api.weather.example/stations/KABC"`, fmt.Sprintf(`"timestamp":"%s","rawMessage":"%s"`, at, raw)}, values...)
	return `{"type":"Feature","geometry":{"type":"Point","coordinates":[-75,43]},"properties":{` + strings.Join(values, ",") + `}}`
}

func collection(features ...string) string {
	return `{"@context":[],"type":"FeatureCollection","features":[` + strings.Join(features, ",") + `]}`
}

func source(t *testing.T, text string) *Source {
	t.Helper()
	path := filepath.Join(t.TempDir(), "obs.json")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := New(Options{File: path, DistanceKM: 12})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func observe(t *testing.T, text string) ([]reception.Weather, error) {
	t.Helper()
	return source(t, text).Observe(t.Context())
}

// one wants one row.
func one(t *testing.T, text string) (reception.Weather, error) {
	t.Helper()
	rows, err := observe(t, text)
	if len(rows) != 1 {
		t.Fatalf("%d rows, %v, want 1", len(rows), err)
	}
	return rows[0], err
}

func near(a, b, by float64) bool { return math.Abs(a-b) <= by || math.IsNaN(a) && math.IsNaN(b) }

// The report KADW 011056Z with the JSON that the service gave beside it: 10.3, 7.2,
// 0, all flagged V.
func TestReportAndJSONAgree(t *testing.T) {
	w, err := one(t, collection(feature1("2022-03-01T10:56:00+00:00", "KADW 011056Z AUTO 00000KT 10SM CLR 10/07 A3026 RMK AO2 SLP254 T01030072 $",
		q("temperature", "10.3", "wmoUnit:degC", "V"), q("dewpoint", "7.2", "wmoUnit:degC", "V"), q("windSpeed", "0", "wmoUnit:km_h-1", "V"),
		q("windDirection", "0", "wmoUnit:degree_(angle)", "V"), q("windGust", "null", "wmoUnit:km_h-1", "Z"), q("seaLevelPressure", "102540", "wmoUnit:Pa", "V"))))
	if err != nil {
		t.Error(err)
	}
	if w.Time != time.Date(2022, 3, 1, 11, 0, 0, 0, time.UTC).UnixMilli() || w.Source != "usobs" || w.DistanceKM != 12 || w.Modelled {
		t.Errorf("row %+v", w)
	}
	if !near(w.TempC, 10.3, 1e-9) || !near(w.DewpointC, 7.2, 1e-9) || w.WindMPS != 0 || !math.IsNaN(w.WindDirDeg) || !math.IsNaN(w.GustMPS) || !near(w.PressureHPa, 1025.4, 1e-9) || w.Precipitation != reception.PrecipNone {
		t.Errorf("row %+v", w)
	}
}

// The public issue list of the service: number 10 (2019-10-21, windGust null although
// the report has G20) and number 33 (winds null, the report has 22 kt).
func TestTheReportIsPrimary(t *testing.T) {
	null := []string{q("windSpeed", "null", "unit:km_h-1", "qc:Z"), q("windGust", "null", "unit:km_h-1", "qc:Z"), q("windDirection", "null", "unit:degree_(angle)", "qc:Z"),
		q("precipitationLastHour", "0", "unit:m", "qc:Z"), q("temperature", "24.4", "unit:degC", "qc:V")}
	w, err := one(t, feature1("2019-10-21T17:53:00+00:00",
		"KMSY 211753Z 22012G20KT 2SM TSRA BR SCT015CB SCT026 BKN037 OVC130 24/22 A2988 RMK AO2 LTG DSNT ALQDS SLP120 OCNL LTGICCG OHD TS OHD MOV NE P0017 60021 T02440222 10261 20244 51012", null...))
	if err != nil {
		t.Error(err)
	}
	if !near(w.WindMPS, 6.17, 0.005) || !near(w.GustMPS, 10.29, 0.005) || w.WindDirDeg != 220 || !near(w.RainMMPerHour, 4.318, 1e-9) || w.TempC != 24.4 || w.Thunder != reception.Yes {
		t.Errorf("row %+v", w)
	}
}

// The namespace of units changed about 2021-10-01, "qc:V" became "V", and the unit of
// precipitation m became mm.
func TestUnitsByTheirSuffix(t *testing.T) {
	for _, c := range []struct{ ns, qc, rainUnit, rain string }{{"unit:", "qc:", "m", "0.0032"}, {"wmoUnit:", "", "mm", "3.2"}, {"http://codes.example/common/unit/", "", "mm", "3.2"}} {
		w, err := one(t, collection(
			feature1("2021-10-02T13:55:00+00:00", "", q("temperature", "12.5", c.ns+"degC", c.qc+"V"), q("windSpeed", "36", c.ns+"km_h-1", c.qc+"C"),
				q("windGust", "72", c.ns+"km_h-1", c.qc+"S"), q("windDirection", "210", c.ns+"degree_(angle)", c.qc+"V"), q("seaLevelPressure", "101320", c.ns+"Pa", c.qc+"V"),
				q("precipitationLastHour", c.rain, c.ns+c.rainUnit, c.qc+"C"), `"presentWeather":[{"rawString":"-RA"}]`),
			feature1("2021-10-02T14:10:00+00:00", "")))
		if err != nil {
			t.Error(err)
		}
		if w.TempC != 12.5 || !near(w.WindMPS, 10, 1e-9) || !near(w.GustMPS, 20, 1e-9) || w.WindDirDeg != 210 || !near(w.PressureHPa, 1013.2, 1e-9) || !near(w.RainMMPerHour, 3.2, 1e-9) || w.Precipitation != reception.PrecipAmount {
			t.Errorf("%s: row %+v", c.ns, w)
		}
	}
	for unit, want := range map[string]float64{"wmoUnit:degF": 10, "wmoUnit:K": 50 - 273.15, "wmoUnit:degR": math.NaN()} {
		w, _ := one(t, collection(feature1("2021-10-02T13:55:00+00:00", "", q("temperature", "50", unit, "V")), feature1("2021-10-02T14:10:00+00:00", "")))
		if !near(w.TempC, want, 1e-9) {
			t.Errorf("50 %s = %g, want %g", unit, w.TempC, want)
		}
	}
}

func TestQualityCodes(t *testing.T) {
	for code, used := range map[string]bool{"C": true, "S": true, "V": true, "G": true, "Z": true, "": true, "X": false, "Q": false, "B": false, "T": false, "qc:X": false, "qc:V": true} {
		value := q("temperature", "16.4", "wmoUnit:degC", code)
		w, _ := one(t, collection(feature1("2026-03-01T13:55:00+00:00", "", value, q("windSpeed", "36", "wmoUnit:km_h-1", "V")), feature1("2026-03-01T14:10:00+00:00", "")))
		if used == math.IsNaN(w.TempC) {
			t.Errorf("code %q in JSON alone: %g", code, w.TempC)
		}
		// The report holds the same wrong value.
		w, _ = one(t, collection(feature1("2026-03-01T13:53:00+00:00", "KABC 011353Z 21010KT 16/04 A2990 RMK AO2 T01640040", value)))
		if used == math.IsNaN(w.TempC) {
			t.Errorf("code %q beside a report: %g", code, w.TempC)
		}
	}
}

func TestDisagreementIsToldOnce(t *testing.T) {
	at := func(h int) string {
		return feature1(fmt.Sprintf("2026-03-01T%02d:53:00+00:00", h), fmt.Sprintf("KABC 01%02d53Z 21010KT 06/04 A2990 RMK AO2 T00640036", h),
			q("temperature", "16.4", "wmoUnit:degC", "V"), q("dewpoint", "36", "wmoUnit:degX", "V"))
	}
	s := source(t, collection(at(11), at(10)))
	rows, err := s.Observe(t.Context())
	if len(rows) != 2 || rows[0].TempC != 6.4 {
		t.Errorf("rows %+v, want the report's temperature", rows)
	}
	want := `temperature at 2026-03-01T10:53:00Z is 16.4 degrees C in the JSON and 6.4 in the report: the report is used; dewpoint has the unit "wmoUnit:degX", which is not known: not used`
	if err == nil || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("said %v, want %s", err, want)
	}
	if err := os.WriteFile(s.o.File, []byte(collection(at(12), at(11))), 0o600); err != nil {
		t.Fatal(err)
	}
	if rows, err := s.Observe(t.Context()); len(rows) != 1 || err != nil {
		t.Errorf("the next hour: %d rows, %v", len(rows), err)
	}
}

// The JSON fills what the text lacks: a special without a group of temperatures, KGTF
// 170322Z.
func TestJSONFills(t *testing.T) {
	rows, err := observe(t, collection(
		feature1("2022-11-17T03:53:00+00:00", "KGTF 170353Z 33014KT 02/02 A2991 RMK AO2"),
		feature1("2022-11-17T03:22:00+00:00", "KGTF 170322Z 33014KT 1 3/4SM -SN BR OVC005 A2991 RMK AO2 RAE17SNB17 P0004", q("temperature", "1.7", "wmoUnit:degC", "Z")),
		feature1("2022-11-17T02:53:00+00:00", "KGTF 170253Z 33013KT 3SM -RA OVC005 A2990 RMK AO2 SLP147 P0000 60011", q("temperature", "2.2", "wmoUnit:degC", "V"))))
	if err != nil || len(rows) != 2 || rows[0].TempC != 2.2 || rows[0].Precipitation != reception.PrecipTrace || rows[1].TempC != 2 {
		t.Errorf("rows %+v, %v", rows, err)
	}
}

// Between the routine reports come observations without text, every five minutes:
// they neither close an hour nor add to its rain.
func TestObservationsBetweenReports(t *testing.T) {
	var fs []string
	for m := 0; m < 120; m += 5 {
		at := time.Date(2026, 3, 1, 12, m, 0, 0, time.UTC)
		fs = append(fs, feature1(at.Format(time.RFC3339), "", q("windGust", "90", "wmoUnit:km_h-1", "V"), q("precipitationLastHour", "9", "wmoUnit:mm", "C")))
		if at.Minute() == 50 {
			fs = append(fs, feature1(at.Add(3*time.Minute).Format(time.RFC3339), "KABC 01"+at.Format("15")+"53Z 21010KT 06/04 A2990 RMK AO2 P0001"))
		}
	}
	rows, err := observe(t, collection(fs...))
	if err != nil || len(rows) != 3 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for i, w := range rows[1:] {
		if w.Time != time.Date(2026, 3, 1, 13+i, 0, 0, 0, time.UTC).UnixMilli() || !near(w.RainMMPerHour, 0.254, 1e-9) || !near(w.GustMPS, 25, 1e-9) || w.TempC != 6 {
			t.Errorf("row %+v", w)
		}
	}
}

// A station without texts: its last observation of the hour has the hour's rain.
func TestStationWithoutReports(t *testing.T) {
	obs := func(at, mm string) string {
		return feature1("2026-03-01T"+at+":00+00:00", "", q("precipitationLastHour", mm, "wmoUnit:mm", "C"), q("temperature", "5", "wmoUnit:degC", "V"))
	}
	for _, c := range []struct {
		name string
		obs  []string
		rain float64
		kind reception.Precipitation
	}{
		{"quarters", []string{obs("12:15", "1"), obs("12:30", "2"), obs("12:55", "3"), obs("13:10", "9")}, 3, reception.PrecipAmount},
		{"on the hour", []string{obs("12:40", "1"), obs("13:00", "4")}, 4, reception.PrecipAmount},
		{"dry", []string{obs("12:55", "0"), obs("13:10", "0")}, 0, reception.PrecipNone},
		{"no gauge, or nothing said", []string{obs("12:55", "null"), obs("13:10", "null")}, math.NaN(), reception.PrecipUnknown},
		{"the end of the hour is missing", []string{obs("12:20", "2"), obs("13:10", "0")}, math.NaN(), reception.PrecipUnknown},
	} {
		w, err := one(t, collection(c.obs...))
		if err != nil || !near(w.RainMMPerHour, c.rain, 1e-9) || w.Precipitation != c.kind || w.Thunder != reception.Unknown {
			t.Errorf("%s: rain %g %q thunder %q, %v, want %g %q", c.name, w.RainMMPerHour, w.Precipitation, w.Thunder, err, c.rain, c.kind)
		}
	}
}

func TestAddress(t *testing.T) {
	// Without its name a program is refused; the latest observation may be hours old.
	old := time.Now().UTC().Truncate(time.Hour).Add(-5*time.Hour - 7*time.Minute)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasPrefix(r.UserAgent(), "holdfast") {
			http.Error(w, "who are you", http.StatusForbidden)
			return
		}
		fmt.Fprint(w, feature1(old.Format(time.RFC3339), "KABC "+old.Format("021504")+"Z 21010KT 06/04 A2990 RMK AO2"))
	}))
	defer srv.Close()
	s, err := New(Options{URL: srv.URL + "/stations/KABC/observations/latest", DistanceKM: math.NaN()})
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 1 || rows[0].Time != old.Add(7*time.Minute).UnixMilli() {
		t.Errorf("rows %+v, %v", rows, err)
	}
	if rows, err := s.Observe(t.Context()); err != nil || len(rows) != 0 {
		t.Errorf("the same observation again: %+v, %v", rows, err)
	}
}

func TestFaults(t *testing.T) {
	other := strings.Replace(feature1("2026-03-01T13:53:00+00:00", "KXYZ 011353Z 21010KT 06/04"), "KABC", "KXYZ", 1)
	own := feature1("2026-03-01T12:53:00+00:00", "KABC 011253Z 21010KT 06/04")
	for _, c := range []struct {
		name, text, want string
		rows             int
	}{
		{"a page", "<html>", "is not JSON of observations", 0},
		{"another document", `{"type":"Feature","properties":{"periods":[]}}`, "holds no observation", 0},
		{"no observations", collection(), "the station has no observations", 0},
		{"several stations", collection(own, other), "only KABC is taken, not KXYZ", 1},
		{"broken text", collection(feature1("2026-03-01T13:00:00+00:00", "KABC 0113Z", q("temperature", "5", "wmoUnit:degC", "V"))), `rawMessage of 2026-03-01T13:00:00Z: "KABC 0113Z" is no report`, 0},
		{"the text of another hour", collection(feature1("2026-03-01T13:00:00+00:00", "KABC 010153Z 21010KT 06/04")), "is a report of 2026-03-01T01:53:00Z: not used", 0},
	} {
		rows, err := observe(t, c.text)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") || len(rows) != c.rows {
			t.Errorf("%s: %d rows, %v, want %d and one line with %q", c.name, len(rows), err, c.rows, c.want)
		}
	}
	s := source(t, collection(other))
	s.o.Station, s.held = "KABC", "KABC"
	if _, err := s.Observe(t.Context()); err == nil || !strings.Contains(err.Error(), "observations of station KXYZ, not of KABC") {
		t.Errorf("foreign station: %v", err)
	}
	for _, o := range []Options{{}, {File: "a", URL: "http://b"}, {File: "a", DistanceKM: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) succeeded", o)
		}
	}
}

func FuzzTake(f *testing.F) {
	f.Add([]byte(collection(feature1("2026-03-01T13:53:00+00:00", "KABC 011353Z 21010KT 06/04", q("temperature", "5", "wmoUnit:degC", "V")))))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := New(Options{File: "a"})
		if err != nil {
			t.Fatal(err)
		}
		s.take(text)
		s.hours.Rows()
	})
}
