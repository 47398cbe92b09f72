package alerting

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

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
	// A tuner silent for so long is an alarm; back for so long, it clears.
	silentAfterMS = 30 * minuteMS
	silentClearMS = 10 * minuteMS
	// Dropouts that ended longer ago than this before the last step are history.
	lookBackMS = 2 * dayMS
)

// A State is all that the machine remembers between steps. It is plain data, kept as
// JSON so that alarms survive a restart. The zero value is a home without alarms.
type State struct {
	Open []Alarm `json:"open"` // ascending by raise time, then ID
	// Since holds when a condition, by key, first held without a break.
	Since []Mark `json:"since"`
	// Done holds the scopes of lost channels that were told and cleared, with the time
	// of clearing: a dropout's end is known only some visits later.
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
	if m.SeenMS == 0 { // what was over before the first step is history
		m.SeenMS = now
	}
	m.spare(a)
	m.lost(a)
	m.silent(health)
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

// lost: no picture for an hour, on channels that were once received. Dropouts that
// began and ended between two steps are told too, so that a replay by days and a
// daemon by minutes say the same.
func (m *machine) lost(a answer.Answer) {
	type loss struct {
		c            answer.Channel
		start, after int64
	}
	var losses []loss
	cs := current(a)
	for _, c := range cs {
		after := int64(lostAfterMS)
		if m.open(SpareBelowZero, scopeOf(c)) != nil {
			after = lostAfterShortMS
		}
		for i, d := range c.Dropouts {
			if !received(a, c, i) {
				continue
			}
			until := int64(d.End)
			if until == 0 {
				// What was not measured since, such as a viewer's evening, is not lost; and
				// a locked channel is back, though its end is known only some visits later.
				if c.Latest.Locked {
					continue
				}
				until = int64(c.Latest.Time)
			} else if until < m.SeenMS-lookBackMS {
				continue
			}
			if d.Counted && until-int64(d.Start) >= after {
				losses = append(losses, loss{c, int64(d.Start), after})
			}
		}
	}
	slices.SortStableFunc(losses, func(x, y loss) int {
		return cmp.Or(cmp.Compare(x.start, y.start), strings.Compare(scopeOf(x.c), scopeOf(y.c)))
	})
	for i := 0; i < len(losses); {
		j := i
		var group []answer.Channel
		for ; j < len(losses) && losses[j].start-losses[i].start <= togetherMS; j++ {
			group = append(group, losses[j].c)
		}
		m.lostGroup(group, losses[i].start, losses[i].after)
		i = j
	}
	m.found(cs)
}

// received reports whether a channel came in well enough before its i-th dropout to be
// called lost: its margin is known, or, in the days before it is, the picture had
// stood for at least as long as it must be missing.
func received(a answer.Answer, c answer.Channel, i int) bool {
	if c.MedianMargin.Decided() || c.SettledMargin.Decided() {
		return true
	}
	good := int64(c.Dropouts[i].StartLow) // end of the last good visit before it
	if good == 0 || good >= int64(c.Dropouts[i].Start) {
		return false
	}
	since := int64(a.Measured.From)
	for _, d := range c.Dropouts[:i] {
		since = max(since, int64(d.End))
	}
	return good-since >= lostAfterMS
}

func (m *machine) lostGroup(cs []answer.Channel, start, after int64) {
	scope := fmt.Sprintf("%s@%d", scopeOf(cs[0]), start)
	if slices.ContainsFunc(m.Done, func(d Mark) bool { return d.Key == scope }) {
		return
	}
	rf := channelsOf(cs)
	for i := range m.Open { // one that joins may be the first by name
		o := &m.Open[i]
		if o.Condition != ChannelLost || !began(*o, start) || len(common(o.Channels, rf)) == 0 {
			continue
		}
		if more := union(o.Channels, rf); len(more) > len(o.Channels) {
			o.Channels, o.Text = more, lostText(cs)
			m.tell(Updated, m.now, *o)
		}
		return
	}
	m.raise(start+after, Alarm{Condition: ChannelLost, Scope: scope, Since: start, Severity: Major, Channels: rf, Cause: "unknown", Text: lostText(cs)})
}

// began reports whether an alarm about lost channels is about a loss at start.
func began(a Alarm, start int64) bool {
	d := start - a.Since
	return d >= -togetherMS && d <= togetherMS
}

// found clears alarms whose channels are all back, at the time the last one came.
func (m *machine) found(cs []answer.Channel) {
	for _, a := range slices.Clone(m.Open) {
		if a.Condition != ChannelLost {
			continue
		}
		end, lasts := int64(0), false
		for _, c := range cs {
			if !slices.Contains(a.Channels, c.RF) {
				continue
			}
			for _, d := range c.Dropouts {
				if began(a, int64(d.Start)) {
					end, lasts = max(end, int64(d.End)), lasts || d.End == 0
				}
			}
		}
		if lasts {
			continue
		}
		if end == 0 {
			end = m.now // what it was about is no longer in the data
		}
		m.clear(end, ChannelLost, a.Scope)
		m.Done = append(m.Done, Mark{a.Scope, end})
	}
}

// silent: a tuner that does not answer. One in a viewer's hands is not silent.
// One that nobody speaks of any more has left the config, and its alarm goes with it;
// no health at all is a replay's.
func (m *machine) silent(health []reception.Health) {
	for _, o := range slices.Clone(m.Open) {
		if o.Condition == TunerSilent && len(health) > 0 && !slices.ContainsFunc(health, func(h reception.Health) bool {
			return h.Kind == reception.HealthTuner && h.Subject == o.Scope
		}) {
			m.held("silent/"+o.Scope, false, m.now)
			m.held("answers/"+o.Scope, false, m.now)
			m.clear(m.now, TunerSilent, o.Scope)
		}
	}
	for _, h := range health {
		if h.Kind != reception.HealthTuner {
			continue
		}
		for0 := m.held("silent/"+h.Subject, !h.OK, m.now)
		if !h.OK && h.Since > 0 {
			for0 = max(for0, m.now-h.Since)
		}
		back := m.held("answers/"+h.Subject, h.OK, m.now)
		switch open := m.open(TunerSilent, h.Subject); {
		case open == nil && !h.OK && for0 >= silentAfterMS:
			m.raise(m.now, Alarm{Condition: TunerSilent, Scope: h.Subject, Since: m.now - for0, Severity: Major, Cause: "tuner", Text: silentText(h)})
		case open != nil && h.OK && back >= silentClearMS:
			m.clear(m.now, TunerSilent, h.Subject)
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

// common returns what two ascending lists share.
func common(a, b []int) []int {
	return slices.DeleteFunc(slices.Clone(a), func(x int) bool { return !slices.Contains(b, x) })
}
