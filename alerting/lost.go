package alerting

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"holdfast/analysis/answer"
)

// An outage is a loss on one channel and tuner: a dropout, with those that follow while
// nobody saw the picture come back. A viewer who takes the tuner ends a dropout, not an
// outage.
type outage struct {
	channel answer.Channel
	scope   string // of the channel
	start   int64
	until   int64 // last instant at which it was seen bad
	back    int64 // when the picture was back, as far as the last bad visit tells; 0: not seen
	ending  bool  // seen good, but the end is known only some visits later
	parts   []part

	visits, wrong int64 // all; locked to another signal
	counted       bool
	received      bool // came in well enough before to be called lost
}

// A part of an outage was seen from its first to its last bad visit.
type part struct{ from, to int64 }

// reaches returns when the picture had been missing for so long by what was seen. Time
// between the parts was not measured and does not count.
func (o *outage) reaches(ms int64) (at int64, ok bool) {
	for _, p := range o.parts {
		if d := p.to - p.from; d >= ms {
			return p.from + ms, true
		} else {
			ms -= d
		}
	}
	return 0, false
}

// otherSignal reports whether another transmitter was what most visits saw.
func (o *outage) otherSignal() bool { return 2*o.wrong > o.visits }

func (o *outage) key() string { return fmt.Sprintf("%s@%d", o.scope, o.start) }

