package metar

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
	"holdfast/collector/weather/fetch"
)

// file writes a text that somebody finished writing at the given time.
func file(t *testing.T, path, text string, written time.Time) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, written, written); err != nil {
		t.Fatal(err)
	}
}

func observe(t *testing.T, s *Source) []reception.Weather {
	t.Helper()
	rows, err := s.Observe(t.Context())
	if err != nil {
		t.Fatalf("Observe: %v", err)
	}
	return rows
}

// hoursOf reads reports of 12 March 2026.
func hoursOf(t *testing.T, reports ...string) []reception.Weather {
	t.Helper()
	path := filepath.Join(t.TempDir(), "reports.txt")
	file(t, path, strings.Join(reports, "\n")+"\n", time.Date(2026, 3, 12, 23, 59, 0, 0, time.UTC))
	s, err := New(Options{File: path, Source: "airport", DistanceKM: 7})
	if err != nil {
		t.Fatal(err)
	}
	return observe(t, s)
}

func hour(h int) int64 { return time.Date(2026, 3, 12, h, 0, 0, 0, time.UTC).UnixMilli() }

func TestHourOfRoutineReport(t *testing.T) {
	rows := hoursOf(t, "METAR KABC 121753Z AUTO 21016G24KT 10SM -RA OVC025 06/04 A2990 RMK AO2 PK WND 20032/25 RAB07 SLP125 P0003 T00640036")
	if len(rows) != 1 {
		t.Fatalf("%d rows", len(rows))
	}
	w := rows[0]
	if w.Time != hour(18) || w.IntervalS != 3600 || w.Source != "airport" || w.DistanceKM != 7 || w.Modelled {
		t.Errorf("row %+v", w)
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"temperature", w.TempC, 6.4}, {"dew point", w.DewpointC, 3.6}, {"pressure", w.PressureHPa, 1012.5}, {"wind", w.WindMPS, 16 * mpsPerKnot},
		{"gust is the peak wind", w.GustMPS, 32 * mpsPerKnot}, {"direction", w.WindDirDeg, 210}, {"rain", w.RainMMPerHour, 0.762}, {"snow", w.SnowMMPerHour, 0},
	} {
		if math.Abs(c.got-c.want) > 1e-9 {
			t.Errorf("%s = %g, want %g", c.name, c.got, c.want)
		}
	}
	if w.Precipitation != reception.PrecipAmount || w.Thunder != reception.No {
		t.Errorf("precipitation %q thunder %q", w.Precipitation, w.Thunder)
	}
}

// The hour's amount is that of its last report: those of the specials before it
// count from the same routine report on.
func TestSpecialsAreNotSummed(t *testing.T) {
	rows := hoursOf(t,
		"METAR KABC 121653Z 21010KT 06/04 RMK AO2",
		"SPECI KABC 121712Z 21010G20KT RA 06/04 RMK AO2 P0010",
		"SPECI KABC 121730Z 21010G35KT TSRA 06/04 RMK AO2 P0018",
		"METAR KABC 121753Z 21010KT 05/04 RMK AO2 P0022",
		"SPECI KABC 121755Z 21010KT RA 05/04 RMK AO2 P0001",
		"METAR KABC 121853Z 21010KT 05/04 RMK AO2 P0002")
	if len(rows) != 3 {
		t.Fatalf("%d rows: %+v", len(rows), rows)
	}
	for i, want := range []float64{0, 0.22 * 25.4, 0.02 * 25.4} {
		if w := rows[i]; math.Abs(w.RainMMPerHour-want) > 1e-9 || w.Time != hour(17+i) {
			t.Errorf("hour %d: rain %g at %d, want %g", i, w.RainMMPerHour, w.Time, want)
		}
	}
	if g := rows[1].GustMPS; math.Abs(g-35*mpsPerKnot) > 1e-9 {
		t.Errorf("gust %g, want the strongest of the hour", g)
	}
	if rows[1].Thunder != reception.Yes || rows[2].Thunder != reception.No {
		t.Errorf("thunder %q, %q", rows[1].Thunder, rows[2].Thunder)
	}
}

