package watch

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// A ledger in memory with the contract's "latest known of each key holds".
type ledger struct {
	entries []reception.Entry
	fail    error
}

func (l *ledger) Put(_ context.Context, e ...reception.Entry) error {
	if l.fail != nil {
		return l.fail
	}
	l.entries = append(l.entries, e...)
	return nil
}

func (l *ledger) Entries(_ context.Context, kind string) iter.Seq2[reception.Entry, error] {
	return func(yield func(reception.Entry, error) bool) {
		type key struct {
			k string
			h int64
		}
		latest := map[key]reception.Entry{}
		var order []key
		for _, e := range l.entries {
			if e.Kind != kind {
				continue
			}
			k := key{e.Key, e.Held}
			if _, seen := latest[k]; !seen {
				order = append(order, k)
			}
			if e.Known >= latest[k].Known {
				latest[k] = e
			}
		}
		for _, k := range order {
			if !yield(latest[k], nil) {
				return
			}
		}
	}
}

type way struct {
	name  string
	told  []alerting.Event
	at    []time.Time
	fail  bool
	tries int
}

func (w *way) String() string { return "test" + w.name }
func (w *way) Notify(_ context.Context, e alerting.Event) error {
	w.tries++
	if w.fail {
		return errors.New("no way through")
	}
	w.told, w.at = append(w.told, e), append(w.at, time.Now())
	return nil
}

func silent(context.Context) ([]reception.Health, error) {
	return []reception.Health{{Kind: reception.HealthTuner, Subject: "attic", Since: time.Now().Add(-time.Hour).UnixMilli(), Detail: "unplugged"}}, nil
}

func answers(context.Context) ([]reception.Health, error) {
	return []reception.Health{{Kind: reception.HealthTuner, Subject: "attic", OK: true}}, nil
}

func noAnswer(context.Context) (answer.Answer, error) { return answer.Answer{}, nil }

func TestToldOnceAcrossRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, n := &ledger{}, &way{}
		health := silent
		start := func() (w *Watch, stop func()) {
			w, err := New(l, noAnswer, func(ctx context.Context) ([]reception.Health, error) { return health(ctx) }, []alerting.Notifier{n}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error)
			go func() { done <- w.Run(ctx) }()
			<-w.Ready()
			return w, func() {
				cancel()
				if err := <-done; err != nil {
					t.Errorf("Run = %v, want nil after cancel", err)
				}
			}
		}
		_, stop := start()
		time.Sleep(5 * time.Minute)
		stop()
		w, stop := start()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if len(n.told) != 1 || n.told[0].Kind != alerting.Raised || n.told[0].Alarm.Condition != alerting.TunerSilent {
			t.Fatalf("told %+v, want one raised tuner-silent", n.told)
		}
		id := n.told[0].Alarm.ID
		if err := w.Acknowledge(t.Context(), id); err != nil {
			t.Fatal(err)
		}
		stop()
		health = answers
		w, stop = start()
		time.Sleep(15 * time.Minute)
		stop()
		if as := w.Alarms(); len(as) != 1 || as[0].ID != id || as[0].Cleared == 0 || as[0].Acknowledged == 0 || as[0].Origin != "journal" {
			t.Errorf("alarms %+v, want the one, acknowledged and cleared", as)
		}
		if len(n.told) != 3 {
			t.Errorf("told %d events, want raised, acknowledged, cleared", len(n.told))
		}
		if len(w.outbox) != 0 {
			t.Errorf("%d messages still in the outbox", len(w.outbox))
		}
	})
}

func TestNoticeWaitsForAWayThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, n := &ledger{}, &way{fail: true}
		w, err := New(l, noAnswer, silent, []alerting.Notifier{n}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Load(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := w.Step(t.Context()); err != nil {
			t.Fatal(err)
		}
		for range 2 { // the second finds the way left alone, and still says so
			if err := w.tell(t.Context()); err == nil {
				t.Fatal("tell = nil from a way that fails")
			}
		}
		if n.tries != 1 {
			t.Errorf("%d tries at once, want 1 and a pause", n.tries)
		}
		// Killed here: the next process finds the message in the ledger.
		n.fail = false
		again, err := New(l, noAnswer, silent, []alerting.Notifier{n}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := again.Load(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := again.tell(t.Context()); err != nil || len(n.told) != 1 {
			t.Errorf("after restart: err %v, told %d, want nil and 1", err, len(n.told))
		}
	})
}

func TestEventsComeAgainWhenTheLedgerFails(t *testing.T) {
	l, n := &ledger{fail: errors.New("disk is full")}, &way{}
	w, err := New(l, noAnswer, silent, []alerting.Notifier{n}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Step(t.Context()); err == nil || !strings.Contains(err.Error(), "disk is full") {
		t.Fatalf("Step = %v, want the ledger's fault", err)
	}
	if len(w.Alarms()) != 0 {
		t.Error("an alarm that was not kept is shown")
	}
	l.fail = nil
	if err := w.Step(t.Context()); err != nil || len(w.Alarms()) != 1 {
		t.Errorf("second Step: err %v, %d alarms, want nil and 1", err, len(w.Alarms()))
	}
}

func TestTornCheckpointStartsAnewButKeepsAlarms(t *testing.T) {
	l := &ledger{}
	body, _ := json.Marshal(alerting.Event{Kind: alerting.Raised, Alarm: alerting.Alarm{ID: "x", Condition: alerting.TunerSilent, Scope: "attic", Raised: 5}})
	l.entries = []reception.Entry{
		{Kind: reception.KindAlarm, Key: "x", Held: 5, Known: 5, Body: body},
		{Kind: reception.KindCheckpoint, Key: checkpointKey, Known: 6, Body: []byte("{")},
	}
	w, err := New(l, noAnswer, silent, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Load(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(w.state.Open) != 1 {
		t.Errorf("open alarms %+v, want the one of the journal", w.state.Open)
	}
}

func TestAdoptsWhatAReplayLeftOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, n := &ledger{}, &way{}
		// Checkpoints of others leave the journal as empty as it is.
		l.entries = []reception.Entry{{Kind: reception.KindCheckpoint, Key: "other", Known: 5, Body: []byte("{}")}}
		open := alerting.Alarm{ID: "old", Condition: alerting.TunerSilent, Scope: "attic", Raised: 1000, Severity: alerting.Major, Origin: alerting.FromReplay}
		adopted := 0
		adopt := func(context.Context) (alerting.State, error) {
			adopted++
			return alerting.State{Open: []alerting.Alarm{open}}, nil
		}
		for range 2 { // the second start finds the journal as the first one left it
			w, err := New(l, noAnswer, silent, []alerting.Notifier{n}, Options{Adopt: adopt})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
			if err := w.Run(ctx); err != nil {
				t.Fatal(err)
			}
			cancel()
			if as := w.Alarms(); len(as) != 1 || as[0].ID != "old" || as[0].Origin != alerting.FromReplay || !as[0].Waits() {
				t.Errorf("alarms %+v, want the adopted one alone, to be acknowledged", as)
			}
		}
		if adopted != 1 || len(n.told) != 1 {
			t.Errorf("adopted %d times, told %d; want once each", adopted, len(n.told))
		}
		w, err := New(l, noAnswer, silent, nil, Options{})
		if err == nil {
			err = w.Load(t.Context())
		}
		if err == nil {
			err = w.Acknowledge(t.Context(), "old")
		}
		if as := w.Alarms(); err != nil || len(as) != 1 || as[0].Acknowledged == 0 || as[0].Waits() {
			t.Errorf("after acknowledging: %+v, %v", as, err)
		}
	})
}

// A way that wakes nobody.
type lineWay struct{ way }

func (*lineWay) WakesNobody() {}

// run runs a watch for a while.
func run(t *testing.T, w *Watch, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := w.Run(ctx); err != nil {
		t.Fatal(err)
	}
}

// The bubble's clock begins at midnight UTC.
func TestQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, person, line := &ledger{}, &way{}, &lineWay{way{name: " line"}}
		start := time.Now()
		quiet := func(at time.Time) bool { h := at.UTC().Hour(); return h >= 22 || h < 7 }
		health := func(context.Context) ([]reception.Health, error) {
			sick := time.Since(start) < 5*time.Hour || time.Since(start) > 9*time.Hour
			broken := time.Since(start) > 2*time.Hour && time.Since(start) < 4*time.Hour
			return []reception.Health{
				{Kind: reception.HealthTuner, Subject: "attic", OK: !sick},
				{Kind: reception.HealthStore, Subject: "store", OK: !broken},
			}, nil
		}
		w, err := New(l, noAnswer, health, []alerting.Notifier{person, line}, Options{Quiet: quiet})
		if err != nil {
			t.Fatal(err)
		}
		run(t, w, 10*time.Hour)
		var got []string
		for i, e := range person.told {
			got = append(got, person.at[i].Sub(start).Round(time.Minute).String()+" "+string(e.Kind)+" "+string(e.Alarm.Condition))
		}
		want := "2h6m0s raised store-failing, 7h0m0s raised tuner-silent, 7h0m0s cleared store-failing, 7h0m0s cleared tuner-silent, 9h31m0s raised tuner-silent"
		if s := strings.Join(got, ", "); s != want {
			t.Errorf("told\n%s\nwant\n%s", s, want)
		}
		if len(line.told) != 5 || line.at[0].Sub(start) > 31*time.Minute {
			t.Errorf("the log was told %d events, the first at %v; want 5, at once", len(line.told), line.at[0].Sub(start))
		}
		for _, e := range l.entries { // the journal never waits
			if e.Kind == reception.KindAlarm && e.Known-e.Held > 24*time.Hour.Milliseconds() {
				t.Errorf("entry of %d was kept at %d", e.Held, e.Known)
			}
		}
		if first := l.entries[slices.IndexFunc(l.entries, func(e reception.Entry) bool { return e.Kind == reception.KindAlarm })]; first.Known-start.UnixMilli() > 31*60*1000 {
			t.Errorf("the first alarm entered the journal %d ms after the start", first.Known-start.UnixMilli())
		}
	})
}

func TestOneWayThatFailsHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad, good := &way{name: " bad", fail: true}, &way{name: " good"}
		var healthy atomic.Bool
		health := func(ctx context.Context) ([]reception.Health, error) {
			if healthy.Load() {
				return answers(ctx)
			}
			return silent(ctx)
		}
		w, err := New(&ledger{}, noAnswer, health, []alerting.Notifier{bad, good}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- w.Run(ctx) }()
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		if bad.tries < 8 || bad.tries > 40 {
			t.Errorf("%d tries in two hours, want them spread out to a quarter of an hour", bad.tries)
		}
		healthy.Store(true)
		time.Sleep(13 * time.Minute)
		synctest.Wait()
		if len(good.told) != 2 {
			t.Errorf("the good way was told %d events, want 2", len(good.told))
		}
		time.Sleep(giveUp + 2*time.Hour)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if len(w.outbox) != 0 {
			t.Errorf("%d messages are still tried after a week", len(w.outbox))
		}
	})
}

// When the store fails, the journal may be what cannot be written: it is told at once,
// once, and again when the journal can be.
func TestStoreThatFailsIsToldWithoutAJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, n := &ledger{fail: errors.New("disk is full")}, &way{}
		health := func(context.Context) ([]reception.Health, error) {
			return []reception.Health{{Kind: reception.HealthStore, Subject: "store", Since: time.Now().Add(-time.Hour).UnixMilli()}}, nil
		}
		w, err := New(l, noAnswer, health, []alerting.Notifier{n}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			if err := w.Step(t.Context()); err == nil {
				t.Fatal("Step = nil with a ledger that fails")
			}
			time.Sleep(time.Minute)
		}
		if len(n.told) != 1 || n.told[0].Alarm.Condition != alerting.StoreFailing {
			t.Fatalf("told %+v, want store-failing once", n.told)
		}
		l.fail = nil
		if err := errors.Join(w.Step(t.Context()), w.tell(t.Context())); err != nil || len(n.told) != 2 || len(w.Alarms()) != 1 {
			t.Errorf("err %v, %d told, %d alarms; want nil, 2, 1", err, len(n.told), len(w.Alarms()))
		}
	})
}

// A tuner is silent for half an hour before anybody is told, whatever the clock on the
// wall does meanwhile.
func TestAClockThatIsSet(t *testing.T) {
	for _, step := range []time.Duration{0, 24 * time.Hour, -24 * time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			l, n := &ledger{}, &way{}
			began := time.Now().AddDate(0, 0, 7) // the bubble begins on the first day that a clock may show
			var offset atomic.Int64
			now := func() time.Time { return time.Now().AddDate(0, 0, 7).Add(time.Duration(offset.Load())) }
			begin := time.Now()
			health := func(context.Context) ([]reception.Health, error) { // asked each minute, by who tells
				if len(n.told) != 0 && time.Since(begin) < 29*time.Minute {
					t.Errorf("clock set by %v: told within 29 minutes", step)
				}
				return []reception.Health{{Kind: reception.HealthTuner, Subject: "attic", Since: began.Add(time.Duration(offset.Load())).UnixMilli(), Detail: "unplugged"}}, nil
			}
			w, err := New(l, noAnswer, health, []alerting.Notifier{n}, Options{Now: now, Offset: func() time.Duration { return time.Duration(offset.Load()) }})
			if err != nil {
				t.Fatal(err)
			}
			time.AfterFunc(10*time.Minute+time.Second, func() { offset.Store(int64(step)) })
			run(t, w, 32*time.Minute)
			if len(n.told) != 1 {
				t.Errorf("clock set by %v: told %d times in 32 minutes, want once", step, len(n.told))
			}
		})
	}
}
