// Package threshold answers "at which C/N do half of the visits fail?", per tuner and
// transmission system, with an offset for each channel, from what was seen at each C/N
// and a prior from the standard.
package threshold

import (
	"math"

	"holdfast/analysis/reception"
)

// Basis says what a threshold rests on.
type Basis string

// The bases, in machine form.
const (
	Learnt   Basis = "learnt"   // from visits that failed
	Standard Basis = "standard" // the standard's figure, which no loss has tested yet
	User     Basis = "user"     // the user named it
)

// A Channel is what one tuner saw of one channel at each C/N: of its steady visits
// (reception.Tally.Steady) how many there were and how many failed. Unlocked visits
// without any C/N are not in it.
type Channel struct {
	// Bins are summed over the span, ascending; nil if Days holds them.
	Bins []reception.DoseBin
	// Days holds the same by day, so that bad days widen the interval; nil if unknown. An
	// index is the same day in every channel, as far as that is known.
	Days [][]Count
}

// A Count is what was seen at one C/N: visits, and how many of them failed. The bin is
// that of a reception.DoseBin.
type Count struct{ Bin, Visits, Failed int32 }

// Input is what a tuner's threshold for one transmission system is learnt from.
type Input struct {
	Unit       reception.ScaleUnit
	Step       float64 // smallest change the tuner shows, in Unit; NaN: told from the bins
	Ceiling    float64 // highest value it can show, in Unit; NaN if none is known
	StandardDB float64 // the system's standard threshold; NaN if there is none
	User       float64 // what the user named, in Unit; NaN or 0 if nothing
	Channels   []Channel
	// Spread does something for 0 to n-1, in any order and perhaps at once, and returns
	// when all is done; nil does one after the other. Results do not depend on it.
	Spread func(n int, do func(i int))
}

// A Threshold is the C/N, on the tuner's own scale, at which half of the visits fail.
type Threshold struct {
	reception.Estimate // in the scale's unit
	Basis              Basis
}

// A Result is a tuner's threshold and that of each of its channels.
type Result struct {
	Tuner    Threshold
	Channels []Threshold // in the order of Input.Channels

	Width      float64 // s: half of the transition from all to none failing takes 1.35 s, in Unit
	Dispersion float64 // how much more days differ than independent visits would
	Visits     int64
	Failed     int64
}

var nan = math.NaN()
