package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/collector/weather/csvfile"
	"holdfast/configs"
)

// imported opens a home over a config and imports readings from CSV.
func imported(t *testing.T, config, dir, csv string) *Home {
	t.Helper()
	h, err := Open(t.Context(), parse(t, config), dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	if csv != "" {
		r, err := h.Import(t.Context(), "readings", "test.csv", strings.NewReader(csv), nil, nil)
		if err != nil || r.BadCount+r.ConflictCount > 0 {
			t.Fatalf("import: %+v, %v", r, err)
		}
	}
	return h
}

// visits is a CSV of one visit in five minutes.
func visits(start time.Time, n int, columns, row string) string {
	var b strings.Builder
	fmt.Fprintln(&b, "time,dwell_s,locked,"+columns)
	for i := range n {
		fmt.Fprintf(&b, "%s,5,1,%s\n", start.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), strings.ReplaceAll(row, "#", fmt.Sprint(i%8)))
	}
	return b.String()
}

// answerOf returns the answer as a program reads it, and refuses what JSON cannot hold.
func answerOf(t *testing.T, h *Home) map[string]any {
	t.Helper()
	a, err := h.Answer(t.Context(), 0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatalf("the answer cannot be written: %v", err)
	}
	if bytes.Contains(b, []byte("NaN")) || bytes.Contains(b, []byte("Inf")) {
		t.Fatalf("no number in %.500s", b)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func channelsOf(m map[string]any) []map[string]any {
	var out []map[string]any
	for _, c := range m["channels"].([]any) {
		out = append(out, c.(map[string]any))
	}
	return out
}

const importedHome = "version: 1\nhome: { name: Test Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }\n"

var march = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func TestAnswerOfSmallHomes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, csv string
		channels  int
	}{
		{"nothing", "", 0},
		{"one visit", visits(march, 1, "channel,cn_db", "30,24.5"), 1},
		{"one visit without a number", "time,channel,locked,dwell_s\n2026-03-01T00:00:00Z,30,0,5\n", 1},
		{"one channel, two days", visits(march, 576, "channel,cn_db", "30,24.#"), 1},
		{"nothing made", "time,channel,cn_db,dwell_s,why\n2026-03-01T00:00:00Z,30,,5,viewer\n", 1},
	} {
		m := answerOf(t, imported(t, importedHome, t.TempDir(), c.csv))
		if n := len(channelsOf(m)); n != c.channels && c.name != "nothing made" {
			t.Errorf("%s: %d channels, want %d", c.name, n, c.channels)
		}
	}
}

// A scale in per cent says nothing in decibels, from the file to the answer.
func TestPerCentGivesNoDecibel(t *testing.T) {
	t.Parallel()
	csv := "tuner,channel,quality_pct,uncorrected_blocks,total_blocks"
	m := answerOf(t, imported(t, importedHome, t.TempDir(), visits(march, 30*288, csv, "attic,30,7#,0,60000")))
	cs := channelsOf(m)
	if len(cs) != 1 {
		t.Fatalf("%d channels, want 1", len(cs))
	}
	var look func(name string, v any)
	look = func(name string, v any) {
		switch x := v.(type) {
		case map[string]any:
			for k, y := range x {
				if strings.HasSuffix(name, "_db") || strings.Contains(name, "_db_") {
					if (k == "value" || k == "low" || k == "high") && y != nil {
						t.Errorf("%s.%s = %v, want null: per cent only", name, k, y)
					}
				}
				if f, ok := y.(float64); ok && (strings.HasSuffix(k, "_db") || strings.HasSuffix(k, "_dbm")) {
					t.Errorf("%s.%s = %v, want null: per cent only", name, k, f)
				}
				look(k, y)
			}
		case []any:
			for _, y := range x {
				look(name, y)
			}
		}
	}
	look("channel", cs[0])
	if v := cs[0]["availability"].(map[string]any)["value"]; v == nil {
		t.Error("availability is null, though blocks were counted")
	}
}

