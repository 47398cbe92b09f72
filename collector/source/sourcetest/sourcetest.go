// Package sourcetest is the suite that every tuner source passes: what the contract
// of collector.Source promises, tried on a source that the caller opens.
//
//	sourcetest.Run(t, sourcetest.Options{Open: ..., Good: ..., Dark: ...})
//
// Hooks that a source has no way to play are left nil; their parts are then absent.
package sourcetest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// Options say how to open a source and what it can play.
type Options struct {
	// Open returns a source of its own for each part; the suite closes it.
	Open func(t *testing.T) collector.Source
	// Good is a channel that the source locks to, with error-free reception; Dark one
	// without any signal.
	Good, Dark reception.Channel

	Dwell    time.Duration // of the visits made; 2 s if zero
	LockWait time.Duration // 2 s if zero

	// Bubble runs each part, Open included, in a bubble of testing/synctest: for
	// sources that live on timers alone, so that the suite costs no time.
	Bubble bool
	// Parallel runs the parts at the same moment: for sources that share nothing and
	// wait for real time. Open and the hooks are then called by several goroutines.
	Parallel bool
	// Now is the clock that the source stamps with; time.Now if nil.
	Now func() time.Time
	// OwnDwell: readings carry the dwell that they were made with, not the one asked
	// for, as a replay's do.
	OwnDwell bool

	// Each hook puts the source into a state and returns how to end it.
	Busy     func(t *testing.T, src collector.Source) (release func()) // somebody else takes the tuner
	Unplug   func(t *testing.T, src collector.Source) (replug func())  // the device is pulled out
	Hang     func(t *testing.T, src collector.Source) (release func()) // the device does not answer
	Watch    func(t *testing.T, src collector.Source) (release func()) // somebody else takes the tuner and watches Good
	Nonsense func(t *testing.T, src collector.Source) (restore func()) // the device reports values that cannot be
}

// Times that the contract allows, beyond what a visit asks for.
const (
	slack      = time.Second      // after the end of ctx
	busyWithin = 2 * time.Second  // to say that the tuner is in use
	settling   = 4 * time.Second  // power-up, tuning and settling of a front end
	backWithin = 20 * time.Second // to find a device that was plugged in again
)

// Run runs the suite as subtests of t.
func Run(t *testing.T, o Options) {
	t.Helper()
	o, err := o.withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts(o) {
		t.Run(p.name, func(t *testing.T) {
			if o.Parallel {
				t.Parallel()
			}
			if err := o.play(t, p); err != nil {
				t.Error(err)
			}
		})
	}
}

