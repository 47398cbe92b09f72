package cause

import (
	"math"
)

// lasting holds what can change the margin for good, from one hour to the next. Rates
// are per home-year; common practice, no published source.
var lasting = []hypothesis{
	{cause: "amplifier", place: wholeHome, rate: 0.2, size: 12, sizeLn: 0.6, scatter: 0.12, level: 1, levelSD: 2, shape: everywhere, when: always},
	{cause: "water-in-line", place: wholeHome, rate: 0.1, size: 4, sizeLn: 0.5, scatter: 0.25, level: 1, levelSD: 1,
		shape: func(m *Member) (float64, float64) { return 0.95, byFrequency(m, 0.5) },
		when:  func(c *Conditions) float64 { return math.Sqrt(wet(c)) }},
	{cause: "tuner", place: oneTuner, rate: 0.1, size: 5, sizeLn: 0.6, scatter: 0.25, level: 1, levelSD: 2, shape: everywhere, when: always},
	{cause: "leg", place: oneTuner, rate: 0.1, size: 5, sizeLn: 0.6, scatter: 0.25, level: 1, levelSD: 2, shape: everywhere, when: always},
	{cause: "obstruction", place: oneMast, rate: 0.1, size: 4, sizeLn: 0.6, scatter: 0.3, level: 1, levelSD: 1, shape: everywhere, when: always},
	{cause: "transmitter-reduced", place: oneChannel, rate: 0.3, size: 5, sizeLn: 0.4, scatter: 0.1, level: 1, levelSD: 0.5, shape: everywhere, when: always},
	{cause: "transmitter-reduced", place: oneMast, rate: 0.1, size: 5, sizeLn: 0.4, scatter: 0.1, level: 1, levelSD: 0.5, shape: everywhere, when: always},
	{cause: "mobile-band", place: wholeHome, rate: 0.1, size: 5, sizeLn: 0.6, scatter: 0.4, level: -0.2, levelSD: 1.5,
		shape: func(m *Member) (float64, float64) {
			if m.FrequencyHz < 560e6 {
				return 0.05, 0.5
			}
			return 0.9, 1
		}, when: always},
}

func always(*Conditions) float64 { return 1 }

// Rates of an antenna that turns, and of what no hypothesis describes, a home-year. Most
// turns come with a gust.
const (
	turnRate    = 0.15
	otherRate   = 0.25
	hardGustMPS = 17 // near gale, WMO No. 306 code table 1100: whole trees move
)

// A LastingVerdict is what is thought of a lasting change.
type LastingVerdict struct {
	Verdict
	Turn Turn // of meaning where antenna-turned is ranked
}

// JudgeLasting ranks the causes of a change that stayed: CN and Level of each member are
// by how much they moved. A change needs members that moved; those that did not are as
// telling.
func JudgeLasting(e Episode) LastingVerdict {
	members := make([]weighed, len(e.Members))
	for i := range members {
		m := &e.Members[i]
		m.Visits, m.Bad, m.Unlocked, m.Overlap = 0, 0, 0, 1
		members[i] = weighed{m, m.logAside()}
	}
	var all []scored
	for i := range lasting {
		h := &lasting[i]
		if places := h.anyPlace(e.Members); len(places) > 0 {
			prior := math.Log(h.rate*h.when(&e.Conditions)) - math.Log(float64(len(places)))
			for _, p := range places {
				all = append(all, scored{Ranked{Cause: h.cause, Struck: p}, prior + h.evidence(members, p)})
			}
		}
	}
	var out LastingVerdict
	gust := pick(math.Max(nonNaN(e.Sky.GustMPS), 1.5*nonNaN(e.Sky.WindMPS)), 8, 0.4, hardGustMPS, 1, 8)
	if log, t, ok := turned(members); ok {
		all = append(all, scored{Ranked{Cause: "antenna-turned"}, math.Log(turnRate*gust) + log})
		out.Turn = t
	}
	other := math.Log(otherRate)
	for i := range members {
		other += members[i].logFree() - members[i].aside
	}
	all = append(all, scored{Ranked{Cause: "unknown"}, other})
	out.Verdict = rank(all)
	for _, a := range alike {
		out.liken(a.causes, a.part)
	}
	return out
}

// anyPlace lists every place that members know of.
func (h *hypothesis) anyPlace(members []Member) []string {
	all := make([]Member, len(members))
	for i, m := range members {
		m.Bad = 1
		all[i] = m
	}
	return h.places(all)
}

func nonNaN(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}