func TestPrecipitationOfAnHour(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name, report string
		rain, snow   float64
		kind         reception.Precipitation
		thunder      reception.Tristate
	}{
		{"none with a gauge", "AUTO 21010KT 06/04 RMK AO2", 0, 0, reception.PrecipNone, reception.No},
		{"no gauge known", "AUTO 21010KT 06/04 RMK AO1", nan, nan, reception.PrecipUnknown, reception.No},
		{"no remarks", "21010KT 06/04", nan, nan, reception.PrecipUnknown, reception.No},
		{"automatic, nothing known of it", "AUTO 21010KT 06/04", nan, nan, reception.PrecipUnknown, reception.Unknown},
		{"rain without a gauge", "21010KT RA 06/04", nan, nan, reception.PrecipAmount, reception.No},
		{"trace", "AUTO 21010KT -RA 06/04 RMK AO2 P0000", 0, 0, reception.PrecipTrace, reception.No},
		{"gauge out, dry to the eye", "AUTO 21010KT 06/04 RMK AO2 PNO", nan, nan, reception.PrecipUnknown, reception.No},
		{"gauge out in rain", "AUTO 21010KT RA 06/04 RMK AO2 PNO", nan, nan, reception.PrecipAmount, reception.No},
		{"amount not known", "AUTO 21010KT RA 06/04 RMK AO2 P////", nan, nan, reception.PrecipAmount, reception.No},
		{"thunder sensor out", "AUTO 21010KT 06/04 RMK AO2 TSNO", 0, 0, reception.PrecipNone, reception.Unknown},
		{"thunder seen though the sensor is out", "AUTO 21010KT VCTS 06/04 RMK AO2 TSNO", 0, 0, reception.PrecipNone, reception.Yes},
		{"snow", "AUTO 21010KT SN M02/M04 RMK AO2 P0004", 0, 1.016, reception.PrecipAmount, reception.No},
		{"rain turned to snow", "AUTO 21010KT SN M02/M04 RMK AO2 RAE17SNB17 P0004", 1.016, nan, reception.PrecipAmount, reception.No},
		{"rain of the hour, now dry", "AUTO 21010KT 06/04 RMK AO2 RAB05E30 P0004", 1.016, 0, reception.PrecipAmount, reception.No},
	} {
		rows := hoursOf(t, "METAR KABC 121753Z "+c.report)
		if len(rows) != 1 {
			t.Fatalf("%s: %d rows", c.name, len(rows))
		}
		same := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }
		if w := rows[0]; !same(w.RainMMPerHour, c.rain) || !same(w.SnowMMPerHour, c.snow) || w.Precipitation != c.kind || w.Thunder != c.thunder {
			t.Errorf("%s: rain %g snow %g %q thunder %q, want %g %g %q %q", c.name, w.RainMMPerHour, w.SnowMMPerHour, w.Precipitation, w.Thunder, c.rain, c.snow, c.kind, c.thunder)
		}
	}
}

// A special alone has a part of the hour: it fell, but nobody knows how much in all.
func TestHourWithoutItsRoutineReport(t *testing.T) {
	rows := hoursOf(t, "SPECI KABC 121722Z 21010KT RA 06/04 RMK AO2 P0004", "METAR KABC 121853Z 21010KT 05/04 RMK AO2")
	if len(rows) != 2 || !math.IsNaN(rows[0].RainMMPerHour) || rows[0].Precipitation != reception.PrecipAmount || rows[0].Time != hour(18) || rows[1].Time != hour(19) {
		t.Errorf("rows %+v", rows)
	}
}

func TestImplausiblePressureGivesWay(t *testing.T) {
	rows := hoursOf(t, "METAR KBIL 122256Z 29017G27KT 10SM M02/M02 A2961 RMK AO2 SLP205")
	if p := rows[0].PressureHPa; math.Abs(p-1002.7) > 0.05 {
		t.Errorf("pressure %g, want the altimeter's 1002.7", p)
	}
}

func TestGrowingFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "reports.txt")
	s, err := New(Options{File: path})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Observe(t.Context()); err == nil || !strings.Contains(err.Error(), "check weather file in the config") || !strings.Contains(err.Error(), path) {
		t.Errorf("missing file: %v", err)
	}
	// Forty days of undated reports: more than a month, yet each finds its own.
	var text strings.Builder
	n := 40 * 24
	from := time.Now().UTC().Truncate(time.Hour).Add(-time.Duration(n)*time.Hour - 7*time.Minute)
	for i := range n {
		fmt.Fprintf(&text, "METAR KABC %sZ 21010KT 06/04 RMK AO2\n", from.Add(time.Duration(i)*time.Hour).Format("021504"))
	}
	now := from.Add(time.Duration(n) * time.Hour)
	file(t, path, text.String(), now)
	rows := observe(t, s)
	if len(rows) != n || rows[0].Time != from.Add(7*time.Minute).UnixMilli() {
		t.Fatalf("%d rows from %v, want %d from %v", len(rows), time.UnixMilli(rows[0].Time).UTC(), n, from)
	}
	if rows := observe(t, s); len(rows) != 0 {
		t.Errorf("an unchanged file gave %d rows", len(rows))
	}
	fmt.Fprintf(&text, "SPECI KABC %sZ 21010KT RA 06/04 RMK AO2 P0003\nMETAR KABC %sZ 21010KT 06/04 RMK AO2 P0007\nMETAR KABC 0953Z\n",
		now.Add(-23*time.Minute).Format("021504"), now.Format("021504"))
	file(t, path, text.String(), now)
	rows, err = s.Observe(t.Context())
	if len(rows) != 1 || rows[0].Time != now.Add(7*time.Minute).UnixMilli() || math.Abs(rows[0].RainMMPerHour-0.07*25.4) > 1e-9 {
		t.Errorf("rows %+v", rows)
	}
	if err == nil || !strings.Contains(err.Error(), `line 963: "METAR KABC 0953Z" is no report: no day and time after the station`) {
		t.Errorf("bad line: %v", err)
	}
	file(t, path, text.String()+"METAR KABC "+now.Add(time.Hour).Format("021504")+"Z 2101", time.Now())
	if rows, err := s.Observe(t.Context()); len(rows) != 0 || err != nil {
		t.Errorf("a line being written gave %d rows, %v; a bad line is named once", len(rows), err)
	}
}

// The form of public servers: a date above each report.
func TestDatedReports(t *testing.T) {
	rows := hoursOf(t, "SAUS70 KWBC 121800", "2019/10/21 17:53", "KMSY 211753Z 22012G20KT 2SM TSRA BR SCT015CB 24/22 A2988 RMK AO2 SLP120", "     P0017 60021 T02440222=",
		"201910211900 METAR KMSY 211853Z 22012KT 24/22 RMK AO2", "METAR KMSY 121853Z 22012KT 24/22 RMK AO2")
	if len(rows) != 3 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range []time.Time{time.Date(2019, 10, 21, 18, 0, 0, 0, time.UTC), time.Date(2019, 10, 21, 19, 0, 0, 0, time.UTC), time.Date(2026, 3, 12, 19, 0, 0, 0, time.UTC)} {
		if rows[i].Time != want.UnixMilli() {
			t.Errorf("row %d at %v, want %v", i, time.UnixMilli(rows[i].Time).UTC(), want)
		}
	}
	if math.Abs(rows[0].RainMMPerHour-4.318) > 1e-9 || rows[0].TempC != 24.4 {
		t.Errorf("the continued line was not read: %+v", rows[0])
	}
}

func TestSeveralStations(t *testing.T) {
	path := filepath.Join(t.TempDir(), "reports.txt")
	file(t, path, "METAR KABC 121753Z 21010KT 06/04\nMETAR KXYZ 121753Z 21010KT 16/04\n", time.Date(2026, 3, 12, 18, 0, 0, 0, time.UTC))
	s, _ := New(Options{File: path, Station: "kabc"})
	if rows := observe(t, s); len(rows) != 1 || rows[0].TempC != 6 {
		t.Errorf("station named: %+v", rows)
	}
	s, _ = New(Options{File: path})
	if rows, err := s.Observe(t.Context()); len(rows) != 1 || rows[0].TempC != 16 || err == nil || !strings.Contains(err.Error(), "only KXYZ is taken, not KABC") {
		t.Errorf("no station named: %+v, %v", rows, err)
	}
	s, _ = New(Options{File: path, Station: "KQQQ"})
	if _, err := s.Observe(t.Context()); err == nil || !strings.Contains(err.Error(), "no report of station KQQQ; there are KABC KXYZ") {
		t.Errorf("foreign station: %v", err)
	}
}