func (o Options) withDefaults() (Options, error) {
	switch {
	case o.Open == nil:
		return o, errors.New("sourcetest: Options.Open is missing")
	case o.Good.FrequencyHz == 0:
		return o, errors.New("sourcetest: Options.Good is missing")
	case o.Dark.FrequencyHz == 0:
		return o, errors.New("sourcetest: Options.Dark is missing")
	}
	if o.Dwell == 0 {
		o.Dwell = 2 * time.Second
	}
	if o.LockWait == 0 {
		o.LockWait = 2 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o, nil
}

// A part tries one promise and returns what was not kept.
type part struct {
	name string
	run  func(t *testing.T, o Options, src collector.Source) error
}

func parts(o Options) []part {
	ps := []part{
		{"good channel", goodChannel},
		{"dark channel", darkChannel},
		{"kind of visit", kindOfVisit},
		{"one scale", oneScale},
		{"tuner", tunerFacts},
		{"context ended before", endedBefore},
		{"context ends in the dwell", endsInDwell},
		{"close", closing},
	}
	if o.Busy != nil {
		ps = append(ps, part{"busy", busy})
	}
	if o.Unplug != nil {
		ps = append(ps, part{"unplug", unplug})
	}
	if o.Hang != nil {
		ps = append(ps, part{"hang", hang})
	}
	if o.Watch != nil {
		ps = append(ps, part{"riding", riding})
	}
	if o.Nonsense != nil {
		ps = append(ps, part{"nonsense", nonsense})
	}
	return ps
}

func (o Options) play(t *testing.T, p part) (err error) {
	run := func(t *testing.T) {
		src := o.Open(t)
		err = p.run(t, o, src)
		if e := src.Close(); e != nil {
			err = errors.Join(err, fmt.Errorf("the source: Close: %w", e))
		}
	}
	if o.Bubble {
		synctest.Test(t, run)
	} else {
		run(t)
	}
	return err
}

func (o Options) visit(ch reception.Channel) collector.Visit {
	return collector.Visit{Channel: ch, Dwell: o.Dwell, LockWait: o.LockWait, Kind: reception.VisitBase,
		At: o.Now().UTC().Truncate(time.Second)}
}

// measure makes a visit that must succeed and checks what holds for every reading.
func (o Options) measure(t *testing.T, src collector.Source, v collector.Visit) (reception.Reading, error) {
	limit := v.LockWait + v.Dwell + settling
	before, started := o.Now(), time.Now()
	r, err := src.Visit(t.Context(), v)
	took, after := time.Since(started), o.Now()
	if err != nil {
		return r, fmt.Errorf("the source: Visit: %w", err)
	}
	var wrong []error
	bad := func(format string, a ...any) { wrong = append(wrong, fmt.Errorf(format, a...)) }
	if took > limit {
		bad("Visit took %v, want at most %v", took, limit)
	}
	if r.Tuner != "" {
		bad("Tuner = %q, want it left to the caller", r.Tuner)
	}
	if r.Why != reception.Measured {
		bad("Why = %q in a visit that was made", r.Why)
	}
	if r.FrequencyHz != v.Channel.FrequencyHz || r.Layer != v.Channel.Layer {
		bad("reading is of %d Hz layer %q, want %d Hz layer %q", r.FrequencyHz, r.Layer, v.Channel.FrequencyHz, v.Channel.Layer)
	}
	if r.System != v.Channel.System {
		bad("System = %q, want %q", r.System, v.Channel.System)
	}
	if r.Visit != v.Kind {
		bad("Visit = %q, want %q", r.Visit, v.Kind)
	}
	at := time.UnixMilli(r.Time)
	if r.Time%1000 != 0 {
		bad("Time = %d, want a whole second", r.Time)
	}
	if at.Before(before.Add(-time.Second)) || at.After(after.Add(time.Second)) {
		bad("Time = %v, want between %v and %v", at.UTC(), before.UTC(), after.UTC())
	}
	if want := v.Dwell.Milliseconds(); !o.OwnDwell && abs(r.DwellMS-want) > 1000 {
		bad("DwellMS = %d, want %d", r.DwellMS, want)
	}
	if r.CNLowDB > r.CNDB {
		bad("lowest C/N %g dB is above the median %g dB", r.CNLowDB, r.CNDB)
	}
	if err := r.Validate(); err != nil {
		bad("reading is not valid: %w", err)
	}
	if s, ok := src.Scale(r.Scale); !ok {
		bad("Scale(%q) is not known", r.Scale)
	} else {
		wrong = append(wrong, checkScale(s, r))
	}
	return r, errors.Join(wrong...)
}

func checkScale(s reception.Scale, r reception.Reading) error {
	switch {
	case s.ID != r.Scale || s.ID == "":
		return fmt.Errorf("scale id = %q, want the reading's %q, not empty", s.ID, r.Scale)
	case s.Unit != reception.UnitDB && s.Unit != reception.UnitPercent:
		return fmt.Errorf("scale unit = %q, want dB or pct", s.Unit)
	case s.Quantity != reception.QuantityCN && s.Quantity != reception.QuantityMER:
		return fmt.Errorf("scale quantity = %q, want cn or mer", s.Quantity)
	case s.LevelKind == "":
		return errors.New("scale says no kind of level; want unknown if it is not known")
	case s.Unit == reception.UnitPercent && !reception.Missing(r.CNDB):
		return fmt.Errorf("C/N of %g dB on a scale in per cent", r.CNDB)
	case s.Unit == reception.UnitDB && !reception.Missing(s.Ceiling) && r.CNDB > s.Ceiling:
		return fmt.Errorf("C/N %g dB is above the scale's ceiling %g", r.CNDB, s.Ceiling)
	}
	return nil
}

func goodChannel(t *testing.T, o Options, src collector.Source) error {
	r, err := o.measure(t, src, o.visit(o.Good))
	if err != nil {
		return err
	}
	return lockedReading(r)
}

func lockedReading(r reception.Reading) error {
	switch {
	case !r.Locked:
		return errors.New("the good channel is not locked")
	case r.LockedMS == 0:
		return errors.New("LockedMS = 0 in a locked visit; want the time, or not counted")
	case r.ErroredS > 0 || r.UncorrectedBlocks > 0:
		return fmt.Errorf("errors on the good channel: %g s, %d blocks", r.ErroredS, r.UncorrectedBlocks)
	}
	return nil
}

// A channel without signal is a measurement, not an error.
func darkChannel(t *testing.T, o Options, src collector.Source) error {
	v := o.visit(o.Dark)
	r, err := o.measure(t, src, v)
	switch {
	case err != nil:
		return err
	case r.Locked:
		return errors.New("the dark channel is locked")
	case r.LockedMS > 0:
		return fmt.Errorf("LockedMS = %d on the dark channel, want 0 or not counted", r.LockedMS)
	case !math.IsNaN(r.CNLowDB):
		return fmt.Errorf("CNLowDB = %g on the dark channel; it is the lowest while locked", r.CNLowDB)
	case r.ErroredS < math.Floor(float64(r.DwellMS)/1000):
		return fmt.Errorf("ErroredS = %g on the dark channel, want the whole dwell or not available", r.ErroredS)
	}
	// and the tuner finds its way back
	return goodChannel(t, o, src)
}

func kindOfVisit(t *testing.T, o Options, src collector.Source) error {
	v := o.visit(o.Good)
	v.Kind = reception.VisitExtra
	_, err := o.measure(t, src, v)
	return err
}

// Two like visits are on one scale, and readings follow each other in time.
func oneScale(t *testing.T, o Options, src collector.Source) error {
	a, err := o.measure(t, src, o.visit(o.Good))
	if err != nil {
		return err
	}
	time.Sleep(time.Second) // the next whole second
	b, err := o.measure(t, src, o.visit(o.Good))
	switch {
	case err != nil:
		return err
	case a.Scale != b.Scale:
		return fmt.Errorf("scales of two like visits: %q and %q", a.Scale, b.Scale)
	case b.Time <= a.Time:
		return fmt.Errorf("times of two visits: %d, then %d", a.Time, b.Time)
	}
	return nil
}

func tunerFacts(t *testing.T, o Options, src collector.Source) error {
	f := src.Tuner()
	if f.Kind == "" || f.Name != "" {
		return fmt.Errorf("Tuner() = %+v, want a kind and no name", f)
	}
	if _, ok := src.Scale("no such scale"); ok {
		return errors.New("the source: Scale of an id that was never given is known")
	}
	return nil
}

// ended reports whether err is what Visit may return when ctx has ended.
func ended(err error, took time.Duration) error {
	switch {
	case err == nil:
		return errors.New("the source: Visit gave a reading although its context had ended before the dwell was over")
	case !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, collector.ErrHung):
		return fmt.Errorf("the source: Visit: %w; want an error that wraps the context's", err)
	case took > slack:
		return fmt.Errorf("the source: Visit returned %v after its context had ended, want at most %v", took, slack)
	}
	return nil
}

