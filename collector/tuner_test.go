package collector

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
	_ "time/tzdata"

	"holdfast/analysis/reception"
)

// air is a source on timers: it takes a second to lock and one to settle.
type air struct {
	t     *testing.T
	clock *Clock
	visit func(Visit) (reception.Reading, error) // nil: a good channel
	begun func(Visit)
	inUse atomic.Bool
	held  time.Duration
	tries atomic.Int64
}

func (a *air) Visit(ctx context.Context, v Visit) (reception.Reading, error) {
	if !a.inUse.CompareAndSwap(false, true) {
		a.t.Error("two visits at once on one tuner")
	}
	defer a.inUse.Store(false)
	a.tries.Add(1)
	start := time.Now()
	defer func() { a.held += time.Since(start) }()
	if a.begun != nil {
		a.begun(v)
	}
	r := goodReading(v, a.clock.Now())
	var err error
	if a.visit != nil {
		if r, err = a.visit(v); err != nil {
			return r, err
		}
	}
	select {
	case <-ctx.Done():
		return r, ctx.Err()
	case <-time.After(2*time.Second + v.Dwell):
	}
	return r, nil
}

func (a *air) Scale(string) (reception.Scale, bool) { return reception.Scale{}, false }
func (a *air) Tuner() reception.Tuner               { return reception.Tuner{Kind: "air"} }
func (a *air) Close() error                         { return nil }

func goodReading(v Visit, now time.Time) reception.Reading {
	r := reception.NewReading()
	r.Time, r.FrequencyHz, r.Visit, r.DwellMS = now.Truncate(time.Second).UnixMilli(), v.Channel.FrequencyHz, v.Kind, v.Dwell.Milliseconds()
	r.Locked, r.CNDB, r.ErroredS, r.System = true, 25, 0, v.Channel.System
	return r
}

func badReading(v Visit, now time.Time) reception.Reading {
	r := goodReading(v, now)
	r.Locked, r.CNDB, r.ErroredS = false, math.NaN(), v.Dwell.Seconds()
	return r
}

// A bench runs one tuner in a bubble for a while and keeps what came out.
type bench struct {
	air    *air
	tuner  *Tuner
	got    []reception.Reading
	outErr atomic.Pointer[error]
	log    bytes.Buffer
	offset atomic.Int64 // of the clock on the wall, ns
	clock  *Clock
	o      Options
	n      int
	stop   context.CancelFunc
	end    chan error
}

func newBench(t *testing.T, channels int, o Options) *bench {
	return benchOf(t, channels, o, func(a *air) Source { return a })
}

// benchOf is a bench whose source stands before the air.
func benchOf(t *testing.T, channels int, o Options, source func(*air) Source) *bench {
	b := &bench{o: o, n: channels, end: make(chan error, 1)}
	log := slog.New(slog.NewTextHandler(&b.log, nil)) // Info and above
	b.clock = NewClock(func() time.Time { return time.Now().Add(time.Duration(b.offset.Load())) }, log)
	b.air = &air{t: t, clock: b.clock}
	b.o.Clock, b.o.Rand = b.clock, rand.New(rand.NewPCG(1, 2))
	var chs []reception.Channel
	for i := range channels {
		chs = append(chs, reception.Channel{FrequencyHz: 473e6 + int64(i)*6e6, System: reception.ATSC1})
	}
	var err error
	b.tuner, err = NewTuner("attic", source(b.air), chs, b.o, func(_ context.Context, rs []reception.Reading) error {
		if err := b.outErr.Load(); err != nil {
			return *err
		}
		b.got = append(b.got, rs...)
		return nil
	}, log)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) start(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	b.stop = stop
	go func() { b.end <- b.tuner.Run(ctx) }()
	<-b.tuner.Ready()
}

