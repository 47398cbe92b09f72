package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/intake"
	"holdfast/collector/store"
	"holdfast/configs/zones"
)

// A folder keeps the analysis' fold in step with the log: it takes in what the change
// list names since it last looked.
type folder struct {
	setup  setup
	keeper *keeper
	log    store.Log
	ledger store.Ledger
	intake *intake.Intake

	mu        sync.Mutex // the fold is for one at a time
	fold      *answer.Fold
	logSeq    int64
	ledgerSeq int64
	mounted   string // the installations that the fold's regimes rest on

	replayed replayed
	scanned  scanned

	// storing is held for reading while a visit is stored and noted, so that whoever
	// holds it for writing finds both or neither.
	storing sync.RWMutex
	fresh   sync.Mutex // guards visits; held for no longer than a map's access
	visits  map[reception.Series]reception.Reading
}

// What was seen of the change list in the search for history before an instant.
type scanned struct {
	until, seq int64
	last       int64 // the last change that reaches before until
}

// What a replay found, and of which history.
type replayed struct {
	until, history int64
	alarms         []alerting.Alarm
	state          alerting.State
	done           bool
}

type engine interface {
	store.Log
	store.Ledger
}

func newFolder(s setup, e engine, in *intake.Intake, k *keeper) *folder {
	return &folder{setup: s, log: e, ledger: e, intake: in, keeper: k}
}

// use brings the fold up to date and hands it to do, alone.
func (f *folder) use(ctx context.Context, do func(*answer.Fold)) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.catchUp(ctx); err != nil {
		return err
	}
	do(f.fold)
	return nil
}

func (f *folder) catchUp(ctx context.Context) error {
	ledgerSeq, err := f.ledger.LedgerSeq(ctx)
	if err != nil {
		return fmt.Errorf("read the ledger: %w", err)
	}
	logSeq, err := f.log.Seq(ctx)
	if err != nil {
		return fmt.Errorf("read the log: %w", err)
	}
	var entries []reception.Entry
	if f.fold == nil || ledgerSeq != f.ledgerSeq {
		mounted := ""
		for _, kind := range []string{reception.KindInstallation, reception.KindScale} {
			for e, err := range f.ledger.Entries(ctx, kind) {
				if err != nil {
					return fmt.Errorf("read %s entries: %w", kind, err)
				}
				entries = append(entries, e)
				if kind == reception.KindInstallation {
					mounted += fmt.Sprintf("%s %d %d\n", e.Key, e.Held, e.Known)
				}
			}
		}
		if f.fold == nil || mounted != f.mounted { // hours have moved to other regimes
			f.fold, f.mounted, f.logSeq = answer.New(answer.Setup{
				Home: f.setup.home, Zone: f.setup.zone, ZoneData: zones.Edition(), Channels: f.setup.channels, Transmitters: f.setup.transmitters,
				Tuners: f.setup.tuners, Wanted: f.setup.wanted, Spread: spread,
			}), mounted, 0
			f.fold.Remember(f.keeper.memory())
		}
		for i := range entries {
			f.fold.Step(answer.Fact{Entry: &entries[i]})
		}
		f.ledgerSeq = ledgerSeq
	}
	if f.logSeq != logSeq {
		if err := f.takeChanges(ctx); err != nil {
			f.fold = nil // half taken in: begin again next time
			return err
		}
		f.logSeq = logSeq
	}
	open, visits := f.open()
	for _, k := range open {
		f.fold.Step(answer.Fact{Tally: &k})
	}
	for _, r := range visits { // the fold keeps the newest of each series
		f.fold.Step(answer.Fact{Latest: &r, Expected: f.intake.Expected(r.Series(), r.Time)})
	}
	return nil
}

// open returns the tallies of the open hours with the latest visit of each series.
func (f *folder) open() ([]tally.Keyed, map[reception.Series]reception.Reading) {
	f.storing.Lock()
	defer f.storing.Unlock()
	f.fresh.Lock()
	defer f.fresh.Unlock()
	return f.intake.OpenTallies(), maps.Clone(f.visits)
}

