package collector

import (
	"log/slog"
	"sync"
	"time"

	"holdfast/analysis/reception"
)

// stepped is how far the clock on the wall may leave the monotonic one between two
// looks before it counts as set. Discipline by slewing stays within 500 ppm (RFC
// 5905), 0.15 s in five minutes.
const stepped = 1500 * time.Millisecond

// A Clock tells the time that readings are stamped with and notices when it is set.
// Pacing never uses it: that goes by the monotonic clock. It may be used by several
// goroutines.
type Clock struct {
	now   func() time.Time
	speed float64
	log   *slog.Logger
	start time.Time // carries the monotonic reading
	first time.Time // what the clock said then

	mu     sync.Mutex
	last   time.Duration
	health reception.Health
}

// NewClock returns a clock that reads now, or time.Now if nil.
func NewClock(now func() time.Time, log *slog.Logger) *Clock { return NewFastClock(now, 1, log) }

// NewFastClock returns a clock of a simulated time that runs speed times as fast as the
// real one: pacing follows it, so that a base interval of a minute at 60 is a second.
func NewFastClock(now func() time.Time, speed float64, log *slog.Logger) *Clock {
	if now == nil {
		now = time.Now
	}
	c := &Clock{now: now, speed: speed, log: log, start: time.Now(), first: now().Round(0)}
	c.health = reception.Health{Kind: reception.HealthClock, Subject: "clock", OK: true, Since: c.first.UnixMilli()}
	return c
}

// Now is the time, in UTC, without a monotonic reading.
func (c *Clock) Now() time.Time { return c.now().Round(0).UTC() }

// Set reports whether a time can be true, not one that a machine without a battery
// wakes up with.
func (c *Clock) Set(at time.Time) bool {
	ms := at.UnixMilli()
	return ms >= reception.EarliestMS && ms <= reception.LatestMS
}

// Offset returns how far the clock has been set since it was made; positive is
// forward. A step is logged once, by whoever sees it first. A machine that slept
// looks like a step forward.
func (c *Clock) Offset() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.Now()
	d := now.Sub(c.first) - c.mono().Sub(c.start)
	step := d - c.last
	c.last = d
	if c.isStep(step) {
		detail := "the clock went back by " + (-step).Round(time.Second).String()
		if step > 0 {
			detail = "the clock went forward by " + step.Round(time.Second).String() + ": it was set, or the machine slept"
		}
		c.log.Warn(detail + "; readings are stamped with the new time")
		c.health.Since, c.health.Detail = now.UnixMilli(), detail
	}
	return d
}

// Health says whether the clock can be believed. Since is when it was last set.
func (c *Clock) Health() reception.Health {
	c.mu.Lock()
	defer c.mu.Unlock()
	h := c.health
	if now := c.Now(); !c.Set(now) {
		h.OK, h.Detail = false, "the clock says "+now.Format(time.DateOnly)+": it was never set; readings cannot be stamped"
	}
	return h
}

// mono is the monotonic time that pacing goes by.
func (c *Clock) mono() time.Time {
	if c.speed == 1 {
		return time.Now()
	}
	return c.start.Add(time.Duration(float64(time.Since(c.start)) * c.speed))
}

// until is the real time from now to an instant of mono.
func (c *Clock) until(at time.Time) time.Duration {
	return time.Duration(float64(at.Sub(c.mono())) / c.speed)
}

// isStep reports whether the clock was set by d between two looks. A fast clock's two
// readings lie as much further apart as it is fast.
func (c *Clock) isStep(d time.Duration) bool {
	limit := time.Duration(float64(stepped) * c.speed)
	return d > limit || d < -limit
}
