// Package alerting decides when somebody must be told. It is a pure state machine
// over answers and health facts; package watch drives it, packages under notify
// tell people.
package alerting

import "errors"

// ErrNoAlarm is wrapped where an id names no open alarm.
var ErrNoAlarm = errors.New("no open alarm has this id")

// Severity is a perceived severity of ITU-T X.733, in machine form.
type Severity string

// Severities.
const (
	Cleared       Severity = "cleared"
	Indeterminate Severity = "indeterminate"
	Warning       Severity = "warning"
	Minor         Severity = "minor"
	Major         Severity = "major"
	Critical      Severity = "critical"
)

// Condition names what an alarm is about.
type Condition string

// Conditions. Those from TunerSilent on come from health facts, the others from the
// answer.
const (
	SpareBelowZero Condition = "spare-below-zero"
	ChannelLost    Condition = "channel-lost"
	AllLost        Condition = "all-lost"
	WrongIdentity  Condition = "wrong-identity"

	TunerSilent    Condition = "tuner-silent"
	WeatherStale   Condition = "weather-stale"
	DiskFailing    Condition = "disk-failing"
	StoreFailing   Condition = "store-failing"
	ClockWrong     Condition = "clock-wrong"
	FollowerBehind Condition = "follower-behind"
)

// An Alarm is one condition on one scope, from raised to cleared.
type Alarm struct {
	ID           string    `json:"id"` // condition, scope and raise time: the same in replay
	Condition    Condition `json:"condition"`
	Scope        string    `json:"scope"` // series or tuner, as a stable key
	Severity     Severity  `json:"severity"`
	Channels     []int     `json:"channels"` // RF numbers; empty: none or all
	Cause        string    `json:"cause"`
	Since        int64     `json:"since"`  // Unix ms: when what it is about began
	Raised       int64     `json:"raised"` // Unix ms
	Acknowledged int64     `json:"acknowledged,omitempty"`
	Cleared      int64     `json:"cleared,omitempty"`
	Text         string    `json:"text"`   // what, since when, how sure, what to do first
	Origin       string    `json:"origin"` // journal or replay
	// Kept: the journal has it, so that it can be acknowledged. One that was found in
	// imported history is kept if it stood when the daemon took over.
	Kept bool `json:"-"`
}

// Waits reports whether somebody may acknowledge the alarm.
func (a Alarm) Waits() bool { return a.Kept && a.Cleared == 0 && a.Acknowledged == 0 }

// Origins of alarms: what the daemon raised itself, and what it would have raised
// over history that was imported.
const (
	FromJournal = "journal"
	FromReplay  = "replay"
)

// EventKind says what happened to an alarm.
type EventKind string

// Kinds of event.
const (
	Raised       EventKind = "raised"
	Updated      EventKind = "updated"
	Acknowledged EventKind = "acknowledged"
	ClearedEvent EventKind = "cleared"
	Sample       EventKind = "sample" // a trial of a way of telling; about nothing
)

// An Event is a change in an alarm's life.
type Event struct {
	Kind  EventKind `json:"kind"`
	At    int64     `json:"at"` // Unix ms
	Alarm Alarm     `json:"alarm"`
}
