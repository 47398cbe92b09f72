// Package fading answers "how much margin does this place require?": how deep the fades
// below the settled margin go, how the share of errored seconds falls with margin, and
// the two folded.
package fading

import (
	"math"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// Width is the width of a fade bin, dB.
const Width = 0.1

const (
	level = 0.95

	// How much a figure must rest on before it is shown (ours): two weeks for what is
	// exceeded 1 % of the time, four for rarer fades.
	minDays     = 14
	minRareDays = 28
	rare        = 0.995

	// The tail begins where 4 % of the time lies beyond, as deep as the bins allow.
	// Between 95 and 97 % the answer hardly moved in simulation.
	tailShare = 0.04
)

// The shape of a tail of fades is near exponential: N(0.05, 0.15), which spans the light
// tails of a ceiling and the heavy ones of ducting (ours; chosen by simulation).
var shapePrior = stat.Normal{Mean: 0.05, SD: 0.15}

// A Day holds the fades of one statistical day, in hours of the time they stand for.
// A fade is the settled margin of the day less the margin of the visit: positive is
// worse.
type Day struct {
	Date  int64      // days from 1970-01-01 to the local date of the noon that opens it
	Fades []stat.Bin // of Width dB, ascending
	// Unlocked is time without lock: fades deeper than LockDB, by how much nobody knows.
	Unlocked float64
	LockDB   float64 // the fade at which lock is lost: the settled margin of the day; NaN if unknown
}

// Add puts visits of one tally into the day: cn holds their C/N on a scale in dB in bins
// of 0.1 dB, unlocked is how many had no lock; each stands for so many hours. settledCNDB
// is the C/N at the settled margin of the day, settledDB that margin. A settled C/N that
// is not a number adds nothing.
func (d *Day) Add(settledCNDB, settledDB float64, cn []reception.Bin, unlocked int64, hours float64) {
	if math.IsNaN(settledCNDB) || math.IsInf(settledCNDB, 0) || !(hours > 0) || math.IsInf(hours, 0) {
		return
	}
	w := reception.UnitDB.BinWidth()
	add := make([]stat.Bin, 0, len(cn))
	for i := len(cn) - 1; i >= 0; i-- {
		if cn[i].N > 0 {
			fade := settledCNDB - (float64(cn[i].Bin)+0.5)*w
			add = append(add, stat.Bin{At: int32(math.Floor(fade / Width)), W: float64(cn[i].N) * hours})
		}
	}
	d.Fades = merge(d.Fades, add)
	if unlocked > 0 {
		d.Unlocked += float64(unlocked) * hours
		// Days of two settled margins keep the smaller: a fade of at least that.
		if !(d.LockDB <= settledDB) || d.Unlocked == float64(unlocked)*hours {
			d.LockDB = settledDB
		}
	}
}

// merge returns the sum of two ascending lists of bins.
func merge(a, b []stat.Bin) []stat.Bin {
	if len(a) == 0 {
		return b
	}
	out := make([]stat.Bin, 0, len(a)+len(b))
	for len(a) > 0 || len(b) > 0 {
		var next stat.Bin
		if len(b) == 0 || len(a) > 0 && a[0].At <= b[0].At {
			next, a = a[0], a[1:]
		} else {
			next, b = b[0], b[1:]
		}
		if n := len(out); n > 0 && out[n-1].At == next.At {
			out[n-1].W += next.W
		} else {
			out = append(out, next)
		}
	}
	return out
}
