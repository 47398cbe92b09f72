package cause

import (
	"math"

	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
)

// A place says whom a hypothesis strikes: the home as a whole, or one of several.
type place uint8

const (
	wholeHome place = iota
	oneMast
	oneTuner
	oneChannel
	eachAlone // channels by themselves, independently
)

// A hypothesis is one cause.
type hypothesis struct {
	cause string
	place place
	rate  float64 // episodes a home-year
	// The size of the loss in dB at 600 MHz: median and standard deviation of its
	// natural logarithm.
	size, sizeLn float64
	scatter      float64 // of single members around the size, as a share of it
	level        float64 // dB of level per dB of C/N: 1 signal lost, 0 noise, below 0 an interferer
	levelSD      float64 // dB
	errors       float64 // share of struck visits that break whatever the margin: bursts
	dark         bool    // struck visits do not lock
	slow         bool    // comes and goes over hours
	shape        func(m *Member) (struck, scale float64)
	when         func(c *Conditions) float64 // how much more often than on average
}

func everywhere(*Member) (struck, scale float64) { return 0.95, 1 }

// byFrequency scales a loss from 600 MHz by a power of the frequency.
func byFrequency(m *Member, power float64) float64 {
	return math.Pow(float64(m.FrequencyHz)/600e6, power)
}

func throughTrees(m *Member) (struck, scale float64) {
	struck = 0.6
	switch m.Growth {
	case reception.GrowthDeciduous, reception.GrowthMixed:
		struck = 0.95
	case reception.GrowthNone:
		struck = 0.03
	case reception.GrowthEvergreen:
		struck = 0.4
	}
	return struck, byFrequency(m, 0.7)
}

// far weighs by distance: the horizon of a mast is some 60 km away.
func far(m *Member) float64 {
	switch {
	case !known(m.DistanceKM):
		return 0.5
	case m.DistanceKM < 40:
		return 0.05
	case m.DistanceKM < 60:
		return 0.4
	}
	return 0.95
}

func byBand(low, high, uhf float64) func(*Member) (struck, scale float64) {
	return func(m *Member) (float64, float64) {
		switch {
		case m.FrequencyHz < lowVHFToHz:
			return low, 1
		case m.FrequencyHz < highVHFToHz:
			return high, 1
		}
		return uhf, 1
	}
}

// Ramps of conditions: a multiplier by class, 1 where nothing is known.
func pick(v float64, below float64, lo float64, above float64, mid, hi float64) float64 {
	switch {
	case !known(v):
		return 1
	case v < below:
		return lo
	case v >= above:
		return hi
	}
	return mid
}

func leafy(c *Conditions) float64 { return pick(c.Leaf, 0.2, 0.05, 0.6, 1, 1.8) }

func wet(c *Conditions) float64 {
	switch c.Sky.Class() {
	case drivers.WetWet:
		return 5
	case drivers.WetDry:
		return 0.05
	case drivers.WetNeither:
		return 1.2
	}
	return 1
}

func windy(c *Conditions) float64 {
	w := c.Sky.WindMPS
	if g := c.Sky.GustMPS / 1.6; known(g) && !(g < w) {
		w = g
	}
	return pick(w, 4, 0.05, 8, 1.5, 10)
}

func calm(c *Conditions) float64 { return pick(c.Sky.WindMPS, 3, 2, 5, 0.6, 0.1) }

func dryAir(c *Conditions) float64 {
	if c.Sky.Fell {
		return 0.1
	}
	return 1
}

// night peaks before dawn; layers of air form after sunset and break up in the morning.
func night(c *Conditions) float64 {
	switch {
	case !known(c.LocalHour):
		return 1
	case c.LocalHour >= 21 || c.LocalHour < 9.5:
		return 1.8
	case c.LocalHour < 12 || c.LocalHour >= 19:
		return 0.5
	}
	return 0.1
}

func hour(c *Conditions, from, to, inside, outside float64) float64 {
	switch {
	case !known(c.LocalHour):
		return 1
	case c.LocalHour >= from && c.LocalHour < to:
		return inside
	}
	return outside
}

// summerMonth counts from January in the north, July in the south.
func summerMonth(c *Conditions) int {
	if c.South {
		return (c.Month+5)%12 + 1
	}
	return c.Month
}

func inMonths(c *Conditions, from, to int, inside, outside float64) float64 {
	if m := summerMonth(c); c.Month == 0 || m >= from && m <= to {
		if c.Month == 0 {
			return 1
		}
		return inside
	}
	return outside
}

func freezing(c *Conditions) float64 {
	switch {
	case !known(c.Sky.TempC):
		return 0.5
	case c.Sky.TempC < -8 || c.Sky.TempC > 3.5:
		return 0.005
	case c.SnowFell || c.Sky.Fell:
		return 20
	case c.Sky.TempC < 1:
		return 2 // what fell before stays on
	}
	return 0.2
}

