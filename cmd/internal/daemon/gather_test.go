package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/analysis/reception"
)

// gathering runs a gatherer of 30 s whose store fails while *fault is set, and notes
// when it stored how many readings.
func gathering(t *testing.T, fault *error, do func(g *gatherer)) (log []string) {
	synctest.Test(t, func(t *testing.T) {
		from := time.Now()
		next := int64(0)
		g := newGatherer(func(_ context.Context, rs []reception.Reading) error {
			if *fault != nil {
				return *fault
			}
			for _, r := range rs {
				if r.Time != next {
					t.Errorf("reading %d came, want %d", r.Time, next)
				}
				next++
			}
			log = append(log, fmt.Sprintf("%v: %d", time.Since(from), len(rs)))
			return nil
		}, 30*time.Second, slog.New(slog.DiscardHandler))
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- g.Run(ctx) }()
		<-g.Ready()
		do(g)
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return log
}

// some returns readings that follow from number n on.
func some(from, n int64) (out []reception.Reading) {
	for i := range n {
		out = append(out, reception.Reading{Time: from + i})
	}
	return out
}

func TestGatherer(t *testing.T) {
	t.Parallel()
	broken := errors.New("broken")
	for _, c := range []struct {
		name string
		do   func(t *testing.T, g *gatherer, fault *error)
		want []string
	}{
		{"thirty seconds of visits are stored together", func(t *testing.T, g *gatherer, _ *error) {
			for i := range int64(6) {
				g.take(some(2*i, 2))
				time.Sleep(7 * time.Second)
			}
		}, []string{"30s: 10", "42s: 2"}},
		{"nothing waits longer", func(t *testing.T, g *gatherer, _ *error) {
			g.take(some(0, 1))
			time.Sleep(100 * time.Second)
			g.take(some(1, 1))
			time.Sleep(100 * time.Second)
		}, []string{"30s: 1", "2m10s: 1"}},
		{"the end stores what is left", func(t *testing.T, g *gatherer, _ *error) {
			time.Sleep(time.Second)
			g.take(some(0, 3))
		}, []string{"1s: 3"}},
		{"what cannot be stored is kept, in order, up to a limit", func(t *testing.T, g *gatherer, fault *error) {
			*fault = broken
			g.take(some(0, 5))
			time.Sleep(31 * time.Second)
			g.take(some(5, 5))
			time.Sleep(31 * time.Second)
			if err := g.take(some(10, maxGathered)); !errors.Is(err, broken) {
				t.Errorf("more than the limit: %v, want why it cannot be stored", err)
			}
			*fault = nil
			if err := g.take(some(10, 2)); err != nil {
				t.Error(err)
			}
			time.Sleep(40 * time.Second)
		}, []string{"1m30s: 12"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var fault error
			got := gathering(t, &fault, func(g *gatherer) { c.do(t, g, &fault) })
			if fmt.Sprint(got) != fmt.Sprint(c.want) {
				t.Errorf("stored %v, want %v", got, c.want)
			}
		})
	}
}
