package httpjson

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"holdfast/analysis/reception"
	"holdfast/collector/source/fields"
)

// slowest is the longest time between two looks at which a second with errors can
// still be told from its neighbour.
const slowest = 1500 * time.Millisecond

// summarise fills r from the looks of a dwell. Between two looks lies a stretch: it is
// locked if both ends are, and unknown if either could not be made; unknown stretches
// shorten the dwell.
func (s *Source) summarise(r *reception.Reading, gs []glance) ([]fields.Doubt, error) {
	st := fields.Status{Reading: *r}
	var cn, cnUnlocked, level, levelPct, quality []float64
	var failure error
	for i := range gs {
		g := &gs[i]
		if g.err != nil {
			failure = g.err
			continue
		}
		if g.status.Locked {
			cn = appendIf(cn, g.status.CNDB)
			quality = appendIf(quality, g.status.QualityPct)
			st.Mode, st.Identity = g.status.Mode, g.status.Identity
		} else {
			cnUnlocked = appendIf(cnUnlocked, g.status.CNDB)
		}
		level = appendIf(level, g.status.LevelDBm)
		levelPct = appendIf(levelPct, g.status.LevelPct)
		if hz := g.status.FrequencyHz; hz != 0 && hz != r.FrequencyHz {
			st.TunedHz = hz
		}
	}
	countStretches(&st, gs)
	if st.DwellMS == 0 {
		if failure == nil {
			failure = errors.New("it could not be looked at twice")
		}
		return nil, failure
	}
	st.LevelDBm, st.LevelPct = median(level), median(levelPct)
	st.QualityPct = median(quality)
	if len(cn) > 0 {
		st.CNDB, st.CNLowDB = median(cn), slices.Min(cn)
		if len(cn) >= 3 {
			st.CNSpreadDB = math.Round(stat.StdDev(cn, nil)*100) / 100 // what it means ends there
		}
	} else {
		st.CNDB = median(cnUnlocked)
	}
	doubts, err := s.judge(&st, gs, failure)
	if err != nil {
		return nil, err
	}
	doubts = append(doubts, st.Whole()...)
	*r = st.Reading
	return doubts, nil
}

// judge gathers what is doubted. A unit that is wrong in every look is no glitch, and
// neither are figures that are null in every look of a locked channel that has no other:
// the visit fails, so that somebody mends the mapping.
func (s *Source) judge(st *fields.Status, gs []glance, failure error) ([]fields.Doubt, error) {
	var doubts []fields.Doubt
	type tally struct{ unit, null int }
	made, locked := 0, 0
	by := map[string]*tally{}
	of := func(f string) *tally {
		if by[f] == nil {
			by[f] = &tally{}
		}
		return by[f]
	}
	var units []fields.Doubt
	for i := range gs {
		g := &gs[i]
		if g.err != nil {
			continue
		}
		made++
		doubts = append(doubts, g.doubts...)
		for _, d := range g.doubts {
			if of(d.Field).unit++; d.Unit {
				units = append(units, d)
			}
		}
		if g.status.Locked {
			locked++
			for _, f := range g.status.Null {
				of(f).null++
			}
		}
	}
	for _, d := range units {
		if n := by[d.Field].unit; n == made || n == locked && (d.Field == "cn_db" || d.Field == "quality_pct") {
			return nil, fmt.Errorf("mapping: %s", d.What)
		}
	}
	var nulls []string
	for _, f := range fields.Look.Names() {
		if t := by[f]; t != nil && locked > 0 && t.null == locked {
			nulls = append(nulls, f)
			doubts = append(doubts, fields.Doubt{Field: f, What: f + " is null in every look at a locked channel, want a number or text"})
		}
	}
	figures := !reception.Missing(st.CNDB) || !reception.Missing(st.QualityPct) || st.UncorrectedBlocks >= 0 || st.PreErrors >= 0
	if len(nulls) > 0 && !figures {
		return nil, fmt.Errorf("mapping: %s null in every look at a locked channel, want numbers; has the device's answer changed its form?", strings.Join(nulls, ", "))
	}
	if failure != nil {
		doubts = append(doubts, fields.Doubt{Field: "look", What: "some looks failed and shorten the dwell: " + failure.Error()})
	}
	return doubts, nil
}

func appendIf(xs []float64, x float64) []float64 {
	if math.IsNaN(x) {
		return xs
	}
	return append(xs, x)
}

// median returns the middle value, the mean of two, NaN of none.
func median(xs []float64) float64 {
	if len(xs) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(xs))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// countStretches adds up the stretches.
func countStretches(st *fields.Status, gs []glance) {
	var dwell, locked, errored time.Duration
	judgedAll := true
	var errs, total, pre, bits sum
	for i := 1; i < len(gs); i++ {
		a, b := &gs[i-1], &gs[i]
		dt := b.at - a.at
		if a.err != nil || b.err != nil {
			continue
		}
		dwell += dt
		if !a.status.Locked || !b.status.Locked {
			errored += dt
			continue
		}
		locked += dt
		broken, judged := stretch(&a.status, &b.status, &errs, &total, &pre, &bits)
		if broken {
			errored += dt
		}
		judgedAll = judgedAll && judged && dt <= slowest
	}
	st.DwellMS, st.LockedMS = dwell.Milliseconds(), locked.Milliseconds()
	// a visit counts as locked if it was so for at least half of the dwell; what was lost
	// is in LockedMS
	st.Locked = dwell > 0 && 2*locked >= dwell
	if judgedAll {
		st.ErroredS = errored.Seconds()
	}
	st.UncorrectedBlocks = errs.value()
	if st.UncorrectedBlocks >= 0 {
		st.TotalBlocks = total.value()
	}
	st.PreErrors, st.PreBits = pre.value(), bits.value()
	if st.PreErrors < 0 || st.PreBits <= 0 {
		st.PreErrors, st.PreBits = reception.NotCounted, reception.NotCounted
	}
}

// A sum of what a counter has grown by.
type sum struct {
	n       int64
	counted bool
	lacking bool // in a stretch that others were counted in
}

func (u *sum) value() int64 {
	if !u.counted || u.lacking {
		return reception.NotCounted
	}
	return u.n
}

func (u *sum) add(n int64, ok bool) {
	if ok {
		u.n, u.counted = u.n+n, true
	} else {
		u.lacking = true
	}
}

// mostGrown is more than any channel carries between two looks, in bits: 1e9 a second
// would take three days.
const mostGrown = 1 << 48

// grown is what a counter has grown by. One that has gone back has started anew: what
// the stretch held is not known then, and a wrap is not guessed at. Neither is it of
// one that has leapt.
func grown(a, b int64) (int64, bool) { return b - a, a >= 0 && b >= a && b-a <= mostGrown }

// stretch counts the locked time from a to b. judged is false where errors would not
// have shown.
func stretch(a, b *fields.Status, errs, total, pre, bits *sum) (broken, judged bool) {
	if e, ok := grown(a.PreErrors, b.PreErrors); ok {
		if t, ok := grown(a.PreBits, b.PreBits); ok && t > 0 {
			pre.add(e, true)
			bits.add(t, true)
		}
	}
	e, ok := grown(a.UncorrectedBlocks, b.UncorrectedBlocks)
	if !ok {
		return false, false
	}
	t, hasTotal := grown(a.TotalBlocks, b.TotalBlocks)
	if hasTotal && t == 0 && e == 0 { // nothing was refreshed
		return false, false
	}
	errs.add(e, true)
	total.add(t, hasTotal)
	return e > 0, true
}
