// Package store holds the two contracts of the store: the Log of what was measured
// and the Ledger of dated facts. Engines live beside it, one package each, and all
// pass the suites of package storetest.
package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"

	"holdfast/analysis/reception"
)

// Sentinel errors. Engines wrap them.
var (
	// ErrClosed: the store was closed.
	ErrClosed = errors.New("store is closed")
	// ErrInUse: another process holds the store.
	ErrInUse = errors.New("store is in use by another process")
	// ErrFull: the disk is full. Nothing of the call was stored; reading goes on.
	ErrFull = errors.New("disk is full")
	// ErrNewer: a newer program wrote this store; nothing was touched.
	ErrNewer = errors.New("store was written by a newer version")
)

// A Span is the time from From up to, not including, To, Unix ms. The zero Span is
// Always.
type Span struct{ From, To int64 }

// Always is every instant that a reading may have.
var Always = Span{0, 1 << 62}

// Bounds returns the span's ends, those of Always for the zero Span.
func (s Span) Bounds() (from, to int64) {
	if s == (Span{}) {
		s = Always
	}
	return s.From, s.To
}

// A Query selects readings or tallies. Empty fields select everything.
type Query struct {
	Span
	Tuner       string
	FrequencyHz int64
	Layer       *string
}

// Selects reports whether a series is one of the query's.
func (q Query) Selects(s reception.Series) bool {
	return (q.Tuner == "" || q.Tuner == s.Tuner) && (q.FrequencyHz == 0 || q.FrequencyHz == s.FrequencyHz) &&
		(q.Layer == nil || *q.Layer == s.Layer)
}

// CompareSeries orders series by frequency, layer, tuner: the order of iterators.
func CompareSeries(a, b reception.Series) int {
	return cmp.Or(cmp.Compare(a.FrequencyHz, b.FrequencyHz), cmp.Compare(a.Layer, b.Layer), cmp.Compare(a.Tuner, b.Tuner))
}

// CompareTallies orders tallies by hour, series, regime: the order of iterators.
func CompareTallies(a, b reception.TallyKey) int {
	return cmp.Or(cmp.Compare(a.Hour, b.Hour), CompareSeries(a.Series, b.Series),
		cmp.Compare(a.Regime.Installation, b.Regime.Installation), cmp.Compare(a.Regime.Mode, b.Regime.Mode),
		cmp.Compare(a.Regime.Scale, b.Regime.Scale))
}

// HourOf returns the hour, counted from 1970-01-01 00:00 UTC, that a Unix ms lies in.
func HourOf(ms int64) int64 {
	h := ms / reception.HourMS
	if ms%reception.HourMS < 0 {
		h--
	}
	return h
}

// A Batch is what one Append stores, all of it or nothing.
//
// Tallies replace those of equal key. Settled names hours that Tallies now answer
// for: their dirty marks are removed if nothing touched them after the Seq with
// which Dirty gave them. Readings of the same batch count as touching later, so
// what they mark dirty stays dirty.
type Batch struct {
	Readings []reception.Reading
	Weather  []reception.Weather
	Tallies  []reception.PackedTally
	// ReplaceHours: all tallies of these hours, whatever their regime, are dropped
	// before Tallies are put: a rebuild may move an hour to another regime.
	ReplaceHours []DirtyHour
	Settled      []DirtyHour
	// FoldedReadings says that Tallies already count Readings, as a live intake's
	// do, or that the intake keeps them in memory: their hours are not marked dirty.
	FoldedReadings bool
}

// A DirtyHour is an hour of a series whose tallies must be made again.
type DirtyHour struct {
	reception.Series
	Hour int64
	Seq  int64 // of the change that made it dirty
}

// A Conflict is a row whose key is taken by other values: the first one stays.
type Conflict struct {
	Index       int // in the batch's Readings or Weather
	Weather     bool
	Kept, Given string // one line each, for people
}

func (c Conflict) String() string { return fmt.Sprintf("kept %s; ignored %s", c.Kept, c.Given) }

// Appended says what became of a batch.
type Appended struct {
	New        int // readings and weather rows that were new
	Duplicates int // equal to what was there
	Conflicts  []Conflict
	Seq        int64 // of the change list after this append
}