// Readings of another year do not pass for the present of a home that measures.
func TestImportFromTheFuture(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 10, 0, 0, 0, 0, time.UTC)
	h, err := Open(t.Context(), parse(t, simulatedHome), t.TempDir(), Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	for _, csv := range []string{
		visits(now.AddDate(0, 0, -2), 288, "tuner,channel,cn_db", "hall-1,19,24.#"),
		visits(now.AddDate(5, 0, 0), 288, "tuner,channel,cn_db", "hall-1,19,11.#"),
	} {
		if _, err := h.Import(t.Context(), "readings", "test.csv", strings.NewReader(csv), nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	m := answerOf(t, h)
	cs := channelsOf(m)
	if len(cs) != 1 {
		t.Fatalf("%d channels, want 1", len(cs))
	}
	l := cs[0]["latest"].(map[string]any)
	if at := l["time"].(string); at > "2026-03-10" || l["cn_db"].(float64) < 20 {
		t.Errorf("latest is %v, want the visit before now", l)
	}
	if v := m["as_of"]; v != "2026-03-10T00:00:00Z" {
		t.Errorf("as_of %v, want now", v)
	}
}

func TestTwoTunersOnOneChannelTwoInstallations(t *testing.T) {
	t.Parallel()
	csv := visits(march, 576, "tuner,channel,cn_db,installation", "attic,30,24.#,old") +
		strings.SplitN(visits(march, 576, "tuner,channel,cn_db,installation", "cellar,30,20.#,old"), "\n", 2)[1] +
		strings.SplitN(visits(march.AddDate(0, 0, 2), 288, "tuner,channel,cn_db,installation", "attic,30,26.#,new"), "\n", 2)[1]
	var got []string
	for _, c := range channelsOf(answerOf(t, imported(t, importedHome, t.TempDir(), csv))) {
		got = append(got, fmt.Sprint(c["tuner"], "/", c["installation"]))
	}
	if s := strings.Join(got, " "); len(got) != 3 || !strings.Contains(s, "attic/new") || !strings.Contains(s, "attic/old") || !strings.Contains(s, "cellar/old") {
		t.Errorf("elements %q, want each tuner and installation", s)
	}
}

// A channel that left the config keeps its past; another time zone moves no visit.
func TestConfigThatChangesKeepsThePast(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	h := imported(t, importedHome+"channels: [ { rf: 30, name: Kettle } ]\n", dir, visits(march, 10*288, "channel,cn_db", "30,24.#"))
	before := channelsOf(answerOf(t, h))[0]
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	for _, zone := range []string{"Australia/Sydney", "America/New_York", "Asia/Kathmandu"} {
		h = imported(t, strings.Replace(importedHome, "America/New_York", zone, 1), dir, "")
		cs := channelsOf(answerOf(t, h))
		if len(cs) != 1 || cs[0]["rf"].(float64) != 30 {
			t.Fatalf("%s: channels %v, want the one of the store", zone, cs)
		}
		for _, k := range []string{"latest", "threshold_db"} {
			if a, b := fmt.Sprint(before[k]), fmt.Sprint(cs[0][k]); a != b {
				t.Errorf("%s: %s is %s, was %s", zone, k, b, a)
			}
		}
		if a, b := before["availability"].(map[string]any)["measured_s"], cs[0]["availability"].(map[string]any)["measured_s"]; a != b {
			t.Errorf("%s: measured_s is %v, was %v", zone, b, a)
		}
		if err := h.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// Two years of hourly visits through both changes of the clock, north and south of the
// equator: no hour is lost and none counted twice.
func TestChangesOfTheClockOnTheWall(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ zone, place string }{
		{"America/New_York", "latitude: 43, longitude: -75"}, {"Australia/Sydney", "latitude: -34, longitude: 151"},
		{"Australia/Lord_Howe", "latitude: -31.5, longitude: 159"}, {"Africa/Casablanca", "latitude: 33.6, longitude: -7.6"},
	} {
		config := fmt.Sprintf("version: 1\nhome: { name: Test Lane, region: us, time_zone: %s, %s }\n", c.zone, c.place)
		var b strings.Builder
		b.WriteString("time,channel,dwell_s,locked,cn_db\n")
		const hours = 400 * 24
		for i := range hours {
			fmt.Fprintf(&b, "%s,30,5,1,24.%d\n", march.Add(time.Duration(i)*time.Hour).Format(time.RFC3339), i%8)
		}
		cs := channelsOf(answerOf(t, imported(t, config, t.TempDir(), b.String())))
		if len(cs) != 1 {
			t.Fatalf("%s: %d channels, want 1", c.zone, len(cs))
		}
		v := cs[0]["availability"].(map[string]any)
		if v["measured_s"].(float64) != hours*5 || v["value"].(float64) != 1 {
			t.Errorf("%s: availability %v, want 1 over %d s", c.zone, v, hours*5)
		}
	}
}

// A clock that was never set keeps nothing from starting; nothing is stamped with it.
func TestStartWithAnUnsetClock(t *testing.T) {
	t.Parallel()
	var log logBook
	boot := time.Now()
	started := make(chan struct{})
	ctx, cancel := context.WithCancel(t.Context())
	dir := t.TempDir()
	done := make(chan error, 1)
	go func() {
		done <- Run(ctx, Params{Config: parse(t, simulatedHome), DataDir: dir, Log: slog.New(slog.NewTextHandler(&log, nil)), Hurry: 20,
			Load:    func() (configs.Config, error) { return configs.Config{}, nil },
			Now:     func() time.Time { return time.Unix(100, 0).Add(time.Since(boot)) },
			Bound:   func(string) {},
			Started: func() { close(started) }})
	}()
	select {
	case <-started:
		time.Sleep(2 * time.Second)
	case err := <-done:
		t.Fatalf("Run = %v; log:\n%s", err, log.String())
	case <-time.After(20 * time.Second):
		t.Fatalf("not started; log:\n%s", log.String())
	}
	cancel()
	if err := <-done; err != nil {
		t.Errorf("Run = %v; log:\n%s", err, log.String())
	}
	if l := log.String(); !strings.Contains(l, "1970-01-01") {
		t.Errorf("the log does not say that the clock is not set:\n%s", l)
	}
	h := imported(t, simulatedHome, dir, "")
	if cs := channelsOf(answerOf(t, h)); len(cs) != 0 {
		t.Errorf("%d channels were measured by a clock that was never set", len(cs))
	}
	if h.since != 0 && h.since < march.UnixMilli() {
		t.Errorf("the first run is noted at %s; alarms would take all history for their own", time.UnixMilli(h.since).UTC())
	}
}

func TestDataFolderIsAFile(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "data")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), parse(t, importedHome), file, Options{}); err == nil || !strings.Contains(err.Error(), file) || !strings.Contains(err.Error(), "--data") {
		t.Errorf("Open = %v, want the folder and what to do", err)
	}
}

