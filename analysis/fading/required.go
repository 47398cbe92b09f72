package fading

import (
	"fmt"
	"math"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A Requirement is the margin that a place requires.
type Requirement struct {
	reception.Estimate
	// NoMarginCures says that errors remain however high the margin: Floor of the time is
	// lost to something other than low C/N, such as impulse noise. The estimate is then
	// undecided.
	NoMarginCures bool
	Floor         reception.Estimate
}

// The margins looked at, in bins of Width.
const (
	marginLow  = -50
	marginHigh = 600
)

// Required returns the smallest settled margin, dB, at which the expected share of errored
// seconds stays within 1 - wanted: the fades seen here folded with the share of errored
// seconds by margin.
//
// 0.5 <= wanted < 1. The interval holds the spread of fades and of errors between blocks of
// five days and the doubt about the standard's curve where nothing else speaks. Undecided
// below two weeks of days (four for wanted above 99.5 %). Where more than half of the tail
// is without lock the margin is at least what is known.
//
// Accuracy: see the test beside this file; a plain quantile of C/N is 0.2 to 1 dB too
// small, because errored seconds begin above the threshold.
//
// Source: share of errored seconds, ITU-T G.826; the fold is the law of total probability.
func (f *Fades) Required(c *Curve, wanted float64) Requirement {
	if !(wanted >= 0.5 && wanted < 1) {
		panic(fmt.Sprintf("fading: Required(%g): want 0.5 to 1", wanted))
	}
	allowed := 1 - wanted
	if floor := c.share[len(c.share)-1]; floor > allowed {
		e := reception.Undecided(fmt.Sprintf("less noise: %.2g %% of the time is lost however strong the signal; no margin cures this", 100*floor))
		return Requirement{Estimate: e, NoMarginCures: true, Floor: c.Floor()}
	}
	if e, short := f.short(wanted); short {
		return Requirement{Estimate: e, Floor: c.Floor()}
	}
	fades := f.distribution()
	// Bisection on bins, then a straight line within one.
	lo, hi := marginLow, marginHigh
	if c.mean(fades, hi) > allowed {
		return Requirement{Estimate: reception.Estimate{Value: marginHigh * Width, Low: marginHigh * Width, High: math.Inf(1), Bound: reception.AtLeast,
			EffectiveN: math.NaN(), Method: "deeper fades than any margin"}, Floor: c.Floor()}
	}
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; c.mean(fades, mid) <= allowed {
			hi = mid
		} else {
			lo = mid
		}
	}
	above, at := c.mean(fades, lo), c.mean(fades, hi)
	m := float64(hi) * Width
	if above > allowed && above > at {
		m -= Width * (allowed - at) / (above - at)
	}
	e := reception.Estimate{Value: m}
	// Slope over half a dB either way: the pooled curve has steps.
	slope := (c.mean(fades, hi+5) - c.mean(fades, hi-5)) / (10 * Width)
	if !(slope < 0) {
		slope = -at / 2 // flat: two dB for the whole
	}
	half := f.spread(c, fades, hi, at, slope)
	base := math.Min(float64(f.u)*Width, m-1)
	e.Low, e.High = logInterval(base, m-base, half)
	e.EffectiveN = math.NaN()
	e.Method = fmt.Sprintf("fades of %d days folded with errored seconds by margin", len(f.days))
	if !f.fitted {
		e.Bound, e.High = reception.AtLeast, math.Inf(1)
		e.Warnings = f.atLeast(wanted).Warnings
		if f.censored == 0 && f.beyond > 0 {
			// All of the tail was seen, in one place: nothing deeper is known or feared.
			e.Bound, e.High = reception.Exact, m+half
			e.Low = m - half
		}
	}
	return Requirement{Estimate: e, Floor: c.Floor()}
}

// A distribution holds the share of time in each fade bin from at on.
type distribution struct {
	at int32
	p  []float64
}

// tailBins spreads mass over the bins of a tail that begins at u; what lies beyond the last
// bin is in it.
func (f *Fades) tailBins(g stat.GPD, mass float64) distribution {
	d := distribution{f.u, make([]float64, 0, 256)}
	left := 1.0
	for k := 1; k < marginHigh-marginLow && left > 1e-9; k++ {
		s := g.Survival(float64(k) * Width)
		d.p = append(d.p, mass*(left-s))
		left = s
	}
	return distribution{d.at, append(d.p, mass*left)}
}

// distribution returns the fades as seen up to u and as the tail has them beyond; without
// a tail as seen, unlocked time at its least fade.
func (f *Fades) distribution() distribution {
	all := f.all
	if !f.fitted {
		all = stat.Merge(f.floored())
	}
	if len(all.Bins) == 0 {
		return distribution{}
	}
	d := distribution{at: all.Bins[0].At}
	for _, b := range all.Bins {
		if f.fitted && b.At >= f.u {
			break
		}
		d.set(b.At, b.W/f.hours)
	}
	if f.fitted {
		if len(d.p) == 0 {
			d.at = f.u
		}
		tail := f.tailBins(f.tail, f.beyond/f.hours)
		for k, p := range tail.p {
			d.set(tail.at+int32(k), p)
		}
	}
	return d
}

func (d *distribution) set(at int32, p float64) {
	for int32(len(d.p)) <= at-d.at {
		d.p = append(d.p, 0)
	}
	d.p[at-d.at] = p
}

// spread returns half the interval of the required margin, from the mean share at it and
// the slope of that share by margin.
func (f *Fades) spread(c *Curve, fades distribution, margin int, mean, slope float64) float64 {
	z := make([]float64, len(f.days))
	var ds, dx, zeta, tailMean, hidden float64
	if f.fitted {
		zeta = f.beyond / f.hours
		of := func(_ float64, g stat.GPD) float64 { return c.mean(f.tailBins(g, 1), margin) }
		tailMean = of(zeta, f.tail)
		_, ds, dx = f.gradient(of, zeta)
		hidden = zeta * f.priorShift(ds, dx)
	}
	for i := range f.days {
		d := &f.days[i]
		sum := 0.0
		for _, b := range d.Fades {
			if !f.fitted || b.At < f.u {
				sum += b.W * c.under(margin, b.At)
			}
		}
		if f.fitted {
			beyond, s, x := f.dayTail(i)
			z[i] = (sum+beyond*tailMean-f.hist[i].Total()*mean)/f.hours + zeta*(ds*s+dx*x)
			continue
		}
		if d.Unlocked > 0 {
			sum += d.Unlocked * c.under(margin, lockBin(*d))
		}
		z[i] = (sum - f.hist[i].Total()*mean) / f.hours
	}
	fading, t, _ := deviation(z)
	weight := c.weights(fades, margin)
	errors, u, _ := deviation(c.influence(weight))
	prior := priorErrDB * c.priorPart(weight)
	v := 0.0
	for _, x := range []float64{t * fading / slope, u * errors / slope, 1.96 * hidden / slope, 1.96 * prior} {
		v = math.Hypot(v, x)
	}
	return v
}