func endedBefore(t *testing.T, o Options, src collector.Source) error {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	from := time.Now()
	_, err := src.Visit(ctx, o.visit(o.Good))
	if err := ended(err, time.Since(from)); err != nil {
		return err
	}
	return goodChannel(t, o, src)
}

func endsInDwell(t *testing.T, o Options, src collector.Source) error {
	if o.OwnDwell { // a record is read at once: there is no dwell to end in
		return nil
	}
	ctx, cancel := context.WithCancel(t.Context())
	v := o.visit(o.Good)
	v.Dwell = 10 * time.Second
	var end time.Time
	timer := time.AfterFunc(3*time.Second, func() { end = time.Now(); cancel() })
	_, err := src.Visit(ctx, v)
	if timer.Stop() {
		cancel()
		return fmt.Errorf("the source: Visit with a dwell of 10 s ended within 3 s: %v", err)
	}
	<-ctx.Done()
	if err := ended(err, time.Since(end)); err != nil {
		return err
	}
	return goodChannel(t, o, src)
}

func closing(t *testing.T, o Options, src collector.Source) error {
	if _, err := o.measure(t, src, o.visit(o.Good)); err != nil {
		return err
	}
	for range 2 {
		if err := src.Close(); err != nil {
			return fmt.Errorf("the source: Close: %w", err)
		}
	}
	if _, err := src.Visit(t.Context(), o.visit(o.Good)); err == nil {
		return errors.New("the source: Visit after Close gave a reading, want an error")
	}
	return nil
}

func busy(t *testing.T, o Options, src collector.Source) error {
	if err := goodChannel(t, o, src); err != nil {
		return fmt.Errorf("before: %w", err)
	}
	release := o.Busy(t, src)
	from := time.Now()
	_, err := src.Visit(t.Context(), o.visit(o.Good))
	took := time.Since(from)
	release()
	switch {
	case !errors.Is(err, collector.ErrBusy):
		return fmt.Errorf("the source: Visit while somebody else has the tuner: %v, want an error wrapping ErrBusy", err)
	case took > busyWithin:
		return fmt.Errorf("the source: Visit took %v to say busy, want at most %v", took, busyWithin)
	}
	return o.back(t, src)
}

