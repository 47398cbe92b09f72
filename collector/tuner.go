package collector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"holdfast/analysis/reception"
)

// grace is the time beyond waiting for lock and dwell that a visit may take: power-up,
// tuning, settling.
const grace = 10 * time.Second

// Limits of what a tuner's loop keeps in memory.
const (
	keepPending = 10000 // readings that could not be handed on
	keepStamps  = 1024  // used seconds of a channel: days at the default interval
)

// A visit that could not be made is tried again after 5 s, later up to two minutes
// apart, so that a tuner that was plugged in again measures soon (ours, no source).
const firstRetry, lastRetry = 5 * time.Second, 2 * time.Minute

// A Tuner visits the channels of one source, one after the other, for as long as Run
// runs.
//
// Base visits go round the channels in random order, each in its slot of the base
// interval, moved by up to a fifth of the slot in whole seconds. Extra visits lie
// between them and never move them. A base visit that was not made is a reading with
// its reason; an extra one that was not made is nothing.
type Tuner struct {
	name     string
	source   Source
	channels []*channel
	o        Options
	out      func(context.Context, []reception.Reading) error
	log      *slog.Logger
	ready    chan struct{}

	// The loop's own.
	budget  budget
	retry   *backoff.ExponentialBackOff
	retryAt time.Time // no try before
	pending []reception.Reading
	dropped int
	stuck   bool // the last hand-over failed

	mu       sync.Mutex
	interval time.Duration
	state    state
}

type channel struct {
	reception.Channel
	extraAt time.Time // zero: none is planned
	extras  int       // in a row on a channel that stays bad
	refused bool      // the tuner cannot receive it; said once
	stamps  []int64   // used, in order of use
}

type state struct {
	what   condition
	since  time.Time     // by the clock on the wall
	from   time.Time     // the same, monotonic
	offset time.Duration // of the clock then
	detail string
	good   time.Time // last reading that was made
}

// condition is what a tuner is doing; a change of it is logged once.
type condition string

const (
	measuring condition = "measuring"
	inUse     condition = "in use by somebody else"
	keptOut   condition = "in its keep-out hours"
	reserved  condition = "left alone for a recording"
	idle      condition = "idle; only looked at while somebody has it"
	unset     condition = "waiting for the clock to be set"
	gone      condition = "not there"
	hung      condition = "not answering"
	failing   condition = "failing"
)

// NewTuner returns the loop over one source. out is handed what was read, in order;
// when it fails, the readings are kept and handed over again with the next. out is
// called by one goroutine and must not keep a slice that it refused.
func NewTuner(name string, source Source, channels []reception.Channel, o Options,
	out func(context.Context, []reception.Reading) error, log *slog.Logger) (*Tuner, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("tuner %q: %w", name, err)
	}
	if name == "" {
		return nil, errors.New("a tuner has no name")
	}
	if len(channels) == 0 {
		return nil, fmt.Errorf("tuner %q has no channel to visit", name)
	}
	if o.Clock == nil {
		o.Clock = NewClock(nil, log)
	}
	if _, ok := source.(Rider); !ok && o.Riding != RideNever {
		return nil, fmt.Errorf("tuner %q: riding: a source of this kind cannot look on while somebody else holds the tuner", name)
	}
	t := &Tuner{name: name, source: source, o: o, out: out, log: log.With("tuner", name), ready: make(chan struct{})}
	for _, c := range channels {
		if slices.ContainsFunc(t.channels, func(x *channel) bool { return x.FrequencyHz == c.FrequencyHz && x.Layer == c.Layer }) {
			return nil, fmt.Errorf("tuner %q visits %d Hz layer %q twice; give each channel once", name, c.FrequencyHz, c.Layer)
		}
		t.channels = append(t.channels, &channel{Channel: c})
	}
	// until visits have shown what they take: one second to lock, one to settle
	t.budget = budget{share: o.Share, cost: o.Dwell + 2*time.Second}
	t.retry = backoff.NewExponentialBackOff()
	t.retry.InitialInterval, t.retry.MaxInterval = firstRetry, lastRetry
	t.retry.Multiplier, t.retry.RandomizationFactor = 2, 0
	t.interval = t.budget.interval(o.Every, len(t.channels))
	t.state = state{what: measuring, since: o.Clock.Now(), from: t.o.Clock.mono(), offset: o.Clock.Offset()}
	return t, nil
}

