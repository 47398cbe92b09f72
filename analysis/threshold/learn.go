package threshold

import (
	"fmt"
	"math"

	"holdfast/analysis/reception"
)

// Priors. Threshold: the standard's figure give or take 1 dB, which spans the published
// spread of receivers (14.9 to 15.8 dB for 8-VSB, from memory). Width of the transition:
// 0.3 dB within a factor of 1.65 (one sigma). Without a standard figure: anything from
// the most to the least robust published mode. In per cent nothing is known beforehand.
// The offset of a channel is that of a Ricean from a Gaussian path, 0.6 dB for 64-QAM 2/3
// (ETSI EN 300 744 table A.1, from memory). Floors: most visits far above threshold do
// not fail, most far below do (ours).
const (
	standardSD     = 1.0
	anyDB, anyDBSD = 15, 8.0
	anyPct, pctSD  = 50, 40.0
	widthDB        = 0.3
	widthSD        = 0.5
	widthPct       = 3.0
	widthPctSD     = 1.0
	offsetDB       = 0.6
	offsetPct      = 3.0
	floorStrength  = 50 // Beta(1, 50) for both floors
)

// When visits have taught a threshold (ours): so many failed, on so many days, and the
// interval of a channel is at most half of the standard's. One channel that is well
// known leaves the tuner's threshold uncertain by 1.96/sqrt(1 + 1/0.6^2) = 1.01 dB.
const (
	learntFailed  = 10
	learntDays    = 2
	learntHalfDB  = 0.5 * 1.96 * standardSD
	tunerHalfDB   = 1.1
	learntHalfPct = 7.0
	// enough visits without failure at or below a C/N say that the threshold is not
	// above it: were it, each would fail with probability one half or more, and none of
	// five failing has at most the probability 1/32.
	enough = 5
	// withinDB is the half width of the 95 % interval of what the errors' C/N within a
	// visit leaves of bias: -0.1 to 0.2 dB, see Learn.
	withinDB = 0.2
	// undatedDispersion stands for the days where none are given (ours).
	undatedDispersion = 2.0
)

// Learn returns the threshold of a tuner for one system, and of each channel.
//
// The share of failing visits at C/N x is phi + (1-phi-lambda) Phi((theta-x)/s), averaged
// over the tuner's step: theta is the threshold, phi a floor by channel (impulse noise),
// lambda what survives below. Values at the ceiling inform phi only. The interval is of
// the profile of the posterior, with the likelihood divided by the dispersion of days.
//
// A channel that never fails has the tuner's threshold, or at most the lowest C/N at
// which five visits did not fail if that is lower. A scale in per cent has no threshold
// until losses teach it one; nor has a system without a standard figure. What the user
// names holds, with a warning where visits contradict it.
//
// Accuracy: covers 95-98 % with days that differ by 0.15 dB (simulated in the test beside
// this file). What is left is how the C/N varied within the visits. Bins are to hold
// steady visits alone, at the C/N of their errors (package tally); then the threshold is
// within -0.1 to 0.2 dB, simulated with 5 to 50 polls of 0.1 to 0.2 dB noise in a 5 s
// visit, in still air or wind that comes and goes, and the intervals of learnt thresholds
// allow for 0.2 dB. It is 0.3 to 0.4 dB too low where the reading has 0.4 dB of noise, and
// 0.2 to 0.6 dB too high with one or two polls a visit among moving trees.
//
// Readings imported with a median and neither its spread nor the lowest C/N enter at the
// median as if steady. On channels that fade within the visit, such as among trees in
// wind, they teach a threshold that is too high, by 0.4 dB in light wind and 1 to 2 dB in
// storms, with an interval that does not say so: name such a channel's threshold, or
// import cn_low_db or cn_spread_db.
//
// Source: dose-response with control mortality, D. J. Finney, Probit Analysis, 3rd ed.
// (1971), ch. 7 (from memory).
func Learn(in Input) Result {
	d := collect(in)
	out := Result{Channels: make([]Threshold, len(in.Channels)), Visits: d.visits, Failed: d.failed, Width: nan, Dispersion: nan}
	f, ok := d.fit()
	if ok {
		out.Width, out.Dispersion = f.s, f.dispersion
	}
	if in.User > 0 && !math.IsInf(in.User, 0) {
		named := Threshold{reception.Estimate{Value: in.User, Low: in.User, High: in.User, EffectiveN: nan, Method: "named by the user"}, User}
		out.Tuner = named
		for i := range out.Channels {
			out.Channels[i] = named
			if p := d.own(f, ok, i); p.learnt && (in.User < p.lo-1 || in.User > p.hi+1) {
				out.Channels[i].Warnings = []string{fmt.Sprintf("the visits say %.1f (%.1f to %.1f), not %.1f", p.at, p.lo, p.hi, in.User)}
			}
		}
		return out
	}
	out.Tuner = d.tuner(in, f, ok)
	d.spread(len(d.channels), func(i int) {
		c := &d.channels[i]
		own := d.own(f, ok, i)
		switch {
		case own.learnt:
			out.Channels[i] = Threshold{reception.Estimate{Value: own.at, Low: own.lo, High: own.hi, EffectiveN: float64(c.failed) / f.dispersion,
				Method: fmt.Sprintf("%d of %d steady visits failed, beside the tuner's other channels", c.failed, c.visits)}, Learnt}
		case out.Tuner.Basis == Learnt:
			// As the tuner's, give or take the offset of a channel and what its visits say.
			t := out.Tuner
			t.Low, t.High = math.Min(own.lo, t.Value), math.Max(own.hi, t.Value)
			t.Warnings = nil
			out.Channels[i] = d.atMost(t, *c)
		default:
			t := out.Tuner
			t.Warnings = nil
			if t.Decided() {
				t.Bound, t.Value, t.Low, t.High = reception.Exact, in.StandardDB, in.StandardDB-1.96*standardSD, in.StandardDB+1.96*standardSD
				t = d.atMost(t, *c)
			}
			out.Channels[i] = t
		}
	})
	return out
}