// pass lets time go by; afterwards the loop is at rest.
func (b *bench) pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func (b *bench) halt(t *testing.T) {
	t.Helper()
	from := time.Now()
	b.stop()
	if err := <-b.end; err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
	if d := time.Since(from); d > time.Second {
		t.Errorf("Run took %v to end, want at most 1 s", d)
	}
}

// logged gives the lines of the log that are not the bench's own.
func (b *bench) logged() []string {
	return slices.DeleteFunc(strings.Split(b.log.String(), "\n"), func(s string) bool { return s == "" })
}

func (b *bench) count(why reception.Reason, kind reception.VisitKind) int {
	n := 0
	for _, r := range b.got {
		if r.Why == why && r.Visit == kind {
			n++
		}
	}
	return n
}

func TestADayOfRounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 12, Options{})
		b.start(t)
		b.pass(24 * time.Hour)
		b.halt(t)
		perChannel, last := map[int64][]int64{}, map[int64]bool{}
		for _, r := range b.got {
			if r.Why != reception.Measured || r.Tuner != "attic" || r.Visit != reception.VisitBase || r.Time%1000 != 0 {
				t.Fatalf("reading %+v, want a base visit on a whole second", r)
			}
			perChannel[r.FrequencyHz] = append(perChannel[r.FrequencyHz], r.Time)
		}
		if len(perChannel) != 12 {
			t.Fatalf("%d channels visited, want 12", len(perChannel))
		}
		for f, at := range perChannel {
			// 24 h at 5 min, and the round that has begun
			if len(at) < 287 || len(at) > 289 {
				t.Errorf("channel %d: %d visits in a day, want 288", f, len(at))
			}
			for i := 1; i < len(at); i++ {
				if d := at[i] - at[i-1]; d <= 0 || d > 2*300e3 {
					t.Errorf("channel %d: %d ms between two visits, want 0 to 600 s", f, d)
				}
			}
		}
		// order differs from round to round
		for round := range 20 {
			last[b.got[round*12].FrequencyHz] = true
		}
		if len(last) < 5 {
			t.Errorf("20 rounds began with %d different channels, want many", len(last))
		}
		if b.tuner.Interval() != 5*time.Minute {
			t.Errorf("Interval = %v, want 5m", b.tuner.Interval())
		}
		if l := b.logged(); len(l) != 0 {
			t.Errorf("a healthy day logged %q", l)
		}
		if h := b.tuner.Health(); !h.OK || h.Kind != reception.HealthTuner || h.Subject != "attic" {
			t.Errorf("Health = %+v, want OK", h)
		}
	})
}

func TestJitterIsAFifthOfTheSlotInWholeSeconds(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	seen := map[time.Duration]int{}
	for range 4000 {
		seen[jitter(r, 25*time.Second)]++
	}
	if len(seen) != 11 || seen[5*time.Second] == 0 || seen[-5*time.Second] == 0 {
		t.Errorf("jitter of a slot of 25 s = %v, want every whole second from -5 to 5", seen)
	}
	if d := jitter(r, 4*time.Second); d != 0 {
		t.Errorf("jitter of 4 s = %v, want 0", d)
	}
}

func TestIntervalIsStretched(t *testing.T) {
	for _, c := range []struct {
		every    time.Duration
		channels int
		share    float64
		cost     time.Duration
		want     time.Duration
	}{
		{5 * time.Minute, 12, 0.5, 7 * time.Second, 5 * time.Minute},
		{5 * time.Minute, 40, 0.5, 7 * time.Second, 560 * time.Second},
		{5 * time.Minute, 40, 0.1, 3100 * time.Millisecond, 1240 * time.Second},
		{time.Second, 1, 0.5, 700 * time.Millisecond, 2 * time.Second}, // 1.4 s, in whole seconds
		{5 * time.Second, 10, 0.5, 10 * time.Millisecond, 10 * time.Second},
	} {
		b := budget{share: c.share, cost: c.cost}
		if got := b.interval(c.every, c.channels); got != c.want {
			t.Errorf("interval(%v, %d) at share %g and %v a visit = %v, want %v", c.every, c.channels, c.share, c.cost, got, c.want)
		}
	}
}