// String names the task.
func (t *Tuner) String() string { return "tuner " + t.name }

// Ready is closed when the loop has started.
func (t *Tuner) Ready() <-chan struct{} { return t.ready }

// Interval is the time between base visits to a channel, as stretched by Share.
func (t *Tuner) Interval() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.interval
}

// Health says how the tuner is. OK is false while visits fail; Since is when what
// Detail says began, by the clock as it is set now: one that was set by a day makes
// nothing last a day longer.
func (t *Tuner) Health() reception.Health {
	t.mu.Lock()
	defer t.mu.Unlock()
	since := t.state.since
	if step := t.o.Clock.Offset() - t.state.offset; t.o.Clock.isStep(step) {
		since = since.Add(step)
	}
	h := reception.Health{Kind: reception.HealthTuner, Subject: t.name, Since: since.UnixMilli(),
		OK: !t.state.what.bad(), Detail: string(t.state.what)}
	if t.state.detail != "" {
		h.Detail += ": " + t.state.detail
	}
	if !h.OK && !t.state.good.IsZero() {
		h.Detail += "; last measured " + t.state.good.In(t.o.Zone).Format("Mon 2 January, 15:04")
	}
	return h
}

// quiet conditions come and go by plan; nobody has to read of them.
func (c condition) quiet() bool { return c == keptOut || c == reserved }

func (c condition) bad() bool { return c == gone || c == hung || c == failing || c == unset }

// Run visits until ctx ends, then hands over what is left and returns nil.
func (t *Tuner) Run(ctx context.Context) error {
	close(t.ready)
	defer t.last(ctx)
	last := -1
	for round := t.o.Clock.mono(); ; {
		n := len(t.channels)
		every := t.budget.interval(t.o.Every, n)
		t.mu.Lock()
		t.interval = every
		t.mu.Unlock()
		slot := every / time.Duration(n)
		for i, k := range order(t.o.Rand, n, last) {
			due := round.Add(time.Duration(i) * slot)
			if last >= 0 { // the very first visit comes at once
				due = due.Add(jitter(t.o.Rand, slot))
			}
			if !t.until(ctx, due) {
				return nil
			}
			t.base(ctx, t.channels[k])
			last = k
		}
		round = round.Add(every)
		if now := t.o.Clock.mono(); now.After(round.Add(slot)) { // held up: no visits in a row to catch up
			round = now
		}
	}
}

// until fills the time up to due with extra visits, and reports whether ctx goes on.
func (t *Tuner) until(ctx context.Context, due time.Time) bool {
	for {
		c := t.nextExtra()
		if c == nil {
			break
		}
		start := later(t.o.Clock.mono(), c.extraAt, t.budget.free(), t.retryAt)
		if !t.budget.fits(t.onSecond(start), due) {
			break
		}
		if !t.sleep(ctx, start) {
			return false
		}
		c.extraAt = time.Time{}
		t.extra(ctx, c)
		if ctx.Err() != nil {
			return false
		}
	}
	return t.sleep(ctx, later(due, t.budget.free()))
}

func later(at time.Time, others ...time.Time) time.Time {
	for _, o := range others {
		if o.After(at) {
			at = o
		}
	}
	return at
}

func (t *Tuner) nextExtra() *channel {
	var next *channel
	for _, c := range t.channels {
		if !c.extraAt.IsZero() && (next == nil || c.extraAt.Before(next.extraAt)) {
			next = c
		}
	}
	return next
}

// onSecond moves an instant on to where the clock shows a whole second.
func (t *Tuner) onSecond(at time.Time) time.Time {
	shown := t.o.Clock.Now().Add(at.Sub(t.o.Clock.mono()))
	if part := time.Duration(shown.Nanosecond()); part > 0 {
		at = at.Add(time.Second - part)
	}
	return at
}

