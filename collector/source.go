// Package collector visits tuners on a schedule and gathers the weather. It owns
// the contract that every kind of tuner source keeps, lends tuners to viewers, and
// says for every visit that was not made why not.
package collector

import (
	"context"
	"errors"
	"time"

	"holdfast/analysis/reception"
)

// Errors that a Source wraps.
var (
	// ErrBusy: somebody else holds the tuner.
	ErrBusy = errors.New("tuner is in use")
	// ErrGone: the device is not there (unplugged, not found). It may come back.
	ErrGone = errors.New("tuner is not there")
	// ErrHung: an earlier call has not returned; the device is left alone until it does.
	ErrHung = errors.New("tuner does not answer")
	// ErrChannel: the tuner is well but cannot receive this channel (system, range).
	ErrChannel = errors.New("tuner cannot receive this channel")
)

// A Visit is one request to a Source.
type Visit struct {
	Channel  reception.Channel
	Dwell    time.Duration // measuring time after settling, at least 1 s
	LockWait time.Duration // how long to wait for lock before "unlocked" is the answer
	Kind     reception.VisitKind
	At       time.Time // whole second that stamps the reading if the source has no better
}

// A Source is one tuner. Visit acquires it, tunes, waits for the front end to
// settle, measures for v.Dwell, releases it, and returns one reading stamped with
// the start of the dwell, in UTC and whole seconds.
//
// A channel without signal is a Reading with Locked false and a nil error: it is
// a measurement. Visit returns an error wrapping ErrBusy while a viewer holds the
// tuner; the caller records a reading with that reason. Any other error may be
// retried. Visit obeys ctx: it returns within a second of its end, if need be with
// an error wrapping ErrHung while the device still blocks. A Source is used by one
// goroutine at a time. Close may be called twice.
//
// The reading's Tuner field is left to the caller; Scale is filled, and Scale()
// describes it.
type Source interface {
	Visit(ctx context.Context, v Visit) (reception.Reading, error)
	// Scale describes the scale with that id, as last seen by Visit.
	Scale(id string) (reception.Scale, bool)
	// Tuner says what the device is, as far as known; Name is left empty.
	Tuner() reception.Tuner
	Close() error
}
