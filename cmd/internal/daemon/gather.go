package daemon

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"holdfast/analysis/reception"
)

// A gatherer brings the visits of all tuners together, so that they share a commit: on
// the embedded store ten readings in one write 10 KB, one by one 49 KB. What it was
// given is in memory alone until then.
type gatherer struct {
	add   func(context.Context, []reception.Reading) error
	every time.Duration
	log   *slog.Logger
	ready chan struct{}
	some  chan struct{} // holds a token when something may be waiting

	mu      sync.Mutex
	waiting []reception.Reading
	err     error // why they could not be stored the last time
}

// maxGathered is how many readings wait at most while they cannot be stored; each
// tuner keeps more by itself.
const maxGathered = 1000

func newGatherer(add func(context.Context, []reception.Reading) error, every time.Duration, log *slog.Logger) *gatherer {
	return &gatherer{add: add, every: every, log: log, ready: make(chan struct{}), some: make(chan struct{}, 1)}
}

func (g *gatherer) String() string         { return "gatherer" }
func (g *gatherer) Ready() <-chan struct{} { return g.ready }

// take takes readings to be stored later. It refuses them, for the caller to keep,
// while too many wait that could not be stored.
func (g *gatherer) take(rs []reception.Reading) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.err != nil && len(g.waiting)+len(rs) > maxGathered {
		return g.err
	}
	g.waiting = append(g.waiting, rs...)
	select {
	case g.some <- struct{}{}:
	default:
	}
	return nil
}

// Run stores what came, not later than every after its first reading, and what is left
// when ctx ends.
func (g *gatherer) Run(ctx context.Context) error {
	close(g.ready)
	for {
		select {
		case <-ctx.Done():
			return g.last(ctx)
		case <-g.some:
		}
		select {
		case <-ctx.Done():
			return g.last(ctx)
		case <-time.After(g.every):
			g.flush(ctx)
		}
	}
}

func (g *gatherer) last(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace/2)
	defer cancel()
	if n := g.flush(ctx); n > 0 {
		g.log.Error("readings are lost at the end: they could not be stored", "readings", n)
	}
	return nil
}

// flush stores what waits and returns how many readings still do.
func (g *gatherer) flush(ctx context.Context) int {
	g.mu.Lock()
	rs := g.waiting
	g.waiting = nil
	g.mu.Unlock()
	if len(rs) == 0 {
		return 0
	}
	err := g.add(ctx, rs)
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case err == nil && g.err != nil:
		g.log.Info("readings are stored again", "kept", len(rs))
	case err != nil && g.err == nil && ctx.Err() == nil:
		g.log.Warn("readings cannot be stored; they are kept and tried again", "keep", maxGathered, "error", err)
	}
	if g.err = err; err != nil {
		g.waiting = slices.Concat(rs, g.waiting)
		select {
		case g.some <- struct{}{}:
		default:
		}
	}
	return len(g.waiting)
}
