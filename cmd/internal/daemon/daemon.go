// Package daemon wires the parts of holdfast together: it opens a home's store, runs
// tuners, weather, alarms and pages over it, reloads the config, and shuts down.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"holdfast/alerting"
	"holdfast/alerting/watch"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
	"holdfast/collector/calendar"
	"holdfast/collector/store"
	"holdfast/collector/weather"
	"holdfast/configs"
	"holdfast/dashboards"
)

// grace is how long each part may take to stop.
const grace = 10 * time.Second

// gcPercent is how much of garbage a daemon may have beside what it keeps: over a year of
// forty channels it keeps 50 MB, and it runs for months on machines with little memory.
const gcPercent = 50

// Params say what Run is to do.
type Params struct {
	Config configs.Config
	// Load reads the config again on a reload; nil leaves reloads unanswered.
	Load    func() (configs.Config, error)
	DataDir string
	Reload  <-chan os.Signal
	Log     *slog.Logger
	Version string
	Now     func() time.Time
	// Bound is told the address of the pages, as a browser takes it, once they listen.
	Bound func(url string)
	// AnyPort takes a free port of the same host where the config's is taken.
	AnyPort bool
	// Started is called each time everything has started.
	Started func()
	// World returns the world that simulated tuners receive; nil makes one that
	// begins now.
	World func(seed int) *firstworld.World
	Hurry float64 // of simulated tuners; 0 is 1
	// Speed is how many seconds of Now pass in a second; 0 is 1. Above it all tuners are
	// simulated: everything that is timed goes by Now.
	Speed float64
	// Away reports whether a simulated tuner is unplugged; nil: never.
	Away func(tuner string, at time.Time) bool
	// Share is the greatest part of the time that a tuner is held; 0 is the collector's own.
	Share float64
	// Weather sources beside the config's, read each minute.
	Weather []weather.Source
}

// Run runs the daemon until ctx ends. A reload that fails leaves the old config in
// force and says why in the log.
func Run(ctx context.Context, p Params) error {
	if p.Now == nil {
		p.Now = time.Now
	}
	if p.World == nil {
		p.World = oneWorld(p.Now())
	}
	if p.Speed == 0 {
		p.Speed = 1
	}
	if os.Getenv("GOGC") == "" {
		defer debug.SetGCPercent(debug.SetGCPercent(gcPercent))
	}
	h, err := OpenOrReach(ctx, p.Config, p.DataDir, Options{Now: p.Now, Log: p.Log, Version: p.Version})
	switch {
	case ctx.Err() != nil && err != nil: // stopped while it waited
		return nil
	case err != nil:
		return err
	case h == nil:
		return fmt.Errorf("open store %s: %w: a daemon runs there already; stop it first, or name another folder with --data", p.DataDir, store.ErrInUse)
	}
	defer func() {
		if err := h.Close(); err != nil {
			p.Log.Error("close the home", "error", err)
		}
	}()
	if err := h.begin(ctx); err != nil {
		return err
	}
	cfg, old := p.Config, (*configs.Config)(nil)
	for {
		next, err := generation(ctx, h, cfg, p)
		switch {
		case err != nil && next != nil:
			p.Log.Error("the old config did not stop in order; taking up the new one", "error", err)
			old = &cfg
		case err != nil && old != nil && ctx.Err() == nil:
			p.Log.Error("the new config does not run; going on with the old config", "error", err)
			next, old = old, nil
		case err != nil:
			return err
		case next == nil:
			return nil
		default:
			old = &cfg
		}
		if err := h.prepareAgain(ctx, *next); err != nil {
			return fmt.Errorf("take up the config: %w", err)
		}
		keep := cfg
		if old != nil {
			old = &keep
		}
		cfg = *next
	}
}

// oneWorld makes each seed's world once.
func oneWorld(now time.Time) func(int) *firstworld.World {
	var mu sync.Mutex
	worlds := map[int]*firstworld.World{}
	return func(seed int) *firstworld.World {
		mu.Lock()
		defer mu.Unlock()
		if worlds[seed] == nil {
			worlds[seed] = firstworld.New(uint64(seed), now)
		}
		return worlds[seed]
	}
}

func (h *Home) prepareAgain(ctx context.Context, c configs.Config) error {
	s, err := setupFrom(c)
	if err != nil {
		return err
	}
	return h.prepare(ctx, s, c)
}