// back waits for the source to measure again.
func (o Options) back(t *testing.T, src collector.Source) error {
	var err error
	for from := time.Now(); time.Since(from) < backWithin; time.Sleep(time.Second) {
		var r reception.Reading
		if r, err = o.measure(t, src, o.visit(o.Good)); err == nil && r.Locked {
			return lockedReading(r)
		}
	}
	return fmt.Errorf("not back after %v: %w", backWithin, err)
}

// A ride sees what the holder watches and takes nothing from anybody.
func riding(t *testing.T, o Options, src collector.Source) error {
	rider, ok := src.(collector.Rider)
	if !ok {
		return errors.New("the source: Options.Watch is set, and it is no collector.Rider")
	}
	want := collector.Ride{Channels: []reception.Channel{o.Dark, o.Good}, Dwell: o.Dwell, LockWait: o.LockWait}
	idle := func(when string) error {
		if rs, err := rider.Ride(t.Context(), want); !errors.Is(err, collector.ErrIdle) || len(rs) != 0 {
			return fmt.Errorf("the source: Ride %s: %d readings, %v; want an error wrapping ErrIdle", when, len(rs), err)
		}
		return nil
	}
	if err := idle("before anybody had the tuner"); err != nil {
		return err
	}
	release := o.Watch(t, src)
	rs, err := rider.Ride(t.Context(), want)
	beside, besideErr := rider.Ride(t.Context(), collector.Ride{Channels: []reception.Channel{o.Dark}, Dwell: o.Dwell, LockWait: o.LockWait})
	_, busyErr := src.Visit(t.Context(), o.visit(o.Good))
	release()
	switch {
	case err != nil:
		return fmt.Errorf("the source: Ride: %w", err)
	case len(rs) != 1 || rs[0].FrequencyHz != o.Good.FrequencyHz || rs[0].Layer != o.Good.Layer || rs[0].Visit != reception.VisitRiding || rs[0].Tuner != "":
		return fmt.Errorf("the source: Ride gave %+v, want one reading of the good channel, of kind riding, without a tuner's name", rs)
	case besideErr != nil || len(beside) != 0:
		return fmt.Errorf("the source: Ride while the holder is on no channel of it: %+v, %v, want nothing", beside, besideErr)
	case !errors.Is(busyErr, collector.ErrBusy):
		return fmt.Errorf("the source: Visit beside the holder: %v, want an error wrapping ErrBusy", busyErr)
	}
	if s, ok := src.Scale(rs[0].Scale); !ok {
		return fmt.Errorf("Scale(%q) is not known", rs[0].Scale)
	} else if err := errors.Join(rs[0].Validate(), checkScale(s, rs[0]), lockedReading(rs[0])); err != nil {
		return fmt.Errorf("the reading of a ride: %w", err)
	}
	if err := o.back(t, src); err != nil {
		return err
	}
	return idle("after the holder has left")
}

func unplug(t *testing.T, o Options, src collector.Source) error {
	if err := goodChannel(t, o, src); err != nil {
		return fmt.Errorf("before: %w", err)
	}
	replug := o.Unplug(t, src)
	for range 2 {
		if _, err := src.Visit(t.Context(), o.visit(o.Good)); !errors.Is(err, collector.ErrGone) {
			replug()
			return fmt.Errorf("the source: Visit without the device: %v, want an error wrapping ErrGone", err)
		}
	}
	replug()
	return o.back(t, src)
}

func hang(t *testing.T, o Options, src collector.Source) error {
	if err := goodChannel(t, o, src); err != nil {
		return fmt.Errorf("before: %w", err)
	}
	release := o.Hang(t, src)
	err := hanging(t, o, src)
	release()
	if err != nil {
		return err
	}
	return o.back(t, src)
}

func hanging(t *testing.T, o Options, src collector.Source) error {
	// the second visit finds the first one's call still out
	for i, limit := range []time.Duration{3 * time.Second, 500 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), limit)
		from := time.Now()
		_, err := src.Visit(ctx, o.visit(o.Good))
		took := time.Since(from)
		cancel()
		if !errors.Is(err, collector.ErrHung) {
			return fmt.Errorf("visit %d of a device that does not answer: %v, want an error wrapping ErrHung", i+1, err)
		}
		if took > limit+slack {
			return fmt.Errorf("visit %d returned after %v, want at most %v", i+1, took, limit+slack)
		}
	}
	return nil
}

// Values that cannot be are left out of a reading, or the visit fails; they never
// come through.
func nonsense(t *testing.T, o Options, src collector.Source) error {
	restore := o.Nonsense(t, src)
	_, err := o.measure(t, src, o.visit(o.Good))
	restore()
	if err != nil {
		return err
	}
	return o.back(t, src)
}

func abs(n int64) int64 { return max(n, -n) }