// stored stores visits by add and notes them for the next answer.
func (f *folder) stored(add func() error, rs []reception.Reading) error {
	f.storing.RLock()
	defer f.storing.RUnlock()
	if err := add(); err != nil {
		return err
	}
	for i := range rs {
		f.latest(&rs[i])
	}
	return nil
}

// takeChanges steps the fold with what changed after logSeq; with logSeq 0 that is
// everything.
func (f *folder) takeChanges(ctx context.Context) error {
	if f.logSeq == 0 {
		if err := f.takeWeather(ctx, store.Always); err != nil {
			return err
		}
		if err := f.takeTallies(ctx, store.Query{Span: store.Always}); err != nil {
			return err
		}
		series, err := f.log.Series(ctx)
		if err != nil {
			return fmt.Errorf("list what was measured: %w", err)
		}
		for _, s := range series {
			if err := f.takeLatest(ctx, s.Series, s.Last-6*reception.HourMS, s.Last+1); err != nil {
				return err
			}
		}
		return nil
	}
	spans := map[reception.Series]store.Span{}
	var order []reception.Series
	var weather store.Span
	for c, err := range f.log.Changes(ctx, f.logSeq) {
		if err != nil {
			return fmt.Errorf("read the change list: %w", err)
		}
		from, to := c.Bounds()
		if c.Weather {
			weather = cover(weather, from, to)
			continue
		}
		if !slices.Contains(order, c.Series) {
			order = append(order, c.Series)
		}
		spans[c.Series] = cover(spans[c.Series], from, to)
	}
	if weather != (store.Span{}) {
		if err := f.takeWeather(ctx, weather); err != nil {
			return err
		}
	}
	for _, s := range order {
		sp := spans[s]
		q := store.Query{Span: store.Span{From: sp.From - sp.From%reception.HourMS, To: sp.To}, Tuner: s.Tuner, FrequencyHz: s.FrequencyHz}
		if s != (reception.Series{}) {
			q.Layer = &s.Layer
		}
		if err := f.takeTallies(ctx, q); err != nil {
			return err
		}
		if s != (reception.Series{}) {
			if err := f.takeLatest(ctx, s, max(sp.From, sp.To-6*reception.HourMS), sp.To); err != nil {
				return err
			}
		}
	}
	return nil
}

func cover(s store.Span, from, to int64) store.Span {
	if s == (store.Span{}) {
		return store.Span{From: from, To: to}
	}
	return store.Span{From: min(s.From, from), To: max(s.To, to)}
}

// takeWeather steps the fold with the hours that rows which end in a span may have
// changed. Hours of which nothing is known any more are said too.
func (f *folder) takeWeather(ctx context.Context, s store.Span) error {
	all := s == store.Always
	if !all {
		s = store.Span{From: max(0, s.From-aroundMS), To: s.To + aroundMS}
	}
	rows, err := mergedWeather(ctx, f.log, s, f.setup.weather)
	if err != nil {
		return err
	}
	if all {
		for i := range rows {
			f.fold.Step(answer.Fact{Weather: &rows[i]})
		}
		return nil
	}
	known := make(map[int64]*reception.Weather, len(rows))
	for i := range rows {
		known[rows[i].Time] = &rows[i]
	}
	to := min(s.To, reception.LatestMS+dayMS)
	for end := (max(s.From, reception.EarliestMS)/reception.HourMS + 1) * reception.HourMS; end < to; end += reception.HourMS {
		w := known[end]
		if w == nil {
			none := reception.NewWeather()
			none.Time = end
			w = &none
		}
		f.fold.Step(answer.Fact{Weather: w})
	}
	return nil
}

