// Package simulated is a tuner source over the first simulated world: for the demo,
// for trying a config without a tuner, and for tests. It takes its time like a real
// tuner does, and is in use while the world's household watches.
package simulated

import (
	"context"
	"errors"
	"fmt"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
)

// settle is what a front end takes to power up and tune (common practice, no
// published source: a few tenths of a second).
const settle = 400 * time.Millisecond

// Options say how a source behaves. Zero values mean the default.
type Options struct {
	// Now tells the time in the world; time.Now if nil.
	Now func() time.Time
	// Hurry divides every wait, 1 if zero: a dwell of 5 s at 10 takes half a second,
	// while its reading covers the 5 s.
	Hurry float64
	// Away reports whether the tuner is unplugged at a time; nil: never.
	Away func(time.Time) bool
}

// A Source is one tuner of a world.
type Source struct {
	world  *firstworld.World
	name   string
	tuner  reception.Tuner
	scale  reception.Scale
	now    func() time.Time
	hurry  float64
	away   func(time.Time) bool
	closed bool
}

var _ collector.Source = (*Source)(nil)

// New returns the source of a world's tuner. The error names the tuners there are.
func New(w *firstworld.World, tuner string, o Options) (*Source, error) {
	s := &Source{world: w, name: tuner, now: o.Now, hurry: o.Hurry, away: o.Away}
	if s.now == nil {
		s.now = time.Now
	}
	switch {
	case s.hurry == 0:
		s.hurry = 1
	case !(s.hurry >= 1 && s.hurry <= 1000):
		return nil, fmt.Errorf("simulated tuner: Hurry %g is outside 1 to 1000", s.hurry)
	}
	var names []string
	for _, t := range w.Tuners() {
		if names = append(names, t.Name); t.Name == tuner {
			s.tuner = t
			s.tuner.Name = ""
			s.scale, _ = w.Scale(tuner)
		}
	}
	if s.scale.ID == "" {
		return nil, fmt.Errorf("simulated tuner %q is not there; there are %q", tuner, names)
	}
	return s, nil
}

// Visit keeps the contract of collector.Source. A frequency or system on which the
// world sends nothing is a reading without lock.
func (s *Source) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	fail := func(err error) (reception.Reading, error) {
		return reception.Reading{}, fmt.Errorf("visit %d Hz with simulated tuner %q: %w", v.Channel.FrequencyHz, s.name, err)
	}
	switch {
	case s.closed:
		return fail(errors.New("source is closed"))
	case v.Dwell < time.Second:
		return fail(fmt.Errorf("dwell %v is too short; want at least 1s", v.Dwell))
	case ctx.Err() != nil:
		return fail(ctx.Err())
	case s.away != nil && s.away(s.now()):
		return reception.Reading{}, fmt.Errorf("simulated tuner %q is unplugged: %w", s.name, collector.ErrGone)
	case s.world.Viewer(s.name, s.now()):
		return fail(collector.ErrBusy)
	}
	if err := s.wait(ctx, settle); err != nil {
		return fail(err)
	}
	at := s.now().UTC().Truncate(time.Second)
	r := s.look(v, at)
	if !r.Locked { // it had the time to find lock, and did not
		if err := s.wait(ctx, v.LockWait); err != nil {
			return fail(err)
		}
		at = s.now().UTC().Truncate(time.Second)
		r = s.look(v, at)
	}
	if err := s.wait(ctx, v.Dwell); err != nil {
		return fail(err)
	}
	return r, nil
}

func (s *Source) look(v collector.Visit, at time.Time) reception.Reading {
	hz := v.Channel.FrequencyHz
	if v.Channel.System != reception.ATSC1 {
		hz = 0 // the world sends nothing else: noise
	}
	r := s.world.Visit(s.name, hz, at, v.Dwell)
	r.Tuner, r.FrequencyHz, r.Layer, r.System, r.Visit = "", v.Channel.FrequencyHz, v.Channel.Layer, v.Channel.System, v.Kind
	return r
}

// wait waits for d, hurried, or until ctx ends.
func (s *Source) wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(time.Duration(float64(d) / s.hurry))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Scale keeps the contract of collector.Source.
func (s *Source) Scale(id string) (reception.Scale, bool) { return s.scale, id == s.scale.ID }

// Tuner keeps the contract of collector.Source.
func (s *Source) Tuner() reception.Tuner { return s.tuner }

// Close ends the source; a visit after it fails.
func (s *Source) Close() error {
	s.closed = true
	return nil
}
