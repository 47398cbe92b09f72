package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"golang.org/x/sync/errgroup"
)

// A task runs until its context ends and then returns nil. It returns an error only
// for what the process cannot survive.
type task interface {
	Run(ctx context.Context) error
	Ready() <-chan struct{}
	String() string
}

// A tier is a set of tasks that start and stop together.
type tier []task

// runTiers starts tiers in order, each once the one before is ready, calls ready,
// and waits until ctx ends or a task fails. Then it stops them in reverse order,
// each tier within grace. What a task returned is joined into the error.
func runTiers(ctx context.Context, log *slog.Logger, grace time.Duration, ready func(), tiers ...tier) error {
	type running struct {
		cancel context.CancelFunc
		done   chan error
		tasks  tier
	}
	var up []running
	failed := make(chan struct{}, len(tiers))
	var errs []error
	started := false
start:
	for _, tasks := range tiers {
		tctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
		g, gctx := errgroup.WithContext(tctx)
		for _, t := range tasks {
			g.Go(func() error {
				if err := t.Run(gctx); err != nil {
					return fmt.Errorf("%s: %w", t, err)
				}
				if gctx.Err() == nil {
					return fmt.Errorf("%s: ended by itself", t)
				}
				return nil
			})
		}
		r := running{cancel, make(chan error, 1), tasks}
		up = append(up, r)
		go func() {
			err := g.Wait()
			r.done <- err
			if err != nil {
				failed <- struct{}{}
			}
		}()
		for _, t := range tasks {
			select {
			case <-t.Ready():
				log.Debug("ready", "task", t.String())
			case <-failed:
				break start
			case <-ctx.Done():
				break start
			}
		}
		started = len(up) == len(tiers)
	}
	if started {
		ready()
		select {
		case <-ctx.Done():
		case <-failed:
		}
	}
	for i := len(up) - 1; i >= 0; i-- {
		up[i].cancel()
		select {
		case err := <-up[i].done:
			errs = append(errs, err)
		case <-time.After(grace):
			names := make([]string, len(up[i].tasks))
			for j, t := range up[i].tasks {
				names[j] = t.String()
			}
			errs = append(errs, fmt.Errorf("%v did not stop within %s and is left behind", names, grace))
		}
	}
	return errors.Join(errs...)
}
