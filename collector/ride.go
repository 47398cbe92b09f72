package collector

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"time"

	"holdfast/analysis/reception"
)

// ErrIdle: nobody holds the tuner, so that there is nothing to look on at.
var ErrIdle = errors.New("nobody holds the tuner")

// Riding says whether a tuner may be looked at while somebody else holds it. It shows
// what a household watches, and when: it is by consent.
type Riding string

// Ways of riding.
const (
	RideNever   Riding = ""
	RideAllowed Riding = "allowed" // while the tuner is in use, and in keep-out hours
	RideOnly    Riding = "only"    // the tuner is never taken
)

// A Ride is one request to a Rider.
type Ride struct {
	Channels []reception.Channel
	Dwell    time.Duration // measuring time, at least 1 s
	LockWait time.Duration // how long to wait for lock before "unlocked" is the answer
}

// A Rider is a Source that can look on while somebody else holds the tuner.
//
// Ride takes the tuner from nobody, changes nothing that its holder could notice, and
// measures what it is tuned to: a reading of kind riding for each of the ride's
// channels that this is, which is several only where they share a frequency. There is
// none if it is no channel of the ride, or if the holder tuned away meanwhile. While
// nobody holds the tuner the error wraps ErrIdle: not measured, which is not down. For
// the rest Ride keeps what Visit promises; the two are never called at once.
type Rider interface {
	Ride(ctx context.Context, r Ride) ([]reception.Reading, error)
}

// ride looks on at whatever the holder of the tuner has tuned to. That holds nothing,
// so it is no part of the share.
func (t *Tuner) ride(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, t.o.LockWait+t.o.Dwell+grace)
	defer cancel()
	want := Ride{Dwell: t.o.Dwell, LockWait: t.o.LockWait}
	for _, c := range t.channels {
		want.Channels = append(want.Channels, c.Channel)
	}
	clock := t.o.Clock.Offset()
	rs, err := t.askRide(limited, want)
	if err != nil || t.o.Clock.isStep(t.o.Clock.Offset()-clock) {
		return err
	}
	for _, r := range rs {
		i := slices.IndexFunc(t.channels, func(c *channel) bool { return c.FrequencyHz == r.FrequencyHz && c.Layer == r.Layer })
		if i < 0 {
			return fmt.Errorf("the driver's reading is of %d Hz layer %q, which is no channel of this tuner", r.FrequencyHz, r.Layer)
		}
		r.Tuner, r.Visit = t.name, reception.VisitRiding
		r.Time = t.channels[i].stamp(r.Time)
		if err := r.Validate(); err != nil {
			return fmt.Errorf("the driver's reading cannot be true: %w", err)
		}
		t.hand(ctx, r)
		t.mu.Lock()
		t.state.good = t.o.Clock.Now()
		t.mu.Unlock()
	}
	return nil
}

// askRide calls the source; a panic in a driver is that tuner's failure.
func (t *Tuner) askRide(ctx context.Context, r Ride) (rs []reception.Reading, err error) {
	defer func() {
		if p := recover(); p != nil {
			t.log.Error("the driver panicked; the tuner is tried again", "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("the driver panicked: %v", p)
		}
	}()
	return t.source.(Rider).Ride(ctx, r)
}

// rideAlong looks on where that is allowed. The visit that could not be made has its
// reason already; that there was nothing to see is no second one.
func (t *Tuner) rideAlong(ctx context.Context) {
	if t.o.Riding != RideAllowed || ctx.Err() != nil {
		return
	}
	if err := t.ride(ctx); err != nil && !errors.Is(err, ErrIdle) && ctx.Err() == nil {
		t.log.Debug("looking on failed", "error", err)
	}
}

// onlyRide stands for a base visit to a tuner that is never taken. The visit was not
// made, whatever was seen: shares come from base visits alone.
func (t *Tuner) onlyRide(ctx context.Context, c *channel, at time.Time) {
	if t.o.Clock.mono().Before(t.retryAt) {
		t.notMade(ctx, c, at, reception.WhyFailing)
		return
	}
	err := t.ride(ctx)
	now := t.o.Clock.Now()
	switch {
	case ctx.Err() != nil: // stopped in the middle: nobody's fault
		return
	case err == nil:
		t.recovered()
		t.become(inUse, "", now)
		t.notMade(ctx, c, at, reception.WhyViewer)
	case errors.Is(err, ErrIdle):
		t.recovered()
		t.become(idle, "", now)
		t.notMade(ctx, c, at, reception.WhyKeepOut)
	default:
		t.failed(err, now)
		t.notMade(ctx, c, at, reception.WhyFailing)
	}
}
