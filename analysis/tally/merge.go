package tally

import (
	"cmp"
	"slices"

	"holdfast/analysis/reception"
)

// Merge adds src to dst. Adding is exact, associative and commutative.
func Merge(dst, src *reception.Tally) { combine(dst, src, 1) }

// Subtract takes src, a part of dst, away again: it undoes Merge exactly. Runs of
// src that dst does not hold are passed over.
func Subtract(dst, src *reception.Tally) { combine(dst, src, -1) }

func combine(dst, src *reception.Tally, sign int64) {
	d, s := scalars(dst), scalars(src)
	for i := range d {
		*d[i] += sign * *s[i]
	}
	dst.CN = addBins(dst.CN, src.CN, sign)
	dst.Level = addBins(dst.Level, src.Level, sign)
	dst.DarkLevel = addBins(dst.DarkLevel, src.DarkLevel, sign)
	dst.Steady = addBins(dst.Steady, src.Steady, sign)
	dst.SteadyFailed = addBins(dst.SteadyFailed, src.SteadyFailed, sign)
	if len(src.Dose) > 0 {
		dst.Dose = slices.Clone(dst.Dose)
	}
	for _, b := range src.Dose {
		dst.Dose = addDose(dst.Dose, b, sign)
	}
	dst.Runs = combineRuns(dst.Runs, src.Runs, sign)
}

// scalars lists the plain counts of a tally in a fixed order. The packed form
// follows it: a change needs a new Version.
func scalars(t *reception.Tally) [35]*int64 {
	return [...]*int64{
		&t.Visits, &t.DwellMS, &t.StoodMS, &t.ErroredUS, &t.SevereS, &t.UnavailableS,
		&t.Unlocked, &t.UnlockedMS, &t.WrongIdentity, &t.NoCN, &t.LockLosses, &t.CNSumMDB, &t.CNSumSqMDB2, &t.Bad,
		&t.Pairs, &t.GoodToBad, &t.BadToGood, &t.SpacingMS, &t.CNDiffSqMDB2, &t.DiffPairs,
		&t.LevelN, &t.LevelSum, &t.LevelSumSq, &t.LevelCN, &t.DarkLevelN, &t.DarkLevelSum,
		&t.NotMeasuredMS[0], &t.NotMeasuredMS[1], &t.NotMeasuredMS[2],
		&t.NotMeasuredMS[3], &t.NotMeasuredMS[4], &t.NotMeasuredMS[5],
		&t.Extra, &t.ExtraBad, &t.Riding,
	}
}

// addOne counts one visit in its bin.
func addOne(bins []reception.Bin, bin int32) []reception.Bin {
	i := len(bins)
	for i > 0 && bins[i-1].Bin > bin { // an hour has few
		i--
	}
	if i > 0 && bins[i-1].Bin == bin {
		bins[i-1].N++
		return bins
	}
	return slices.Insert(bins, i, reception.Bin{Bin: bin, N: 1})
}

func addBins(dst, src []reception.Bin, sign int64) []reception.Bin {
	if len(src) == 0 {
		return dst
	}
	out := make([]reception.Bin, 0, len(dst)+len(src))
	for len(dst) > 0 || len(src) > 0 {
		switch {
		case len(src) == 0 || len(dst) > 0 && dst[0].Bin < src[0].Bin:
			out, dst = append(out, dst[0]), dst[1:]
		case len(dst) == 0 || src[0].Bin < dst[0].Bin:
			out, src = append(out, reception.Bin{Bin: src[0].Bin, N: sign * src[0].N}), src[1:]
		default:
			if n := dst[0].N + sign*src[0].N; n != 0 {
				out = append(out, reception.Bin{Bin: dst[0].Bin, N: n})
			}
			dst, src = dst[1:], src[1:]
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

// doseBin returns the place of a bin, which it makes if it is not there.
func doseBin(dose []reception.DoseBin, bin int32) ([]reception.DoseBin, int) {
	i := len(dose)
	for i > 0 && dose[i-1].Bin > bin {
		i--
	}
	if i > 0 && dose[i-1].Bin == bin {
		return dose, i - 1
	}
	return slices.Insert(dose, i, reception.DoseBin{Bin: bin}), i
}

// addDose adds sign times b to its bin, in place where it is there.
func addDose(dose []reception.DoseBin, b reception.DoseBin, sign int64) []reception.DoseBin {
	dose, i := doseBin(dose, b.Bin)
	d := &dose[i]
	d.Visits += sign * b.Visits
	d.Failed += sign * b.Failed
	d.ErroredUS += sign * b.ErroredUS
	d.ErroredBlocks += sign * b.ErroredBlocks
	d.Blocks += sign * b.Blocks
	d.PreErrors += sign * b.PreErrors
	d.PreBits += sign * b.PreBits
	if *d == (reception.DoseBin{Bin: b.Bin}) {
		dose = slices.Delete(dose, i, i+1)
	}
	if len(dose) == 0 {
		return nil
	}
	return dose
}

func combineRuns(dst, src []reception.BadRun, sign int64) []reception.BadRun {
	if len(src) == 0 {
		return dst
	}
	out := slices.Clone(dst)
	if sign > 0 {
		out = append(out, src...)
		slices.SortFunc(out, compareRuns)
		return out
	}
	for _, s := range src {
		if i := slices.Index(out, s); i >= 0 {
			out = slices.Delete(out, i, i+1)
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

// compareRuns orders runs by time, and those of one instant in a fixed way, so that
// any order of merging gives the same bytes.
func compareRuns(a, b reception.BadRun) int {
	x, y := runFields(&a), runFields(&b)
	for i := range x {
		if c := cmp.Compare(*x[i], *y[i]); c != 0 {
			return c
		}
	}
	return 0
}

// runFields lists the fields of a run in a fixed order.
func runFields(r *reception.BadRun) [12]*int64 {
	return [...]*int64{
		&r.FirstMS, &r.LastMS, &r.BeforeMS, &r.AfterMS, &r.GapMS, &r.Visits, &r.BaseVisits,
		&r.BaseDwellMS, &r.BaseErroredUS, &r.ErroredUS, &r.Unlocked, &r.WrongIdentity,
	}
}