// The tuner is held for at most its share, whatever the channels and however many
// closer looks they ask for; the base interval is stretched.
func TestShareOfTheTime(t *testing.T) {
	for _, c := range []struct {
		name     string
		channels int
		o        Options
		bad      bool
		share    float64
		interval time.Duration
	}{
		{"40 channels", 40, Options{}, false, 0.5, 560 * time.Second},
		{"40 bad channels", 40, Options{}, true, 0.5, 560 * time.Second},
		{"12 bad channels", 12, Options{}, true, 0.5, 300 * time.Second},
		{"a lent tuner", 12, Options{Lent: true}, false, 0.1, 840 * time.Second},
		{"a lent tuner on bad channels", 12, Options{Lent: true}, true, 0.1, 840 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, c.channels, c.o)
				if c.bad {
					b.air.visit = func(v Visit) (reception.Reading, error) { return badReading(v, b.clock.Now()), nil }
				}
				b.start(t)
				b.pass(12 * time.Hour)
				b.halt(t)
				// one visit may be made in advance, and one is not over yet
				if got := (b.air.held - 14*time.Second).Seconds() / (12 * 3600); got > c.share {
					t.Errorf("held for %.4f of the time, want at most %g", got, c.share)
				}
				if got := b.tuner.Interval(); got != c.interval {
					t.Errorf("Interval = %v, want %v", got, c.interval)
				}
				want := int(12 * time.Hour / c.interval * time.Duration(c.channels))
				if got := b.count(reception.Measured, reception.VisitBase); got < want*98/100 || got > want+c.channels {
					t.Errorf("%d base visits, want %d", got, want)
				}
			})
		})
	}
}

func TestCloserLooksAfterABadVisit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 4, Options{})
		lost := func(at time.Time) bool { return at.Hour() == 3 }
		b.air.visit = func(v Visit) (reception.Reading, error) {
			if now := b.clock.Now(); v.Channel.FrequencyHz == 473e6 && lost(now) {
				return badReading(v, now), nil
			}
			return goodReading(v, b.clock.Now()), nil
		}
		b.start(t)
		b.pass(12 * time.Hour)
		b.halt(t)
		var before reception.Reading
		extras := 0
		for _, r := range b.got {
			if r.FrequencyHz != 473e6 {
				if r.Visit == reception.VisitExtra {
					t.Errorf("extra visit to a good channel: %+v", r)
				}
				continue
			}
			if r.Visit == reception.VisitExtra {
				extras++
				if before.Locked {
					t.Errorf("extra visit at %v after a good one", time.UnixMilli(r.Time).UTC())
				}
				// T/5 = 60 s, jitter 12 s, and up to two visits of another channel in the way
				if d := r.Time - before.Time; d < 48e3 || d > 100e3 {
					t.Errorf("extra visit %d ms after the bad one, want about 60 s", d)
				}
			}
			before = r
		}
		// an hour of loss has 12 base visits with up to 4 looks each, no more than 16 in a row
		if extras < 8 || extras > extraRun+1 {
			t.Errorf("%d extra visits in an hour without lock, want 8 to %d", extras, extraRun+1)
		}
		if got := b.count(reception.Measured, reception.VisitBase); got < 4*143 || got > 4*145 {
			t.Errorf("%d base visits, want %d: extra ones must not move them", got, 4*144)
		}
	})
}