// A path too long for a socket costs the commands, not the measuring.
func TestPathTooLongForASocket(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), strings.Repeat("x", 120))
	r := start(t, parse(t, simulatedHome), dir, nil)
	eventually(t, "a visit", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"locked":true`) })
	if l := r.log.String(); !strings.Contains(l, "too long for a socket; choose a shorter one") || !strings.Contains(l, dir) {
		t.Errorf("the log does not name the folder and the remedy:\n%s", l)
	}
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
}

// Browsers that hang up in the middle of a stream, requests that never end, and answers
// that nobody reads leave nothing behind and do not hold up the end.
func TestClientsThatMisbehave(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("", "hf")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	r := start(t, parse(t, simulatedHome), dir, nil)
	for _, face := range [][2]string{{"tcp", strings.TrimPrefix(r.url, "http://")}, {"unix", SocketPath(dir)}} {
		for _, text := range []string{
			"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n",
			"GET /api/ans",
			"POST /api/alarms/acknowledge HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\nid=",
			"POST /api/import/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: text/csv\r\nContent-Length: 100000\r\n\r\ntime,channel,cn_db\n2026-03",
		} {
			for i := range 6 {
				c, err := net.Dial(face[0], face[1])
				if err != nil {
					t.Fatal(err)
				}
				if _, err := c.Write([]byte(text)); err != nil {
					t.Fatal(err)
				}
				if i%2 == 0 {
					time.Sleep(10 * time.Millisecond)
					c.Close() // the others stay open and silent
				} else {
					defer c.Close()
				}
			}
		}
	}
	eventually(t, "a visit", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"locked":true`) })
	begin := time.Now()
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil; log:\n%s", err, r.log)
	}
	if d := time.Since(begin); d > 8*time.Second {
		t.Errorf("the end took %s", d)
	}
	if l := r.log.String(); strings.Contains(l, "panic") {
		t.Errorf("log:\n%s", l)
	}
}

// A weather file that vanishes is that source's fault, told with its path; the tuners go
// on, and a file that comes back is read.
func TestWeatherFileVanishesAndReturns(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "yard.csv")
	r := start(t, parse(t, simulatedHome+"weather: [ { kind: csv, name: yard, file: "+file+" } ]\n"), t.TempDir(), nil)
	eventually(t, "the file is missed", func() bool { return strings.Contains(get(t, r.url+"/metrics"), `subject="yard"} 0`) })
	eventually(t, "a visit", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"locked":true`) })
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
	if l := r.log.String(); !strings.Contains(l, file) || !strings.Contains(l, "check weather file in the config") {
		t.Errorf("the log names neither file nor remedy:\n%s", l)
	}

	now := time.Now().UTC().Truncate(time.Hour)
	g, _ := seen(t, &now)
	s, err := csvfile.New(file, csvfile.Options{Source: "yard"})
	if err != nil {
		t.Fatal(err)
	}
	look := g.observer("yard", s)
	for i, there := range []bool{true, false, true} {
		text := fmt.Sprintf("time,temp_c\n%s,%d\n", now.Add(time.Duration(i-3)*time.Hour).Format(time.RFC3339), i)
		if there {
			err = os.WriteFile(file, []byte(text), 0o600)
		} else {
			err = os.Remove(file)
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := look(t.Context()); (err == nil) != there {
			t.Errorf("look %d, file there %v: %v", i, there, err)
		}
		if h := weatherHealth(t, g, "yard"); h.OK != there {
			t.Errorf("look %d, file there %v: health %+v", i, there, h)
		}
	}
	if n := len(merged(t, g.home)); n != 2 {
		t.Errorf("%d hours of weather, want those of both files", n)
	}
}
