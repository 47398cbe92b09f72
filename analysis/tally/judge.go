package tally

import (
	"math"

	"holdfast/analysis/reception"
)

// priorBurstBlocks is the mean number of bad blocks in a burst before a tuner that
// is polled each second has taught it (ours, no published source; good to a factor
// of three either way).
const priorBurstBlocks = 3

// WrongIdentity reports whether a visit was locked to another signal than the
// expected one. A visit that read no identity is not wrong.
func WrongIdentity(r *reception.Reading, rules Rules) bool { return wrongIdentity(r, &rules) }

func wrongIdentity(r *reception.Reading, rules *Rules) bool {
	return r.Valid() && r.Locked && rules.Identity != "" && r.Identity != "" && r.Identity != rules.Identity &&
		!reception.SameIdentity(r.Identity, rules.Identity)
}

// ErroredUS returns the errored time of a visit, microseconds within its dwell.
//
// Unlocked or on the wrong identity: all of the dwell. Else as the source counted
// it each second. Else, from n bad blocks in D seconds of lock,
// D(1 - exp(-n/(bD))) held within [1, min(n, D)] s: blocks that fall in bursts of b
// at random (Poisson) instants hit that share of the seconds; time without lock
// within the dwell is added. Nothing counted is no error seen: 0. The result is
// rounded once, to a whole microsecond.
//
// With b = 1 and n/D = 2.4886, the rate of 8-VSB at the threshold of visibility,
// the share is 0.917 (Poisson).
func ErroredUS(r *reception.Reading, rules Rules) int64 { return judge(r, &rules).erroredUS }

func erroredUS(r *reception.Reading, wrong bool, burstBlocks float64) int64 {
	switch {
	case !r.Valid():
		return 0
	case !r.Locked || wrong:
		return r.DwellMS * 1000
	case !reception.Missing(r.ErroredS):
		return min(int64(math.Round(r.ErroredS*1e6)), r.DwellMS*1000)
	}
	lockedMS := r.DwellMS
	if r.LockedMS != reception.NotCounted {
		lockedMS = r.LockedMS
	}
	dark := (r.DwellMS - lockedMS) * 1000
	return min(dark+burstUS(r.UncorrectedBlocks, lockedMS, burstBlocks), r.DwellMS*1000)
}

// burstUS is the errored time from n bad blocks in lockedMS.
func burstUS(n, lockedMS int64, b float64) int64 {
	if n <= 0 || lockedMS <= 0 {
		return 0
	}
	if b <= 0 {
		b = priorBurstBlocks
	}
	d := float64(lockedMS) / 1000
	s := -d * math.Expm1(-float64(n)/(b*d))
	s = min(max(s, 1), min(float64(n), d))
	return int64(math.Round(s * 1e6))
}

// Bad reports whether a visit was bad: unlocked, on the wrong identity, or errored
// for at least 5 % of the dwell and at least one second. A visit that was not made
// is not bad.
func Bad(r *reception.Reading, rules Rules) bool { return judge(r, &rules).bad }

// A verdict is how a visit is judged.
type verdict struct {
	bad, wrong bool
	erroredUS  int64
}

func judge(r *reception.Reading, rules *Rules) verdict {
	v := verdict{wrong: wrongIdentity(r, rules)}
	v.erroredUS = erroredUS(r, v.wrong, rules.BurstBlocks)
	switch {
	case !r.Valid():
	case !r.Locked || v.wrong:
		v.bad = true
	default:
		v.bad = v.erroredUS >= 1e6 && v.erroredUS*20 >= r.DwellMS*1000
	}
	return v
}

// LostLock reports whether a visit lost lock within its dwell: a source that
// watches lock gives LockedMS equal to DwellMS when it held throughout.
func LostLock(r *reception.Reading) bool {
	switch {
	case !r.Valid():
		return false
	case r.LockedMS != reception.NotCounted:
		return r.LockedMS < r.DwellMS && (r.Locked || r.LockedMS > 0)
	}
	return !r.Locked && !reception.Missing(r.CNLowDB)
}

// Failed reports whether a visit failed in the sense of the threshold: its block
// error ratio lay at or above the system's picture-failure point, or it had or
// kept no lock. Where blocks were not counted only lock speaks.
func Failed(r *reception.Reading, rules Rules) bool { return failed(r, rules.System) }

func failed(r *reception.Reading, usual reception.System) bool {
	if !r.Valid() {
		return false
	}
	if !r.Locked || LostLock(r) {
		return true
	}
	system := r.System
	if system == "" {
		system = usual
	}
	if r.TotalBlocks <= 0 || r.UncorrectedBlocks <= 0 {
		return false
	}
	ratio, ok := system.PictureFailure()
	return ok &&
		float64(r.UncorrectedBlocks) >= ratio*float64(r.TotalBlocks)
}

