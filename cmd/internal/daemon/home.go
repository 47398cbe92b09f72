package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"holdfast/alerting"
	"holdfast/alerting/watch"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/intake"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
	"holdfast/configs"
	"holdfast/dashboards"
)

// A Home is an open store with everything that answers from it: what run, demo and
// the commands share. It implements dashboards.Backend.
type Home struct {
	dir    string
	setup  setup
	store  *embedded.Store
	intake *intake.Intake
	folder *folder
	keeper *keeper
	health healthBook
	pulse  pulse
	every  sync.Map // base interval by tuner, time.Duration: the config's, then as stretched
	log    *slog.Logger
	now    func() time.Time
	agent  string // to others on the network

	tell []configs.Tell

	mu     sync.Mutex
	watch  *watch.Watch // in the daemon; else nil
	gather func()       // notes what tuners and clock say; nil outside the daemon
	ready  error        // what has not started yet
	since  int64        // first run of a daemon here, Unix ms; 0: never
}

var _ dashboards.Backend = (*Home)(nil)

// Options of a Home. Zero values are the defaults.
type Options struct {
	Now func() time.Time
	Log *slog.Logger
	// Version is told to receivers of alarms.
	Version string
}

// Open opens the home in a data folder, makes it if there is none, and brings tallies
// up to date. Errors wrap those of the store: ErrInUse while another process has it.
func Open(ctx context.Context, c configs.Config, dir string, o Options) (*Home, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s, err := setupFrom(c)
	if err != nil {
		return nil, err
	}
	st, err := embedded.Open(ctx, dir, embedded.Options{Logger: o.Log})
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) || errors.Is(err, syscall.ENOTDIR) {
		return nil, fmt.Errorf("%w; holdfast must write in its data folder: make it writable for the account that runs holdfast, or name another with --data or store.data", err)
	}
	if err != nil {
		return nil, err
	}
	h := &Home{dir: dir, keeper: newKeeper(dir, o.Log), store: st, log: o.Log, now: o.Now, agent: strings.TrimSuffix("holdfast/"+o.Version, "/")}
	if err := h.prepare(ctx, s, c); err != nil {
		return nil, errors.Join(err, st.Close())
	}
	return h, nil
}

func (h *Home) prepare(ctx context.Context, s setup, c configs.Config) (err error) {
	if s.home.ID, err = homeID(ctx, h.store, h.now()); err != nil {
		return err
	}
	since, err := firstRun(ctx, h.store)
	if err != nil {
		return err
	}
	h.mu.Lock()
	h.since = since
	h.mu.Unlock()
	h.setup, h.tell = s, c.Tell
	h.every.Clear()
	for _, t := range c.Tuners {
		h.every.Store(t.Name, t.Every)
	}
	rules := func(id reception.Series) tally.Rules {
		ch := s.channel(id)
		every, _ := h.every.Load(id.Tuner)
		interval, _ := every.(time.Duration) // of an imported tuner: none
		return tally.Rules{System: ch.System, Identity: ch.Identity, BaseIntervalMS: interval.Milliseconds()}
	}
	if h.intake != nil { // a reload: what waits for room on the disk must not be lost
		h.intake.Renew(rules, s.home.Region)
	} else if h.intake, err = intake.New(h.store, h.store, intake.Options{Rules: rules, Region: s.home.Region, Now: h.now, Logger: h.log}); err != nil {
		return err
	}
	switch err := h.intake.Recover(ctx); {
	case errors.Is(err, store.ErrFull): // made good by the timer that closes hours
		h.log.Error("what the last run left to do waits for room on the disk", "error", err)
	case err != nil:
		return err
	}
	h.folder = newFolder(s, h.store, h.intake, h.keeper)
	return nil
}

// Close stores what is in memory and closes the store. An error says what is lost.
func (h *Home) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), grace)
	defer cancel()
	h.folder.close()
	return errors.Join(h.intake.Close(ctx), h.store.Close())
}

// channel returns the config's channel of a series, or what its region says of it.
func (s setup) channel(id reception.Series) reception.Channel {
	for _, ch := range s.channels {
		if ch.FrequencyHz == id.FrequencyHz && ch.Layer == id.Layer {
			return ch
		}
	}
	_, rf := s.home.Region.Key(id.FrequencyHz)
	return reception.Channel{FrequencyHz: id.FrequencyHz, Layer: id.Layer, RF: rf, System: s.home.Region.DefaultSystem(), Wanted: true}
}

