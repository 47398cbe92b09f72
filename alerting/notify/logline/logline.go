// Package logline tells of alarms in the daemon's own log.
package logline

import (
	"context"
	"log/slog"
	"time"

	"holdfast/alerting"
)

// A Notifier writes one line an event.
type Notifier struct {
	name string
	log  *slog.Logger
	zone *time.Location
}

var (
	_ alerting.Notifier = (*Notifier)(nil)
	_ alerting.Silent   = (*Notifier)(nil)
)

// New returns a notifier with a way's name that writes to log: raised and updated alarms
// and samples as warnings (errors when they are for today), cleared and acknowledged
// ones as information. Times for people are the zone's.
func New(name string, log *slog.Logger, zone *time.Location) *Notifier {
	return &Notifier{name, log, zone}
}

// String names the way.
func (n *Notifier) String() string { return n.name }

// WakesNobody marks the log as silent.
func (n *Notifier) WakesNobody() {}

// Notify writes the line; it cannot fail.
func (n *Notifier) Notify(ctx context.Context, e alerting.Event) error {
	level := slog.LevelInfo
	if e.Kind == alerting.Raised || e.Kind == alerting.Updated || e.Kind == alerting.Sample {
		level = slog.LevelWarn
		if e.Alarm.Severity.PeopleWord() == "today" {
			level = slog.LevelError
		}
	}
	n.log.Log(ctx, level, "alarm "+string(e.Kind)+": "+alerting.Message(e, n.zone),
		"condition", string(e.Alarm.Condition), "severity", string(e.Alarm.Severity), "for", e.Alarm.Severity.PeopleWord(),
		"raised", time.UnixMilli(e.Alarm.Raised).UTC().Format(time.RFC3339), "id", e.Alarm.ID)
	return nil
}