// generation runs everything under one config. It returns the next config when a
// reload gave a good one, nil at the end.
func generation(ctx context.Context, h *Home, c configs.Config, p Params) (*configs.Config, error) {
	gctx, stop := context.WithCancel(ctx)
	defer stop()
	h.gathered(nil)
	h.health.forget()
	g := &gen{home: h, config: c, params: p, log: p.Log, clock: collector.NewFastClock(p.Now, p.Speed, p.Log)}
	tiers, err := g.build(gctx)
	if err != nil {
		return nil, err
	}
	defer g.close()
	h.setReady(errors.New("still starting"))
	defer h.setReady(errors.New("stopping"))

	var next *configs.Config
	waited := make(chan struct{})
	go func() {
		defer close(waited)
		for {
			select {
			case <-gctx.Done():
				return
			case <-p.Reload:
			}
			if p.Load == nil {
				p.Log.Warn("reload: this command has no config file to read again")
				continue
			}
			fresh, err := p.Load()
			if err == nil {
				_, err = setupFrom(fresh)
			}
			if err != nil {
				p.Log.Error("reload: the config is wrong and nothing was changed:\n" + err.Error())
				continue
			}
			for _, w := range fresh.Warnings {
				p.Log.Warn("reload: " + w)
			}
			p.Log.Info("reload: taking up the new config")
			next = &fresh
			stop()
			return
		}
	}()
	err = runTiers(gctx, p.Log, grace, func() {
		h.setReady(nil)
		if p.Started != nil {
			p.Started()
		}
	}, tiers...)
	stop()
	<-waited
	return next, err
}

// gen is what lives under one config.
type gen struct {
	home   *Home
	config configs.Config
	params Params
	log    *slog.Logger
	clock  *collector.Clock

	together *gatherer // nil: each visit is stored at once
	sources  []collector.Source
	tuners   []*collector.Tuner
	server   *dashboards.Server

	calendars map[string]*calendar.Calendar // of recordings, by name

	mu     sync.Mutex
	wishes map[int64]bool                 // channels that deserve closer looks
	scales map[string]bool                // in the ledger already
	skies  map[string][]reception.Weather // recent rows by source, as read
}

func (g *gen) close() {
	for _, s := range g.sources {
		if err := s.Close(); err != nil {
			g.log.Warn("close a tuner", "error", err)
		}
	}
}

func (g *gen) build(ctx context.Context) ([]tier, error) {
	h := g.home
	g.scales, g.wishes, g.skies = map[string]bool{}, map[int64]bool{}, map[string][]reception.Weather{}
	var tuners tier
	if every := g.config.Store.CommitEvery; every > 0 {
		g.together = newGatherer(g.store, g.every(every), g.log)
	}
	parts := sourceParts{setup: h.setup, now: g.params.Now, log: g.log, world: g.params.World, hurry: max(1, g.params.Hurry) * g.params.Speed, away: g.params.Away}
	if err := g.openCalendars(); err != nil {
		return nil, err
	}
	for _, t := range g.config.Tuners {
		src, err := openSource(ctx, t, parts)
		if err != nil {
			g.close()
			return nil, err
		}
		g.sources = append(g.sources, src)
		var keepOut []collector.Hours
		for _, k := range t.KeepOut {
			keepOut = append(keepOut, collector.Hours{From: k.From, To: k.To, Location: h.setup.zone})
		}
		tuner, err := collector.NewTuner(t.Name, src, h.setup.channelsOf(t), collector.Options{
			Every: t.Every, Dwell: t.Dwell, Share: g.params.Share, Lent: t.Lent, KeepOut: keepOut, Clock: g.clock, Zone: h.setup.zone,
			Wish: g.wish, Riding: ridingOf(t), Reserved: g.reserved(t.Name),
		}, g.taker(t.Name, src), g.log)
		if err != nil {
			g.close()
			return nil, err
		}
		h.every.Store(t.Name, tuner.Interval()) // many channels stretch it
		g.tuners = append(g.tuners, tuner)
		tuners = append(tuners, tuner)
	}
	notifiers, err := h.ways(g.config.Tell)
	if err != nil {
		g.close()
		return nil, err
	}
	h.gathered(g.gather)
	alarms, err := watch.New(h.store, g.alarming, h.Health, notifiers, watch.Options{
		Now: g.params.Now, Offset: g.clock.Offset, Log: g.log, Every: g.every(time.Minute), Quiet: quiet(g.config.Alarms.QuietHours, h.setup.zone),
		Adopt: func(ctx context.Context) (alerting.State, error) {
			_, s, err := h.replay(ctx)
			return s, err
		},
	})
	if err != nil {
		g.close()
		return nil, err
	}
	h.mu.Lock()
	h.watch = alarms
	h.mu.Unlock()
	timers, err := g.timers()
	if err != nil {
		g.close()
		return nil, err
	}
	pages, err := g.pages()
	if err != nil {
		g.close()
		return nil, err
	}
	faces := tier{pages}
	if len(SocketPath(h.dir)) <= maxSocketPath {
		owner := g.server.Server("")
		owner.Handler = h.Owner(g.server.Owner())
		faces = append(faces, newServer("commands", owner, func() (net.Listener, error) { return listenSocket(h.dir) }, g.log, nil))
	} else {
		g.log.Warn("commands cannot reach this daemon: the path of the data folder is too long for a socket; choose a shorter one", "data", h.dir)
	}
	tiers := []tier{{timers}, tuners, {alarms}, faces}
	if g.together != nil {
		tiers = slices.Insert(tiers, 1, tier{g.together}) // stops after the tuners
	}
	return tiers, nil
}