// Facts describes the home: the config, and what only the store knows.
func (h *Home) Facts(ctx context.Context) (dashboards.Facts, error) {
	f := dashboards.Facts{
		Home: h.setup.home, Channels: slices.Clone(h.setup.channels), Transmitters: h.setup.transmitters,
		Tuners: slices.Clone(h.setup.tuners), Wanted: h.setup.wanted, Scales: map[string]reception.Scale{}, NowMS: h.now().UnixMilli(),
	}
	series, err := h.store.Series(ctx)
	if err != nil {
		return f, fmt.Errorf("list what was measured: %w", err)
	}
	for _, s := range series {
		if f.FirstMS == 0 || s.First < f.FirstMS {
			f.FirstMS = s.First
		}
		if !slices.ContainsFunc(f.Channels, func(c reception.Channel) bool { return c.FrequencyHz == s.FrequencyHz && c.Layer == s.Layer }) {
			f.Channels = append(f.Channels, h.setup.channel(s.Series))
		}
		if !slices.ContainsFunc(f.Tuners, func(t reception.Tuner) bool { return t.Name == s.Tuner }) {
			f.Tuners = append(f.Tuners, reception.Tuner{Name: s.Tuner, Kind: "imported"})
		}
	}
	for e, err := range h.store.Entries(ctx, reception.KindScale) {
		if err != nil {
			return f, fmt.Errorf("read scales: %w", err)
		}
		var s reception.Scale
		if json.Unmarshal(e.Body, &s) == nil { // a withdrawn one has no body
			f.Scales[e.Key] = s
		}
	}
	for e, err := range h.store.Entries(ctx, reception.KindTuner) {
		if err != nil {
			return f, fmt.Errorf("read tuners: %w", err)
		}
		var t reception.Tuner
		i := slices.IndexFunc(f.Tuners, func(t reception.Tuner) bool { return t.Name == e.Key })
		if i >= 0 && json.Unmarshal(e.Body, &t) == nil {
			t.Name = e.Key
			f.Tuners[i] = t
		}
	}
	f.Installations, err = h.installations(ctx)
	return f, err
}

func (h *Home) installations(ctx context.Context) ([]dashboards.Installation, error) {
	var out []dashboards.Installation
	for e, err := range h.store.Entries(ctx, reception.KindInstallation) {
		if err != nil {
			return nil, fmt.Errorf("read installations: %w", err)
		}
		var b reception.InstallationEntry
		if len(e.Body) == 0 {
			continue
		}
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return nil, fmt.Errorf("read installation of %d: %w", e.Held, err)
		}
		out = append(out, dashboards.Installation{FromMS: e.Held, Tuner: e.Key, Name: b.Name, Note: b.Note})
	}
	return out, nil
}

// asOf is the instant that answers speak of by default: now, or in a home without
// tuners the end of its last reading.
func (h *Home) asOf(ctx context.Context) (int64, error) {
	if len(h.setup.tuners) > 0 {
		return h.now().UnixMilli(), nil
	}
	series, err := h.store.Series(ctx)
	if err != nil {
		return 0, fmt.Errorf("list what was measured: %w", err)
	}
	var last int64
	for _, s := range series {
		last = max(last, (s.Last/reception.HourMS+1)*reception.HourMS)
	}
	if last == 0 {
		return h.now().UnixMilli(), nil
	}
	return last, nil
}

// Answer runs the questions over all that is stored.
func (h *Home) Answer(ctx context.Context, from, to, at int64) (answer.Answer, error) {
	if at == 0 {
		var err error
		if at, err = h.asOf(ctx); err != nil {
			return answer.Answer{}, err
		}
	}
	var a answer.Answer
	err := h.folder.use(ctx, func(f *answer.Fold) { a = f.Answer(from, to, at) })
	return a, err
}

// alarming is the answer that alarms need, as of now.
func (h *Home) alarming(ctx context.Context) (answer.Answer, error) {
	var a answer.Answer
	at, err := h.asOf(ctx)
	if err != nil {
		return a, err
	}
	err = h.folder.use(ctx, func(f *answer.Fold) { a = f.Alarming(at) })
	return a, err
}

// Tallies yields the stored tallies of a span and the open hours'.
func (h *Home) Tallies(ctx context.Context, from, to int64) iter.Seq2[dashboards.KeyedTally, error] {
	if to == 0 {
		to = store.Always.To
	}
	return func(yield func(dashboards.KeyedTally, error) bool) {
		open := h.intake.OpenTallies()
		for p, err := range h.store.Tallies(ctx, store.Query{Span: store.Span{From: from, To: to}}) {
			if err != nil {
				yield(dashboards.KeyedTally{}, fmt.Errorf("read tallies: %w", err))
				return
			}
			k, err := tally.Unpack(p)
			if err != nil {
				yield(dashboards.KeyedTally{}, fmt.Errorf("read the tally of hour %d: %w", p.Hour, err))
				return
			}
			if slices.ContainsFunc(open, func(o tally.Keyed) bool { return o.Key == k.Key }) {
				continue
			}
			if !yield(dashboards.KeyedTally{Key: k.Key, Tally: k.Tally}, nil) {
				return
			}
		}
		for _, o := range open {
			if at := o.Key.Hour * reception.HourMS; at >= from && at < to && !yield(dashboards.KeyedTally{Key: o.Key, Tally: o.Tally}, nil) {
				return
			}
		}
	}
}

// Weather yields the weather of a span, one row an hour.
func (h *Home) Weather(ctx context.Context, from, to int64) iter.Seq2[reception.Weather, error] {
	if to == 0 {
		to = store.Always.To
	}
	return func(yield func(reception.Weather, error) bool) {
		rows, err := mergedWeather(ctx, h.store, store.Span{From: from, To: to}, h.setup.weather)
		if err != nil {
			yield(reception.Weather{}, err)
			return
		}
		for _, w := range rows {
			if !yield(w, nil) {
				return
			}
		}
	}
}

