package cause

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/drivers"
)

// alike are sets of causes that every test of readings and weather shares, and what
// would part them, indoors.
var alike = []struct {
	causes []string
	part   string
}{
	{[]string{"tuner", "leg"}, "swap the leads of two tuners indoors: a fault that moves with the lead is the lead's, one that stays is the tuner's"},
	{[]string{"wet-roof", "water-in-line"}, "watch how it ends: a roof dries in hours, a line in days"},
	{[]string{"impulse-noise", "powerline-noise"}, "switch off the house's own circuits one by one, with a battery radio on a low channel listening: noise that stays comes from outside"},
	{[]string{"aircraft", "moving-reflector"}, "note some times by hand: aircraft pass by day and by evening, weekends too"},
}

func (v *Verdict) explain(e *Episode) {
	first := v.Ranked[0]
	for _, a := range alike {
		v.liken(a.causes, a.part)
	}
	var fell, stood []string
	masts := map[string][2]int{} // fell, stood
	var levels, falls []float64
	for i := range e.Members {
		m := &e.Members[i]
		n := masts[m.Transmitter]
		if m.Bad > 0 {
			fell = append(fell, m.Transmitter)
			n[0]++
			if known(m.Level.DB) {
				levels = append(levels, m.Level.DB)
			}
			if known(m.CN.DB) && !m.CN.AtMost {
				falls = append(falls, m.CN.DB)
			}
		} else {
			stood = append(stood, m.Transmitter)
			n[1]++
		}
		masts[m.Transmitter] = n
	}
	say := func(list *[]string, format string, args ...any) { *list = append(*list, fmt.Sprintf(format, args...)) }
	switch n := len(fell); {
	case n > 1 && len(stood) == 0:
		say(&v.For, "all %d channels measured then broke", n)
	case n > 1:
		names := slices.Compact(slices.Sorted(slices.Values(fell)))
		say(&v.For, "%d channels broke together, %d held; those that broke come from %s", n, len(stood), strings.Join(names, ", "))
	case n == 1 && len(stood) > 0:
		say(&v.For, "one channel broke, %d others held", len(stood))
	}
	if len(falls) > 0 {
		c := mean(falls)
		switch {
		case c > -0.7:
			say(&v.For, "its C/N stayed where it usually is at that hour: errors came without a loss of signal")
		case len(levels) == 0:
			say(&v.For, "C/N lay %.1f dB below what is usual at that hour", -c)
		case mean(levels) > 0.7:
			say(&v.For, "C/N lay %.1f dB below what is usual at that hour while the level rose by %.1f dB: something was added", -c, mean(levels))
		case mean(levels) > c/3:
			say(&v.For, "C/N lay %.1f dB below what is usual at that hour, the level hardly: noise or echoes, no loss of signal", -c)
		default:
			say(&v.For, "C/N and level fell together, C/N by %.1f dB: signal was lost", -c)
		}
	}
	v.weather(e, first.Cause)
	if len(v.Ranked) > 1 && v.Ranked[1].Probability > first.Probability/2 && v.Ranked[1].Cause != "unknown" {
		say(&v.Against, "%s fits nearly as well", v.Ranked[1].Cause)
	}
}

// liken lists the causes that look like the first one, if it is one of them.
func (v *Verdict) liken(causes []string, part string) {
	first := v.Ranked[0].Cause
	if !slices.Contains(causes, first) {
		return
	}
	for _, c := range causes {
		if c != first {
			v.Alike = append(v.Alike, c)
		}
	}
	v.Part = part
}

// weather says what the weather has to do with it.
func (v *Verdict) weather(e *Episode, cause string) {
	h := &hypothesis{}
	for i := range hypotheses {
		if hypotheses[i].cause == cause {
			h = &hypotheses[i]
			break
		}
	}
	if h.when == nil {
		return
	}
	say := func(list *[]string, format string, args ...any) { *list = append(*list, fmt.Sprintf(format, args...)) }
	c := &e.Conditions
	uses := func(names ...string) bool { return slices.Contains(names, cause) }
	if uses("wet-leaves", "wet-roof", "water-in-line", "powerline-noise") {
		switch c.Sky.Class() {
		case drivers.WetWet:
			say(&v.For, "leaves and roof were wet by then")
		case drivers.WetDry:
			say(&v.Against, "it was dry")
		case drivers.WetUnknown:
			say(&v.Against, "nobody measured rain")
		}
	}
	if uses("wet-leaves", "wind-trees") && known(c.Leaf) {
		if c.Leaf >= 0.6 {
			say(&v.For, "the trees were in leaf")
		} else if c.Leaf < 0.2 {
			say(&v.Against, "the trees were bare")
		}
	}
	if uses("wind-trees", "mast-sway") {
		w := c.Sky.WindMPS
		switch {
		case !known(w):
			say(&v.Against, "nobody measured wind")
		case known(c.Sky.GustMPS) && c.Sky.GustMPS >= 10:
			say(&v.For, "gusts reached %.0f m/s", c.Sky.GustMPS)
		case w >= 7:
			say(&v.For, "the wind blew at %.0f m/s", w)
		case w < 4:
			say(&v.Against, "there was hardly any wind")
		}
	}
	if uses("ducting", "tropospheric-fading") && known(c.LocalHour) {
		if night(c) > 1 {
			say(&v.For, "it was night or early morning, when air lies in layers")
		}
		if cause == "ducting" && known(c.HPa) {
			if c.HPa >= 1019 {
				say(&v.For, "pressure was high, %.0f hPa", c.HPa)
			} else if c.HPa < 1012 {
				say(&v.Against, "pressure was low, %.0f hPa", c.HPa)
			}
		}
	}
	if uses("snow-ice") && known(c.Sky.TempC) {
		if freezing(c) > 1 {
			say(&v.For, "it was %.0f degrees Celsius, and wet or snowing", math.Round(c.Sky.TempC))
		} else {
			say(&v.Against, "it was %.0f degrees Celsius", math.Round(c.Sky.TempC))
		}
	}
	if c.DistanceKM > 30 && len(v.For)+len(v.Against) > 0 {
		say(&v.Against, "the weather was measured %.0f km away", c.DistanceKM)
	}
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}