// A Change is a line of the change list: Series and Span empty mean all, and an
// empty field of Series means every value of it.
//
// An append adds a line for each series of which it stores new readings, tallies or
// replaced hours, and one for new weather rows, whose span also covers their
// intervals. Lines of one series may be merged later: a merged line has the last
// sequence and a span that covers all, so that whoever resumes in between sees what
// changed since, and perhaps a little more.
type Change struct {
	Seq int64
	reception.Series
	Span
	Weather bool
}

// A Stored describes one series that the log holds.
type Stored struct {
	reception.Series
	First, Last int64 // Time of its first and last reading
	Count       int64
}

// A Log stores readings, weather and tallies, append-only.
//
// What Append was given is durable when it returns nil, and only whole: after a
// crash a batch is there or it is not. (Of a history of thousands of readings, which an
// engine may write into files of its own, a crash before Append returns may leave a part
// of the readings, their hours marked dirty: give it again.) Of two readings with one key (series, Time;
// for weather source, Time, IntervalS) the first wins; an equal one counts as a
// duplicate, a different one is returned as a Conflict and is no error. Rows are
// not validated here: intake does that.
//
// Iterators yield ascending time within a series (series in ascending order of
// frequency, layer, tuner), see a snapshot taken when iteration begins, and end at
// the first error, which is their last pair. An empty answer is no pair at all.
//
// All methods may be called concurrently. After Close they return ErrClosed.
type Log interface {
	// Append stores a batch. Much at once is stored fastest by span: all series of a
	// week or a month in one batch of some 200,000 readings, series after series in
	// their order, each by ascending time; then the next span. The embedded engine
	// writes the readings of a month, if a batch has thousands of them, straight into
	// a file of sealed readings, each series by itself.
	Append(ctx context.Context, b Batch) (Appended, error)

	// Readings yields chunks of at most some thousand readings of one series each.
	// The slice is reused: copy what must stay.
	Readings(ctx context.Context, q Query) iter.Seq2[[]reception.Reading, error]
	// Weather yields rows with Time (the interval's end) in the span, by ascending
	// (Time, Source, IntervalS).
	Weather(ctx context.Context, s Span) iter.Seq2[reception.Weather, error]
	// Tallies yields tallies of hours that begin in the span, ascending by hour over
	// all series, then in series order, so that a fold can follow time.
	Tallies(ctx context.Context, q Query) iter.Seq2[reception.PackedTally, error]
	// Series lists what readings there are.
	Series(ctx context.Context) ([]Stored, error)

	// Dirty returns up to limit hours to rebuild, oldest first, then in series order.
	Dirty(ctx context.Context, limit int) ([]DirtyHour, error)
	// Touch marks every hour of the query's series that overlaps its span and holds
	// readings or tallies dirty, and adds a line to the change list: for a backdated
	// entry, or a new tally version.
	Touch(ctx context.Context, q Query) error

	// Changes yields the change list after a sequence, ascending.
	Changes(ctx context.Context, after int64) iter.Seq2[Change, error]
	// Seq is the last sequence of the change list, 0 in an empty log.
	Seq(ctx context.Context) (int64, error)

	Close() error
}

// A Ledger keeps dated facts: small, transactional, durable when Put returns.
//
// Put stores entries all or none; one with Kind, Key, Held and Known all equal to
// one that is there replaces nothing and is no error if its body is equal, else it
// is an error naming it. An edit is an entry with a later Known.
type Ledger interface {
	Put(ctx context.Context, e ...reception.Entry) error
	// Entries yields, of one kind, the latest known entry of each (Key, Held),
	// ascending by Held, then Key. Bodies of length 0 mark a withdrawn entry and are
	// yielded too.
	Entries(ctx context.Context, kind string) iter.Seq2[reception.Entry, error]
	// History yields every entry of a kind, ascending by Known, then Held, then Key.
	History(ctx context.Context, kind string) iter.Seq2[reception.Entry, error]
	// LedgerSeq rises with every Put that stores an entry; 0 in an empty ledger.
	LedgerSeq(ctx context.Context) (int64, error)
}
