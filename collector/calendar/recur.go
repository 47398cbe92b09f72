package calendar

import (
	"time"

	"github.com/teambition/rrule-go"
)

// mostSteps bounds the working out of one rule: several times a day for a century.
const mostSteps = 200_000

// slackOfZones is how far clocks on the wall lie apart from UTC, and more.
const slackOfZones = 26 * time.Hour

// occurrences lists when events are on that touch a window. One that stands for an
// occurrence of a series takes its place (RFC 5545, 3.8.4.4).
func occurrences(es []event, w span) []span {
	type one struct {
		uid string
		at  int64
	}
	replaced := map[one]bool{}
	for _, e := range es {
		if e.replaces != nil {
			replaced[one{e.uid, e.replaces.instant().Unix()}] = true
		}
	}
	var out []span
	for _, e := range es {
		if e.void {
			continue
		}
		seen := map[int64]bool{}
		for _, m := range e.except {
			seen[m.instant().Unix()] = true
		}
		take := func(from, to time.Time) {
			at := from.Unix()
			if seen[at] || e.replaces == nil && replaced[one{e.uid, at}] || from.After(w.to) || to.Before(w.from) {
				return
			}
			seen[at] = true
			out = append(out, span{from, to})
		}
		e.starts(w, func(m moment) {
			from := m.instant()
			to := from.Add(e.length)
			if m.day { // days are as long as the clock on the wall makes them
				to = m.zone.instant(m.wall.Add(e.length))
			}
			take(from, to)
		})
		for _, p := range e.periods {
			take(p.from, p.to)
		}
	}
	return out
}

// starts calls do for the occurrences that may touch a window: DTSTART, which is always
// the first, those of the rules, and the dates named.
func (e event) starts(w span, do func(moment)) {
	do(e.start)
	for _, m := range e.dates {
		do(m)
	}
	first, last := w.from.UTC().Add(-e.length-slackOfZones), w.to.UTC().Add(slackOfZones)
	for _, r := range e.rules {
		rr, err := rrule.NewRRule(r.option)
		if err != nil {
			continue // ruleOf has tried it
		}
		next := rr.Iterator()
		for range mostSteps {
			at, ok := next()
			if !ok || at.After(last) {
				break
			}
			if !at.Before(first) {
				do(moment{wall: at, zone: e.start.zone, day: e.start.day})
			}
		}
	}
}
