package calendar

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var (
	now     = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	tonight = ical(vevent("UID:a", "DTSTART:20260301T200000Z", "DTEND:20260301T210000Z")...)
)

func write(t *testing.T, path string, text []byte) {
	t.Helper()
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

func at(hour, minute, second int) time.Time {
	return time.Date(2026, 3, 1, hour, minute, second, 0, time.UTC)
}

func TestMarginsAroundARecording(t *testing.T) {
	path := filepath.Join(t.TempDir(), "planned.ics")
	write(t, path, tonight)
	c, err := New(Options{Name: "recorder", File: path, Before: 5 * time.Minute, After: 2 * time.Minute, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	// what is planned is not known yet: the tuner is left alone
	if !c.Reserved(at(12, 0, 0), at(12, 0, 10)) {
		t.Error("before the first look the tuner is free")
	}
	if err := c.Update(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		from, to time.Time
		want     bool
	}{
		{at(12, 0, 0), at(12, 0, 10), false},
		{at(19, 54, 40), at(19, 54, 59), false},
		{at(19, 54, 55), at(19, 55, 5), true}, // would run into it
		{at(20, 30, 0), at(20, 30, 10), true},
		{at(21, 1, 59), at(21, 2, 9), true},
		{at(21, 2, 0), at(21, 2, 10), false},
		{at(19, 0, 0), at(22, 0, 0), true}, // all of it within a visit
	} {
		if got := c.Reserved(x.from, x.to); got != x.want {
			t.Errorf("Reserved(%v, %v) = %v, want %v", x.from.Format("15:04:05"), x.to.Format("15:04:05"), got, x.want)
		}
	}
	// weeks later it is worked out anew
	if c.Reserved(now.AddDate(0, 1, 0), now.AddDate(0, 1, 0).Add(time.Minute)) {
		t.Error("reserved a month later")
	}
	if !c.Reserved(at(20, 0, 0), at(20, 0, 10)) {
		t.Error("free during the recording, when asked again")
	}
}

// What is no good changes nothing; each is one line that says what to do.
func TestTheLastGoodCalendarHolds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "planned.ics")
	c, err := New(Options{Name: "recorder", File: path, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	err = c.Update(t.Context())
	if err == nil || !strings.Contains(err.Error(), "no such file") || !strings.Contains(err.Error(), "as if there were none") {
		t.Errorf("Update without a file: %v", err)
	}
	if c.Reserved(at(20, 30, 0), at(20, 30, 10)) {
		t.Error("a calendar that was never there keeps the tuner")
	}
	write(t, path, tonight)
	if err := c.Update(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		what string
		text []byte
		says string
	}{
		{"half of it", tonight[:len(tonight)/2], "ends in the middle"},
		{"a page", []byte("<!DOCTYPE html>\n<html><body>Log in</body></html>"), `begins with "<!DOCTYPE html> <html>`},
		{"nothing", nil, "is empty"},
		{"something else", []byte("BEGIN:VCARD\nEND:VCARD\n"), "is no iCalendar"},
		{"an event that never ends", []byte("BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:a\nEND:VCALENDAR\n"), "is no good iCalendar"},
		{"noise", []byte("BEGIN:VCALENDAR\n\x00\x01\x02;;;\nEND:VCALENDAR"), "is no good iCalendar"},
	} {
		write(t, path, x.text)
		err := c.Update(t.Context())
		if err == nil || !strings.Contains(err.Error(), x.says) || !strings.HasSuffix(err.Error(), "the one of Sun 1 March, 12:00 holds on") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: Update = %v, want %q", x.what, err, x.says)
		}
		if !c.Reserved(at(20, 30, 0), at(20, 30, 10)) {
			t.Errorf("%s: the recording is forgotten", x.what)
		}
	}
	// one event of two is not understood: the other counts
	write(t, path, ical(append(vevent("UID:bad", "DTSTART:soon"), vevent("UID:b", "DTSTART:20260301T100000Z", "DURATION:PT1H")...)...))
	err = c.Update(t.Context())
	if err == nil || !strings.Contains(err.Error(), `1 of its 2 events are not understood and are left out, the first: event "bad"`) {
		t.Errorf("Update = %v", err)
	}
	if !c.Reserved(at(10, 30, 0), at(10, 30, 10)) || c.Reserved(at(20, 30, 0), at(20, 30, 10)) {
		t.Error("the new calendar does not hold")
	}
	// nothing is planned
	write(t, path, ical())
	if err := c.Update(t.Context()); err != nil || c.Reserved(at(10, 30, 0), at(10, 30, 10)) {
		t.Errorf("an empty calendar: %v", err)
	}
}

// A restart while the recorder is away finds the last good calendar.
func TestTheLastGoodCalendarIsKept(t *testing.T) {
	dir := t.TempDir()
	o := Options{Name: "recorder", File: filepath.Join(dir, "planned.ics"), Keep: filepath.Join(dir, "kept.ics"), Now: func() time.Time { return now }}
	write(t, o.File, tonight)
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Update(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(o.File); err != nil {
		t.Fatal(err)
	}
	again, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if !again.Reserved(at(20, 30, 0), at(20, 30, 10)) || again.Reserved(at(12, 0, 0), at(12, 0, 10)) {
		t.Error("after a restart the recording is not known")
	}
	if err := again.Update(t.Context()); err == nil || !strings.Contains(err.Error(), "holds on") {
		t.Errorf("Update = %v", err)
	}
	// what was kept is damaged: as if nothing was
	write(t, o.Keep, []byte("BEGIN:VCAL"))
	if c, err := New(o); err != nil || !c.Reserved(at(12, 0, 0), at(12, 0, 10)) {
		t.Errorf("New = %v; want it to leave the tuner alone until the first look", err)
	}
}

func TestFromAnAddress(t *testing.T) {
	status, body := http.StatusOK, tonight
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.Contains(r.Header.Get("Accept"), "text/calendar") {
			t.Errorf("asked for %q", r.Header.Get("Accept"))
		}
		w.WriteHeader(status)
		w.Write(body)
	}))
	defer srv.Close()
	c, err := New(Options{Name: "recorder", URL: srv.URL + "/secret-key.ics", Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Update(t.Context()); err != nil || !c.Reserved(at(20, 30, 0), at(20, 30, 10)) {
		t.Errorf("Update = %v", err)
	}
	status, body = http.StatusBadGateway, nil
	err = c.Update(t.Context())
	if err == nil || !strings.Contains(err.Error(), "502 Bad Gateway") || strings.Contains(err.Error(), "secret") {
		t.Errorf("Update = %v, want the status, and not the address", err)
	}
	srv.Close()
	err = c.Update(t.Context())
	if err == nil || strings.Contains(err.Error(), "secret") || !c.Reserved(at(20, 30, 0), at(20, 30, 10)) {
		t.Errorf("Update = %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := c.Update(ctx); err != context.Canceled {
		t.Errorf("Update when it is to end: %v", err)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {File: "a", URL: "http://b"}, {URL: "ftp://b/c"}, {URL: "http://"}, {File: "a", Before: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) gave no error", o)
		}
	}
	if c, err := New(Options{Name: "recorder", URL: "https://key@recorder.example/a?b=c"}); err != nil || fmt.Sprint(c) != "recorder from recorder.example" {
		t.Errorf("New = %v, %v", c, err)
	}
}
