package fading

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// place is a simulated path: hours of fading correlated over some time, whose distribution
// is known: 95 % of the time near the settled margin, 5 % in a generalised Pareto tail
// (scale 2 dB, shape 0.1) beyond 1.5 dB.
type place struct {
	hours   float64 // correlation time
	settled float64 // settled margin, dB
	lock    float64 // lock is lost at fades beyond this; 0 never
	floor   float64 // share of seconds errored whatever the margin
	days    int
}

const (
	edgeDB = 1.5
	share  = 0.05
)

var truth = stat.GPD{Sigma: 2, Xi: 0.1}

// fade returns the fade at a probability.
func fade(p float64) float64 {
	if p < 1-share {
		return edgeDB - 3*(1-p/(1-share))
	}
	return edgeDB + truth.Quantile((1-p)/share)
}

// run returns the days of a path seen twelve times an hour for five seconds, and the dose
// tables of its visits at a threshold of 15 dB.
func (c place) run(rng *rand.Rand) (days []Day, doses [][]reception.DoseBin) {
	phi := math.Exp(-1 / c.hours)
	x := rng.NormFloat64()
	for d := range c.days {
		day := Day{Date: int64(d), LockDB: c.lock}
		if c.lock == 0 {
			day.LockDB = math.NaN()
		}
		var hist [1000]float64
		var table [1000]reception.DoseBin // both from -40 dB on
		for range 24 {
			f := fade(distuv.UnitNormal.CDF(x))
			x = phi*x + math.Sqrt(1-phi*phi)*rng.NormFloat64()
			if c.lock > 0 && f > c.lock {
				day.Unlocked++
				continue
			}
			hist[min(999, int(math.Floor(f/Width))+400)]++
			cn := 15 + c.settled - f
			b := &table[max(0, int(math.Floor(cn/0.1))+400)]
			b.Visits += 12
			if p := c.floor + (1-c.floor)*standardShare(reception.ATSC1, cn-15); p > 1e-6 {
				for range 60 {
					if rng.Float64() < p {
						b.ErroredUS += 1e6
					}
				}
			}
		}
		var seen []reception.DoseBin
		for i := range hist {
			if hist[i] > 0 {
				day.Fades = append(day.Fades, stat.Bin{At: int32(i - 400), W: hist[i]})
			}
			if table[i].Visits > 0 {
				table[i].Bin = int32(i - 400)
				seen = append(seen, table[i])
			}
		}
		days, doses = append(days, day), append(doses, seen)
	}
	return days, doses
}

// required is the margin that the place truly requires, by summing over 20,000 quantiles.
func (c place) required(wanted float64) float64 {
	mean := func(m float64) float64 {
		s := 0.0
		const n = 20000
		for i := range n {
			s += c.floor + (1-c.floor)*standardShare(reception.ATSC1, m-fade((float64(i)+.5)/n))
		}
		return s / n
	}
	lo, hi := -5.0, 60.0
	for hi-lo > 1e-3 {
		if m := (lo + hi) / 2; mean(m) <= 1-wanted {
			hi = m
		} else {
			lo = m
		}
	}
	return hi
}
