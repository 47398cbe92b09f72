package collector

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"holdfast/analysis/reception"
)

// Options say how a tuner is visited. Zero values mean the default that each field
// names.
type Options struct {
	Every    time.Duration // base interval of each channel; 5 min
	Dwell    time.Duration // measuring time of a visit; 5 s
	LockWait time.Duration // 5 s; of a lent tuner 2 s
	// Share is the greatest part of the time that the tuner is held, above 0 up to 1;
	// one half, of a lent tuner a tenth. The base interval is stretched to keep it.
	Share float64
	// Lent: the tuner belongs to the household's viewing and is borrowed.
	Lent bool
	// KeepOut: no visit is made in these hours.
	KeepOut []Hours
	// Reserved reports whether the tuner is needed at some instant between two, such as
	// for a recording: no visit is made then. nil: never. It must not block.
	Reserved func(from, to time.Time) bool
	// Riding: while the tuner must not or cannot be taken it may be looked at. The source
	// must be a Rider then.
	Riding Riding

	// Zone is the home's, for times that people read; UTC if nil.
	Zone *time.Location

	// Wish reports whether a channel deserves closer looks beside those that the loop
	// makes by itself; nil wishes none. It must not block.
	Wish func(reception.Channel) bool

	// Rand draws order and jitter; a stream of its own if nil.
	Rand *rand.Rand
	// Clock tells the time; one of its own if nil. Tuners of one daemon share one, so
	// that a step of the clock is logged once.
	Clock *Clock
}

// Hours are a part of every day, local: From up to, not including, To, as time since
// midnight by the clock on the wall. To below From spans midnight; equal is the
// whole day.
type Hours struct {
	From, To time.Duration
	Location *time.Location
}

// Hold reports whether the hours hold at an instant.
func (h Hours) Hold(at time.Time) bool {
	l := at.In(h.Location)
	hh, mm, ss := l.Clock()
	d := time.Duration(hh)*time.Hour + time.Duration(mm)*time.Minute + time.Duration(ss)*time.Second
	switch {
	case h.From == h.To:
		return true
	case h.From < h.To:
		return h.From <= d && d < h.To
	}
	return d >= h.From || d < h.To
}

// holdBetween reports whether the hours hold at some instant between two, to the minute.
func (h Hours) holdBetween(from, to time.Time) bool {
	for at := from; at.Before(to); at = at.Add(time.Minute) {
		if h.Hold(at) {
			return true
		}
	}
	return h.Hold(to)
}

func (o Options) withDefaults() (Options, error) {
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&o.Every, 5*time.Minute)
	set(&o.Dwell, 5*time.Second)
	if o.Lent {
		set(&o.LockWait, 2*time.Second)
	}
	set(&o.LockWait, 5*time.Second)
	switch {
	case o.Share != 0:
	case o.Lent:
		o.Share = 0.1
	default:
		o.Share = 0.5
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Rand == nil {
		o.Rand = rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))
	}
	switch {
	case o.Every < time.Second || o.Every > 24*time.Hour:
		return o, fmt.Errorf("every: %v is outside 1s to 24h", o.Every)
	case o.Dwell < time.Second || o.Dwell > time.Hour:
		return o, fmt.Errorf("dwell: %v is outside 1s to 1h", o.Dwell)
	case o.LockWait < 0 || o.LockWait > time.Minute:
		return o, fmt.Errorf("lock wait: %v is outside 0s to 1m", o.LockWait)
	case !(o.Share > 0 && o.Share <= 1):
		return o, fmt.Errorf("share: %g is outside 0 (not included) to 1", o.Share)
	case o.Riding != RideNever && o.Riding != RideAllowed && o.Riding != RideOnly:
		return o, fmt.Errorf("riding: %q is none of allowed, only and empty", string(o.Riding))
	}
	for _, h := range o.KeepOut {
		if h.Location == nil {
			return o, errors.New("keep-out hours have no time zone")
		}
		if h.From < 0 || h.To < 0 || h.From > 24*time.Hour || h.To > 24*time.Hour {
			return o, fmt.Errorf("keep-out hours %v to %v are outside 0h to 24h", h.From, h.To)
		}
	}
	return o, nil
}
