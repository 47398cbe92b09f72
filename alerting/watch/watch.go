// Package watch drives the alarm machine in the daemon: it steps it when something
// changed, keeps every event in the ledger before anybody is told, and tells people
// at least once.
package watch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// A Journal is the part of the ledger that alarms need.
type Journal interface {
	Put(ctx context.Context, e ...reception.Entry) error
	Entries(ctx context.Context, kind string) iter.Seq2[reception.Entry, error]
}

// Options tune a Watch. Zero values are the defaults.
type Options struct {
	Every time.Duration // between steps, default 1 min
	Now   func() time.Time
	Log   *slog.Logger
	// Adopt is asked once, when the journal is empty: the state in which a replay over
	// imported history ended. Its open alarms enter the journal, marked as replay, and
	// are told. nil adopts nothing.
	Adopt func(ctx context.Context) (alerting.State, error)
	// Quiet reports whether the household sleeps at an instant; nil: never. Messages wait
	// till it wakes, but for critical ones and for ways that wake nobody. The journal
	// never waits.
	Quiet func(time.Time) bool
	// Offset returns how far the clock has been set so far, forward is positive; nil:
	// it never is. What lasts is not counted by a clock that was set meanwhile.
	Offset func() time.Duration
}

// setBy is how far the clock must have been set for running times to follow: below,
// nothing that they decide changes, and each change is a write.
const setBy = time.Minute

// giveUp is how long a message is tried: a way that is away for longer than a week
// would bring news of the past.
const giveUp = 7 * 24 * time.Hour

// A Watch holds the state of the machine. Its methods may be called concurrently.
type Watch struct {
	journal   Journal
	answer    func(ctx context.Context) (answer.Answer, error)
	health    func(ctx context.Context) ([]reception.Health, error)
	notifiers []alerting.Notifier
	opt       Options
	ready     chan struct{}

	mu     sync.Mutex // guards what follows and orders the journal
	state  alerting.State
	alarms []alerting.Alarm
	outbox []parcel
	known  int64         // latest Known written or read
	offset time.Duration // of the clock that the state's running times go by
	saved  string        // the checkpoint as last written
	fresh  bool          // the journal had nothing

	pauses map[string]*pause // of ways that failed; the loop's own
	unkept map[string]bool   // what was told without a journal, by condition and scope
}

// A pause is how long a way that failed is left alone.
type pause struct {
	backoff *backoff.ExponentialBackOff
	until   time.Time
	err     error
}

// A parcel is one event on its way to one notifier. Its key in the ledger is its
// own, so that it is told once at least and dropped once told.
type parcel struct {
	Way   string         `json:"way"`
	Event alerting.Event `json:"event"`
	key   string
	held  int64
}

