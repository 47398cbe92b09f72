package daemon

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

type fake struct {
	name  string
	run   func(context.Context) error
	ready chan struct{}
	late  bool // never ready
}

func newFake(name string, run func(context.Context) error) *fake {
	return &fake{name: name, run: run, ready: make(chan struct{})}
}

func (f *fake) Run(ctx context.Context) error {
	if !f.late {
		close(f.ready)
	}
	return f.run(ctx)
}
func (f *fake) Ready() <-chan struct{} { return f.ready }
func (f *fake) String() string         { return f.name }

func TestTiersStopInReverse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var order []string
		until := func(name string) *fake {
			return newFake(name, func(ctx context.Context) error { <-ctx.Done(); order = append(order, name); return nil })
		}
		ctx, cancel := context.WithCancel(t.Context())
		err := runTiers(ctx, slog.New(slog.DiscardHandler), time.Second, cancel, tier{until("store")}, tier{until("poller")}, tier{until("pages")})
		if got := strings.Join(order, " "); err != nil || got != "pages poller store" {
			t.Errorf("stopped %q, err %v; want pages poller store and nil", got, err)
		}
	})
}

func TestOneFailureStopsAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stopped := false
		lower := newFake("store", func(ctx context.Context) error { <-ctx.Done(); stopped = true; return nil })
		upper := newFake("pages", func(context.Context) error { return errors.New("address in use") })
		upper.late = true // it fails before it is ready
		err := runTiers(t.Context(), slog.New(slog.DiscardHandler), time.Second, func() { t.Error("ready was called") }, tier{lower}, tier{upper})
		if err == nil || err.Error() != "pages: address in use" || !stopped {
			t.Errorf("err %v, lower stopped %v; want the cause and true", err, stopped)
		}
	})
}

func TestATaskThatHangsIsNamedAndLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		let := make(chan struct{})
		stuck := newFake("tuner attic", func(context.Context) error { <-let; return nil })
		ctx, cancel := context.WithCancel(t.Context())
		err := runTiers(ctx, slog.New(slog.DiscardHandler), time.Second, cancel, tier{stuck})
		if err == nil || !strings.Contains(err.Error(), "tuner attic") {
			t.Errorf("err %v, want it to name the task", err)
		}
		close(let)
	})
}

func TestInterruptWhileStarting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := newFake("slow", func(ctx context.Context) error { <-ctx.Done(); return nil })
		slow.late = true
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := runTiers(ctx, slog.New(slog.DiscardHandler), time.Second, func() { t.Error("ready was called") }, tier{slow}); err != nil {
			t.Errorf("err %v, want nil", err)
		}
	})
}
