package dashboards

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// Whatever a query asks for, the answer is bounded, or one line says what is wrong.
func TestAbsurdRequests(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	for _, path := range []string{
		"/api/answer?at=9999-12-31", "/api/answer?from=0001-01-01&to=9999-12-31", "/api/alarms?to=9999-12-31T00:00:00Z",
		"/holding/lanes?width=400&from=0001-01-01&to=9999-12-31", "/holding/lanes?width=400&to=1900-01-01",
	} {
		if w := get(h, path); w.Code != 400 || !strings.Contains(w.Body.String(), "between the years 2000 and 2100") {
			t.Errorf("GET %s = %d %.200s, want 400 and the bounds", path, w.Code, w.Body)
		}
	}
	for _, path := range []string{"/api/answer?from=2026-02-02&to=2026-02-01", "/api/answer?from=-5", "/api/answer?format=text&width=99999999999999999999", "/api/answer?format=text&width=-1"} {
		if w := get(h, path); w.Code != 400 || !strings.Contains(w.Body.String(), `"error"`) {
			t.Errorf("GET %s = %d %.200s, want 400 and why", path, w.Code, w.Body)
		}
	}
	for _, width := range []string{"999999999", "-3", "NaN", "1e308", ""} {
		w := get(h, "/holding/lanes?width="+width)
		if body := w.Body.String(); w.Code != 200 || len(body) > 4<<20 || strings.Contains(body, "NaN") || strings.Contains(body, "Inf") {
			t.Errorf("lanes of width %q = %d, %d bytes; want 200, bounded, numbers only", width, w.Code, len(body))
		}
	}
}

func TestAcknowledgeWhatDoesNotStand(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	r := httptest.NewRequest(http.MethodPost, "http://localhost/api/alarms/acknowledge", strings.NewReader(url.Values{"id": {"nothing"}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != 400 || !strings.Contains(w.Body.String(), "/api/alarms lists") {
		t.Errorf("acknowledge = %d %s, want 400 and where ids are", w.Code, w.Body)
	}
}
