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
func WrongIdentity(r *reception.Reading, rules Rules) bool {
	return r.Valid() && r.Locked && rules.Identity != "" && r.Identity != "" && r.Identity != rules.Identity
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
func ErroredUS(r *reception.Reading, rules Rules) int64 {
	switch {
	case !r.Valid():
		return 0
	case !r.Locked || WrongIdentity(r, rules):
		return r.DwellMS * 1000
	case !reception.Missing(r.ErroredS):
		return min(int64(math.Round(r.ErroredS*1e6)), r.DwellMS*1000)
	}
	lockedMS := r.DwellMS
	if r.LockedMS != reception.NotCounted {
		lockedMS = r.LockedMS
	}
	dark := (r.DwellMS - lockedMS) * 1000
	return min(dark+burstUS(r.UncorrectedBlocks, lockedMS, rules.BurstBlocks), r.DwellMS*1000)
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
func Bad(r *reception.Reading, rules Rules) bool {
	if !r.Valid() {
		return false
	}
	if !r.Locked || WrongIdentity(r, rules) {
		return true
	}
	us := ErroredUS(r, rules)
	return us >= 1e6 && us*20 >= r.DwellMS*1000
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
func Failed(r *reception.Reading, rules Rules) bool {
	if !r.Valid() {
		return false
	}
	if !r.Locked || LostLock(r) {
		return true
	}
	system := r.System
	if system == "" {
		system = rules.System
	}
	ratio, ok := system.PictureFailure()
	return ok && r.TotalBlocks > 0 && r.UncorrectedBlocks > 0 &&
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