// New returns a watch. answer and health are asked at each step.
func New(j Journal, answer func(context.Context) (answer.Answer, error), health func(context.Context) ([]reception.Health, error), notifiers []alerting.Notifier, o Options) (*Watch, error) {
	if o.Every == 0 {
		o.Every = time.Minute
	}
	if o.Every < time.Millisecond {
		return nil, fmt.Errorf("alarm step Every %s is too short", o.Every)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Watch{journal: j, answer: answer, health: health, notifiers: notifiers, opt: o, ready: make(chan struct{}), pauses: map[string]*pause{}, unkept: map[string]bool{}}, nil
}

func (w *Watch) String() string { return "alarms" }

// Ready is closed once the journal was read.
func (w *Watch) Ready() <-chan struct{} { return w.ready }

// Run steps until ctx ends. It returns an error only if the journal cannot be read
// at the start; later faults are logged when they change and retried.
func (w *Watch) Run(ctx context.Context) error {
	err := w.Load(ctx)
	if err == nil {
		err = w.adopt(ctx)
	}
	if ctx.Err() != nil {
		return nil
	}
	if err != nil {
		return err
	}
	close(w.ready)
	tick := time.NewTicker(w.opt.Every)
	defer tick.Stop()
	var last string
	for {
		err = errors.Join(w.Step(ctx), w.tell(ctx))
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			last = ""
		} else if err.Error() != last {
			last = err.Error()
			w.opt.Log.Warn("alarms: " + last + "; trying again")
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

const checkpointKey = "alerting"

// Load reads the state, the alarms and what was not yet told from the journal. Run
// calls it; a command that only looks calls it alone.
func (w *Watch) Load(ctx context.Context) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	var events []alerting.Event
	err := w.each(ctx, reception.KindAlarm, func(e reception.Entry) error {
		var ev alerting.Event
		err := json.Unmarshal(e.Body, &ev)
		events = append(events, ev)
		return err
	})
	if err != nil {
		return err
	}
	w.alarms = alerting.Apply(nil, events)
	for i := range w.alarms {
		w.alarms[i].Kept = true
	}
	w.fresh = len(w.alarms) == 0
	err = w.each(ctx, reception.KindCheckpoint, func(e reception.Entry) error {
		if e.Key != checkpointKey {
			return nil
		}
		w.fresh = false
		if err := json.Unmarshal(e.Body, &w.state); err != nil {
			// The alarms themselves are the truth; only running times start anew.
			w.opt.Log.Warn("alarms: the kept state cannot be read and starts anew: " + err.Error())
			w.state = alerting.State{}
		}
		return nil
	})
	if err != nil {
		return err
	}
	// What is open in the journal is open in the machine, whatever the checkpoint says.
	w.state.Open = slices.DeleteFunc(slices.Clone(w.alarms), func(a alerting.Alarm) bool { return a.Cleared != 0 })
	w.outbox = nil
	return w.each(ctx, reception.KindOutbox, func(e reception.Entry) error {
		p := parcel{key: e.Key, held: e.Held}
		err := json.Unmarshal(e.Body, &p)
		w.outbox = append(w.outbox, p)
		return err
	})
}

// adopt takes over what a replay left open.
func (w *Watch) adopt(ctx context.Context) error {
	if !w.fresh || w.opt.Adopt == nil {
		return nil
	}
	s, err := w.opt.Adopt(ctx)
	if err != nil {
		return fmt.Errorf("replay alarms over history: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	var events []alerting.Event
	for _, a := range s.Open {
		events = append(events, alerting.Event{Kind: alerting.Raised, At: a.Raised, Alarm: a})
	}
	return w.keep(ctx, s, events)
}

// each visits the standing entries of a kind; those withdrawn, such as messages told,
// are passed over.
func (w *Watch) each(ctx context.Context, kind string, visit func(reception.Entry) error) error {
	for e, err := range w.journal.Entries(ctx, kind) {
		if err != nil {
			return fmt.Errorf("read %s entries from the ledger: %w", kind, err)
		}
		w.known = max(w.known, e.Known)
		if len(e.Body) == 0 {
			continue
		}
		if err := visit(e); err != nil {
			return fmt.Errorf("read %s entry %q from the ledger: %w", kind, e.Key, err)
		}
	}
	return nil
}

// Step asks for an answer and moves the machine to now. Events are in the ledger
// when it returns nil.
func (w *Watch) Step(ctx context.Context) error {
	a, err := w.answer(ctx)
	if err != nil {
		return fmt.Errorf("answer for the alarms: %w", err)
	}
	h, err := w.health(ctx)
	if err != nil {
		return fmt.Errorf("health for the alarms: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.opt.Offset != nil {
		offset := w.opt.Offset()
		if set := offset - w.offset; set.Abs() >= setBy {
			w.state, w.offset = w.state.Shift(set.Milliseconds()), offset
		}
	}
	next, events := alerting.Step(w.state, w.opt.Now().UnixMilli(), a, h)
	return w.keep(ctx, next, events)
}

// Acknowledge marks an open alarm as seen.
func (w *Watch) Acknowledge(ctx context.Context, id string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	next, events, ok := alerting.Acknowledge(w.state, id, w.opt.Now().UnixMilli())
	if !ok {
		return fmt.Errorf("%w: %q", alerting.ErrNoAlarm, id)
	}
	return w.keep(ctx, next, events)
}

// Alarms lists every alarm of the journal in order of raising.
func (w *Watch) Alarms() []alerting.Alarm {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.alarms)
}

// keep writes events, their parcels and the state in one transaction, then moves to
// the new state. On an error the old state stays, so that the events come again.
func (w *Watch) keep(ctx context.Context, next alerting.State, events []alerting.Event) error {
	known := max(w.opt.Now().UnixMilli(), w.known+1) // rises even when the clock does not
	var put []reception.Entry
	var parcels []parcel
	add := func(kind, key string, held int64, body any) error {
		b, err := json.Marshal(body)
		put = append(put, reception.Entry{Kind: kind, Key: key, Held: held, Known: known, Body: b})
		return err
	}
	var errs []error
	for i := range events {
		if events[i].Alarm.Origin == "" {
			events[i].Alarm.Origin = alerting.FromJournal
		}
		events[i].Alarm.Kept = true
		e := events[i]
		errs = append(errs, add(reception.KindAlarm, e.Alarm.ID, e.Alarm.Raised, e))
		for _, n := range w.notifiers {
			p := parcel{Way: n.String(), Event: e, key: fmt.Sprintf("%s %s %d %s", e.Alarm.ID, e.Kind, known, n), held: known}
			errs = append(errs, add(reception.KindOutbox, p.key, p.held, p))
			parcels = append(parcels, p)
		}
		known++
	}
	// The time of the last step alone is not worth a write a minute.
	settled := next
	settled.SeenMS = 0
	state, err := json.Marshal(settled)
	errs = append(errs, err)
	if string(state) != w.saved {
		errs = append(errs, add(reception.KindCheckpoint, checkpointKey, 0, next))
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("keep alarms: %w", err)
	}
	if len(put) > 0 {
		if err := w.journal.Put(ctx, put...); err != nil {
			return errors.Join(fmt.Errorf("keep alarms in the ledger: %w", err), w.tellUnkept(ctx, events))
		}
		clear(w.unkept)
		w.saved, w.known = string(state), known
	}
	w.state = next
	w.alarms = alerting.Apply(w.alarms, events)
	w.outbox = append(w.outbox, parcels...)
	return nil
}

// tellUnkept tells, once, that disk or store fail when that is why the journal cannot be
// written. It is told again, with another id, when the journal can.
func (w *Watch) tellUnkept(ctx context.Context, events []alerting.Event) error {
	var errs []error
	for _, e := range events {
		c := e.Alarm.Condition
		if e.Kind != alerting.Raised || c != alerting.StoreFailing && c != alerting.DiskFailing {
			continue
		}
		for _, n := range w.notifiers {
			key := fmt.Sprintf("%s %s %s", c, e.Alarm.Scope, n)
			if w.unkept[key] || w.waits(n, e) {
				continue
			}
			if err := n.Notify(ctx, e); err != nil {
				errs = append(errs, fmt.Errorf("tell by %s: %w", n, err))
				continue
			}
			w.unkept[key] = true
		}
	}
	return errors.Join(errs...)
}

// waits reports whether a message waits for the end of the quiet hours.
func (w *Watch) waits(n alerting.Notifier, e alerting.Event) bool {
	if _, silent := n.(alerting.Silent); silent || w.opt.Quiet == nil || e.Alarm.Severity == alerting.Critical && e.Kind != alerting.Acknowledged {
		return false
	}
	return w.opt.Quiet(w.opt.Now())
}

// tell hands over what is in the outbox, oldest first for each way. A way that fails
// keeps its parcels and is left alone for a while; the others go on. What it returns
// stands until that way works again.
func (w *Watch) tell(ctx context.Context) error {
	w.mu.Lock()
	todo := slices.Clone(w.outbox)
	w.mu.Unlock()
	var errs []error
	failed := map[string]error{}
	for _, p := range todo {
		now := w.opt.Now()
		i := slices.IndexFunc(w.notifiers, func(n alerting.Notifier) bool { return n.String() == p.Way })
		switch pause := w.pauses[p.Way]; {
		case i < 0: // a way that the config no longer names has nobody to tell
		case failed[p.Way] != nil, w.waits(w.notifiers[i], p.Event):
			continue
		case pause != nil && now.Before(pause.until):
			failed[p.Way] = pause.err
			errs = append(errs, pause.err)
			continue
		default:
			err := w.notifiers[i].Notify(ctx, p.Event)
			if err != nil && ctx.Err() != nil {
				return ctx.Err()
			}
			if err == nil {
				delete(w.pauses, p.Way)
				break
			}
			failed[p.Way] = fmt.Errorf("tell by %s: %w", p.Way, err)
			errs = append(errs, failed[p.Way])
			w.leaveAlone(p.Way, now, failed[p.Way])
			if now.Sub(time.UnixMilli(p.held)) < giveUp {
				continue
			}
			w.opt.Log.Error("alarms: a message could not be told for a week and is given up; the journal has it", "way", p.Way, "alarm", p.Event.Alarm.ID, "error", err)
		}
		// Noted even at the end: what was told is not told again after a restart.
		if err := w.told(context.WithoutCancel(ctx), p); err != nil {
			return errors.Join(append(errs, err)...)
		}
	}
	return errors.Join(errs...)
}

// leaveAlone lengthens a way's pause: from seconds up to a quarter of an hour.
func (w *Watch) leaveAlone(way string, now time.Time, err error) {
	p := w.pauses[way]
	if p == nil {
		p = &pause{backoff: backoff.NewExponentialBackOff()}
		p.backoff.InitialInterval, p.backoff.MaxInterval = 5*time.Second, 15*time.Minute
		w.pauses[way] = p
	}
	p.until, p.err = now.Add(p.backoff.NextBackOff()), err
}

func (w *Watch) told(ctx context.Context, p parcel) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	known := max(w.opt.Now().UnixMilli(), w.known+1)
	if err := w.journal.Put(ctx, reception.Entry{Kind: reception.KindOutbox, Key: p.key, Held: p.held, Known: known}); err != nil {
		return fmt.Errorf("note in the ledger that %q was told: %w", p.key, err)
	}
	w.known = known
	w.outbox = slices.DeleteFunc(w.outbox, func(o parcel) bool { return o.key == p.key })
	return nil
}