// taker returns what a tuner's readings are handed to.
func (g *gen) taker(name string, src collector.Source) func(context.Context, []reception.Reading) error {
	return func(ctx context.Context, rs []reception.Reading) error {
		for i := range rs {
			if id := rs[i].Scale; id != "" {
				if err := g.keepScale(ctx, id, name, src); err != nil {
					return err
				}
			}
		}
		if g.together != nil {
			return g.together.take(rs)
		}
		return g.store(ctx, rs)
	}
}

// store stores visits and tells of it.
func (g *gen) store(ctx context.Context, rs []reception.Reading) error {
	if err := g.home.folder.stored(func() error { return g.home.intake.Add(ctx, rs) }, rs); err != nil {
		return err
	}
	g.home.pulse.beat()
	return nil
}

// keepScale writes a scale, and the tuner that has it, to the ledger when it is new.
func (g *gen) keepScale(ctx context.Context, id, tuner string, src collector.Source) error {
	g.mu.Lock()
	known := g.scales[id+"\x00"+tuner]
	g.mu.Unlock()
	if known {
		return nil
	}
	now := g.clock.Now().UnixMilli()
	var put []reception.Entry
	if s, ok := src.Scale(id); ok {
		s.ID = id
		e, changed, err := newerEntry(ctx, g.home.store, reception.KindScale, id, now, s)
		if err != nil {
			return err
		}
		if changed {
			put = append(put, e)
		}
	}
	t := src.Tuner()
	t.Name = tuner
	e, changed, err := newerEntry(ctx, g.home.store, reception.KindTuner, tuner, now, t)
	if err != nil {
		return err
	}
	if changed {
		put = append(put, e)
	}
	if len(put) > 0 {
		if err := g.home.store.Put(ctx, put...); err != nil {
			return fmt.Errorf("keep the scale of tuner %q: %w", tuner, err)
		}
	}
	g.mu.Lock()
	g.scales[id+"\x00"+tuner] = true
	g.mu.Unlock()
	return nil
}

// alarming answers for the alarms and takes note of the channels that are close. The
// alarms ask once a minute; the system then takes back what this answer, others since
// and, the first time, the start over a history left behind. Over eighteen months of
// twelve channels 25 MB are needed; without this the process stayed at 125 MiB, with it
// at 73. Collecting takes some 30 ms of CPU there, 2 ms on a young store.
func (g *gen) alarming(ctx context.Context) (answer.Answer, error) {
	a, err := g.home.alarming(ctx)
	debug.FreeOSMemory()
	if err != nil {
		return a, err
	}
	close := map[int64]bool{}
	for _, c := range a.Channels {
		if c.Spare.Decided() && c.Spare.Low < closeDB {
			close[c.FrequencyHz] = true
		}
	}
	g.mu.Lock()
	g.wishes = close
	g.mu.Unlock()
	return a, nil
}

// closeDB is how little may be to spare before a channel gets closer looks; ours.
const closeDB = 1

func (g *gen) wish(ch reception.Channel) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.wishes[ch.FrequencyHz]
}

// gather notes what tuners and clock say, for the alarms and the page.
func (g *gen) gather() {
	for _, t := range g.tuners {
		g.home.health.note(t.Health())
	}
	g.home.health.note(g.clock.Health())
}

// every is the real time in which d of Now passes.
func (g *gen) every(d time.Duration) time.Duration {
	return max(time.Millisecond, time.Duration(float64(d)/g.params.Speed))
}
