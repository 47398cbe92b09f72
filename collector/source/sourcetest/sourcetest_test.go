package sourcetest

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

const good, dark = 473e6, 605e6

// faults are promises that the model source breaks when told to.
type faults struct {
	stampMS, plainErr, unlockedErr, slowEnd, keepTuner, noScale, nonsense, wrongKind, locksDark,
	visitsAfterClose, goneIsOther, hungReopens, ridesIdle, ridesAsBase, ridesAway bool
}

// model keeps the contract on timers alone.
type model struct {
	faults
	closed, busy, gone, hung, mad atomic.Bool
}

func (m *model) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	r := reception.NewReading()
	switch {
	case m.closed.Load() && !m.visitsAfterClose:
		return r, errors.New("closed")
	case ctx.Err() != nil:
		return r, ctx.Err()
	case m.busy.Load() && m.plainErr:
		return r, errors.New("in use")
	case m.busy.Load():
		return r, collector.ErrBusy
	case m.gone.Load() && m.goneIsOther:
		return r, errors.New("no such device")
	case m.gone.Load():
		return r, collector.ErrGone
	}
	if m.hung.Load() {
		<-ctx.Done()
		if m.hungReopens {
			return r, ctx.Err()
		}
		return r, collector.ErrHung
	}
	start := time.Now()
	select {
	case <-ctx.Done():
		if m.slowEnd {
			time.Sleep(3 * time.Second)
		}
		return r, ctx.Err()
	case <-time.After(v.Dwell):
	}
	r.Time = start.Truncate(time.Second).UnixMilli()
	if m.stampMS {
		r.Time += 7
	}
	if m.keepTuner {
		r.Tuner = "attic"
	}
	r.FrequencyHz, r.System, r.Visit, r.DwellMS = v.Channel.FrequencyHz, v.Channel.System, v.Kind, v.Dwell.Milliseconds()
	if m.wrongKind {
		r.Visit = reception.VisitBase
	}
	r.Locked, r.LockedMS, r.Scale = v.Channel.FrequencyHz == good || m.locksDark, 0, "model"
	if m.noScale {
		r.Scale = "other"
	}
	if r.Locked {
		r.LockedMS, r.CNDB, r.CNLowDB = r.DwellMS, 21, 20
	} else if m.unlockedErr {
		return r, errors.New("no lock")
	}
	if m.mad.Load() && m.nonsense {
		r.CNDB = 2500
	}
	return r, nil
}

func (m *model) Ride(ctx context.Context, w collector.Ride) ([]reception.Reading, error) {
	if !m.busy.Load() && !m.ridesIdle {
		return nil, collector.ErrIdle
	}
	start := time.Now()
	time.Sleep(w.Dwell)
	var rs []reception.Reading
	for _, c := range w.Channels {
		if c.FrequencyHz != good && !m.ridesAway {
			continue
		}
		r := reception.NewReading()
		r.Time, r.FrequencyHz, r.System, r.Visit = start.Truncate(time.Second).UnixMilli(), c.FrequencyHz, c.System, reception.VisitRiding
		if m.ridesAsBase {
			r.Visit = reception.VisitBase
		}
		r.DwellMS, r.Locked, r.LockedMS, r.Scale, r.CNDB, r.CNLowDB = w.Dwell.Milliseconds(), true, w.Dwell.Milliseconds(), "model", 21, 20
		rs = append(rs, r)
	}
	return rs, nil
}

func (m *model) Scale(id string) (reception.Scale, bool) {
	return reception.Scale{ID: "model", Unit: reception.UnitDB, Step: 0.1, Ceiling: math.NaN(),
		LevelKind: reception.LevelUnknown, Quantity: reception.QuantityCN}, id == "model"
}
func (m *model) Tuner() reception.Tuner { return reception.Tuner{Kind: "model"} }
func (m *model) Close() error           { m.closed.Store(true); return nil }

func modelOptions(f faults) Options {
	set := func(which func(*model) *atomic.Bool) func(*testing.T, collector.Source) func() {
		return func(_ *testing.T, src collector.Source) func() {
			b := which(src.(*model))
			b.Store(true)
			return func() { b.Store(false) }
		}
	}
	return Options{
		Open:     func(*testing.T) collector.Source { return &model{faults: f} },
		Good:     reception.Channel{FrequencyHz: good, System: reception.ATSC1},
		Dark:     reception.Channel{FrequencyHz: dark, System: reception.ATSC1},
		Bubble:   true,
		Busy:     set(func(m *model) *atomic.Bool { return &m.busy }),
		Unplug:   set(func(m *model) *atomic.Bool { return &m.gone }),
		Hang:     set(func(m *model) *atomic.Bool { return &m.hung }),
		Watch:    set(func(m *model) *atomic.Bool { return &m.busy }),
		Nonsense: set(func(m *model) *atomic.Bool { return &m.mad }),
	}
}

func TestAModelThatKeepsTheContractPasses(t *testing.T) { Run(t, modelOptions(faults{})) }

// Each broken promise is found, by the part that is there for it.
func TestBrokenPromisesAreFound(t *testing.T) {
	for _, c := range []struct {
		f          faults
		part, says string
	}{
		{faults{stampMS: true}, "good channel", "whole second"},
		{faults{keepTuner: true}, "good channel", "left to the caller"},
		{faults{noScale: true}, "good channel", "not known"},
		{faults{unlockedErr: true}, "dark channel", "no lock"},
		{faults{locksDark: true}, "dark channel", "dark channel is locked"},
		{faults{wrongKind: true}, "kind of visit", `want "extra"`},
		{faults{slowEnd: true}, "context ends in the dwell", "had ended"},
		{faults{visitsAfterClose: true}, "close", "after Close"},
		{faults{plainErr: true}, "busy", "ErrBusy"},
		{faults{goneIsOther: true}, "unplug", "ErrGone"},
		{faults{hungReopens: true}, "hang", "ErrHung"},
		{faults{ridesIdle: true}, "riding", "ErrIdle"},
		{faults{ridesAsBase: true}, "riding", "of kind riding"},
		{faults{ridesAway: true}, "riding", "one reading of the good channel"},
		{faults{nonsense: true}, "nonsense", "cn_db 2500"},
	} {
		t.Run(c.says, func(t *testing.T) {
			o, err := modelOptions(c.f).withDefaults()
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range parts(o) {
				if p.name != c.part {
					continue
				}
				if err := o.play(t, p); err == nil || !strings.Contains(err.Error(), c.says) {
					t.Errorf("part %q says %v, want %q", p.name, err, c.says)
				}
				return
			}
			t.Fatalf("no part %q", c.part)
		})
	}
}

func TestOptionsNameWhatIsMissing(t *testing.T) {
	if _, err := (Options{}).withDefaults(); err == nil || !strings.Contains(err.Error(), "Open") {
		t.Errorf("error %v, want it to name Open", err)
	}
}
