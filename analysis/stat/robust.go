package stat

import (
	"fmt"
	"math"
	"slices"
)

// Median returns the middle value, or the mean of the middle two; NaN when empty.
//
// x need not be ordered and holds no NaN. It takes time in proportion to the length.
func Median(x []float64) float64 { return medianOf(slices.Clone(x)) }

// MAD returns the median absolute deviation from the median times 1.4826, which makes
// it the standard deviation of normal values; NaN when empty.
//
// Source: F. R. Hampel, J. Am. Stat. Assoc. 69 (1974) 383-393; the factor is one over
// the normal quantile at 3/4, to the digits R uses.
func MAD(x []float64) float64 {
	d := slices.Clone(x)
	m := medianOf(d)
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	return 1.4826 * medianOf(d)
}

// medianOf returns the median of x, whose order it changes.
func medianOf(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	k := (len(x) - 1) / 2
	lower := nth(x, k)
	if len(x)%2 == 1 {
		return lower
	}
	return lower + 0.5*(slices.Min(x[k+1:])-lower)
}

// nth moves the k-th smallest value of x to x[k], none before it greater and none after
// it smaller, and returns it: a part of quicksort (C. A. R. Hoare, Comm. ACM 4 (1961)
// 321-322, algorithm 65, "Find").
func nth(x []float64, k int) float64 {
	for lo, hi := 0, len(x)-1; lo < hi; {
		// The median of three as pivot, so that ordered values do well too.
		a, b, c := x[lo], x[lo+(hi-lo)/2], x[hi]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return x[k]
		}
	}
	return x[k]
}

// SenSlope returns the median of the slopes between all pairs of points with different
// t, and the median intercept about it.
//
// t and y have equal length and hold no NaN; fewer than two different t give NaN. Time
// and memory grow with the square of the length.
//
// Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389.
func SenSlope(t, y []float64) (slope, intercept float64) {
	if len(t) != len(y) {
		panic(fmt.Sprintf("stat: SenSlope: %d times, %d values", len(t), len(y)))
	}
	s := make([]float64, 0, len(t)*(len(t)-1)/2)
	for i := range t {
		for j := range i {
			if t[i] != t[j] {
				s = append(s, (y[i]-y[j])/(t[i]-t[j]))
			}
		}
	}
	if len(s) == 0 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(s)
	slope = sortedQuantile(s, 0.5)
	r := make([]float64, len(y))
	for i := range y {
		r[i] = y[i] - slope*t[i]
	}
	return slope, Median(r)
}

// MannKendall returns Kendall's S of a series against its order, tau, and the normal
// score z with correction for ties, without one for continuity. The values must be independent for z
// to mean what it says.
//
// y is in order of time, without NaN. Fewer than two values give zeros.
//
// Source: H. B. Mann, Econometrica 13 (1945) 245-259; M. G. Kendall, Rank Correlation
// Methods (variance with ties, from memory).
func MannKendall(y []float64) (s, tau, z float64) {
	for i := range y {
		for j := range i {
			switch {
			case y[i] > y[j]:
				s++
			case y[i] < y[j]:
				s--
			}
		}
	}
	n := float64(len(y))
	if n < 2 {
		return 0, 0, 0
	}
	sorted := slices.Clone(y)
	slices.Sort(sorted)
	v, pairs := n*(n-1)*(2*n+5), n*(n-1)/2
	tied := 0.0
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		g := float64(j - i)
		v -= g * (g - 1) * (2*g + 5)
		tied += g * (g - 1) / 2
		i = j
	}
	if d := math.Sqrt(pairs * (pairs - tied)); d > 0 {
		tau = s / d
	}
	if v > 0 {
		z = s / math.Sqrt(v/18)
	}
	return s, tau, z
}
