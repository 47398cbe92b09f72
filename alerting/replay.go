package alerting

import (
	"slices"

	"holdfast/analysis/answer"
)

// A Replayed is what a replay found up to some instant: the alarms in order of raising,
// marked as replay; those still open have Cleared 0 and stand in the state, from which a
// daemon that takes over goes on. The zero value is the beginning.
type Replayed struct {
	Alarms []Alarm `json:"alarms"`
	State  State   `json:"state"`
}

// Replay runs the machine over history, from where an earlier replay left it: at holds
// the instants of the steps, ascending Unix ms, usually day ends; answerAt must answer
// from what was known by then. After each step it hands what it found so far to each,
// which may be nil; that shares nothing with what comes after.
func (from Replayed) Replay(at []int64, answerAt func(at int64) answer.Answer, each func(at int64, r Replayed)) Replayed {
	r := from.clone()
	for _, now := range at {
		var ev []Event
		r.State, ev = Step(r.State, now, answerAt(now), nil)
		r.Alarms = Apply(r.Alarms, ev)
		for i := range r.Alarms {
			r.Alarms[i].Origin = FromReplay
		}
		for i := range r.State.Open {
			r.State.Open[i].Origin = FromReplay
		}
		if each != nil {
			each(now, r.clone())
		}
	}
	return r
}

func (r Replayed) clone() Replayed { return Replayed{slices.Clone(r.Alarms), r.State.Clone()} }

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
