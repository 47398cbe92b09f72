package decompose

import (
	"math"
	"slices"

	"holdfast/analysis/stat"
)

// What makes a lasting step: medians of six days before and after it that differ by
// more than three times the scatter of days, and by 1.5 dB more than the halves of each
// do among themselves, with at least four days measured on either side. Ours, tried on
// simulated worlds: AR(1) days of coefficient 0.6 and leaf seasons of 5 dB in three weeks
// give none, a step of 3 dB is found.
const (
	stepDays    = 6
	stepMinDays = 4
	stepMinDB   = 1.5
	stepSigmas  = 3
	// Where days differ by more than this, medians of ten of them by so many.
	noisyDB         = 0.7
	noisyStepDays   = 10
	noisyStepSigmas = 2.5
)

// steps returns the indices of the first days after lasting steps, ascending.
func steps(days []Day, x []float64) []int {
	var at []int // indices of measured days
	for i := range x {
		if !math.IsNaN(x[i]) {
			at = append(at, i)
		}
	}
	if len(at) < 2*stepMinDays {
		return nil
	}
	y := make([]float64, len(at))
	for k, i := range at {
		y[k] = x[i]
	}
	noise := scatter(y)
	limit, reach := math.Max(stepMinDB, stepSigmas*noise), stepDays
	if noise > noisyDB {
		limit, reach = noisyStepSigmas*noise, noisyStepDays
	}
	var cuts []int // in y
	for {
		best, bestD := -1, limit
		for k := stepMinDays; k <= len(y)-stepMinDays; k++ {
			lo, hi := bounds(cuts, k, len(y))
			if k-lo < stepMinDays || hi-k < stepMinDays {
				continue
			}
			before, after := y[max(lo, k-reach):k], y[k:min(hi, k+reach)]
			if low, high := bothEnds(y[max(lo, k-reach):min(hi, k+reach)]); high-low <= bestD {
				continue // medians lie within
			}
			old, fresh := median(before), median(after)
			if math.Abs(y[k]-fresh) > math.Abs(y[k]-old) || math.Abs(y[k-1]-old) > math.Abs(y[k-1]-fresh) {
				continue // the change lies elsewhere, perhaps too late to be told yet
			}
			// A slope shows the same inside both windows; a step does not.
			if d := math.Abs(fresh - old); d > bestD && d-math.Max(within(before), within(after)) > stepMinDB {
				best, bestD = k, d
			}
		}
		if best < 0 {
			break
		}
		cuts = append(cuts, best)
		slices.Sort(cuts)
	}
	out := make([]int, len(cuts))
	for i, k := range cuts {
		out[i] = at[k]
	}
	return out
}

// bothEnds returns the least and the greatest of some values.
func bothEnds(y []float64) (low, high float64) {
	low, high = y[0], y[0]
	for _, v := range y[1:] {
		if v < low {
			low = v
		} else if v > high {
			high = v
		}
	}
	return low, high
}

// within is how far the second half of a window lies from its first.
func within(y []float64) float64 {
	h := len(y) / 2
	return math.Abs(median(y[len(y)-h:]) - median(y[:h]))
}

// bounds returns the segment around k between cuts.
func bounds(cuts []int, k, n int) (lo, hi int) {
	lo, hi = 0, n
	for _, c := range cuts {
		if c <= k {
			lo = c
		} else {
			hi = min(hi, c)
		}
	}
	if lo == k { // k is a cut itself
		return k, k
	}
	return lo, hi
}

// scatter is the robust standard deviation of days about their running median.
func scatter(y []float64) float64 {
	r := make([]float64, len(y))
	var window []float64 // ascending: what lies within a week of k
	for k, next := 0, 0; k < len(y); k++ {
		for ; next < min(len(y), k+levelHalfDays+1); next++ {
			i, _ := slices.BinarySearch(window, y[next])
			window = slices.Insert(window, i, y[next])
		}
		if old := k - levelHalfDays - 1; old >= 0 {
			i, _ := slices.BinarySearch(window, y[old])
			window = slices.Delete(window, i, i+1)
		}
		r[k] = y[k] - middle(window)
	}
	return stat.MAD(r)
}

// levels returns the running level of each day within its segment, and the sizes of
// the steps between segments.
func levels(days []Day, x []float64, cuts []int) ([]float64, []Step) {
	out := make([]float64, len(days))
	edges := append(append([]int{0}, cuts...), len(days))
	for s := 0; s+1 < len(edges); s++ {
		lo, hi := edges[s], edges[s+1]
		for i := lo; i < hi; i++ {
			out[i] = levelAt(days[lo:hi], x[lo:hi], i-lo)
		}
	}
	var found []Step
	for _, c := range cuts {
		found = append(found, Step{days[c].Day, edge(x[c:], 1) - edge(x[:c], -1)})
	}
	return out, found
}

// levelAt is the median of the values within a week of day i, or, where fewer than
// three were measured, of the three nearest within a month.
func levelAt(days []Day, x []float64, i int) float64 {
	var buf [64]float64
	near := buf[:0]
	for reach := int64(levelHalfDays); reach <= 4*levelHalfDays+2 && len(near) < 3; reach += levelHalfDays {
		near = near[:0]
		for j := i; j >= 0 && days[i].Day-days[j].Day <= reach; j-- {
			if !math.IsNaN(x[j]) {
				near = append(near, x[j])
			}
		}
		for j := i + 1; j < len(days) && days[j].Day-days[i].Day <= reach; j++ {
			if !math.IsNaN(x[j]) {
				near = append(near, x[j])
			}
		}
	}
	return median(near)
}

// edge is the median of the first (from 1) or last (from -1) measured values.
func edge(x []float64, from int) float64 {
	var y []float64
	for k := range x {
		i := k
		if from < 0 {
			i = len(x) - 1 - k
		}
		if !math.IsNaN(x[i]) {
			if y = append(y, x[i]); len(y) == stepDays {
				break
			}
		}
	}
	return median(y)
}

// median is stat.Median for the short windows here, which are many: it does without
// memory of its own up to 16 values.
func median(x []float64) float64 {
	var buf [16]float64
	if len(x) == 0 || len(x) > len(buf) {
		return stat.Median(x)
	}
	s := buf[:copy(buf[:], x)]
	for i := 1; i < len(s); i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	return middle(s)
}

// middle is the median of ascending values.
func middle(s []float64) float64 {
	if n := len(s) / 2; len(s)%2 == 0 {
		return s[n-1] + 0.5*(s[n]-s[n-1])
	}
	return s[len(s)/2]
}
