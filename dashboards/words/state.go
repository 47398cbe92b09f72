package words

import (
	"math"
	"strings"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// Kind is what a lane's state comes to.
type Kind string

// Kinds of state, those that need a look first.
const (
	Lost    Kind = "lost"    // no picture now
	Short   Kind = "short"   // to spare below zero, the whole interval
	Soon    Kind = "soon"    // holds, will fall short within the window
	Maybe   Kind = "maybe"   // the interval of to spare spans zero
	Holds   Kind = "holds"   // the interval lies above zero
	Unknown Kind = "unknown" // measured, not yet decided
	New     Kind = "new"     // not measured yet
)

// A Line is a figure with what stands beside it.
type Line struct {
	Strong string // "1.4 dB"
	Rest   string // "to spare now, 0.9 to 1.9"
	Warm   bool   // below zero or lost
}

// Text joins a line's parts.
func (l Line) Text() string { return strings.TrimSpace(l.Strong + " " + l.Rest) }

// State is how a lane stands, in words.
type State struct {
	Kind   Kind
	Words  string // one or two sentences
	Lines  []Line // figures beside the words, each with its interval
	Figure string // for a quiet lane: "7.5 dB", "at least 11.8 dB", "not known yet"
	Range  string // its interval, or why it is only a bound
	WhenMS int64  // lost since, falls short at, or 0
	Needs  string // what would decide it
}

// Look reports whether a lane in this state needs a look and stands open.
func (s State) Look() bool {
	return s.Kind == Lost || s.Kind == Short || s.Kind == Soon || s.belowZero()
}

func (s State) belowZero() bool {
	return s.Kind == Maybe && len(s.Lines) > 0 && s.Lines[0].Warm
}

// lateMS is how old a lane's last reading may be before the words say so.
const lateMS = 24 * 3600 * 1000

func (l Lane) state(a answer.Answer, f Facts) State {
	if !l.Measured {
		return State{Kind: New, Words: "Not measured yet.", Figure: "not measured yet"}
	}
	s := l.standing(f)
	if t := int64(l.Of.Latest.Time); t != 0 && int64(a.AsOf)-t > lateMS {
		s.Lines = append(s.Lines, Line{Rest: "last reading " + Duration(time.Duration(int64(a.AsOf)-t)*time.Millisecond) + " ago"})
	}
	return s
}

func (l Lane) standing(f Facts) State {
	spare := l.Of.Spare
	s := State{Needs: spare.Needs}
	s.Figure, s.Range = Figure(spare)
	if spare.Bound == reception.AtLeast && spare.Decided() {
		s.Range = l.whyAtLeast(tunersLimit(l.Of.Tuner))
	}
	toSpare := Line{Strong: s.Figure, Rest: tail("to spare now", spare), Warm: spare.Value < 0}
	if since := l.lostSince(); since != 0 {
		s.Kind, s.WhenMS = Lost, since
		s.Words = "No picture since " + f.DateTime(since) + "."
		c := l.Dropouts[len(l.Dropouts)-1]
		if long, _ := Cause(c.Cause); c.Probability >= 0.4 { // false for NaN
			s.Words += " Cause, " + HowSure(float64(c.Probability)) + ": " + long + "."
		}
		s.Figure, s.Range = "no picture", "since "+f.DateTime(since)
		if spare.Decided() {
			toSpare.Rest = tail("to spare before", spare)
			s.Lines = []Line{toSpare}
		}
		return s
	}
	if !spare.Decided() {
		s.Kind, s.Figure = Unknown, "not known yet"
		s.Words = "Not known yet."
		if m := float64(l.Of.Latest.MarginDB); !math.IsNaN(m) {
			s.Lines = append(s.Lines, Line{Strong: DB(m), Rest: "above the threshold at the last visit"})
			s.Range = "margin " + DB(m)
		}
		if d := l.measuredFor(); d != "" {
			s.Lines = append(s.Lines, Line{Rest: d + " of visits so far"})
		}
		if s.Needs != "" {
			s.Lines = append(s.Lines, Line{Rest: "needed: " + s.Needs})
		}
		return s
	}
	s.Lines = []Line{toSpare}
	above := spare.Low > 0 || spare.Bound == reception.AtLeast && spare.Value >= 0
	switch {
	case above:
		s.Kind, s.Words = Holds, "Holds."
		l.lookAhead(&s, f)
	case spare.High < 0 && spare.Bound != reception.AtLeast:
		s.Kind, s.Words = Short, "Short."
		if c := l.Change; c != nil {
			long, _ := Cause(c.Cause)
			s.Words = "Short since " + f.Date(int64(c.Time)) + ", " + HowSure(float64(c.Probability)) + ": " + long + "."
		} else if long, how := l.mainCause(); long != "" {
			s.Words = "Short. Cause, " + how + ": " + long + "."
		}
		if fig, i := Share(l.Of.Availability.Est); fig != "" {
			s.Lines = append(s.Lines, Line{Strong: fig, Rest: join("without a broken second", i), Warm: true})
		}
	default:
		s.Kind, s.Words = Maybe, "May be short: not decided."
		if s.Needs != "" {
			s.Lines = append(s.Lines, Line{Rest: "needed: " + s.Needs})
		}
	}
	return s
}

// lookAhead adds what the months to come bring to a lane that holds today.
func (l Lane) lookAhead(s *State, f Facts) {
	worst := -1
	for i, o := range l.Of.Outlook {
		if o.Spare.Decided() && (worst < 0 || o.Spare.Value < l.Of.Outlook[worst].Spare.Value) {
			worst = i
		}
	}
	if worst < 0 || l.Of.Outlook[worst].Spare.Value >= 0 {
		return
	}
	o := l.Of.Outlook[worst]
	when := l.crossing(f)
	if when == 0 {
		return
	}
	fig, i := Figure(o.Spare)
	s.Lines = append(s.Lines, Line{Strong: fig, Rest: join("in "+f.Month(o.Month), i), Warm: true})
	s.WhenMS = when
	if when < f.NowMS+aheadMS {
		s.Kind = Soon
	}
	if o.Basis == "measured" && o.Spare.High < 0 {
		s.Words = "Holds today. Will probably fall short about " + f.Date(when) + "."
		return
	}
	// A range, not a date, before a leaf season was seen here.
	s.Words = "Holds today. May fall short in " + f.Month(o.Month) + "."
}

// tail joins what a figure is with its interval.
func tail(what string, e answer.Est) string {
	_, i := Figure(e)
	return join(what, i)
}

// whyAtLeast says why what is to spare is only a lower bound: the channel never came
// near the threshold, which may lie lower than is known, or it reached the tuner's
// limit.
func (l Lane) whyAtLeast(limit string) string {
	if l.Of.Threshold.Bound == reception.AtMost {
		return "threshold not learnt"
	}
	return limit
}

func tunersLimit(tuner string) string {
	if tuner == "" {
		return "the tuner’s limit"
	}
	if strings.HasPrefix(strings.ToLower(tuner), "tuner") {
		return tuner + "’s limit"
	}
	return "tuner " + tuner + "’s limit"
}

// lostSince returns the start of a dropout that lasts while the last visit found no
// lock, or 0.
func (l Lane) lostSince() int64 {
	if len(l.Dropouts) == 0 || l.Of.Latest.Locked {
		return 0
	}
	d := l.Dropouts[len(l.Dropouts)-1]
	if d.End != 0 {
		return 0
	}
	return int64(d.Start)
}

// mainCause names what most of a lane's lost time is put down to, if one cause has
// at least half of it and is known.
func (l Lane) mainCause() (long, how string) {
	sum := map[string]float64{}
	prob := map[string]float64{}
	var all float64
	for _, d := range l.Dropouts {
		t := length(d)
		all += t
		sum[d.Cause] += t
		if p := float64(d.Probability); !math.IsNaN(p) {
			prob[d.Cause] += p * t
		}
	}
	for c, t := range sum {
		if t >= all/2 && t > 0 && prob[c]/t >= 0.4 && c != "" && c != "unknown" {
			long, _ = Cause(c)
			return long, HowSure(prob[c] / t)
		}
	}
	return "", ""
}

// measuredFor says how long a lane was measured, in days of one visit every so
// often or in hours.
func (l Lane) measuredFor() string {
	first := int64(0)
	for _, e := range l.All {
		if e.Availability.MeasuredS > 0 {
			first += e.Availability.MeasuredS
		}
	}
	if first == 0 {
		return ""
	}
	return Hours(first)
}

// length returns how long a dropout lasted, ms, at least one so that it counts.
func length(d answer.Dropout) float64 {
	if d.End == 0 {
		return 1
	}
	return max(1, float64(d.End-d.Start))
}
