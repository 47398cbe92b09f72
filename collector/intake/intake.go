// Package intake is the one way from reading to store. It checks readings, folds
// them into hour tallies and hands both to the log; it rebuilds the tallies of hours
// that late, imported or re-dated facts touch, and passes weather on.
//
// The log's list of dirty hours is the truth about what must still be made: an hour
// that is open, its readings kept in memory, is dirty and has no tallies in the log;
// it is settled with the append that closes it. So a crash at any instant leaves
// either finished tallies or a dirty hour, which Rebuild makes again.
package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"slices"
	"sync"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// Options configure an Intake. Rules and Now are needed.
type Options struct {
	// Rules says how the visits of a series are judged. A BaseIntervalMS is that of
	// the plain schedule; 0 for a series that nothing here visits. Where Identity is
	// "", the first three locked visits of each installation decide. Units and
	// Expected are filled in.
	Rules func(reception.Series) tally.Rules
	// Region is the home's: readings within 250 kHz of a raster centre are keyed by
	// that centre. "" keys every reading by its own frequency.
	Region reception.Region
	Now    func() time.Time
	Logger *slog.Logger // nil: nothing is logged
}

// Counts say what became of the readings that Add was given.
type Counts struct {
	Added      int64 // stored
	Duplicates int64 // equal to what was there
	Moved      int64 // to the next free second
	Late       int64 // stored into hours that were closed
	Rejected   int64 // could not be true: stored as a visit that failed, where it had a place
	Waiting    int64 // in memory until the disk has room
	Dropped    int64 // lost while the disk was full: stored as not measured
	LastReject string
}

// An Intake is the one writer of a home's log. All methods may be called
// concurrently.
type Intake struct {
	log    store.Log
	ledger store.Ledger
	o      Options
	gather int // rows of an import that are held at most

	mu         sync.Mutex
	loaded     bool
	ledgerSeq  int64
	facts      facts
	spans      map[reception.Series]store.Stored // what the log holds
	weeks      map[weekKey]weekInterval
	settled    map[reception.Series]int64 // weeks before are settled for good
	identities map[reception.Series]sightings
	lives      map[reception.Series]*live
	waiting    []reception.Reading
	lost       map[lostKey]*reception.Reading
	full       bool // the disk was found full
	counts     Counts
}

// New returns the intake of a log and a ledger. Call Recover before anything else.
func New(log store.Log, ledger store.Ledger, o Options) (*Intake, error) {
	if o.Rules == nil {
		return nil, errors.New("intake: Options.Rules is missing")
	}
	if o.Now == nil {
		return nil, errors.New("intake: Options.Now is missing")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	in := &Intake{log: log, ledger: ledger, o: o, gather: gatherRows, lost: map[lostKey]*reception.Reading{}}
	in.forget()
	return in, nil
}

// Recover brings tallies and readings into agreement after a start: it takes open
// hours back into memory, and rebuilds what a crash, a newer program or entries made
// elsewhere left to do.
func (in *Intake) Recover(ctx context.Context) error {
	if err := in.recover(ctx); err != nil {
		return fmt.Errorf("recover tallies: %w", err)
	}
	return in.Rebuild(ctx)
}

func (in *Intake) recover(ctx context.Context) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return err
	}
	if err := in.catchUp(ctx); err != nil {
		return err
	}
	now := in.now()
	dirty, err := in.log.Dirty(ctx, allDirty)
	if err != nil {
		return err
	}
	for _, d := range dirty {
		if (d.Hour+1)*reception.HourMS+in.rules(d.Series, d.Hour).CarryMS() > now && d.Hour <= tally.HourOf(now) {
			if _, err := in.goLive(ctx, d.Series, d.Hour); err != nil {
				return err
			}
		}
	}
	return in.settleWeeks(ctx, now)
}

// Renew puts other rules and another region in force; what waits for room on the disk
// goes on waiting. Call Recover after it.
func (in *Intake) Renew(rules func(reception.Series) tally.Rules, region reception.Region) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.o.Rules, in.o.Region = rules, region
	in.forget()
}

// forget drops what was read from log and ledger: it is read again when needed.
func (in *Intake) forget() {
	in.loaded, in.ledgerSeq, in.facts = false, 0, facts{}
	in.spans, in.weeks = map[reception.Series]store.Stored{}, map[weekKey]weekInterval{}
	in.settled, in.identities = map[reception.Series]int64{}, map[reception.Series]sightings{}
	in.lives = map[reception.Series]*live{}
}

