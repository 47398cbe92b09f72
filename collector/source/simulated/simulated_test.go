package simulated

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
	"holdfast/collector/source/sourcetest"
)

var now = time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC)

// watchedAt returns an instant at which somebody watches on a tuner.
func watchedAt(t *testing.T, w *firstworld.World, tuner string) time.Time {
	t.Helper()
	for at := now; at.Before(now.AddDate(0, 3, 0)); at = at.Add(10 * time.Minute) {
		if w.Viewer(tuner, at) && w.Viewer(tuner, at.Add(time.Minute)) {
			return at
		}
	}
	t.Fatalf("nobody watches on %s in three months", tuner)
	return now
}

func TestContract(t *testing.T) {
	w := firstworld.New(1, now)
	var shift atomic.Int64 // what the world's clock is ahead of the bubble's
	clock := func() time.Time {
		return now.Add(time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))).Add(time.Duration(shift.Load()))
	}
	evening := watchedAt(t, w, "den-2")
	sourcetest.Run(t, sourcetest.Options{
		Open: func(t *testing.T) collector.Source {
			s, err := New(w, "den-2", Options{Now: clock})
			if err != nil {
				t.Fatal(err)
			}
			return s
		},
		Good:   reception.Channel{FrequencyHz: 545e6, System: reception.ATSC1},
		Dark:   reception.Channel{FrequencyHz: 479e6, System: reception.ATSC1},
		Now:    clock,
		Bubble: true,
		Busy: func(*testing.T, collector.Source) func() {
			shift.Store(int64(evening.Sub(clock())))
			return func() { shift.Store(0) }
		},
	})
}

// Live readings are those that the world's past goes on with.
func TestReadingIsTheWorlds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := firstworld.New(2, time.Now())
		s, err := New(w, "hall-1", Options{})
		if err != nil {
			t.Fatal(err)
		}
		v := collector.Visit{Channel: reception.Channel{FrequencyHz: 605e6, System: reception.ATSC1}, Dwell: 5 * time.Second, Kind: reception.VisitBase}
		got, err := s.Visit(t.Context(), v)
		if err != nil {
			t.Fatal(err)
		}
		want := w.Visit("hall-1", 605e6, time.UnixMilli(got.Time), 5*time.Second)
		want.Tuner = ""
		if !got.Equal(&want) {
			t.Errorf("reading %+v, want the world's %+v", got, want)
		}
	})
}

func TestHurry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := firstworld.New(2, time.Now())
		s, err := New(w, "hall-1", Options{Hurry: 10})
		if err != nil {
			t.Fatal(err)
		}
		from := time.Now()
		v := collector.Visit{Channel: reception.Channel{FrequencyHz: 503e6, System: reception.ATSC1}, Dwell: 5 * time.Second, Kind: reception.VisitBase}
		r, err := s.Visit(t.Context(), v)
		if took := time.Since(from); err != nil || took != 540*time.Millisecond || r.DwellMS != 5000 {
			t.Errorf("a hurried visit took %v with a dwell of %d ms, %v; want 540ms, 5000", took, r.DwellMS, err)
		}
	})
}

func TestAnotherSystemIsDark(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(firstworld.New(2, now), "den-2", Options{Now: func() time.Time { return now }})
		if err != nil {
			t.Fatal(err)
		}
		v := collector.Visit{Channel: reception.Channel{FrequencyHz: 545e6, System: reception.DVBT2, Layer: "1"}, Dwell: time.Second, Kind: reception.VisitExtra}
		r, err := s.Visit(t.Context(), v)
		if err != nil || r.Locked || r.System != reception.DVBT2 || r.Layer != "1" || r.FrequencyHz != 545e6 {
			t.Errorf("another system on a channel gave %+v, %v", r, err)
		}
	})
}

func TestRefusals(t *testing.T) {
	w := firstworld.New(1, now)
	if _, err := New(w, "attic", Options{}); err == nil || !strings.Contains(err.Error(), `"attic" is not there; there are ["hall-1"`) {
		t.Errorf("New of an unknown tuner: %v", err)
	}
	if _, err := New(w, "den-1", Options{Hurry: 0.5}); err == nil {
		t.Error("New with Hurry 0.5 gave a source")
	}
	s, err := New(w, "den-1", Options{Now: func() time.Time { return watchedAt(t, w, "den-1") }})
	if err != nil {
		t.Fatal(err)
	}
	v := collector.Visit{Channel: reception.Channel{FrequencyHz: 79e6, System: reception.ATSC1}, Dwell: time.Millisecond}
	if _, err := s.Visit(t.Context(), v); err == nil || errors.Is(err, collector.ErrBusy) {
		t.Errorf("a dwell of a millisecond: %v", err)
	}
	v.Dwell = time.Second
	if _, err := s.Visit(context.Background(), v); !errors.Is(err, collector.ErrBusy) {
		t.Errorf("visit while somebody watches: %v, want busy", err)
	}
}

func TestAway(t *testing.T) {
	at := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	away := true
	s, err := New(firstworld.New(1, at), "hall-1", Options{Now: func() time.Time { return at }, Hurry: 1000, Away: func(time.Time) bool { return away }})
	if err != nil {
		t.Fatal(err)
	}
	v := collector.Visit{Channel: reception.Channel{FrequencyHz: 63e6, System: reception.ATSC1}, Dwell: time.Second}
	if _, err := s.Visit(t.Context(), v); !errors.Is(err, collector.ErrGone) {
		t.Errorf("Visit of an unplugged tuner = %v, want ErrGone", err)
	}
	away = false
	if r, err := s.Visit(t.Context(), v); err != nil || !r.Locked {
		t.Errorf("Visit after it is back: locked %v, %v", r.Locked, err)
	}
}
