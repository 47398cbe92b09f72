package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	_ "time/tzdata"

	"go.uber.org/goleak"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/configs"
	"holdfast/dashboards"
)

// A log that tests may read while the daemon writes it.
type logBook struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// The daemons wait for visits more than they compute: more at a time than processors.
// What any of them leaves running is found at the end.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "12"); err != nil {
		panic(err)
	}
	code := m.Run()
	http.DefaultClient.CloseIdleConnections()
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, "left running by the tests:", err)
			code = 1
		}
	}
	os.Exit(code)
}

const simulatedHome = `
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }
channels: [ { rf: 3, name: Tinder }, { rf: 19 } ]
tuners:
  - { name: hall-1, kind: simulated, channels: [3, 19], every: 2s, dwell: 1s }
web: { listen: "127.0.0.1:0" }
`

func parse(t *testing.T, text string) configs.Config {
	t.Helper()
	c, err := configs.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A daemon under test; stop ends it and returns what Run returned.
type running struct {
	url    string
	bound  chan string // addresses of the pages after a reload
	log    *logBook
	reload chan os.Signal
	starts chan struct{}
	stop   func() error
	visits atomic.Int64 // that simulated tuners were asked for
}

func start(t *testing.T, c configs.Config, dir string, load func() (configs.Config, error)) *running {
	t.Helper()
	r := &running{log: &logBook{}, reload: make(chan os.Signal), starts: make(chan struct{}, 10)}
	ctx, cancel := context.WithCancel(context.Background())
	r.bound = make(chan string, 10)
	done := make(chan struct{})
	var runErr error
	go func() {
		defer close(done)
		runErr = Run(ctx, Params{
			Config: c, DataDir: dir, Load: load, Reload: r.reload, Hurry: 20, Share: 1,
			Away:    func(string, time.Time) bool { r.visits.Add(1); return false },
			Log:     slog.New(slog.NewTextHandler(r.log, nil)),
			Bound:   func(url string) { r.bound <- strings.TrimSuffix(url, "/") },
			Started: func() { r.starts <- struct{}{} },
		})
	}()
	r.stop = sync.OnceValue(func() error { cancel(); <-done; return runErr })
	t.Cleanup(func() { _ = r.stop() })
	select {
	case r.url = <-r.bound:
	case <-done:
		t.Fatalf("Run = %v before listening; log:\n%s", runErr, r.log)
	case <-time.After(30 * time.Second):
		t.Fatalf("not started in 30 s; log:\n%s", r.log)
	}
	r.waitStart(t)
	return r
}

func (r *running) waitStart(t *testing.T) {
	t.Helper()
	select {
	case <-r.starts:
	case <-time.After(30 * time.Second):
		t.Fatalf("not ready in 30 s; log:\n%s", r.log)
	}
}

func get(t *testing.T, url string) string {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// eventually asks until good is happy or 30 s have gone.
func eventually(t *testing.T, what string, good func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if good() {
			return
		}
	}
	t.Fatalf("%s: not in 30 s", what)
}

func TestDaemonFromVisitToPage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r := start(t, parse(t, simulatedHome), dir, nil)
	eventually(t, "a visit reaches the answer", func() bool {
		var a answer.Answer
		if err := json.Unmarshal([]byte(get(t, r.url+"/api/answer")), &a); err != nil {
			t.Fatal(err)
		}
		return len(a.Channels) == 2 && a.Channels[0].Latest.Locked && !a.Channels[0].Spare.Decided() && a.Channels[0].Spare.Needs != ""
	})
	if page := get(t, r.url+"/holding"); !strings.Contains(page, "Tinder") {
		t.Error("the page does not name the channel")
	}
	if m := get(t, r.url+"/metrics"); !strings.Contains(m, "holdfast_") {
		t.Error("no metrics of ours")
	}
	if s := get(t, r.url+"/readyz"); s != "ready\n" {
		t.Errorf("readyz = %q, want ready", s)
	}
	if st, err := os.Stat(SocketPath(dir)); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("socket: %v, mode %v; want 0600", err, st.Mode())
	}
	// A second one finds the store taken.
	if _, err := Open(t.Context(), parse(t, simulatedHome), dir, Options{}); !errors.Is(err, store.ErrInUse) {
		t.Errorf("second Open = %v, want in use", err)
	}
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v after stop, want nil; log:\n%s", err, r.log)
	}
	if l := r.log.String(); strings.Contains(l, "level=ERROR") || strings.Contains(l, "level=WARN") {
		t.Errorf("a healthy run complained:\n%s", l)
	}

	// What was read is there when it starts again.
	h, err := Open(t.Context(), parse(t, simulatedHome), dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if a, err := h.Answer(t.Context(), 0, 0, 0); err != nil || len(a.Channels) != 2 {
		t.Errorf("after restart: %d channels, err %v; want 2", len(a.Channels), err)
	}
	f, err := h.Facts(t.Context())
	if err != nil || len(f.Scales) == 0 || f.Home.ID == "" {
		t.Errorf("facts after restart: %d scales, id %q, err %v", len(f.Scales), f.Home.ID, err)
	}
}

