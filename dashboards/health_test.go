package dashboards

import (
	"encoding/json"
	"errors"
	"testing"

	"holdfast/analysis/reception"
)

func TestHealth(t *testing.T) {
	f := newFakeHome(3)
	f.health = []reception.Health{{Kind: reception.HealthTuner, Subject: "den", Since: fakeNow, Detail: "not there"}}
	s := New(f, Options{Version: "v"})
	w := get(s.Handler(), "/api/health")
	var h HealthReport
	if err := json.Unmarshal(w.Body.Bytes(), &h); err != nil || w.Code != 200 {
		t.Fatalf("%d %s: %v", w.Code, w.Body, err)
	}
	if len(h.Facts) != 1 || h.Facts[0] != (HealthFact{"tuner", "den", false, h.Facts[0].Since, "not there"}) || int64(h.Facts[0].Since) != fakeNow || h.Version != "v" || h.Ready != "" {
		t.Errorf("health %+v", h)
	}
	f.set(func() { f.err = errors.New("still starting") })
	if err := json.Unmarshal(get(s.Handler(), "/api/health").Body.Bytes(), &h); err != nil || h.Ready != "still starting" {
		t.Errorf("health %+v, %v", h, err)
	}
}
