package collector

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/analysis/reception"
)

// A rider is the air with somebody who may hold the tuner, on one of its channels.
type rider struct {
	*air
	holder func() (hz int64, held bool)
	err    error // of Ride
	rides  int
}

func (r *rider) Visit(ctx context.Context, v Visit) (reception.Reading, error) {
	if _, held := r.holder(); held {
		return reception.NewReading(), fmt.Errorf("open tuner: %w", ErrBusy)
	}
	return r.air.Visit(ctx, v)
}

func (r *rider) Ride(ctx context.Context, w Ride) ([]reception.Reading, error) {
	r.rides++
	hz, held := r.holder()
	switch {
	case r.err != nil:
		return nil, r.err
	case !held:
		return nil, fmt.Errorf("look on: %w", ErrIdle)
	}
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(time.Second + w.Dwell):
	}
	for _, c := range w.Channels {
		if c.FrequencyHz == hz {
			v := Visit{Channel: c, Dwell: w.Dwell, Kind: reception.VisitRiding}
			return []reception.Reading{goodReading(v, r.clock.Now().Add(-w.Dwell))}, nil
		}
	}
	return nil, nil
}

// between holds the tuner for a viewer in some hours of the bubble's first day.
func between(b **bench, from, to int, hz int64) func() (int64, bool) {
	return func() (int64, bool) {
		h := (*b).clock.Now().Hour()
		return hz, h >= from && h < to
	}
}

const ours, strange = 479e6, 533e6

func TestRidingWhileAViewerHasTheTuner(t *testing.T) {
	for _, c := range []struct {
		riding Riding
		hz     int64
		rides  int // in the viewer's hour: three channels, twelve slots each
	}{{RideNever, ours, 0}, {RideAllowed, ours, 36}, {RideAllowed, strange, 0}} {
		synctest.Test(t, func(t *testing.T) {
			var b *bench
			b = benchOf(t, 3, Options{Riding: c.riding}, func(a *air) Source { return &rider{air: a, holder: between(&b, 1, 2, c.hz)} })
			b.start(t)
			b.pass(3 * time.Hour)
			b.halt(t)
			seen := map[string]bool{}
			for _, r := range b.got {
				if r.Visit == reception.VisitRiding && (r.FrequencyHz != c.hz || !r.Valid() || r.Tuner != "attic" || time.UnixMilli(r.Time).UTC().Hour() != 1) {
					t.Errorf("riding reading %+v", r)
				}
				k := fmt.Sprint(r.FrequencyHz, r.Time)
				if seen[k] {
					t.Errorf("two readings of %d Hz at %d", r.FrequencyHz, r.Time)
				}
				seen[k] = true
			}
			if n := b.count(reception.Measured, reception.VisitRiding); n < c.rides-2 || n > c.rides {
				t.Errorf("riding %q: %d readings of a viewer on %d Hz, want %d", c.riding, n, c.hz, c.rides)
			}
			// each base visit has its reason all the same: shares stay honest
			if n := b.count(reception.WhyViewer, reception.VisitBase); n < 35 || n > 37 {
				t.Errorf("riding %q: %d visits were lent, want 36", c.riding, n)
			}
			if n := b.count(reception.Measured, reception.VisitBase); n < 70 || n > 74 {
				t.Errorf("riding %q: %d visits were made, want 72", c.riding, n)
			}
		})
	}
}

func TestRidingOnlyNeverTakesTheTuner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b *bench
		b = benchOf(t, 3, Options{Riding: RideOnly}, func(a *air) Source { return &rider{air: a, holder: between(&b, 1, 2, ours)} })
		b.start(t)
		b.pass(3 * time.Hour)
		health := b.tuner.Health()
		b.halt(t)
		if n := b.air.tries.Load(); n != 0 {
			t.Errorf("%d visits, want none", n)
		}
		if n := b.count(reception.Measured, reception.VisitRiding); n < 34 || n > 36 {
			t.Errorf("%d readings, want 36", n)
		}
		viewer, idle := b.count(reception.WhyViewer, reception.VisitBase), b.count(reception.WhyKeepOut, reception.VisitBase)
		if viewer < 35 || viewer > 37 || idle < 70 || idle > 74 || b.count(reception.Measured, reception.VisitBase) != 0 {
			t.Errorf("%d visits not made for a viewer, %d because nobody had it, want 36 and 72", viewer, idle)
		}
		if !health.OK || !strings.Contains(health.Detail, "idle") {
			t.Errorf("Health = %+v, want it idle and well", health)
		}
	})
}

