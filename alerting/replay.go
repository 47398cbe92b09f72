package alerting

import (
	"slices"

	"holdfast/analysis/answer"
)

// Replay runs the machine over history: at holds the instants of the steps,
// ascending Unix ms, usually day ends; answerAt must answer from what was known by
// then. It returns the alarms in order of raising, marked as replay; those still
// open at the end have Cleared 0 and stand in the state, from which a daemon that
// takes over goes on.
func Replay(at []int64, answerAt func(at int64) answer.Answer) ([]Alarm, State) {
	var s State
	var out []Alarm
	for _, now := range at {
		var ev []Event
		s, ev = Step(s, now, answerAt(now), nil)
		out = Apply(out, ev)
	}
	for i := range out {
		out[i].Origin = FromReplay
	}
	for i := range s.Open {
		s.Open[i].Origin = FromReplay
	}
	return out, s
}

// Apply brings a list of alarms up to date with events: raised ones are added,
// others replaced by ID. It returns the list in order of raising.
func Apply(list []Alarm, events []Event) []Alarm {
	for _, e := range events {
		i := slices.IndexFunc(list, func(a Alarm) bool { return a.ID == e.Alarm.ID })
		if i < 0 {
			list = append(list, e.Alarm)
		} else {
			list[i] = e.Alarm
		}
	}
	slices.SortStableFunc(list, func(a, b Alarm) int {
		switch {
		case a.Raised < b.Raised:
			return -1
		case a.Raised > b.Raised:
			return 1
		}
		return 0
	})
	return list
}
