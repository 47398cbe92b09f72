package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"github.com/go-co-op/gocron/v2"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// timers runs what goes by the clock: closing hours, reading the weather. Visits are
// timed by each tuner's own loop.
type timers struct {
	zone  *time.Location
	jobs  []timedJob
	log   *slog.Logger
	ready chan struct{}
}

// A timedJob runs at once and then every so often, never beside itself. Its error is
// logged when it changes.
type timedJob struct {
	name  string
	every time.Duration
	do    func(context.Context) error
}

func (g *gen) timers() (*timers, error) {
	t := &timers{zone: g.home.setup.zone, log: g.log, ready: make(chan struct{})}
	t.jobs = append(t.jobs, timedJob{"close hours", time.Minute, g.closeHours}, timedJob{"seal readings", time.Hour, g.tidy})
	t.jobs = append(t.jobs, g.calendarJobs()...)
	weather, err := g.weatherJobs()
	t.jobs = append(t.jobs, weather...)
	for i := range t.jobs {
		t.jobs[i].every = g.every(t.jobs[i].every)
	}
	return t, err
}

func (t *timers) String() string         { return "timers" }
func (t *timers) Ready() <-chan struct{} { return t.ready }

// Run keeps the jobs going until ctx ends. The scheduler is made here, since one that
// was made lives until it is shut down, and not all that is built runs.
func (t *timers) Run(ctx context.Context) error {
	sched, err := gocron.NewScheduler(gocron.WithLocation(t.zone), gocron.WithStopTimeout(grace))
	if err != nil {
		return fmt.Errorf("make the timers: %w", err)
	}
	for _, j := range t.jobs {
		last := ""
		_, err := sched.NewJob(gocron.DurationJob(j.every), gocron.NewTask(func() {
			err := j.run(ctx)
			switch {
			case err == nil || ctx.Err() != nil:
				last = ""
			case err.Error() != last:
				last = err.Error()
				t.log.Warn(j.name + ": " + last)
			}
		}), gocron.WithSingletonMode(gocron.LimitModeReschedule), gocron.WithStartAt(gocron.WithStartImmediately()), gocron.WithName(j.name))
		if err != nil {
			return errors.Join(fmt.Errorf("time %s: %w", j.name, err), sched.Shutdown())
		}
	}
	sched.Start()
	close(t.ready)
	<-ctx.Done()
	if err := sched.Shutdown(); err != nil {
		return fmt.Errorf("stop the timers: %w", err)
	}
	return nil
}

// run does the job once. A panic is the job's error: the scheduler would pass over it
// in silence.
func (j timedJob) run(ctx context.Context) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the program panicked: %v\n%s", p, debug.Stack())
		}
	}()
	return j.do(ctx)
}

// closeHours stores the tallies of hours that are over and makes again what late
// readings touched.
func (g *gen) closeHours(ctx context.Context) error {
	h := g.home
	fact := reception.Health{Kind: reception.HealthStore, Subject: h.dir, Since: g.params.Now().UnixMilli(), OK: true}
	err := h.begin(ctx)
	if err == nil {
		err = h.intake.CloseHours(ctx, g.clock.Now().UnixMilli())
	}
	if err == nil {
		err = h.intake.Rebuild(ctx)
	}
	waiting := h.intake.Counts().Waiting
	switch {
	case waiting > 0 || errors.Is(err, store.ErrFull):
		fact.OK = false
		fact.Detail = fmt.Sprintf("the disk is full; free some space in %s: %d readings are kept in memory, and newer ones up to a limit", h.dir, waiting)
	case err != nil:
		fact.OK, fact.Detail = false, err.Error()
	default: // what is measured is stored all the same
		fact.Detail = strings.Join(h.store.Problems(), "; ")
	}
	if ctx.Err() == nil {
		h.health.note(fact)
		h.pulse.beat()
	}
	return err
}

// tidy has the store seal what is old and merge what was sealed in parts.
func (g *gen) tidy(ctx context.Context) error { return g.home.store.Tidy(ctx, g.clock.Now()) }
