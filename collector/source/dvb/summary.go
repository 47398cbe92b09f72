//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"holdfast/analysis/reception"
)

// rejected counts values that cannot be.
type rejected struct {
	cn, unit, level, counts, frozen int64
}

func (r rejected) sum() int64 { return r.cn + r.unit + r.level + r.counts + r.frozen }

// comesRound is when a counter of 16 bits may be where it was, at 8-VSB's 12 894 blocks a
// second, all broken.
const comesRound = 5 * time.Second

// slowest is the longest time between two looks at which a second with errors can
// still be told from its neighbour.
const slowest = 1500 * time.Millisecond

// summarise fills r from the samples of a dwell. Between two samples lies a stretch:
// it is locked if both ends are, and unknown if either could not be read; unknown
// stretches shorten the dwell.
func summarise(r *reception.Reading, ss []sample, d driver) (bad rejected) {
	frozen := standsStill(ss)
	ss = withoutRepeats(ss, d)
	var cn, cnUnlocked, level, levelPct, quality []float64
	for i := range ss {
		m := &ss[i]
		switch {
		case m.err != nil:
			continue
		case m.rejectedCN:
			bad.cn++
		case m.badUnit:
			bad.unit++
		}
		if m.rejectedLevel {
			bad.level++
		}
		if frozen {
			bad.frozen++
			continue
		}
		if m.locked() {
			cn = appendIf(cn, m.cnDB)
			quality = appendIf(quality, m.cnPct)
		} else {
			cnUnlocked = appendIf(cnUnlocked, m.cnDB)
		}
		level = appendIf(level, m.levelDBm)
		levelPct = appendIf(levelPct, m.levelPct)
	}
	r.LevelDBm, r.LevelPct = median(level), median(levelPct)
	if len(cn) > 0 {
		r.CNDB, r.CNLowDB = median(cn), slices.Min(cn)
		if len(cn) >= 3 {
			r.CNSpreadDB = math.Round(stat.StdDev(cn, nil)*100) / 100 // what it means ends there
		}
	} else {
		r.CNDB, r.QualityPct = median(cnUnlocked), median(quality)
	}
	countStretches(r, ss, d, &bad)
	return bad
}

func appendIf(xs []float64, x float64) []float64 {
	if math.IsNaN(x) {
		return xs
	}
	return append(xs, x)
}