func (f *folder) takeTallies(ctx context.Context, q store.Query) error {
	var u tally.Unpacker
	for p, err := range f.log.Tallies(ctx, q) {
		if err != nil {
			return fmt.Errorf("read tallies: %w", err)
		}
		k, err := u.Unpack(&p)
		if err != nil {
			return fmt.Errorf("read the tally of hour %d: %w", p.Hour, err)
		}
		f.fold.Step(answer.Fact{Tally: k}) // the fold copies what it keeps
	}
	return nil
}

// takeLatest steps the fold with the last visit that was made in a span.
func (f *folder) takeLatest(ctx context.Context, s reception.Series, from, to int64) error {
	var last reception.Reading
	found := false
	q := store.Query{Span: store.Span{From: from, To: to}, Tuner: s.Tuner, FrequencyHz: s.FrequencyHz, Layer: &s.Layer}
	for chunk, err := range f.log.Readings(ctx, q) {
		if err != nil {
			return fmt.Errorf("read the latest visit: %w", err)
		}
		for i := len(chunk) - 1; i >= 0; i-- {
			if chunk[i].Valid() {
				last, found = chunk[i], true
				break
			}
		}
	}
	if found {
		f.fold.Step(answer.Fact{Latest: &last, Expected: f.intake.Expected(s, last.Time)})
	}
	return nil
}

// replay runs the alarms over the days up to an instant and keeps what it found until
// that history changes.
func (f *folder) replay(ctx context.Context, until int64) ([]alerting.Alarm, alerting.State, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.catchUp(ctx); err != nil {
		return nil, alerting.State{}, err
	}
	history, err := f.historySeq(ctx, until)
	if err != nil {
		return nil, alerting.State{}, err
	}
	if was := f.replayed; !was.done || was.until != until || was.history != history {
		var days []int64
		series, err := f.log.Series(ctx)
		if err != nil {
			return nil, alerting.State{}, fmt.Errorf("list what was measured: %w", err)
		}
		if len(series) > 0 {
			first := slices.MinFunc(series, func(a, b store.Stored) int { return int(min(max(a.First-b.First, -1), 1)) }).First
			for at := first + dayMS; at < until; at += dayMS {
				days = append(days, at)
			}
			if first < until {
				days = append(days, until)
			}
		}
		failed := func() bool { return ctx.Err() != nil }
		r, err := f.keeper.replay(f.fold, days, func(at int64) answer.Answer {
			if failed() {
				return answer.Answer{}
			}
			return f.fold.Alarming(at)
		}, failed)
		if err := errors.Join(ctx.Err(), err); err != nil {
			return nil, alerting.State{}, err
		}
		f.replayed = replayed{until, history, r.Alarms, r.State, true}
	}
	return f.replayed.alarms, f.replayed.state.Clone(), nil
}

// seamMS is how far before an instant new readings have tallies made again: hours that
// look at them, and the neighbours of these. It is no change of the history before.
const seamMS = 4 * reception.HourMS

// historySeq is the sequence of the last change that reaches before an instant. Each
// change is looked at once: what is measured every minute is not history.
func (f *folder) historySeq(ctx context.Context, until int64) (int64, error) {
	s := f.scanned
	if s.until != until {
		s = scanned{until: until}
	}
	for c, err := range f.log.Changes(ctx, s.seq) {
		if err != nil {
			return 0, fmt.Errorf("read the change list: %w", err)
		}
		s.seq = c.Seq
		if from, _ := c.Bounds(); from < until-seamMS {
			s.last = c.Seq
		}
	}
	f.scanned = s
	return s.last, nil
}

const dayMS = 24 * reception.HourMS

// close keeps what was judged for the next process.
func (f *folder) close() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fold != nil {
		f.keeper.keep(f.fold.Memory())
	}
}

// latest notes a visit that was just made, for the next answer.
func (f *folder) latest(r *reception.Reading) {
	if !r.Valid() {
		return
	}
	f.fresh.Lock()
	defer f.fresh.Unlock()
	if f.visits == nil {
		f.visits = map[reception.Series]reception.Reading{}
	}
	f.visits[r.Series()] = *r
}
