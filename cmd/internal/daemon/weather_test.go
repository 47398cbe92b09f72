package daemon

import (
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
	"holdfast/configs"
)

// Every kind of source that an address may send, from the config to the merged hour.
func TestWeatherFromAddressToHour(t *testing.T) {
	t.Parallel()
	hour := time.Now().UTC().Truncate(time.Hour) // the end of the last whole hour
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("key") != "hush-hush" || !strings.HasPrefix(r.UserAgent(), "holdfast") {
			http.Error(w, "no", http.StatusForbidden)
			return
		}
		report := hour.Add(-7 * time.Minute)
		switch r.URL.Path {
		case "/shed":
			fmt.Fprintf(w, `{"when":%d,"air_f":50}`, hour.Unix())
		case "/observations":
			fmt.Fprintf(w, `{"type":"FeatureCollection","features":[{"properties":{"station":"https://a.example/stations/XQLB","timestamp":"%s",
"rawMessage":"XQLB %sZ 21010G25KT 06/04 A2990 RMK AO2 SLP125","windGust":{"value":null,"unitCode":"wmoUnit:km_h-1","qualityControl":"Z"}}}]}`, report.Format(time.RFC3339), report.Format("021504"))
		case "/model":
			fmt.Fprintf(w, `{"utc_offset_seconds":0,"timezone":"GMT","hourly_units":{"time":"iso8601","temperature_2m":"°C","precipitation":"mm","wind_speed_10m":"km/h"},
"hourly":{"time":["%s","%s"],"temperature_2m":[20,21],"precipitation":[0.5,9],"wind_speed_10m":[72,72]}}`, hour.Format("2006-01-02T15:04"), hour.Add(2*time.Hour).Format("2006-01-02T15:04"))
		}
	}))
	defer srv.Close()
	c := parse(t, strings.ReplaceAll(`
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York }
channels: [ { rf: 30 } ]
weather:
  - { kind: json, name: shed, url: "URL/shed?key=hush-hush", distance_km: 0, mapping: "{time: .when, interval_s: 3600, temp_c: ((.air_f - 32) / 1.8)}" }
  - { kind: usobs, url: "URL/observations?key=hush-hush", station: XQLB, distance_km: 20 }
  - { kind: open-meteo, url: "URL/model?key=hush-hush" }
  - { kind: metar, name: closed, url: "URL/metar?key=other-key" }
web: { listen: "127.0.0.1:0" }
`, "URL", srv.URL))
	dir := t.TempDir()
	r := start(t, c, dir, nil)
	eventually(t, "the health of four sources is known", func() bool {
		return strings.Count(get(t, r.url+"/metrics"), `holdfast_healthy{kind="weather"`) == 4
	})
	metrics := get(t, r.url+"/metrics")
	for _, want := range []string{`subject="shed"} 1`, `subject="usobs"} 1`, `subject="open-meteo"} 1`, `subject="closed"} 0`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("metrics lack %s", want)
		}
	}
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v", err)
	}
	log := r.log.String()
	if !strings.Contains(log, "answer is 403 Forbidden") || strings.Contains(log, "hush-hush") || strings.Contains(log, "other-key") {
		t.Errorf("the log must name the refusal and no key:\n%s", log)
	}

	h, err := Open(t.Context(), c, dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	rows := merged(t, h)
	if len(rows) != 1 {
		t.Fatalf("%d hours, want the one that is over: %+v", len(rows), rows)
	}
	w := rows[0]
	// The shed has the temperature, the report wind and pressure and that nothing fell.
	if w.Time != hour.UnixMilli() || math.Abs(w.TempC-10) > 1e-9 || math.Abs(w.WindMPS-10*1852.0/3600) > 1e-9 || math.Abs(w.GustMPS-25*1852.0/3600) > 1e-9 ||
		math.Abs(w.PressureHPa-1012.5) > 1e-9 || w.RainMMPerHour != 0 || w.Modelled || w.Source != "shed+usobs" || w.DistanceKM != 20 {
		t.Errorf("hour %+v", w)
	}
	if x := folded(t, h, hour.Unix()/3600-1); math.Abs(x.TempC-10) > 1e-9 || x.PrecipMM != 0 {
		t.Errorf("the analysis sees %+v", x)
	}
}

func merged(t *testing.T, h *Home) (rows []reception.Weather) {
	t.Helper()
	for w, err := range h.Weather(t.Context(), 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, w)
	}
	return rows
}