// In keep-out hours and during a recording the tuner is looked at, never taken.
func TestRidingInHoursOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b *bench
		hour := func(at time.Time, h int) bool { return at.UTC().Hour() == h }
		o := Options{Riding: RideAllowed, KeepOut: []Hours{{From: time.Hour, To: 2 * time.Hour, Location: time.UTC}},
			Reserved: func(from, to time.Time) bool { return hour(from, 3) || hour(to, 3) }}
		var visited []int
		b = benchOf(t, 3, o, func(a *air) Source {
			a.begun = func(Visit) { visited = append(visited, b.clock.Now().Hour()) }
			return &rider{air: a, holder: between(&b, 1, 2, ours)}
		})
		b.start(t)
		b.pass(5 * time.Hour)
		b.halt(t)
		for _, h := range visited {
			if h == 1 || h == 3 {
				t.Errorf("a visit at %d o'clock", h)
			}
		}
		if n := b.count(reception.WhyKeepOut, reception.VisitBase); n < 70 || n > 75 {
			t.Errorf("%d visits left out, want 72", n)
		}
		if n := b.count(reception.Measured, reception.VisitRiding); n < 34 || n > 37 {
			t.Errorf("%d readings from looking on, want 36", n)
		}
		if l := b.logged(); len(l) != 0 {
			t.Errorf("logged %q", l)
		}
	})
}

func TestRidingFails(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{
		{fmt.Errorf("open: %w", ErrGone), "not there: open"}, {fmt.Errorf("status: %w", ErrHung), "not answering"}, {fmt.Errorf("read status: input/output error"), "failing"},
	} {
		synctest.Test(t, func(t *testing.T) {
			var r *rider
			b := benchOf(t, 1, Options{Riding: RideOnly}, func(a *air) Source {
				r = &rider{air: a, err: c.err, holder: func() (int64, bool) { return ours, true }}
				return r
			})
			b.start(t)
			b.pass(time.Hour)
			h := b.tuner.Health()
			b.halt(t)
			if h.OK || !strings.Contains(h.Detail, c.want) || b.count(reception.WhyFailing, reception.VisitBase) < 11 {
				t.Errorf("Health = %+v after %d rides, want %q", h, r.rides, c.want)
			}
		})
	}
}

func TestRidingNeedsARider(t *testing.T) {
	a := &air{t: t}
	chs := []reception.Channel{{FrequencyHz: 473e6}}
	for _, c := range []struct {
		s    Source
		o    Options
		says string
	}{
		{a, Options{Riding: RideAllowed}, "cannot look on"},
		{&rider{air: a}, Options{Riding: "often"}, `riding: "often"`},
		{&rider{air: a}, Options{Riding: RideOnly}, ""},
	} {
		_, err := NewTuner("attic", c.s, chs, c.o, nil, slog.New(slog.DiscardHandler))
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("NewTuner with riding %q: %v, want %q", c.o.Riding, err, c.says)
		}
	}
}

// A recording shorter than a visit, in its middle, counts.
func TestHoursWithinAVisit(t *testing.T) {
	h := Hours{From: 20 * time.Hour, To: 20*time.Hour + 5*time.Minute, Location: time.UTC}
	from := time.Date(2026, 3, 1, 19, 50, 0, 0, time.UTC)
	for _, c := range []struct {
		d    time.Duration
		want bool
	}{{5 * time.Minute, false}, {10 * time.Minute, true}, {40 * time.Minute, true}} {
		if got := h.holdBetween(from, from.Add(c.d)); got != c.want {
			t.Errorf("hours within %v of %v: %v, want %v", c.d, from, got, c.want)
		}
	}
}