// sleep waits until the first whole second at or after at.
func (t *Tuner) sleep(ctx context.Context, at time.Time) bool {
	timer := time.NewTimer(t.o.Clock.until(t.onSecond(later(t.o.Clock.mono(), at))))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return ctx.Err() == nil
	}
}

// base makes a planned visit, or says why not.
func (t *Tuner) base(ctx context.Context, c *channel) {
	c.extraAt = time.Time{}
	at := t.o.Clock.Now().Truncate(time.Second)
	if !t.o.Clock.Set(at) { // no reading could be stamped
		t.become(unset, "the clock says "+at.Format(time.DateOnly), at)
		return
	}
	left := t.leave(at)
	switch {
	case t.o.Riding == RideOnly:
		t.onlyRide(ctx, c, at)
		return
	case left != "":
		t.become(left, "", at)
		t.notMade(ctx, c, at, reception.WhyKeepOut)
		t.rideAlong(ctx)
		return
	case t.o.Clock.mono().Before(t.retryAt):
		t.notMade(ctx, c, at, reception.WhyFailing)
		return
	}
	r, why := t.visit(ctx, c, at, reception.VisitBase)
	switch {
	case ctx.Err() != nil && why != reception.Measured: // stopped in the middle: nobody's fault
	case why != reception.Measured:
		t.notMade(ctx, c, at, why)
		if why == reception.WhyViewer {
			t.rideAlong(ctx)
		}
	default:
		t.hand(ctx, r)
		t.planExtra(c, r)
	}
}

func (t *Tuner) extra(ctx context.Context, c *channel) {
	at := t.o.Clock.Now().Truncate(time.Second)
	if t.leave(at) != "" || !t.o.Clock.Set(at) {
		return
	}
	if r, why := t.visit(ctx, c, at, reception.VisitExtra); why == reception.Measured {
		t.hand(ctx, r)
		t.planExtra(c, r)
	}
}

// visit asks the source and judges what came back.
func (t *Tuner) visit(ctx context.Context, c *channel, at time.Time, kind reception.VisitKind) (reception.Reading, reception.Reason) {
	limited, cancel := context.WithTimeout(ctx, t.o.LockWait+t.o.Dwell+grace)
	defer cancel()
	clock, start := t.o.Clock.Offset(), t.o.Clock.mono()
	r, err := t.ask(limited, Visit{Channel: c.Channel, Dwell: t.o.Dwell, LockWait: t.o.LockWait, Kind: kind, At: at})
	t.budget.held(start, t.o.Clock.mono().Sub(start))
	now := t.o.Clock.Now()
	if err == nil {
		r.Tuner = t.name
		r.Time = c.stamp(r.Time)
		if err = r.Validate(); err != nil {
			err = fmt.Errorf("the driver's reading cannot be true: %w", err)
		}
	}
	switch {
	case err == nil:
		t.recovered()
		if t.o.Clock.isStep(t.o.Clock.Offset() - clock) {
			return r, reception.WhyClock
		}
		t.become(measuring, "", now)
		return r, reception.Measured
	case ctx.Err() != nil:
		return r, reception.WhyOther
	case errors.Is(err, ErrBusy):
		t.recovered()
		t.become(inUse, "", now)
		return r, reception.WhyViewer
	case errors.Is(err, ErrChannel):
		if !c.refused {
			c.refused = true
			t.log.Warn("a channel cannot be visited", "frequency_hz", c.FrequencyHz, "error", err)
		}
		return r, reception.WhyOther
	}
	t.log.Debug("visit failed", "frequency_hz", c.FrequencyHz, "error", err)
	t.failed(err, now)
	return r, reception.WhyFailing
}

func (t *Tuner) recovered() {
	t.retry.Reset()
	t.retryAt = time.Time{}
}

func (t *Tuner) failed(err error, now time.Time) {
	t.retryAt = t.o.Clock.mono().Add(t.retry.NextBackOff())
	what, detail := conditionOf(err)
	t.become(what, detail, now)
}