// lastingFor weighs the length of an episode, in minutes, against a usual one.
func lastingFor(c *Conditions, from, to, inside, outside float64) float64 {
	switch m := c.LastsMS / 60e3; {
	case !known(m):
		return 1
	case m >= from && m <= to:
		return inside
	}
	return outside
}

// hypotheses holds every cause that can break the picture for a while. Rates are per
// home-year; sizes are dB at 600 MHz. Common practice, no published source, where no
// other is named.
var hypotheses = []hypothesis{
	{cause: "wet-leaves", slow: true, place: oneMast, rate: 40, size: 3, sizeLn: 0.5, scatter: 0.3, level: 1, levelSD: 0.7, shape: throughTrees,
		when: func(c *Conditions) float64 { return leafy(c) * wet(c) * lastingFor(c, 5, 12*60, 1, 0.4) }},
	{cause: "wind-trees", place: oneMast, rate: 40, size: 2, sizeLn: 0.7, scatter: 0.8, level: 0.6, levelSD: 1.2, errors: 0.35, shape: throughTrees,
		when: func(c *Conditions) float64 { return pick(c.Leaf, 0.2, 0.3, 0.6, 0.8, 1.4) * windy(c) }},
	{cause: "mast-sway", place: wholeHome, rate: 2, size: 1.5, sizeLn: 0.6, scatter: 0.8, level: 0.8, levelSD: 1, errors: 0.2, shape: everywhere,
		when: windy},
	{cause: "snow-ice", slow: true, place: wholeHome, rate: 5, size: 5, sizeLn: 0.6, scatter: 0.4, level: 1, levelSD: 1,
		shape: func(m *Member) (float64, float64) { return 0.9, byFrequency(m, 0.5) },
		when:  func(c *Conditions) float64 { return freezing(c) * lastingFor(c, 60, 1e6, 1.2, 0.5) }},
	{cause: "wet-roof", slow: true, place: wholeHome, rate: 1.5, size: 3, sizeLn: 0.5, scatter: 0.4, level: 1, levelSD: 0.8,
		shape: func(m *Member) (float64, float64) { return 0.8, byFrequency(m, 0.5) },
		when:  func(c *Conditions) float64 { return wet(c) * lastingFor(c, 20, 12*60, 1, 0.4) }},
	{cause: "water-in-line", slow: true, place: wholeHome, rate: 1.5, size: 5, sizeLn: 0.6, scatter: 0.35, level: 1, levelSD: 1,
		shape: func(m *Member) (float64, float64) { return 0.95, byFrequency(m, 0.5) },
		when:  func(c *Conditions) float64 { return math.Sqrt(wet(c)) * lastingFor(c, 6*60, 1e6, 2, 0.3) }},
	{cause: "amplifier", place: wholeHome, rate: 1, size: 18, sizeLn: 0.4, scatter: 0.25, level: 1, levelSD: 3, shape: everywhere,
		when: func(*Conditions) float64 { return 1 }},
	{cause: "impulse-noise", place: wholeHome, rate: 25, size: 1.2, sizeLn: 0.8, scatter: 0.8, level: 0, levelSD: 0.5, errors: 0.75,
		shape: byBand(0.9, 0.3, 0.04),
		when:  func(c *Conditions) float64 { return hour(c, 16, 24, 1.8, 0.6) * lastingFor(c, 0, 4*60, 1.1, 0.4) }},
	{cause: "powerline-noise", place: wholeHome, rate: 6, size: 3, sizeLn: 0.7, scatter: 0.6, level: 0, levelSD: 0.6, errors: 0.4,
		shape: byBand(0.9, 0.4, 0.04),
		when: func(c *Conditions) float64 {
			return pick(c.Sky.WindMPS, 3, 0.4, 6, 1.5, 2) / math.Max(0.2, math.Min(5, wet(c)))
		}},
	{cause: "ducting", slow: true, place: eachAlone, rate: 25, size: 6, sizeLn: 0.8, scatter: 0.5, level: -0.4, levelSD: 2.2,
		shape: func(m *Member) (float64, float64) { return 0.25 + 0.25*far(m), 1 },
		when: func(c *Conditions) float64 {
			return night(c) * calm(c) * dryAir(c) * pick(c.HPa, 1012, 0.15, 1019, 0.7, 3) * inMonths(c, 5, 10, 1.3, 0.6)
		}},
	{cause: "tropospheric-fading", slow: true, place: oneMast, rate: 60, size: 5, sizeLn: 0.5, scatter: 0.5, level: 1, levelSD: 0.8,
		shape: func(m *Member) (float64, float64) { return far(m), byFrequency(m, 0.35) },
		when:  func(c *Conditions) float64 { return math.Sqrt(night(c)) * inMonths(c, 4, 10, 1.2, 0.8) }},
	{cause: "sporadic-e", place: eachAlone, rate: 6, size: 8, sizeLn: 0.8, scatter: 0.5, level: -0.5, levelSD: 3, shape: byBand(0.7, 0.002, 0.0005),
		when: func(c *Conditions) float64 {
			return inMonths(c, 5, 8, 2.8, 0.15) * math.Max(hour(c, 9, 13, 2, 0.3), hour(c, 16, 21, 1.6, 0.3)) * lastingFor(c, 8, 8*60, 1, 0.3)
		}},
	{cause: "aircraft", place: eachAlone, rate: 12, size: 2.5, sizeLn: 0.5, scatter: 0.7, level: 0.5, levelSD: 1.5, errors: 0.3,
		shape: func(*Member) (float64, float64) { return 0.1, 1 },
		when:  func(c *Conditions) float64 { return hour(c, 6, 23, 1.3, 0.2) * lastingFor(c, 0, 15, 1.5, 0.02) }},
	{cause: "moving-reflector", place: eachAlone, rate: 4, size: 2.5, sizeLn: 0.6, scatter: 0.7, level: 0.3, levelSD: 1.2, errors: 0.3,
		shape: func(*Member) (float64, float64) { return 0.2, 1 },
		when: func(c *Conditions) float64 {
			if c.Weekend {
				return 0.4
			}
			return hour(c, 6, 19, 1.6, 0.2)
		}},
	{cause: "mobile-band", slow: true, place: wholeHome, rate: 1, size: 5, sizeLn: 0.6, scatter: 0.4, level: -0.2, levelSD: 1.5,
		shape: func(m *Member) (float64, float64) {
			if m.FrequencyHz < 560e6 {
				return 0.1, 0.5
			}
			return 0.85, 1
		},
		when: func(c *Conditions) float64 { return hour(c, 16, 24, 1.8, 0.6) }},
	{cause: "transmitter-off", place: oneChannel, rate: 12, size: 35, sizeLn: 0.3, scatter: 0.2, level: 0.6, levelSD: 8, dark: true, shape: everywhere,
		when: func(c *Conditions) float64 { return hour(c, 0, 6, 2.4, 0.5) * lastingFor(c, 3, 24*60, 1, 0.3) }},
	{cause: "transmitter-off", place: oneMast, rate: 1, size: 35, sizeLn: 0.3, scatter: 0.2, level: 0.6, levelSD: 8, dark: true, shape: everywhere,
		when: func(c *Conditions) float64 { return hour(c, 0, 6, 2.4, 0.5) }},
	{cause: "transmitter-reduced", place: oneChannel, rate: 2, size: 6, sizeLn: 0.4, scatter: 0.1, level: 1, levelSD: 0.5, shape: everywhere,
		when: func(c *Conditions) float64 { return dryAir(c) * lastingFor(c, 30, 1e6, 1.3, 0.2) }},
	{cause: "transmitter-reduced", place: oneMast, rate: 1, size: 6, sizeLn: 0.4, scatter: 0.1, level: 1, levelSD: 0.5, shape: everywhere,
		when: func(c *Conditions) float64 { return dryAir(c) * hour(c, 8, 18, 1.6, 0.5) }},
	{cause: "tuner", place: oneTuner, rate: 1.5, size: 12, sizeLn: 0.8, scatter: 0.3, level: 1, levelSD: 3, shape: everywhere,
		when: func(*Conditions) float64 { return 1 }},
	{cause: "leg", place: oneTuner, rate: 1.5, size: 12, sizeLn: 0.8, scatter: 0.3, level: 1, levelSD: 3, shape: everywhere,
		when: func(*Conditions) float64 { return 1 }},
	{cause: "host", place: wholeHome, rate: 2, size: 0.3, sizeLn: 0.3, scatter: 0.5, level: 0, levelSD: 0.4, errors: 0.7,
		shape: func(*Member) (float64, float64) { return 0.6, 0.1 },
		when:  func(c *Conditions) float64 { return lastingFor(c, 0, 20, 1.5, 0.3) }},
	{cause: "ordinary-fading", place: eachAlone, rate: 60, size: 2, sizeLn: 0.6, scatter: 0.8, level: 0.8, levelSD: 1,
		shape: func(*Member) (float64, float64) { return 0.1, 1 },
		when:  func(*Conditions) float64 { return 1 }},
}

// unknownRate is how often a home sees what no hypothesis describes, a year.
const unknownRate = 15