// Close stores what waits for room on the disk. An error says how many readings are
// lost because there is none. The intake must not be used afterwards.
func (in *Intake) Close(ctx context.Context) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if len(in.waiting) == 0 && len(in.lost) == 0 {
		return nil
	}
	if err := in.load(ctx); err != nil {
		return fmt.Errorf("%d readings that waited for room on the disk are lost: %w", len(in.waiting), err)
	}
	stored, err := in.storeAll(ctx, in.waiting)
	if err != nil {
		return fmt.Errorf("%d readings that waited for room on the disk are lost: %w", len(in.waiting)-stored, err)
	}
	in.waiting = nil
	in.roomAgain(ctx)
	return nil
}

// allDirty is more hours than a log holds.
const allDirty = 1<<31 - 1 // an int on every system

// load reads what the intake keeps in memory, once.
func (in *Intake) load(ctx context.Context) error {
	if in.loaded {
		return in.refresh(ctx)
	}
	series, err := in.log.Series(ctx)
	if err != nil {
		return err
	}
	for _, s := range series {
		in.spans[s.Series] = s
	}
	if err := in.loadWeeks(ctx); err != nil {
		return err
	}
	if err := in.loadIdentities(ctx); err != nil {
		return err
	}
	if err := in.loadFacts(ctx); err != nil {
		return err
	}
	in.loaded = true
	return in.refresh(ctx)
}

// Counts returns what became of the readings so far.
func (in *Intake) Counts() Counts {
	in.mu.Lock()
	defer in.mu.Unlock()
	c := in.counts
	c.Waiting = int64(len(in.waiting))
	return c
}

func (in *Intake) now() int64 { return in.o.Now().UnixMilli() }

// rules are those of one hour of a series: with its week's interval, its scales and
// the identities learnt.
func (in *Intake) rules(s reception.Series, hour int64) tally.Rules {
	r := in.o.Rules(s)
	r.BaseIntervalMS = in.interval(s, weekOf(hour*reception.HourMS), r.BaseIntervalMS)
	r.Units = in.facts.unit
	first := in.identities[s].by
	r.Expected = func(installation string) string { return expected(first[installation]) }
	return r
}

// make returns the tallies of the hour rows[i:j] lie in; rows are of one series,
// ascending, and reach as far as the carry on either side.
func (in *Intake) make(s reception.Series, rows []reception.Reading, i, j int) []reception.PackedTally {
	m := in.maker(s)
	out := pack(nil, m.keyed(new(tally.Folder), rows, i, j))
	in.facts.use(m.used)
	return out
}

func (in *Intake) keyed(s reception.Series, rows []reception.Reading, i, j int) []tally.Keyed {
	m := in.maker(s)
	out := m.keyed(new(tally.Folder), rows, i, j)
	in.facts.use(m.used)
	return out
}

// of selects one series within [from, to) Unix ms.
func of(s reception.Series, from, to int64) store.Query {
	return store.Query{Span: store.Span{From: from, To: to}, Tuner: s.Tuner, FrequencyHz: s.FrequencyHz, Layer: &s.Layer}
}

// read returns the readings of a series within [from, to), ascending.
func (in *Intake) read(ctx context.Context, s reception.Series, from, to int64) ([]reception.Reading, error) {
	var out []reception.Reading
	for chunk, err := range in.log.Readings(ctx, of(s, from, to)) {
		if err != nil {
			return nil, err
		}
		out = append(out, chunk...)
	}
	return out, nil
}

// append hands a batch to the log and keeps the spans.
func (in *Intake) append(ctx context.Context, b store.Batch) (store.Appended, error) {
	done, err := in.log.Append(ctx, b)
	if err != nil {
		return done, err
	}
	for i := range b.Readings {
		in.seen(&b.Readings[i])
	}
	return done, nil
}

func (in *Intake) seen(r *reception.Reading) {
	s := r.Series()
	sp, ok := in.spans[s]
	if !ok {
		sp = store.Stored{Series: s, First: r.Time, Last: r.Time}
	}
	sp.First, sp.Last = min(sp.First, r.Time), max(sp.Last, r.Time)
	in.spans[s] = sp
}

// from returns the index of the first reading at or after ms.
func from(rows []reception.Reading, ms int64) int {
	i, _ := slices.BinarySearchFunc(rows, ms, func(r reception.Reading, at int64) int { return cmp.Compare(r.Time, at) })
	return i
}

// sortedSeries returns the keys of a map in the order of the log's iterators.
func sortedSeries[V any](m map[reception.Series]V) []reception.Series {
	out := make([]reception.Series, 0, len(m))
	for s := range m {
		out = append(out, s)
	}
	slices.SortFunc(out, store.CompareSeries)
	return out
}

// collect gathers what an iterator of a ledger yields.
func collect(seq iter.Seq2[reception.Entry, error]) ([]reception.Entry, error) {
	var out []reception.Entry
	for e, err := range seq {
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}
