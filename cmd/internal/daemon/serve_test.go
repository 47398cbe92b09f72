package daemon

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/dashboards"
)

func serveThis(t *testing.T, log io.Writer, h http.HandlerFunc) (url string, stop func() error) {
	t.Helper()
	var l net.Listener
	s := newServer("pages", dashboards.New(&Home{}, dashboards.Options{}).Server(""), func() (_ net.Listener, err error) {
		l, err = net.Listen("tcp", "127.0.0.1:0")
		return l, err
	}, slog.New(slog.NewTextHandler(log, nil)), nil)
	s.http.Handler = h
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	<-s.Ready()
	return "http://" + l.Addr().String(), func() error { cancel(); return <-done }
}

func TestAPanicInAHandlerIsTold(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	url, stop := serveThis(t, &log, func(http.ResponseWriter, *http.Request) { panic("a fault") })
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := io.ReadAll(res.Body)
	res.Body.Close()
	if err := stop(); err != nil {
		t.Error(err)
	}
	if res.StatusCode != 500 || !strings.Contains(string(b), "log has the details") {
		t.Errorf("the answer is %d %q, want 500 and where to look", res.StatusCode, b)
	}
	if l := log.String(); !strings.Contains(l, "level=ERROR") || !strings.Contains(l, "a fault") || !strings.Contains(l, "serve_test.go") {
		t.Errorf("log %q, want the panic with its stack", l)
	}
}

// What a request uses is closed after the server: its handler must have returned.
func TestStopWaitsForHandlers(t *testing.T) {
	t.Parallel()
	entered, left := make(chan struct{}), false
	url, stop := serveThis(t, io.Discard, func(_ http.ResponseWriter, r *http.Request) {
		close(entered)
		<-r.Context().Done()
		time.Sleep(100 * time.Millisecond) // a step that cannot be broken off
		left = true
	})
	go func() {
		if res, err := http.Get(url); err == nil {
			res.Body.Close()
		}
	}()
	<-entered
	if err := stop(); err != nil {
		t.Error(err)
	}
	if !left {
		t.Error("the server stopped before its handler returned")
	}
}

// A client that sends its request byte by byte is dropped, on every face.
func TestFacesHaveTimeouts(t *testing.T) {
	t.Parallel()
	s := newServer("pages", dashboards.New(&Home{}, dashboards.Options{}).Server(""), nil, slog.New(slog.DiscardHandler), nil)
	if h := s.http; h.ReadHeaderTimeout == 0 || h.ReadTimeout == 0 || h.WriteTimeout == 0 || h.IdleTimeout == 0 {
		t.Errorf("time-outs %v %v %v %v, want all four", h.ReadHeaderTimeout, h.ReadTimeout, h.WriteTimeout, h.IdleTimeout)
	}
}

// A tuner's loop must not wait for an answer or a replay.
func TestLatestDoesNotWait(t *testing.T) {
	t.Parallel()
	f := &folder{}
	f.mu.Lock()
	defer f.mu.Unlock()
	r := reception.NewReading()
	r.Tuner, r.FrequencyHz, r.Time, r.DwellMS = "attic", 605e6, reception.EarliestMS, 1000
	done := make(chan struct{})
	go func() { f.latest(&r); close(done) }()
	select {
	case <-done:
	case <-time.After(5 * time.Second):
		t.Error("latest waits for the fold")
	}
}

func TestAPanicInATimedJobIsItsError(t *testing.T) {
	t.Parallel()
	j := timedJob{name: "weather", do: func(context.Context) error { panic("a fault") }}
	if err := j.run(t.Context()); err == nil || !strings.Contains(err.Error(), "a fault") {
		t.Errorf("run = %v, want the panic as an error", err)
	}
}

// What a new config no longer has must not stay ill for ever.
func TestHealthForgets(t *testing.T) {
	t.Parallel()
	var b healthBook
	for i := range 3 {
		b.note(reception.Health{Kind: reception.HealthTuner, Subject: fmt.Sprint(i)})
	}
	b.forget()
	if l := b.list(); len(l) != 0 {
		t.Errorf("facts %v after forget, want none", l)
	}
}

// A tuner knows itself since when it is as it is; a file of weather that was missed
// again is missed since the first time.
func TestHealthSinceWhen(t *testing.T) {
	t.Parallel()
	var b healthBook
	for _, since := range []int64{5000, 90_000} {
		b.note(reception.Health{Kind: reception.HealthTuner, Subject: "attic", Since: since})
		b.note(reception.Health{Kind: reception.HealthWeather, Subject: "yard", Since: since})
	}
	if l := b.list(); len(l) != 2 || l[0].Since != 90_000 || l[1].Since != 5000 {
		t.Errorf("facts %+v, want the tuner's own word and the weather's first", l)
	}
}