// quality returns the C/N of a visit in thousandths of its scale's unit, or false
// where it has none: while unlocked, what a tuner shows is not the channel's C/N.
func quality(r *reception.Reading, unit reception.ScaleUnit) (int64, bool) {
	if !r.Locked {
		return 0, false
	}
	return milli(value(r.CNDB, r, unit))
}

// doseQuality returns the C/N at which a visit enters the dose, in thousandths. A
// visit that lost lock enters with the lowest C/N read while locked in it; one that
// never had lock has none.
func doseQuality(r *reception.Reading, unit reception.ScaleUnit) (int64, bool) {
	if r.Locked && !LostLock(r) {
		return quality(r, unit)
	}
	if r.LockedMS == 0 {
		return 0, false
	}
	if !reception.Missing(r.CNLowDB) && unit != reception.UnitPercent {
		return milli(r.CNLowDB)
	}
	return milli(value(r.CNDB, r, unit))
}

// What a visit says of the threshold.
const (
	// Above this standard deviation of C/N within a visit, or root mean square over the
	// visits of its hour, the visit is not counted for the threshold (ours, by simulation).
	steadySD = 0.5 // dB
	// errorsPerSq is how far the C/N of the errors lies below the median, dB per squared
	// dB of standard deviation. Errors fall by three decades per dB (common practice, no
	// published source), so they are the mean of exp(-6.9 x) over the dwell; for C/N
	// normal within the visit that is the C/N 6.9/2 sd^2 below the mean. A dwell holds
	// too few independent moments for the tail: 2.5 by simulation.
	errorsPerSq = 2.5
	// The lowest of 5 normal values lies 1.16 standard deviations below the mean, of 20
	// 1.87 (order statistics).
	lowSDs = 1.5
)

// steadyQuality returns the C/N at which a visit counts for the threshold, thousandths,
// or false where its C/N moved too much to say: the steady C/N that would have given the
// visit's errors, never below the lowest read. cn is where it enters the dose, hourSq the
// mean variance of the hour's visits: a few polls can miss what moves, those of an hour
// cannot. A visit without spread and lowest C/N, as on a scale in per cent, counts as
// steady at its median. One that lost lock enters at the lowest C/N read while locked.
//
// Both are needed. By the median a fade within the visit fails it at a C/N that it did
// not fail at. By the lowest C/N noise of the reading passes for fading, 0.3 to 0.8 dB
// with 20 polls of 0.2 to 0.4 dB, and a burst of impulse noise, which also lowers what
// the tuner shows, passes for a threshold some dB too high.
func steadyQuality(r *reception.Reading, cn int64, unit reception.ScaleUnit, hourSq float64) (int64, bool) {
	if unit == reception.UnitPercent {
		return cn, true
	}
	sq, _ := variance(r)
	if max(sq, hourSq) > steadySD*steadySD {
		return 0, false
	}
	if LostLock(r) || !r.Locked { // cn is the lowest
		return cn, true
	}
	x := cn - int64(math.Round(errorsPerSq*sq*1000))
	if !reception.Missing(r.CNLowDB) {
		low, _ := milli(r.CNLowDB)
		x = max(x, min(cn, low))
	}
	return x, true
}

// variance returns the variance of C/N within a visit, dB squared, or false where the
// source told neither it nor the lowest and the median that it can be guessed from.
func variance(r *reception.Reading) (float64, bool) {
	switch {
	case !r.Valid():
		return 0, false
	case !reception.Missing(r.CNSpreadDB):
		return r.CNSpreadDB * r.CNSpreadDB, true
	case !reception.Missing(r.CNLowDB) && !reception.Missing(r.CNDB):
		sd := max(0, r.CNDB-r.CNLowDB) / lowSDs
		return sd * sd, true
	}
	return 0, false
}

// meanVariance is the mean of variance over visits, 0 if none has one.
func meanVariance(visits []reception.Reading) float64 {
	sum, n := 0.0, 0.0
	for i := range visits {
		if v, ok := variance(&visits[i]); ok {
			sum, n = sum+v, n+1
		}
	}
	return sum / max(1, n)
}

func value(cn float64, r *reception.Reading, unit reception.ScaleUnit) float64 {
	if unit == reception.UnitPercent {
		return r.QualityPct
	}
	return cn
}

func milli(v float64) (int64, bool) {
	if reception.Missing(v) {
		return 0, false
	}
	return int64(math.Round(v * 1000)), true
}

// cnBin returns the histogram bin of a C/N in thousandths: 0.1 dB or 1 %.
func cnBin(m int64, unit reception.ScaleUnit) int32 {
	if unit == reception.UnitPercent {
		return int32(floorDiv(m, 1000))
	}
	return int32(floorDiv(m, 100))
}
