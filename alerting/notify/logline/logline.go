// Package logline tells of alarms in the daemon's own log.
package logline

import (
	"context"
	"log/slog"
	"time"

	"holdfast/alerting"
)

// A Notifier writes one line an event.
type Notifier struct{ log *slog.Logger }

var _ alerting.Notifier = (*Notifier)(nil)

// New returns a notifier that writes to log: raised and updated alarms as warnings
// (errors when they are for today), cleared and acknowledged ones as information.
func New(log *slog.Logger) *Notifier { return &Notifier{log} }

// String names the way.
func (n *Notifier) String() string { return "log" }

// Notify writes the line; it cannot fail.
func (n *Notifier) Notify(ctx context.Context, e alerting.Event) error {
	level := slog.LevelInfo
	if e.Kind == alerting.Raised || e.Kind == alerting.Updated {
		level = slog.LevelWarn
		if e.Alarm.Severity.PeopleWord() == "today" {
			level = slog.LevelError
		}
	}
	n.log.Log(ctx, level, "alarm "+string(e.Kind)+": "+e.Alarm.Text,
		"condition", string(e.Alarm.Condition), "severity", string(e.Alarm.Severity), "for", e.Alarm.Severity.PeopleWord(),
		"raised", time.UnixMilli(e.Alarm.Raised).UTC().Format(time.RFC3339), "id", e.Alarm.ID)
	return nil
}
