package dashboards

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A home whose disk fails, at once for scales and in the middle of weather.
type failingHome struct{ *fakeHome }

func (f failingHome) Export(ctx context.Context, kind, format string, from, to int64, w io.Writer) error {
	if kind != "scales" {
		if err := f.fakeHome.Export(ctx, kind, format, from, to, w); err != nil {
			return err
		}
	}
	if kind == "scales" || kind == "weather" {
		return errors.New("the disk cannot be read")
	}
	return nil
}

func TestExport(t *testing.T) {
	srv := httptest.NewServer(New(failingHome{newFakeHome(3)}, Options{}).Handler())
	defer srv.Close()
	// status is 0 where the connection was cut before anything came.
	get := func(path string) (status int, body string, err error) {
		t.Helper()
		r, err := http.Get(srv.URL + path)
		if err != nil {
			return 0, "", err
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		return r.StatusCode, string(b), err
	}
	for _, c := range []struct {
		name, path string
		status     int
		body       string
		cut        bool
	}{
		{"a span", "/api/export/readings?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z", 200, "time\n1772323200000\n1772409600000\n", false},
		{"everything", "/api/export/installations", 200, "time\n0\n0\n", false},
		{"a fault before the first line", "/api/export/scales", 500, "the disk cannot be read", false},
		{"a fault after it cuts the file", "/api/export/weather", 0, "", true},
		{"an unknown kind", "/api/export/pictures", 400, "want one of", false},
		{"an unknown format", "/api/export/readings?format=pdf", 400, "want one of", false},
		{"no time", "/api/export/readings?from=never", 400, "is no time", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, body, err := get(c.path)
			if status != c.status || !strings.Contains(body, c.body) || (err != nil) != c.cut {
				t.Errorf("GET %s = %d %q, err %v; want %d with %q, cut %v", c.path, status, body, err, c.status, c.body, c.cut)
			}
		})
	}
}