// Leaf returns the leaf state by noons.
func (h *Home) Leaf(ctx context.Context, from, to int64) ([]dashboards.LeafDay, error) {
	at, err := h.asOf(ctx)
	if err != nil {
		return nil, err
	}
	if to == 0 {
		to = at
	}
	var out []dashboards.LeafDay
	err = h.folder.use(ctx, func(f *answer.Fold) {
		for _, d := range f.Leaf(from, to, at) {
			out = append(out, dashboards.LeafDay{NoonMS: d.NoonMS, State: d.State, Expected: d.Expected})
		}
	})
	return out, err
}

// Alarms lists the journal's alarms and, for history from before the daemon's first
// run, those of a replay; newest first.
func (h *Home) Alarms(ctx context.Context, from, to int64) ([]alerting.Alarm, error) {
	if to == 0 {
		to = store.Always.To
	}
	journal, err := h.journal(ctx)
	if err != nil {
		return nil, err
	}
	replayed, _, err := h.replay(ctx)
	if err != nil {
		return nil, err
	}
	var out []alerting.Alarm
	for _, a := range journal {
		if a.Raised < to && (a.Cleared == 0 || a.Cleared >= from) {
			out = append(out, a)
		}
	}
	for _, a := range replayed {
		adopted := slices.ContainsFunc(journal, func(j alerting.Alarm) bool { return j.ID == a.ID })
		if !adopted && a.Raised < to && (a.Cleared == 0 || a.Cleared >= from) {
			out = append(out, a)
		}
	}
	slices.SortStableFunc(out, func(a, b alerting.Alarm) int {
		switch {
		case a.Raised > b.Raised:
			return -1
		case a.Raised < b.Raised:
			return 1
		}
		return 0
	})
	return out, nil
}

func (h *Home) watcher(ctx context.Context) (*watch.Watch, error) {
	h.mu.Lock()
	w := h.watch
	h.mu.Unlock()
	if w != nil {
		return w, nil
	}
	w, err := watch.New(h.store, h.alarming, h.Health, nil, watch.Options{Now: h.now, Log: h.log})
	if err != nil {
		return nil, err
	}
	return w, w.Load(ctx)
}

func (h *Home) journal(ctx context.Context) ([]alerting.Alarm, error) {
	w, err := h.watcher(ctx)
	if err != nil {
		return nil, err
	}
	return w.Alarms(), nil
}

// Acknowledge marks an alarm as seen.
func (h *Home) Acknowledge(ctx context.Context, id string) error {
	w, err := h.watcher(ctx)
	if err != nil {
		return err
	}
	defer h.pulse.beat()
	return w.Acknowledge(ctx, id)
}

// replay runs the alarms over the history from before the daemon's first run.
func (h *Home) replay(ctx context.Context) ([]alerting.Alarm, alerting.State, error) {
	h.mu.Lock()
	until := h.since
	h.mu.Unlock()
	if until == 0 {
		var err error
		if until, err = h.asOf(ctx); err != nil {
			return nil, alerting.State{}, err
		}
	}
	return h.folder.replay(ctx, until)
}

// Health lists what is known of tuners, weather, disk, store and clock.
func (h *Home) Health(context.Context) ([]reception.Health, error) {
	h.mu.Lock()
	gather := h.gather
	h.mu.Unlock()
	if gather != nil {
		gather()
	}
	h.health.note(diskHealth(h.dir, h.now()))
	return h.health.list(), nil
}

// gathered sets who notes what tuners and clock say whenever somebody asks.
func (h *Home) gathered(by func()) {
	h.mu.Lock()
	h.gather = by
	h.mu.Unlock()
}

// Watch tells of changes.
func (h *Home) Watch(ctx context.Context) <-chan struct{} { return h.pulse.listen(ctx) }

// Ready says what has not started yet.
func (h *Home) Ready(context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.ready
}

func (h *Home) setReady(err error) {
	h.mu.Lock()
	h.ready = err
	h.mu.Unlock()
}

// firstRunKey marks when a daemon first lived here: alarms before are replay.
const firstRunKey = "first run"

func firstRun(ctx context.Context, l store.Ledger) (int64, error) {
	for e, err := range l.Entries(ctx, reception.KindCheckpoint) {
		if err != nil {
			return 0, fmt.Errorf("read when holdfast first ran here: %w", err)
		}
		if e.Key == firstRunKey && e.Held >= reception.EarliestMS {
			return e.Held, nil
		}
	}
	return 0, nil
}

// begin notes the daemon's first run, once the clock is set: a machine without a
// battery wakes up in 1970, and all imported history would lie after that.
func (h *Home) begin(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.now().UnixMilli()
	if h.since != 0 || now < reception.EarliestMS {
		return nil
	}
	if err := h.store.Put(ctx, reception.Entry{Kind: reception.KindCheckpoint, Key: firstRunKey, Held: now, Known: now, Body: []byte("{}")}); err != nil {
		return fmt.Errorf("note the first run: %w", err)
	}
	h.since = now
	return nil
}