func TestCloserLooksNearTheThresholdAndByWish(t *testing.T) {
	for _, c := range []struct {
		name string
		cn   float64
		wish func(reception.Channel) bool
		some bool
	}{
		{"far above", 25, nil, false},
		{"1.5 dB above 15.2", 16.7, nil, true}, // 15.2 dB: ATSC A/74, threshold of visibility
		{"wished", 25, func(c reception.Channel) bool { return true }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, 2, Options{Wish: c.wish})
				b.air.visit = func(v Visit) (reception.Reading, error) {
					r := goodReading(v, b.clock.Now())
					r.CNDB = c.cn
					return r, nil
				}
				b.start(t)
				b.pass(2 * time.Hour)
				b.halt(t)
				if n := b.count(reception.Measured, reception.VisitExtra); (n > 0) != c.some {
					t.Errorf("%d extra visits, want some: %v", n, c.some)
				}
			})
		})
	}
}

func TestAViewerTakesTheTuner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 6, Options{})
		b.air.visit = func(v Visit) (reception.Reading, error) {
			if b.clock.Now().Hour() == 1 {
				return reception.NewReading(), fmt.Errorf("open tuner: %w", ErrBusy)
			}
			return goodReading(v, b.clock.Now()), nil
		}
		b.start(t)
		b.pass(3 * time.Hour)
		b.halt(t)
		lent := 0
		for _, r := range b.got {
			if r.Why == reception.WhyViewer {
				lent++
				if r.DwellMS != 5000 || time.UnixMilli(r.Time).UTC().Hour() != 1 {
					t.Errorf("reading %+v, want the planned dwell in the second hour", r)
				}
			}
		}
		if lent < 71 || lent > 73 { // 6 channels x 12
			t.Errorf("%d visits were lent to the viewer, want 72", lent)
		}
		if l := b.logged(); len(l) != 2 || !strings.Contains(l[0], "in use") || !strings.Contains(l[1], "measuring") {
			t.Errorf("log %q, want one line as the viewer takes the tuner and one as it is free", l)
		}
	})
}

func TestAnUnpluggedTunerReturns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 60, Options{Dwell: time.Second, LockWait: time.Second, Share: 1, Zone: time.FixedZone("home", 3*3600)})
		b.air.visit = func(v Visit) (reception.Reading, error) {
			if at := b.clock.Now(); at.Hour() == 1 {
				return reception.NewReading(), fmt.Errorf("open tuner: %w", ErrGone)
			}
			return goodReading(v, b.clock.Now()), nil
		}
		b.start(t)
		b.pass(90 * time.Minute)
		if h := b.tuner.Health(); h.OK || !strings.Contains(h.Detail, "not there") || !strings.Contains(h.Detail, "last measured Sat 1 January, 03:59") ||
			time.UnixMilli(h.Since).UTC().Format("15:04") != "01:00" {
			t.Errorf("Health = %+v, want not there since 01:00", h)
		}
		tries := b.air.tries.Load()
		b.pass(90 * time.Minute)
		b.halt(t)
		if b.air.tries.Load() == tries {
			t.Error("never tried again")
		}
		var back time.Time
		failing := 0
		for _, r := range b.got {
			at := time.UnixMilli(r.Time).UTC()
			if r.Why == reception.WhyFailing {
				failing++
			} else if at.Hour() == 1 {
				t.Errorf("reading %+v while the tuner was gone", r)
			} else if back.IsZero() && at.Hour() == 2 {
				back = at
			}
		}
		if failing < 718 || failing > 770 { // 60 channels x 12, and what the retry waits for
			t.Errorf("%d visits not made, want about 720: each planned one says so", failing)
		}
		if back.Sub(time.Date(2000, 1, 1, 2, 0, 0, 0, time.UTC)) > lastRetry+10*time.Second {
			t.Errorf("measured again at %v, want within two minutes", back)
		}
		if l := b.logged(); len(l) != 2 || !strings.Contains(l[0], "level=WARN") || !strings.Contains(l[0], "not there") || !strings.Contains(l[1], "measuring") {
			t.Errorf("log %q, want two lines", l)
		}
	})
}

func TestRetriesBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 60, Options{Dwell: time.Second, LockWait: time.Second, Share: 1})
		b.air.visit = func(Visit) (reception.Reading, error) { return reception.NewReading(), errors.New("i/o error") }
		b.start(t)
		b.pass(time.Hour)
		b.halt(t)
		// 5, 10, 20, 40, 80 s, then two minutes: 5 + 29
		if n := b.air.tries.Load(); n < 28 || n > 36 {
			t.Errorf("%d tries in an hour of failure, want about 34", n)
		}
	})
}

func TestKeepOutHours(t *testing.T) {
	zone := time.FixedZone("", -5*3600)
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 3, Options{KeepOut: []Hours{{From: 20 * time.Hour, To: 1 * time.Hour, Location: zone}}})
		b.start(t)
		b.pass(24 * time.Hour)
		b.halt(t)
		for _, r := range b.got {
			at := time.UnixMilli(r.Time).In(zone)
			out := at.Hour() >= 20 || at.Hour() < 1
			if edge := at.Add(10 * time.Second).Hour(); edge == 20 {
				continue // would have run into them
			}
			if out != (r.Why == reception.WhyKeepOut) {
				t.Errorf("%v: reason %q", at, r.Why)
			}
		}
		if l := b.logged(); len(l) != 0 {
			t.Errorf("keep-out hours logged %q", l)
		}
	})
}

func TestHoursGoByTheClockOnTheWall(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	h := Hours{From: 18 * time.Hour, To: 23 * time.Hour, Location: zone}
	for at, want := range map[string]bool{ // UTC-5 in winter, UTC-4 in summer
		"2026-01-15T22:59:59Z": false, "2026-01-15T23:00:00Z": true, "2026-01-16T03:59:59Z": true, "2026-01-16T04:00:00Z": false,
		"2026-07-15T21:59:59Z": false, "2026-07-15T22:00:00Z": true, "2026-07-16T03:00:00Z": false,
	} {
		i, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		if got := h.Hold(i); got != want {
			t.Errorf("Hold(%s) = %v, want %v", at, got, want)
		}
	}
}

func TestTheClockStepsBackAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 6, Options{})
		b.start(t)
		b.pass(2*time.Hour + 13*time.Second)
		b.offset.Store(int64(-time.Hour))
		b.pass(2 * time.Hour)
		b.halt(t)
		seen := map[string]bool{}
		for _, r := range b.got {
			k := fmt.Sprint(r.FrequencyHz, r.Time)
			if seen[k] {
				t.Errorf("two readings of %d at %d", r.FrequencyHz, r.Time)
			}
			seen[k] = true
		}
		// pacing goes by the monotonic clock: four hours of visits less nothing
		if n := len(b.got); n < 6*48-2 || n > 6*48+7 {
			t.Errorf("%d readings in four hours, want %d", n, 6*48)
		}
		if l := b.logged(); len(l) != 1 || !strings.Contains(l[0], "back by 1h0m0s") {
			t.Errorf("log %q, want one line about the clock", l)
		}
	})
}

func TestAStepDuringAVisit(t *testing.T) {
	for _, step := range []time.Duration{-time.Hour, time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			time.Sleep(24 * time.Hour) // well past the year 2000's beginning, where a bubble starts
			b := newBench(t, 1, Options{})
			n := 0
			b.air.begun = func(Visit) {
				if n++; n == 3 {
					time.AfterFunc(time.Second, func() { b.offset.Store(int64(step)) })
				}
			}
			b.start(t)
			b.pass(30 * time.Minute)
			b.halt(t)
			if got := b.count(reception.WhyClock, reception.VisitBase); got != 1 || b.got[2].Why != reception.WhyClock || b.got[2].DwellMS != 5000 {
				t.Errorf("step of %v: %d readings with reason clock, want the third visit's", step, got)
			}
			if l := b.logged(); len(l) != 1 {
				t.Errorf("log %q, want one line", l)
			}
		})
	}
}

func TestAClockThatWasNeverSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 2, Options{})
		b.offset.Store(int64(-30 * 365 * 24 * time.Hour)) // 1970
		b.clock.Offset()
		b.log.Reset()
		b.start(t)
		b.pass(time.Hour)
		if len(b.got) != 0 {
			t.Errorf("%d readings that cannot be stamped", len(b.got))
		}
		if h := b.tuner.Health(); h.OK || !strings.Contains(h.Detail, "1970") {
			t.Errorf("Health = %+v, want it to name the clock", h)
		}
		if h := b.clock.Health(); h.OK || h.Kind != reception.HealthClock {
			t.Errorf("clock's Health = %+v", h)
		}
		b.offset.Store(0)
		b.pass(time.Hour)
		b.halt(t)
		if len(b.got) < 23 {
			t.Errorf("%d readings in the hour after, want 24", len(b.got))
		}
	})
}

// A tuner that failed ten minutes ago has failed for ten minutes, wherever the clock on
// the wall was set to meanwhile.
func TestSinceWhenFollowsTheClock(t *testing.T) {
	const week = 7 * 24 * time.Hour // from the first day that a clock may show
	for _, step := range []time.Duration{24 * time.Hour, -24 * time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, 2, Options{})
			b.offset.Store(int64(week))
			b.air.visit = func(Visit) (reception.Reading, error) {
				return reception.NewReading(), fmt.Errorf("open tuner: %w", ErrGone)
			}
			b.start(t)
			b.pass(5 * time.Minute)
			b.offset.Store(int64(week + step))
			b.pass(5 * time.Minute)
			h := b.tuner.Health()
			if lasts := b.clock.Now().Sub(time.UnixMilli(h.Since)); h.OK || lasts < 9*time.Minute || lasts > 10*time.Minute {
				t.Errorf("set by %v: %+v has lasted %v, want 10 minutes", step, h, lasts)
			}
			b.halt(t)
		})
	}
}

func TestAPanicInADriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 1, Options{})
		b.air.visit = func(v Visit) (reception.Reading, error) {
			if b.air.tries.Load() == 2 {
				var none []int
				return goodReading(v, time.Now()), fmt.Errorf("%d", none[b.air.tries.Load()])
			}
			return goodReading(v, b.clock.Now()), nil
		}
		b.start(t)
		b.pass(20 * time.Minute)
		b.halt(t)
		if len(b.got) < 4 || b.got[1].Why != reception.WhyFailing || b.got[2].Why != reception.Measured {
			t.Errorf("readings %+v, want the second failing and the loop to go on", b.got)
		}
		if s := b.log.String(); !strings.Contains(s, "index out of range") {
			t.Errorf("log %q, want the panic in it", s)
		}
	})
}

func TestAHungTunerLeavesOthersAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := newBench(t, 3, Options{}), newBench(t, 3, Options{})
		a.air.visit = func(v Visit) (reception.Reading, error) {
			time.Sleep(20 * time.Second)
			return reception.NewReading(), fmt.Errorf("read status: %w", ErrHung)
		}
		a.start(t)
		b.start(t)
		a.pass(time.Hour)
		if h := a.tuner.Health(); h.OK || !strings.Contains(h.Detail, "not answering") {
			t.Errorf("Health = %+v, want not answering", h)
		}
		a.stop()
		<-a.end
		b.halt(t)
		if n := b.count(reception.Measured, reception.VisitBase); n < 35 {
			t.Errorf("the other tuner made %d visits, want 36", n)
		}
		if n := a.count(reception.WhyFailing, reception.VisitBase); n < 35 {
			t.Errorf("%d visits of the hung tuner say so, want 36", n)
		}
	})
}

func TestAReadingThatCannotBeTrueIsAFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 1, Options{})
		b.air.visit = func(v Visit) (reception.Reading, error) {
			r := goodReading(v, b.clock.Now())
			r.CNDB = 2500
			return r, nil
		}
		b.start(t)
		b.pass(6 * time.Minute)
		b.halt(t)
		if len(b.got) == 0 || b.got[0].Why != reception.WhyFailing {
			t.Errorf("readings %+v, want them failing", b.got)
		}
		if h := b.tuner.Health(); !strings.Contains(h.Detail, "cn_db 2500") {
			t.Errorf("Health = %+v, want it to name the value", h)
		}
	})
}

func TestReadingsThatCannotBeStoredAreKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 6, Options{})
		b.start(t)
		b.pass(time.Hour)
		full := errors.New("disk is full")
		b.outErr.Store(&full)
		b.pass(time.Hour)
		stored := len(b.got)
		b.outErr.Store(nil)
		b.pass(time.Hour)
		b.halt(t)
		if n := len(b.got); stored > 73 || n < 3*72-2 {
			t.Errorf("%d readings stored in the first hour, %d in the end, want 72 and 216", stored, n)
		}
		if !slices.IsSortedFunc(b.got, func(x, y reception.Reading) int { return int(x.Time - y.Time) }) {
			t.Error("readings are not in order")
		}
		if l := b.logged(); len(l) != 2 || !strings.Contains(l[0], "disk is full") {
			t.Errorf("log %q, want two lines", l)
		}
	})
}

func TestStopInTheMiddleOfADwell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 1, Options{})
		full := errors.New("disk is full")
		b.outErr.Store(&full)
		b.start(t)
		b.pass(11 * time.Minute)
		for !b.air.inUse.Load() {
			b.pass(time.Second)
		}
		b.outErr.Store(nil)
		b.halt(t)
		for _, r := range b.got {
			if !r.Valid() {
				t.Errorf("reading %+v: a visit that we stopped ourselves is nobody's failure", r)
			}
		}
		if len(b.got) < 2 || b.log.String() == "" {
			t.Errorf("%d readings, want those that were kept to be handed over at the end", len(b.got))
		}
	})
}

// One channel that the tuner cannot receive says so once; the tuner is well.
func TestAChannelThatTheTunerCannotReceive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, 2, Options{})
		b.air.visit = func(v Visit) (reception.Reading, error) {
			if v.Channel.FrequencyHz == 473e6 {
				return reception.NewReading(), fmt.Errorf("tune to 473 MHz: %w", ErrChannel)
			}
			return goodReading(v, b.clock.Now()), nil
		}
		b.start(t)
		b.pass(time.Hour)
		if h := b.tuner.Health(); !h.OK {
			t.Errorf("Health = %+v, want OK", h)
		}
		b.halt(t)
		if got, want := b.count(reception.WhyOther, reception.VisitBase), b.count(reception.Measured, reception.VisitBase); got < 11 || want < 11 {
			t.Errorf("%d readings with reason other, %d made, want 12 each", got, want)
		}
		if l := b.logged(); len(l) != 1 || !strings.Contains(l[0], "473 MHz") {
			t.Errorf("log %q, want one line", l)
		}
	})
}

func TestOptionsAreChecked(t *testing.T) {
	ch := []reception.Channel{{FrequencyHz: 473e6}}
	for _, c := range []struct {
		channels []reception.Channel
		o        Options
		says     string
	}{
		{ch, Options{Every: 200 * time.Millisecond}, "every: 200ms is outside 1s to 24h"},
		{ch, Options{Dwell: time.Millisecond}, "dwell: 1ms"},
		{ch, Options{LockWait: time.Hour}, "lock wait: 1h0m0s"},
		{ch, Options{Share: 1.5}, "share: 1.5"},
		{ch, Options{Share: math.NaN()}, "share: NaN"},
		{ch, Options{KeepOut: []Hours{{}}}, "time zone"},
		{nil, Options{}, "no channel"},
		{append(ch, ch...), Options{}, "twice"},
	} {
		_, err := NewTuner("attic", &air{}, c.channels, c.o, nil, slog.New(slog.DiscardHandler))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("NewTuner: %v, want %q", err, c.says)
		}
	}
}
