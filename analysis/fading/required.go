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
// Where more than ten days and a day's worth of hours were deeper, the fades are taken as
// seen; else with their tail.
//
// Accuracy: covers 94-99 % with hours correlated over 10 to 33 h and 60 to 365 days
// (simulated in the test beside this file). A plain quantile of C/N is 0.2 to 1 dB too
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
	r := Requirement{Floor: c.Floor()}
	if e, ok := f.seen(c, allowed); ok {
		r.Estimate = e
		return r
	}
	f.lookBeyond()
	fades := f.distribution()
	m, bin, ok := c.solve(fades, allowed)
	if !ok {
		r.Estimate = reception.Estimate{Value: m, Low: m, High: math.Inf(1), Bound: reception.AtLeast, EffectiveN: math.NaN(), Method: "fades deeper than any margin"}
		return r
	}
	mean := c.mean(fades, bin)
	// Slope over half a dB either way: the pooled curve has steps.
	slope := (c.mean(fades, bin+5) - c.mean(fades, bin-5)) / (10 * Width)
	if !(slope < 0) {
		slope = -math.Max(mean, allowed) / 2 // flat: two dB for the whole
	}
	share, prior := f.spread(c, fades, bin, mean)
	half := math.Hypot(share/slope, 1.96*prior)
	base := math.Min(float64(f.u)*Width, m-1)
	e := reception.Estimate{Value: m, EffectiveN: math.NaN(), Method: fmt.Sprintf("fades of %d days, tail beyond %.1f dB, folded with errored seconds by margin", len(f.days), float64(f.u)*Width)}
	e.Low, e.High = logInterval(base, m-base, half)
	switch {
	case f.fitted:
	case f.censored == 0 && f.beyond > 0: // all of the tail was seen, in one place
		e.Low, e.High = m-half, m+half
	default:
		e.Bound, e.High = reception.AtLeast, math.Inf(1)
		e.Warnings = f.atLeast(wanted).Warnings
	}
	r.Estimate = e
	return r
}

// seen returns the required margin from the fades as they were seen, without a tail, where
// more than ten days and a day's worth of hours were deeper, all of them known to be. The
// interval is that of the share of errored seconds, turned back through the fold as
// Woodruff does with a quantile.
func (f *Fades) seen(c *Curve, allowed float64) (reception.Estimate, bool) {
	g := *f
	g.fitted = false
	fades := g.distribution()
	m, bin, ok := c.solve(fades, allowed)
	if !ok {
		return reception.Estimate{}, false
	}
	if days, hours, known := f.deeper(m); !known || days <= 10 || hours < 24 {
		return reception.Estimate{}, false
	}
	share, prior := g.spread(c, fades, bin, c.mean(fades, bin))
	if allowed-share <= c.mean(fades, marginHigh) {
		return reception.Estimate{}, false
	}
	hi, _, ok := c.solve(fades, allowed-share)
	if _, _, known := f.deeper(hi); !ok || !known {
		return reception.Estimate{}, false
	}
	lo, _, _ := c.solve(fades, math.Min(1, allowed+share))
	return reception.Estimate{
		Value: m, Low: m - math.Hypot(m-lo, 1.96*prior), High: m + math.Hypot(hi-m, 1.96*prior), EffectiveN: math.NaN(),
		Method: fmt.Sprintf("fades of %d days folded with errored seconds by margin", len(f.days)),
	}, true
}

// solve returns the smallest margin whose mean share is within what is allowed, in dB and
// the bin it ends in; not ok, with the highest looked at, if there is none.
func (c *Curve) solve(fades distribution, allowed float64) (m float64, bin int, ok bool) {
	lo, hi := marginLow, marginHigh
	if c.mean(fades, hi) > allowed {
		return marginHigh * Width, hi, false
	}
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; c.mean(fades, mid) <= allowed {
			hi = mid
		} else {
			lo = mid
		}
	}
	m = float64(hi) * Width
	above, at := c.mean(fades, lo), c.mean(fades, hi)
	if above > allowed && above > at {
		m -= Width * (allowed - at) / (above - at)
	}
	return m, hi, true
}

// A distribution holds the share of time in each fade bin from at on.
type distribution struct {
	at int32
	p  []float64
}

// eachTailBin hands on the bins of a tail that begins at u, each with its share of the
// tail; what lies beyond the last one is in it.
func (f *Fades) eachTailBin(g stat.GPD, take func(at int32, p float64)) {
	left, k := 1.0, 1
	for ; k < marginHigh-marginLow && left > 1e-9; k++ {
		s := g.Survival(float64(k) * Width)
		take(f.u+int32(k-1), left-s)
		left = s
	}
	take(f.u+int32(k-1), left)
}

// tailShare returns the expected share of errored seconds under a tail.
func (f *Fades) tailShare(g stat.GPD, c *Curve, margin int) float64 {
	s := 0.0
	f.eachTailBin(g, func(at int32, p float64) { s += p * c.under(margin, at) })
	return s
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
		f.eachTailBin(f.tail, func(at int32, p float64) { d.set(at, p*f.beyond/f.hours) })
	}
	return d
}

func (d *distribution) set(at int32, p float64) {
	for int32(len(d.p)) <= at-d.at {
		d.p = append(d.p, 0)
	}
	d.p[at-d.at] = p
}

// spread returns half the interval of the mean share of errored seconds at a margin, and
// the standard error in dB of the standard's curve as far as the share rests on it.
func (f *Fades) spread(c *Curve, fades distribution, margin int, mean float64) (half, priorDB float64) {
	z := make([]float64, len(f.days))
	var ds, dx, zeta, tailMean, hidden float64
	if f.fitted {
		zeta = f.beyond / f.hours
		of := func(g stat.GPD) float64 { return f.tailShare(g, c, margin) }
		tailMean = of(f.tail)
		ds, dx = f.gradient(of)
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
	// What was seen many times needs no allowance for what was not.
	of := common
	if f.fitted {
		of = deviation
	}
	fading, t, _ := of(z)
	weight := c.weights(fades, margin)
	errors, u, _ := common(c.influence(weight))
	half = math.Hypot(t*fading, math.Hypot(u*errors, 1.96*hidden))
	return half, priorErrDB * c.priorPart(weight)
}