func TestReload(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	text := simulatedHome
	load := func() (configs.Config, error) {
		mu.Lock()
		defer mu.Unlock()
		return configs.Parse("test.yaml", []byte(text))
	}
	set := func(s string) { mu.Lock(); text = s; mu.Unlock() }
	r := start(t, parse(t, simulatedHome), t.TempDir(), load)

	set(strings.Replace(simulatedHome, "name: Test Lane", "nmae: Test Lane", 1))
	r.reload <- syscall.SIGHUP
	eventually(t, "the wrong config is reported", func() bool { return strings.Contains(r.log.String(), "nothing was changed") })
	if l := r.log.String(); !strings.Contains(l, "test.yaml:3:") {
		t.Errorf("the report does not name the place:\n%s", l)
	}
	if a := get(t, r.url+"/api/answer"); !strings.Contains(a, "Test Lane") {
		t.Errorf("a wrong config changed the home: %.80s", a)
	}

	set(strings.Replace(simulatedHome, "Test Lane", "Other Lane", 1))
	r.reload <- syscall.SIGHUP
	r.waitStart(t)
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
	if l := r.log.String(); !strings.Contains(l, "taking up the new config") {
		t.Errorf("no word of the new config:\n%s", l)
	}
}

func TestReloadThatCannotStartKeepsTheOld(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	taken := strings.Replace(simulatedHome, "127.0.0.1:0", l.Addr().String(), 1)
	r := start(t, parse(t, simulatedHome), t.TempDir(), func() (configs.Config, error) { return configs.Parse("test.yaml", []byte(taken)) })
	r.reload <- syscall.SIGHUP
	r.waitStart(t) // the old config again
	if log := r.log.String(); !strings.Contains(log, "web.listen") || !strings.Contains(log, "going on with the old config") {
		t.Errorf("log lacks the cause and what was done:\n%s", log)
	}
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
}

func TestListenAddressTaken(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c := parse(t, strings.Replace(simulatedHome, "127.0.0.1:0", l.Addr().String(), 1))
	err = Run(t.Context(), Params{Config: c, DataDir: t.TempDir(), Log: slog.New(slog.DiscardHandler), Hurry: 20})
	if err == nil || !strings.Contains(err.Error(), "web.listen") || !strings.Contains(err.Error(), l.Addr().String()) {
		t.Errorf("Run = %v, want one that names web.listen and the address", err)
	}
}

// Where any port will do, a taken one is no obstacle.
func TestAnyPort(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c := parse(t, strings.Replace(simulatedHome, "127.0.0.1:0", l.Addr().String(), 1))
	ctx, stop := context.WithCancel(t.Context())
	bound := ""
	err = Run(ctx, Params{
		Config: c, DataDir: t.TempDir(), Log: slog.New(slog.DiscardHandler), Hurry: 20, AnyPort: true,
		Bound: func(url string) { bound = url }, Started: stop,
	})
	if err != nil || !strings.HasPrefix(bound, "http://127.0.0.1:") || bound == "http://"+l.Addr().String()+"/" {
		t.Errorf("Run = %v, bound to %q; want another port of the host", err, bound)
	}
}

