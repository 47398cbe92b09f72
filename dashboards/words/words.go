// Package words turns an answer into the sentences, numbers and dates that people
// read: on the page, in the terminal, in a message. Every face takes its words from
// here, so that they say the same.
//
// Rules that the functions keep: one decimal for dB, the minus sign U+2212, a
// no-break space before a unit, an interval as "5.4 to 7.1", a bound as "at least",
// sentences of at most 16 words, no exclamation mark.
package words

import (
	"time"

	"holdfast/analysis/reception"
)

// Facts is what the words need to know of a home beside the answer.
type Facts struct {
	Zone         *time.Location // the home's; nil is UTC
	NowMS        int64          // the home's clock, Unix ms
	Channels     []reception.Channel
	Transmitters []reception.Transmitter
	Tuners       []reception.Tuner
	Wanted       reception.Wanted
	// Faults are what does not work at NowMS, each a clause that names its subject.
	Faults  []string
	Sky     Sky
	RFFirst bool // call channels by RF number instead of the number on screen
	// Leaf returns the leaf state, 0 to 1, at an instant, and whether it is known.
	// nil where there is no leaf season.
	Leaf func(ms int64) (state float64, known bool)
}

// Sky is the last weather known when the words are made. Unknown numbers are NaN.
type Sky struct {
	AtMS    int64 // end of its interval, Unix ms; 0: no weather known
	GustMPS float64
	WindMPS float64
	TempC   float64
	WetMMH  float64 // rain or snow, mm/h of water
	Thunder bool
}

func (f Facts) zone() *time.Location {
	if f.Zone == nil {
		return time.UTC
	}
	return f.Zone
}

// Nbsp is the no-break space that binds a number to its unit.
const Nbsp = "\u00a0"

// Minus is the minus sign.
const Minus = "\u2212"