func folded(t *testing.T, h *Home, hour int64) (x drivers.Hour) {
	t.Helper()
	if err := h.folder.use(t.Context(), func(f *answer.Fold) { x = f.Weather(hour) }); err != nil {
		t.Fatal(err)
	}
	return x
}

// Pages and analysis take the same hours, by the order of the config, at once and as
// rows come in.
func TestPreferenceIsTheConfigsOrder(t *testing.T) {
	t.Parallel()
	config := func(first, second string) configs.Config {
		return parse(t, fmt.Sprintf(`
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York }
channels: [ { rf: 30 } ]
weather: [ { kind: csv, name: %s, file: a.csv }, { kind: csv, name: %s, file: b.csv } ]
`, first, second))
	}
	dir := t.TempDir()
	base := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	at := func(hour int) string { return base.Add(time.Duration(hour) * time.Hour).Format(time.RFC3339) }
	agree := func(h *Home, temps map[int]float64) {
		t.Helper()
		got := map[int64]reception.Weather{}
		for _, w := range merged(t, h) {
			got[w.Time] = w
		}
		for hour, want := range temps {
			end := base.Add(time.Duration(hour) * time.Hour)
			page, ok := got[end.UnixMilli()]
			if !ok {
				page = reception.NewWeather()
			}
			fold := folded(t, h, end.Unix()/3600-1)
			same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
			if !same(page.TempC, want) || !same(fold.TempC, want) {
				t.Errorf("hour %d: page %g, analysis %g, want %g", hour, page.TempC, fold.TempC, want)
			}
		}
	}
	take := func(h *Home, csv string) {
		t.Helper()
		if _, err := h.Import(t.Context(), "weather", "w.csv", strings.NewReader("time,source,distance_km,kind,temp_c\n"+csv), nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	open := func(c configs.Config) *Home {
		t.Helper()
		h, err := Open(t.Context(), c, dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	h := open(config("far", "near"))
	take(h, at(1)+",near,1,,10\n"+at(2)+",near,1,,10.5\n"+at(3)+",model,0,modelled,30\n")
	agree(h, map[int]float64{1: 10, 2: 10.5, 3: 30, 4: math.NaN()})
	// What comes late and is preferred takes the hour over.
	take(h, at(2)+",far,90,,20\n"+at(3)+",unnamed,50,,15\n")
	agree(h, map[int]float64{1: 10, 2: 20, 3: 15})
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	h = open(config("near", "far"))
	agree(h, map[int]float64{1: 10, 2: 10.5, 3: 15})
	// A sensor that turns out to be stuck is taken back from both.
	stuck := ""
	for hour := 100; hour < 124; hour++ {
		stuck += at(hour) + ",near,1,,7\n"
	}
	take(h, stuck)
	agree(h, map[int]float64{100: 7, 123: 7})
	take(h, at(124)+",near,1,,7\n")
	agree(h, map[int]float64{100: math.NaN(), 123: math.NaN(), 124: math.NaN()})
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
}

// seen is a generation with its home but nothing running.
func seen(t *testing.T, now *time.Time) (*gen, *logBook) {
	t.Helper()
	log := &logBook{}
	clock := func() time.Time { return *now }
	c := parse(t, simulatedHome)
	h, err := Open(t.Context(), c, t.TempDir(), Options{Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	return &gen{home: h, config: c, params: Params{Now: clock}, log: slog.New(slog.NewTextHandler(log, nil)), skies: map[string][]reception.Weather{}}, log
}

func weatherHealth(t *testing.T, g *gen, subject string) reception.Health {
	t.Helper()
	for _, f := range g.home.health.list() {
		if f.Kind == reception.HealthWeather && f.Subject == subject {
			return f
		}
	}
	t.Fatalf("no health of weather %s", subject)
	return reception.Health{}
}

// A week without a new row is a fault since the last one, also after a restart, and
// whatever the source says of itself.
func TestSilentWeather(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)
	last := now
	g, _ := seen(t, &now)
	file := filepath.Join(t.TempDir(), "w.csv")
	put := func(at time.Time) {
		if err := os.WriteFile(file, []byte("time,temp_c\n"+at.Format(time.RFC3339)+",5\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		old := at.Add(-time.Hour)
		_ = os.Chtimes(file, old, old)
	}
	put(last)
	fresh := func(name string) func() reception.Health {
		c := configs.Weather{Name: name, Kind: "csv", File: file, DistanceKM: 3}
		s, err := weatherKinds["csv"](c)
		if err != nil {
			t.Fatal(err)
		}
		look := g.observer(name, s)
		return func() reception.Health {
			_ = look(t.Context())
			return weatherHealth(t, g, name)
		}
	}
	look := fresh("garden")
	if f := look(); !f.OK {
		t.Errorf("with a new row: %+v", f)
	}
	now = last.Add(silentWeather - time.Minute)
	if f := look(); !f.OK {
		t.Errorf("short of six hours: %+v", f)
	}
	now = last.Add(silentWeather)
	if f := look(); f.OK || f.Since != last.UnixMilli() || !strings.HasPrefix(f.Detail, "no new weather since Fri 20 March, 08:00: look whether") || strings.Contains(f.Detail, "\n") {
		t.Errorf("after six hours: %+v", f)
	}
	// After a restart the log knows the last row; the file is gone.
	g.home.health = healthBook{}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	now = last.Add(silentWeather + time.Hour)
	look = fresh("garden")
	if f := look(); f.OK || f.Since != last.UnixMilli() || !strings.Contains(f.Detail, "no such file") {
		t.Errorf("after a restart: %+v", f)
	}
	// New weather ends it.
	put(now)
	if f := look(); !f.OK || f.Since != now.UnixMilli() {
		t.Errorf("with a new row again: %+v", f)
	}
	// A source that never gave a row is silent since the first look.
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	begun := now
	look = fresh("yard")
	if f := look(); f.OK || f.Since != begun.UnixMilli() || strings.HasPrefix(f.Detail, "no new weather") {
		t.Errorf("the first failure: %+v", f)
	}
	now = begun.Add(silentWeather)
	if f := look(); f.OK || f.Since != begun.UnixMilli() || !strings.HasPrefix(f.Detail, "no new weather since") {
		t.Errorf("never any: %+v", f)
	}
}

// A source in a wrong unit is said in one line, once, and in its health.
func TestWeatherInWrongUnit(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)
	g, log := seen(t, &now)
	write := func(name string, temp func(h int) float64) {
		text := "time,temp_c,pressure_hpa\n"
		for h := range 48 {
			text += fmt.Sprintf("%s,%.1f,%.0f\n", now.Add(time.Duration(h-48)*time.Hour).Format(time.RFC3339), temp(h), 101300+float64(h))
		}
		file := filepath.Join(t.TempDir(), "w.csv")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := weatherKinds["csv"](configs.Weather{Name: name, File: file, DistanceKM: 3})
		if err != nil {
			t.Fatal(err)
		}
		old := time.Now().Add(-time.Hour)
		_ = os.Chtimes(file, old, old)
		look := g.observer(name, s)
		for range 2 {
			if err := look(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	write("airport", func(h int) float64 { return float64(h % 9) })
	write("shed", func(h int) float64 { return float64(h%9)*1.8 + 32 })
	if f := weatherHealth(t, g, "shed"); f.OK || !strings.Contains(f.Detail, "looks like degrees Fahrenheit") || !strings.Contains(f.Detail, "looks like pascals") {
		t.Errorf("health %+v", f)
	}
	if f := weatherHealth(t, g, "airport"); strings.Contains(f.Detail, "Fahrenheit") {
		t.Errorf("the right one is blamed: %+v", f)
	}
	for _, want := range []string{"looks like degrees Fahrenheit", "pressure_hpa 101300.0 is outside 850 to 1090"} {
		if n := strings.Count(log.String(), want); n != 1 && want != "pressure_hpa 101300.0 is outside 850 to 1090" || n == 0 {
			t.Errorf("%q is in the log %d times:\n%s", want, n, log)
		}
	}
}

func TestEarlierSinceStays(t *testing.T) {
	t.Parallel()
	var b healthBook
	note := func(ok bool, since int64) int64 {
		b.note(reception.Health{Kind: reception.HealthWeather, Subject: "a", OK: ok, Since: since})
		return b.list()[0].Since
	}
	for i, c := range []struct {
		ok          bool
		since, want int64
	}{{true, 10, 10}, {true, 20, 10}, {false, 30, 30}, {false, 40, 30}, {false, 5, 5}, {true, 50, 50}} {
		if got := note(c.ok, c.since); got != c.want {
			t.Errorf("step %d: since %d, want %d", i, got, c.want)
		}
	}
}
