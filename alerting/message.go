package alerting

import (
	"strings"
	"time"
)

// Message says an event as people read it: how urgent it is, what it is about and what
// to do first, since when and when it was raised. Times are the zone's.
func Message(e Event, zone *time.Location) string {
	a := e.Alarm
	at := func(ms int64) string { return time.UnixMilli(ms).In(zone).Format("Mon 2 January 2006, 15:04") }
	word := a.Severity.PeopleWord()
	if e.Kind == Sample {
		return "Sample: " + a.Text
	}
	switch e.Kind {
	case Acknowledged:
		word = "Acknowledged, " + word
	case ClearedEvent: // what to do is over
		word = "Cleared"
		if i := strings.Index(a.Text, ". "); i >= 0 {
			a.Text = a.Text[:i+1]
		}
	case Updated:
		word = "Changed, " + word
	}
	var when []string
	if a.Since != 0 {
		when = append(when, "since "+at(a.Since))
	}
	when = append(when, "raised "+at(a.Raised))
	if a.Acknowledged != 0 {
		when = append(when, "acknowledged "+at(a.Acknowledged))
	}
	if a.Cleared != 0 {
		when = append(when, "cleared "+at(a.Cleared))
	}
	text := strings.Join(when, "; ")
	return strings.ToUpper(word[:1]) + word[1:] + ": " + a.Text + " " + strings.ToUpper(text[:1]) + text[1:] + "."
}

// SampleOf returns the event that tries a way of telling.
func SampleOf(now int64) Event {
	return Event{Kind: Sample, At: now, Alarm: Alarm{
		ID: "sample", Condition: "sample", Severity: Indeterminate, Cause: "unknown", Raised: now, Origin: FromJournal,
		Text: "This is a trial of how alarms are told. Nothing is wrong.",
	}}
}