// tuner returns the tuner's threshold, over all its channels.
func (d *data) tuner(in Input, f fit, ok bool) Threshold {
	half := tunerHalfDB
	if d.unit == reception.UnitPercent {
		half = learntHalfPct
	}
	p := f.tuner
	switch {
	case ok && d.taught(d.failed, d.badDays) && !p.edge && (p.hi-p.lo)/2 <= half:
		p = d.widened(p)
		t := Threshold{reception.Estimate{Value: p.at, Low: p.lo, High: p.hi, EffectiveN: float64(d.failed) / f.dispersion,
			Method: fmt.Sprintf("%d of %d steady visits failed on %d channels", d.failed, d.visits, len(d.channels))}, Learnt}
		if f.dispersion > 4 {
			t.Warnings = append(t.Warnings, "the days differ much: another cause than low C/N is in the failures")
		}
		return t
	case d.unit == reception.UnitPercent:
		return Threshold{reception.Undecided("losses on this tuner: it shows per cent, and what they mean is learnt from visits that fail"), Standard}
	case !d.standard:
		return Threshold{reception.Undecided("a threshold from the user, or losses that teach it"), Standard}
	}
	t := Threshold{reception.Estimate{Value: in.StandardDB, Low: in.StandardDB - 1.96*standardSD, High: in.StandardDB + 1.96*standardSD,
		EffectiveN: nan, Method: "the standard's figure; no losses in steady reception have tested it"}, Standard}
	if d.failed > 0 {
		t.Method = fmt.Sprintf("the standard's figure; the %d steady visits that failed do not decide it", d.failed)
	}
	if ok && p.edge && d.failed >= learntFailed {
		t.Warnings = append(t.Warnings, fmt.Sprintf("visits fail or hold more than %g dB from the standard's figure: check the tuner's scale, or name a threshold", gridDB))
	}
	return d.atMost(t, d.pooled())
}

// own returns what is known of a channel's threshold, and whether its failures rule it.
func (d *data) own(f fit, ok bool, i int) (out struct {
	peak
	learnt bool
}) {
	if !ok {
		return out
	}
	half := learntHalfDB
	if d.unit == reception.UnitPercent {
		half = learntHalfPct
	}
	c := &d.channels[i]
	out.peak = f.channel(d, i)
	out.learnt = d.taught(c.failed, d.failedDays(c)) && !out.edge && (out.hi-out.lo)/2 <= half
	out.peak = d.widened(out.peak)
	return out
}

// widened allows for what the days do not show, since it is the same on each.
func (d *data) widened(p peak) peak {
	if d.unit != reception.UnitPercent {
		p.lo, p.hi = p.at-math.Hypot(p.at-p.lo, withinDB), p.at+math.Hypot(p.hi-p.at, withinDB)
	}
	return p
}

// taught reports whether enough visits failed, on enough days where these are known.
func (d *data) taught(failed int64, days int) bool {
	return failed >= learntFailed && (!d.dated || days >= learntDays)
}

// atMost lowers a threshold to the lowest C/N that visits of a channel without any
// failure have held at.
func (d *data) atMost(t Threshold, c channel) Threshold {
	low := c.lowestHeld()
	if c.failed > 0 || math.IsNaN(low) || low >= t.Value {
		return t
	}
	t.Value, t.High, t.Bound = low, low, reception.AtMost
	t.Low = math.Min(t.Low, low)
	t.Method = fmt.Sprintf("%d steady visits held, none failed", c.visits)
	return t
}
