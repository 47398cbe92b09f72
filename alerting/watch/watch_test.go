package watch

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"strings"
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
	told []alerting.Event
	fail bool
}

func (w *way) String() string { return "test" }
func (w *way) Notify(_ context.Context, e alerting.Event) error {
	if w.fail {
		return errors.New("no way through")
	}
	w.told = append(w.told, e)
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
		if err := w.tell(t.Context()); err == nil {
			t.Fatal("tell = nil from a way that fails")
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
			if as := w.Alarms(); len(as) != 1 || as[0].ID != "old" || as[0].Origin != alerting.FromReplay {
				t.Errorf("alarms %+v, want the adopted one alone", as)
			}
		}
		if adopted != 1 || len(n.told) != 1 {
			t.Errorf("adopted %d times, told %d; want once each", adopted, len(n.told))
		}
	})
}