// conditionOf returns what an error makes of a tuner, and the error's words without
// those that the condition says already.
func conditionOf(err error) (condition, string) {
	switch {
	case errors.Is(err, ErrGone):
		return gone, strings.TrimSuffix(err.Error(), ": "+ErrGone.Error())
	case errors.Is(err, ErrHung):
		return hung, strings.TrimSuffix(err.Error(), ": "+ErrHung.Error())
	}
	return failing, err.Error()
}

// ask calls the source; a panic in a driver is that tuner's failure.
func (t *Tuner) ask(ctx context.Context, v Visit) (r reception.Reading, err error) {
	defer func() {
		if p := recover(); p != nil {
			t.log.Error("the driver panicked; the tuner is tried again", "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("the driver panicked: %v", p)
		}
	}()
	return t.source.Visit(ctx, v)
}

// leave says why the tuner must not be taken for a visit at an instant; "" if it may.
func (t *Tuner) leave(at time.Time) condition {
	end := at.Add(t.o.LockWait + t.o.Dwell)
	switch {
	case slices.ContainsFunc(t.o.KeepOut, func(h Hours) bool { return h.holdBetween(at, end) }):
		return keptOut
	case t.o.Reserved != nil && t.o.Reserved(at, end):
		return reserved
	}
	return ""
}

func (t *Tuner) notMade(ctx context.Context, c *channel, at time.Time, why reception.Reason) {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.Layer, r.System = c.stamp(at.UnixMilli()), t.name, c.FrequencyHz, c.Layer, c.System
	r.Why, r.DwellMS = why, t.o.Dwell.Milliseconds()
	t.hand(ctx, r)
}

// stamp returns the first free second from ms on: after the clock went back a second
// may be taken.
func (c *channel) stamp(ms int64) int64 {
	for slices.Contains(c.stamps, ms) {
		ms += 1000
	}
	if len(c.stamps) == keepStamps {
		c.stamps = slices.Delete(c.stamps, 0, keepStamps/4)
	}
	c.stamps = append(c.stamps, ms)
	return ms
}

// hand passes a reading on, with those that are left from before.
func (t *Tuner) hand(ctx context.Context, r reception.Reading) {
	if len(t.pending) == keepPending {
		t.pending = slices.Delete(t.pending, 0, 1)
		t.dropped++
	}
	t.pending = append(t.pending, r)
	t.flush(ctx)
}

func (t *Tuner) flush(ctx context.Context) {
	if len(t.pending) == 0 {
		return
	}
	err := t.out(ctx, t.pending)
	switch {
	case err == nil:
		if t.stuck {
			t.log.Info("readings are handed on again", "kept", len(t.pending), "lost", t.dropped)
		}
		t.pending, t.stuck, t.dropped = nil, false, 0
	case ctx.Err() != nil: // the last call tries again
	case !t.stuck:
		t.stuck = true
		t.log.Warn("readings cannot be stored; the newest are kept and tried again", "keep", keepPending, "error", err)
	}
}

// last hands over what is left when the loop ends, in bounded time.
func (t *Tuner) last(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	t.flush(ctx)
	if n := len(t.pending); n > 0 {
		t.log.Error("readings are lost at the end: they could not be stored", "readings", n)
	}
}

// become notes what the tuner is doing and logs a change of it, once.
func (t *Tuner) become(c condition, detail string, at time.Time) {
	t.mu.Lock()
	was := t.state
	if c == measuring {
		t.state.good = at
	}
	t.state.detail = detail
	if was.what != c {
		t.state.what, t.state.since, t.state.from, t.state.offset = c, at, t.o.Clock.mono(), t.o.Clock.Offset()
	}
	t.mu.Unlock()
	if was.what == c || c.quiet() || was.what.quiet() && c == measuring {
		return
	}
	args := []any{"before", string(was.what), "for", t.o.Clock.mono().Sub(was.from).Round(time.Second).String()}
	if detail != "" {
		args = append(args, "why", detail)
	}
	if c.bad() {
		t.log.Warn("tuner is "+string(c), args...)
	} else {
		t.log.Info("tuner is "+string(c), args...)
	}
}