func TestAddress(t *testing.T) {
	now := time.Now().UTC().Truncate(time.Hour)
	answer := func(w http.ResponseWriter, text string) { fmt.Fprint(w, text) }
	var handler http.HandlerFunc
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { handler(w, r) }))
	defer srv.Close()
	other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { answer(w, "never") }))
	defer other.Close()
	host := strings.TrimPrefix(srv.URL, "http://")
	s, err := New(Options{URL: srv.URL + "/report?key=hidden", Source: "airport"})
	if err != nil {
		t.Fatal(err)
	}
	special := now.Add(-20 * time.Minute)
	routine := now.Add(-7 * time.Minute)
	handler = func(w http.ResponseWriter, r *http.Request) {
		answer(w, "SPECI KABC "+special.Format("021504")+"Z 21010G33KT RA 06/04 RMK AO2 P0004\n")
	}
	if rows := observe(t, s); len(rows) != 0 {
		t.Errorf("an open hour gave %+v", rows)
	}
	for name, c := range map[string]struct {
		h    http.HandlerFunc
		want string
	}{
		"not found": {func(w http.ResponseWriter, r *http.Request) { http.NotFound(w, r) }, "answer is 404 Not Found"},
		"too long":  {func(w http.ResponseWriter, r *http.Request) { answer(w, strings.Repeat("x", fetch.MostURL+1)) }, "more than 16 MiB"},
		"elsewhere": {func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, other.URL, http.StatusFound) },
			"redirects to " + other.URL},
		"a page": {func(w http.ResponseWriter, r *http.Request) { answer(w, "<html>\n<body>Welcome</body>\n</html>") }, "holds no report"},
		"empty":  {func(w http.ResponseWriter, r *http.Request) {}, "the answer is empty"},
		"broken": {func(w http.ResponseWriter, r *http.Request) { answer(w, "METAR KABC 21010KT") }, `line 1: "METAR KABC 21010KT" is no report`},
	} {
		handler = c.h
		_, err := s.Observe(t.Context())
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), host) || strings.Contains(err.Error(), "hidden") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q and the host alone", name, err, c.want)
		}
	}
	// What was read before the failures still counts.
	handler = func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/report" {
			http.Redirect(w, r, "/elsewhere", http.StatusFound) // on the same host
			return
		}
		answer(w, now.Format("2006/01/02 15:04")+"\nKABC "+routine.Format("021504")+"Z 21010KT 06/04 RMK AO2 P0009\n")
	}
	rows := observe(t, s)
	if len(rows) != 1 || rows[0].Time != now.UnixMilli() || math.Abs(rows[0].GustMPS-33*mpsPerKnot) > 1e-9 || math.Abs(rows[0].RainMMPerHour-2.286) > 1e-9 {
		t.Errorf("rows %+v", rows)
	}
	if rows := observe(t, s); len(rows) != 0 {
		t.Errorf("the same report again gave %d rows", len(rows))
	}
	srv.Close()
	if _, err := s.Observe(t.Context()); err == nil || !strings.Contains(err.Error(), host) || !strings.Contains(err.Error(), "check weather url in the config") || strings.Contains(err.Error(), "hidden") {
		t.Errorf("server gone: %v", err)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {File: "a", URL: "http://b"}, {URL: "ftp://b"}, {URL: "b"}, {File: "a", Station: "abcde"}, {File: "a", DistanceKM: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) succeeded", o)
		}
	}
	s, err := New(Options{URL: "https://weather.example/x?key=hidden", Source: "airport"})
	if err != nil || s.String() != "airport from weather.example" {
		t.Errorf("String() = %q, %v", s, err)
	}
}