// outages lists what a channel lost, ascending.
func outages(a answer.Answer, c answer.Channel) []*outage {
	var out []*outage
	var last *outage
	scope := scopeOf(c)
	for i, d := range c.Dropouts {
		good := d.StartLow > 0 && d.StartLow < d.Start // a good visit just before it
		if last == nil || last.back != 0 || good {
			if last != nil && last.back == 0 { // seen good between the two
				last.back = last.until
			}
			last = &outage{channel: c, scope: scope, start: int64(d.Start), received: received(a, c, i)}
			out = append(out, last)
		}
		p := part{int64(d.Start), int64(d.End)}
		seen := int64(c.Latest.Time)
		picture := c.Latest.Locked && !c.Latest.WrongIdentity
		switch {
		case d.End == 0:
			// What was not measured since, such as a viewer's evening, is not lost.
			p.to, last.ending = max(seen, p.from), picture
		case d.EndHigh > d.End, i == len(c.Dropouts)-1 && picture && seen > p.to:
			last.back = p.to
		}
		last.until = p.to
		last.parts = append(last.parts, p)
		last.visits, last.wrong = last.visits+d.Visits, last.wrong+d.WrongIdentity
		last.counted = last.counted || d.Counted
	}
	return out
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

// lost: no picture for an hour, on channels that were once received. Losses that
// began and ended between two steps are told too, so that a replay by days and a
// daemon by minutes say the same.
func (m *machine) lost(a answer.Answer) {
	var all []*outage
	cs := current(a)
	series := make([][]*outage, len(cs))
	for i, c := range cs {
		series[i] = outages(a, c)
		all = append(all, series[i]...)
	}
	slices.SortStableFunc(all, func(x, y *outage) int {
		return cmp.Or(cmp.Compare(x.start, y.start), strings.Compare(x.scope, y.scope))
	})
	waits := m.allLost(cs, series, all)
	m.channelsLost(all, waits)
	if m.found(all) { // what is still missing is no longer covered
		m.channelsLost(all, waits)
		m.found(all)
	}
}

// news reports whether an outage may be told: a base visit saw it, the channel was
// received before, it is no history, and it was not told and cleared.
func (m *machine) news(o *outage) bool {
	return o.counted && o.received && !o.ending && (o.back == 0 || o.until >= m.SeenMS-lookBackMS) &&
		!slices.ContainsFunc(m.Done, func(d Mark) bool { return d.Key == o.key() })
}

// allScope is the scope of an alarm about every channel.
const allScope = "home"

// allLost raises one alarm where every wanted channel that had a picture lost it
// together. It returns the starts of losses about which that is not known yet.
func (m *machine) allLost(cs []answer.Channel, series [][]*outage, all []*outage) (waits []int64) {
	for _, o := range all {
		// Whether one that is ending lasted as long as the others will be known soon.
		if o.ending && o.counted && o.received && !m.told(o) {
			waits = append(waits, o.start)
		}
	}
	someWanted := slices.ContainsFunc(cs, func(c answer.Channel) bool { return c.Wanted })
	for _, root := range all {
		if !m.news(root) || someWanted && !root.channel.Wanted || m.told(root) {
			continue
		}
		start, due := root.start, root.start+lostAfterMS
		var group, pending []answer.Channel
		whole := true
		for i, c := range cs {
			if someWanted && !c.Wanted || int64(c.Latest.Time) < start || c.Latest.Time == 0 {
				continue // not measured since is not lost
			}
			var mine *outage
			gone := false // had no picture to lose
			for _, o := range series[i] {
				switch {
				case o.start < start-togetherMS && (o.back == 0 || o.back > start):
					gone = true
				case o.start >= start && o.start <= start+togetherMS && o.counted:
					mine = o
				}
			}
			switch {
			case gone || mine == nil && !c.MedianMargin.Decided() && !c.SettledMargin.Decided() && !c.Latest.Locked:
			case mine != nil && !mine.received:
			case mine == nil || mine.ending || mine.otherSignal():
				whole = false
			case mine.until >= due:
				group = append(group, c)
			case mine.back != 0:
				whole = false
			case m.now < due+togetherMS:
				pending = append(pending, c)
			}
		}
		switch {
		case !whole:
		case len(channelsOf(append(slices.Clone(group), pending...))) < 2: // one channel is one channel
		case len(pending) > 0:
			waits = append(waits, start)
		default:
			// The others that went with them have the same root.
			for _, o := range all {
				if o.counted && o.until >= due && together(o.start, start) {
					group = append(group, o.channel)
				}
			}
			m.raise(due, Alarm{Condition: AllLost, Scope: allScope, Since: start, Severity: Major, Channels: channelsOf(group), Cause: "unknown", Text: allLostText(len(channelsOf(group)))})
		}
	}
	return waits
}

// told reports whether an open alarm is about the loss that o belongs to.
func (m *machine) told(o *outage) bool {
	return slices.ContainsFunc(m.Open, func(a Alarm) bool { return isLoss(a.Condition) && about(a, o) })
}

func isLoss(c Condition) bool { return c == ChannelLost || c == AllLost || c == WrongIdentity }

// together reports whether two losses began close enough to have one cause.
func together(a, b int64) bool { return a-b >= -togetherMS && a-b <= togetherMS }

// about reports whether an alarm about lost channels is about an outage. One about
// every channel is about all that was lost with them.
func about(a Alarm, o *outage) bool {
	return together(o.start, a.Since) && (a.Condition == AllLost || slices.Contains(a.Channels, o.channel.RF))
}

// A loss is an outage that lasted long enough to be told, and when it had.
type loss struct {
	*outage
	at int64
}

// channelsLost tells losses, those that began together as one.
func (m *machine) channelsLost(all []*outage, waits []int64) {
	var groups [2][]loss // without a signal, with another one
	for _, o := range all {
		if !m.news(o) || slices.ContainsFunc(waits, func(s int64) bool { return together(o.start, s) }) {
			continue
		}
		after := int64(lostAfterMS)
		if m.open(SpareBelowZero, o.scope) != nil {
			after = lostAfterShortMS
		}
		at, long := o.reaches(after)
		if !long {
			continue
		}
		if end, ok := m.allEnded(o.start); ok {
			if o.until <= end {
				continue
			}
			at = max(at, end)
		}
		k := 0
		if o.otherSignal() {
			k = 1
		}
		groups[k] = append(groups[k], loss{o, at})
	}
	for k, losses := range groups {
		slices.SortStableFunc(losses, func(x, y loss) int { return cmp.Compare(x.at, y.at) })
		for len(losses) > 0 {
			first := losses[0].start
			var with, rest []loss
			for _, l := range losses {
				if together(l.start, first) {
					with = append(with, l)
				} else {
					rest = append(rest, l)
				}
			}
			m.lostGroup([]Condition{ChannelLost, WrongIdentity}[k], with)
			losses = rest
		}
	}
}

// allEnded returns when an alarm about every channel ended that covered a loss.
func (m *machine) allEnded(start int64) (end int64, ok bool) {
	for _, d := range m.Done {
		var s int64
		if n, _ := fmt.Sscanf(d.Key, allScope+"@%d", &s); n == 1 && together(start, s) {
			return d.MS, true
		}
	}
	return 0, false
}

func (m *machine) lostGroup(cond Condition, losses []loss) {
	var cs []answer.Channel
	at := losses[0].at
	for _, l := range losses {
		cs = append(cs, l.channel)
	}
	cause, text := "unknown", lostText(cs)
	if cond == WrongIdentity {
		moved := !slices.ContainsFunc(losses, func(l loss) bool { _, ok := l.reaches(movedAfterMS); return !ok })
		if moved {
			cause = "channel-moved"
		}
		text = wrongIdentityText(cs, moved)
	}
	rf := channelsOf(cs)
	for i := range m.Open { // one that joins may be the first by name
		o := &m.Open[i]
		if o.Condition == cond && !slices.ContainsFunc(losses, func(l loss) bool { return together(l.start, o.Since) }) ||
			o.Condition != cond && !(isLoss(o.Condition) && slices.ContainsFunc(losses, func(l loss) bool { return about(*o, l.outage) })) {
			continue
		}
		more := union(o.Channels, rf)
		grown := len(more) > len(o.Channels)
		if o.Condition == cond && (grown || o.Cause != cause && cause != "unknown") {
			o.Channels, o.Text, o.Cause = more, text, cause
			m.tell(Updated, m.now, *o)
		} else if grown && o.Condition != AllLost {
			continue
		}
		return
	}
	m.raise(at, Alarm{Condition: cond, Scope: losses[0].key(), Since: losses[0].start, Severity: Major, Channels: rf, Cause: cause, Text: text})
}

// found clears alarms whose channels were all seen back, at the time the last one
// came. One about every channel also ends when some have been back for as long as
// makes a loss; the others are then told by themselves: found reports that.
func (m *machine) found(all []*outage) (some bool) {
	for _, a := range slices.Clone(m.Open) {
		if !isLoss(a.Condition) {
			continue
		}
		var mine []*outage
		first, last, lasts := int64(0), int64(0), false
		for _, o := range all {
			if !about(a, o) || a.Condition == AllLost && o.back != 0 && o.until < a.Since+lostAfterMS {
				continue
			}
			mine = append(mine, o)
			lasts = lasts || o.back == 0
			if last = max(last, o.back); first == 0 || o.back != 0 && o.back < first {
				first = o.back
			}
		}
		end := last
		if len(mine) == 0 {
			end = m.now // what it was about is no longer in the data
		}
		if limit := first + lostAfterMS; a.Condition == AllLost && first != 0 && (lasts && m.now >= limit || !lasts && last > limit) {
			end, lasts, some = max(limit, a.Raised), false, true
		}
		if lasts || m.mayGrow(a, all) {
			continue
		}
		m.clear(end, a.Condition, a.Scope)
		if a.Condition == AllLost {
			m.Done = append(m.Done, Mark{fmt.Sprintf("%s@%d", allScope, a.Since), max(end, a.Raised)})
		}
		for _, o := range mine {
			if o.back != 0 {
				m.Done = append(m.Done, Mark{o.key(), o.back})
			}
		}
	}
	return some
}

// mayGrow reports whether a loss that began with those of an alarm may still join it: its
// end, or whether it lasts for long enough, will be known soon.
func (m *machine) mayGrow(a Alarm, all []*outage) bool {
	return slices.ContainsFunc(all, func(o *outage) bool {
		if !together(o.start, a.Since) || about(a, o) || !o.counted || !o.received {
			return false
		}
		due := o.start + lostAfterMS
		return o.ending || o.back == 0 && o.until < due && m.now < due+togetherMS
	})
}
