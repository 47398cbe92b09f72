package alerting

import (
	"fmt"
	"slices"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

const (
	minuteMS = 60 * 1000
	hourMS   = 60 * minuteMS
	dayMS    = 24 * hourMS
)

// The machine's times are ours: short enough to be early, long enough that a wet
// evening or a scan of the channels raises nothing.
const (
	// Spare must stay below zero, or above it, so long before an alarm is raised or
	// cleared. A day covers one full turn of the daily fading.
	spareHoldMS = dayMS
	// A picture missing for so long is a lost channel, not a dropout.
	lostAfterMS = hourMS
	// A channel already known to be short breaks often: there only so long a loss is
	// news.
	lostAfterShortMS = 12 * hourMS
	// Channels lost within so long of each other have one cause.
	togetherMS = 15 * minuteMS
	// Another signal on every tuner for so long: the channel has moved.
	movedAfterMS = dayMS
	// Dropouts that ended longer ago than this before the last step are history.
	lookBackMS = 2 * dayMS
)

// A State is all that the machine remembers between steps. It is plain data, kept as
// JSON so that alarms survive a restart. The zero value is a home without alarms.
type State struct {
	Open []Alarm `json:"open"` // ascending by raise time, then ID
	// Since holds when a condition, by key, first held without a break.
	Since []Mark `json:"since"`
	// Done holds the losses that were told and cleared, with the time of clearing: a
	// dropout's end is known only some visits later.
	Done []Mark `json:"done"`
	// SeenMS is the time of the last step.
	SeenMS int64 `json:"seen_ms"`
}

// A Mark says since when a condition has held.
type Mark struct {
	Key string `json:"key"`
	MS  int64  `json:"ms"`
}

// Clone returns a state that shares nothing with s.
func (s State) Clone() State {
	c := State{Open: slices.Clone(s.Open), Since: slices.Clone(s.Since), Done: slices.Clone(s.Done), SeenMS: s.SeenMS}
	for i := range c.Open {
		c.Open[i].Channels = slices.Clone(c.Open[i].Channels)
	}
	return c
}

// Shift returns a state whose running times lie ms later: where the clock was set by
// so much, what lasts a minute still lasts a minute. Alarms keep their times.
func (s State) Shift(ms int64) State {
	s = s.Clone()
	for i := range s.Since {
		s.Since[i].MS += ms
	}
	return s
}

func (s *State) open(cond Condition, scope string) *Alarm {
	for i := range s.Open {
		if s.Open[i].Condition == cond && s.Open[i].Scope == scope {
			return &s.Open[i]
		}
	}
	return nil
}

// held notes whether a condition holds now and returns for how long it has, ms.
func (s *State) held(key string, holds bool, now int64) int64 {
	i := slices.IndexFunc(s.Since, func(m Mark) bool { return m.Key == key })
	switch {
	case !holds && i >= 0:
		s.Since = slices.Delete(s.Since, i, i+1)
		return 0
	case !holds:
		return 0
	case i < 0:
		s.Since = append(s.Since, Mark{key, now})
		return 0
	case s.Since[i].MS > now: // the clock stepped back
		s.Since[i].MS = now
	}
	return now - s.Since[i].MS
}

// Step moves the machine to now (Unix ms) and returns the new state with what
// happened, in order. It changes no argument. The answer's default span must end at
// now; health may be nil in a replay, which knows of no tuner.
func Step(s State, now int64, a answer.Answer, health []reception.Health) (State, []Event) {
	m := machine{State: s.Clone(), now: now}
	if now < reception.EarliestMS || now > reception.LatestMS {
		// A clock that was never set: how long things last means nothing.
		m.facts(health, func(r *rule) bool { return r.kind == reception.HealthClock })
		return m.State, m.events
	}
	if m.SeenMS == 0 { // what was over before the first step is history
		m.SeenMS = now
	}
	m.spare(a)
	m.lost(a)
	m.facts(health, func(*rule) bool { return true })
	m.SeenMS = max(m.SeenMS, now)
	m.Done = slices.DeleteFunc(m.Done, func(d Mark) bool { return d.MS < m.SeenMS-2*lookBackMS })
	return m.State, m.events
}

// Acknowledge marks an open alarm as seen. ok is false if no open alarm has the id.
func Acknowledge(s State, id string, now int64) (State, []Event, bool) {
	m := machine{State: s.Clone(), now: now}
	for i := range m.Open {
		if a := &m.Open[i]; a.ID == id {
			if a.Acknowledged == 0 {
				a.Acknowledged = now
				m.tell(Acknowledged, now, *a)
			}
			return m.State, m.events, true
		}
	}
	return s, nil, false
}

type machine struct {
	State
	now    int64
	events []Event
}

func (m *machine) tell(kind EventKind, at int64, a Alarm) {
	a.Channels = slices.Clone(a.Channels)
	m.events = append(m.events, Event{Kind: kind, At: at, Alarm: a})
}

func (m *machine) raise(at int64, a Alarm) {
	a.Raised = at
	a.ID = fmt.Sprintf("%s/%s/%d", a.Condition, a.Scope, at)
	m.Open = append(m.Open, a)
	m.tell(Raised, at, a)
}

func (m *machine) clear(at int64, cond Condition, scope string) {
	for i := range m.Open {
		if a := &m.Open[i]; a.Condition == cond && a.Scope == scope {
			a.Cleared = max(at, a.Raised)
			a.Severity = Cleared
			m.tell(ClearedEvent, a.Cleared, *a)
			m.Open = slices.Delete(m.Open, i, i+1)
			return
		}
	}
}

// spare: the interval of "to spare" lies below zero for a day.
func (m *machine) spare(a answer.Answer) {
	for _, c := range current(a) {
		scope := scopeOf(c)
		below := m.held("below/"+scope, c.Spare.Decided() && c.Spare.High < 0, m.now)
		above := m.held("above/"+scope, c.Spare.Decided() && c.Spare.Low > 0, m.now)
		switch open := m.open(SpareBelowZero, scope); {
		case open == nil && below >= spareHoldMS:
			m.raise(m.now, Alarm{Condition: SpareBelowZero, Scope: scope, Since: m.now - below, Severity: Minor, Channels: []int{c.RF}, Cause: "unknown", Text: spareText(c)})
		case open != nil && above >= spareHoldMS:
			m.clear(m.now, SpareBelowZero, scope)
		}
	}
}

// current keeps the newest installation of each series: the answer lists it first.
func current(a answer.Answer) []answer.Channel {
	var out []answer.Channel
	seen := map[string]bool{}
	for _, c := range a.Channels {
		if s := scopeOf(c); !seen[s] {
			seen[s] = true
			out = append(out, c)
		}
	}
	return out
}

func scopeOf(c answer.Channel) string {
	return fmt.Sprintf("%d/%s/%s", c.FrequencyHz, c.Layer, c.Tuner)
}

func channelsOf(cs []answer.Channel) []int {
	var rf []int
	for _, c := range cs {
		rf = union(rf, []int{c.RF})
	}
	return rf
}

func union(a, b []int) []int {
	out := append(slices.Clone(a), b...)
	slices.Sort(out)
	return slices.Compact(out)
}