// median returns the middle value, the mean of two, NaN of none. xs is not changed.
func median(xs []float64) float64 {
	if len(xs) == 0 {
		return nan
	}
	s := slices.Sorted(slices.Values(xs))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// standsStill reports whether the driver has ceased to refresh its statistics: there
// are totals that must grow while locked, and nothing at all has moved.
func standsStill(ss []sample) bool {
	if len(ss) < 3 {
		return false
	}
	a := &ss[0]
	if a.count[preTotal] <= 0 && a.count[postTotal] <= 0 && a.count[blockTotal] <= 0 {
		return false
	}
	for i := range ss {
		if !ss[i].locked() || ss[i].raw != a.raw {
			return false
		}
	}
	return true
}

// withoutRepeats leaves out the samples in which the driver repeats the one before: no
// second measurement. A driver that is known to refresh once a second at most repeats
// itself when nothing has moved, any other if it has totals that must grow while
// locked. The first and the last stay, so that the dwell keeps its length.
func withoutRepeats(ss []sample, d driver) []sample {
	var out []sample
	for i, m := range ss {
		if i > 0 && i < len(ss)-1 && m.repeats(&out[len(out)-1], d) {
			continue
		}
		out = append(out, m)
	}
	return out
}

func (m *sample) repeats(was *sample, d driver) bool {
	runs := m.count[preTotal] > 0 || m.count[postTotal] > 0 || m.count[blockTotal] > 0
	return m.err == nil && was.err == nil && m.status == was.status && m.locked() &&
		m.raw == was.raw && m.there == was.there && (d.slow || runs)
}

// A ledger of what the stretches of a dwell add up to.
type sums struct {
	preErr, preTotal     int64
	blockErr, blockTotal float64
	hasPre, hasErr       bool
	hasTotal, allJudged  bool
}

func countStretches(r *reception.Reading, ss []sample, d driver, bad *rejected) {
	var dwell, locked, errored time.Duration
	u := sums{allJudged: true, hasTotal: true}
	for i := 1; i < len(ss); i++ {
		a, b := &ss[i-1], &ss[i]
		dt := b.at - a.at
		if a.err != nil || b.err != nil {
			continue
		}
		dwell += dt
		if !a.locked() || !b.locked() {
			errored += dt
			continue
		}
		locked += dt
		broken, judged := u.add(a, b, dt, d, r.System)
		if broken {
			errored += dt
		}
		// a long stretch without errors is clear, one with errors leaves the second open
		u.allJudged = u.allJudged && judged && (!broken || dt <= slowest)
	}
	r.DwellMS, r.LockedMS = dwell.Milliseconds(), locked.Milliseconds()
	// a visit counts as locked if it was so for at least half of the dwell; what was lost
	// is in LockedMS
	r.Locked = dwell > 0 && 2*locked >= dwell
	if u.allJudged {
		r.ErroredS = errored.Seconds()
	}
	if u.hasPre {
		if u.preErr > u.preTotal {
			bad.counts++
		} else {
			r.PreErrors, r.PreBits = u.preErr, u.preTotal
		}
	}
	if !u.hasErr {
		return
	}
	n, total := int64(math.Round(u.blockErr)), int64(math.Round(u.blockTotal))
	switch {
	case !u.hasTotal:
		r.UncorrectedBlocks = n
	case n > total:
		bad.counts++
	default:
		r.UncorrectedBlocks, r.TotalBlocks = n, total
	}
}

// add counts the locked stretch from a to b. A counter that has gone back has started
// anew: what the stretch held is not known then, and a wrap is not guessed at. judged
// is false where errors would not have shown.
func (u *sums) add(a, b *sample, dt time.Duration, d driver, sys reception.System) (broken, judged bool) {
	grown := func(i int) (int64, bool) {
		n := b.count[i] - a.count[i]
		return n, a.count[i] != absent && b.count[i] != absent && n >= 0
	}
	if e, ok := grown(preErr); ok {
		if t, ok := grown(preTotal); ok && t > 0 {
			u.preErr, u.preTotal, u.hasPre = u.preErr+e, u.preTotal+t, true
		}
	}
	e, counted := grown(blockErr)
	t, hasTotal := grown(blockTotal)
	hasTotal = hasTotal && !d.noTotal
	exact := counted
	total := float64(t)
	switch {
	case d.bogus != 0 && counted && e == d.bogus:
		return false, false
	case d.lastOnly:
		// How long the interval was is not known: it only tells that there were errors.
		return b.count[blockErr] > 0, b.count[blockErr] != absent && b.raw != a.raw
	case counted && hasTotal:
		if t == 0 { // nothing was refreshed, or nothing came
			return false, false
		}
		if d.totalTimes > 0 {
			total *= d.totalTimes
		}
	case counted:
		if n, ok := grown(postTotal); ok && n == 0 {
			return false, false
		}
		total, hasTotal = standardTotal(sys, dt)
	case d.ucbBits > 0 && a.ucb != absent && b.ucb != absent:
		// a counter of 16 bits has not come round within five seconds: 8-VSB has 12 894
		// blocks a second. One of 8 bits only tells that there were errors.
		e, exact = b.ucb-a.ucb, d.ucbBits >= 32 || d.ucbBits == 16 && dt < comesRound
		if d.ucbBits < 32 {
			e &= 1<<d.ucbBits - 1
		}
		if e < 0 {
			return false, false
		}
		total, hasTotal = standardTotal(sys, dt)
	default:
		return false, false
	}
	if exact {
		u.hasErr, u.hasTotal = true, u.hasTotal && hasTotal
		u.blockErr += float64(e)
		u.blockTotal += total
	}
	return e > 0, true
}

// standardTotal is how many blocks a stretch has where the standard fixes the rate.
func standardTotal(sys reception.System, dt time.Duration) (float64, bool) {
	n := sys.BlocksPerSecond() * dt.Seconds()
	return n, !math.IsNaN(n)
}
