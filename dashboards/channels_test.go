package dashboards

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
)

func TestChannels(t *testing.T) {
	home := newFakeHome(57)
	home.facts.Channels[0].Identity = "0x0421"
	h := New(home, Options{}).Handler()
	w := get(h, "/api/channels")
	var got struct {
		Channels []struct {
			RF       int    `json:"rf"`
			Name     string `json:"name"`
			Identity string `json:"identity"`
			Seen     []struct {
				Tuner  string          `json:"tuner"`
				Latest json.RawMessage `json:"latest"`
			} `json:"seen"`
		} `json:"channels"`
		TimeZone string `json:"time_zone"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
		t.Fatalf("GET /api/channels = %d, %v: %s", w.Code, err, w.Body)
	}
	first := home.facts.Channels[0]
	if len(got.Channels) != len(home.facts.Channels) || got.TimeZone == "" || got.Channels[0].RF != first.RF || got.Channels[0].Name != first.Name ||
		got.Channels[0].Identity != "0x0421" || len(got.Channels[0].Seen) == 0 || !strings.Contains(string(got.Channels[0].Seen[0].Latest), `"cn_db":`) {
		t.Errorf("channels %+v", got)
	}
	w = get(h, "/api/channels?format=text&width=60")
	if w.Code != 200 || !strings.Contains(w.Body.String(), first.Name) || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
		t.Errorf("as text = %d %v: %s", w.Code, w.Header(), w.Body)
	}
	for path, want := range map[string]int{"/api/channels?format=yaml": 400, "/api/channels?width=7": 400} {
		if w := get(h, path); w.Code != want || !strings.Contains(w.Body.String(), "want") {
			t.Errorf("GET %s = %d %s, want %d", path, w.Code, w.Body, want)
		}
	}
	home.set(func() { home.err = errors.New("the store is away") })
	if w := get(h, "/api/channels"); w.Code != 500 {
		t.Errorf("while the store fails = %d, want 500", w.Code)
	}
}