// A file of sealed readings that this program cannot read is said by the log once and by
// /api/health as long as it lies there, and no alarm is made of it.
func TestUnreadableReadingsAreSaid(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	foreign := filepath.Join(dir, "readings", "2019-01.000001.parquet")
	if err := errors.Join(os.MkdirAll(filepath.Dir(foreign), 0o700), os.WriteFile(foreign, []byte("none of ours"), 0o600)); err != nil {
		t.Fatal(err)
	}
	r := start(t, parse(t, simulatedHome), dir, nil)
	eventually(t, "the health that names "+foreign, func() bool {
		var h dashboards.HealthReport
		if err := json.Unmarshal([]byte(get(t, r.url+"/api/health")), &h); err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(h.Facts, func(f dashboards.HealthFact) bool {
			return f.Kind == string(reception.HealthStore) && f.OK && strings.Contains(f.Detail, foreign+" is left alone")
		})
	})
	if n := strings.Count(r.log.String(), "is left alone"); n != 1 {
		t.Errorf("the log says it %d times, want once:\n%s", n, r.log)
	}
}

// A missing DVB device is that tuner's silence, not the daemon's end.
func TestMissingDeviceIsSilence(t *testing.T) {
	t.Parallel()
	c := parse(t, strings.Replace(simulatedHome, "tuners:", "tuners:\n  - { name: attic, kind: dvb, adapter: 29, channels: [3], every: 10s, dwell: 1s }", 1))
	r := start(t, c, t.TempDir(), nil)
	eventually(t, "the tuner is said to be missing", func() bool { return strings.Contains(r.log.String(), "adapter29") })
	eventually(t, "the other one measures", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"locked":true`) })
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
}

// Import into a home while it measures, then once more.
func TestImportBesideMeasuring(t *testing.T) {
	t.Parallel()
	h, err := Open(t.Context(), parse(t, simulatedHome), t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	csv := "time,tuner,channel,dwell_s,locked,cn_db,installation\n"
	for i := range 600 {
		at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * 5 * time.Minute)
		name := "old antenna"
		if i >= 300 {
			name = "new antenna"
		}
		csv += at.Format(time.RFC3339) + ",attic,30,5,1,2" + string(rune('0'+i%3)) + ".5," + name + "\n"
	}
	for round, want := range []dashboards.ImportReport{{Rows: 600, New: 600}, {Rows: 600, Duplicates: 600}} {
		r, err := h.Import(t.Context(), "readings", "test.csv", strings.NewReader(csv), nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if r.Rows != want.Rows || r.New != want.New || r.Duplicates != want.Duplicates || r.BadCount != 0 || r.ConflictCount != 0 {
			t.Errorf("round %d: report %+v, want %+v", round, r, want)
		}
	}
	a, err := h.Answer(t.Context(), 0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range a.Channels {
		names = append(names, c.Installation)
	}
	if got := strings.Join(names, ", "); got != "new antenna, old antenna" {
		t.Errorf("installations %q, want the newest first", got)
	}
	n := 0
	for _, err := range h.Tallies(t.Context(), 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if n != 50 {
		t.Errorf("%d tallies, want 50 hours", n)
	}
}

// A recorded file plays as a tuner: its readings come out of the answer.
func TestReplayTuner(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "record.csv")
	csv := "time,tuner,channel,dwell_s,locked,cn_db\n"
	for i := range 100 {
		at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Minute)
		csv += at.Format(time.RFC3339) + ",attic,30,1,1,23.5\n"
	}
	if err := os.WriteFile(file, []byte(csv), 0o600); err != nil {
		t.Fatal(err)
	}
	c := parse(t, fmt.Sprintf(`
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York }
channels: [ { rf: 30 } ]
tuners: [ { name: attic, kind: replay, file: %q, speed: 60, channels: [30], every: 2s, dwell: 1s } ]
web: { listen: "127.0.0.1:0" }
`, file))
	r := start(t, c, t.TempDir(), nil)
	eventually(t, "the recorded C/N is the latest", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"cn_db":23.5`) })
}
