package stat

import (
	"fmt"
	"math"
)

// minDays is how few values an interval for a correlated series may rest on: the
// cosine estimate below needs four frequencies beside the mean, and one to spare.
const minDays = 6

// MeanInterval returns the mean of a stationary, serially correlated series, such as
// one value a day, with the wider of two intervals: equal-weighted cosines and an AR(1)
// plug-in, both with Student's t.
//
// y holds the values in order of time at even spacing, without NaN; level is in (0, 1).
// Fewer than six values give infinite bounds. The series may be an influence series of
// another estimator; a day without data then contributes 0.
//
// Accuracy: nominal 95 % intervals of AR(1) days cover 93-96 % for a coefficient up to
// 0.6 and 28 to 365 values (simulated in the test beside this file); at 0.8 and 28
// values 90 % or less.
//
// Source: E. Lazarus, D. J. Lewis, J. H. Stock, M. W. Watson, J. Bus. Econ. Stat. 36
// (2018) 541-559 (from memory) for the cosines; n (1-phi)/(1+phi) effective values as
// in D. S. Wilks, Statistical Methods in the Atmospheric Sciences (from memory).
func MeanInterval(y []float64, level float64) Interval {
	checkLevel("MeanInterval", level)
	mean := Mean(y)
	if len(y) < minDays {
		return unknown(mean, "too few days")
	}
	ewc, ar := cosineSE(y), ar1SE(y, mean)
	best, half := ewc, ewc.half(level)
	if h := ar.half(level); h > half {
		best, half = ar, h
	}
	n := float64(len(y))
	ss := sumSquares(y, mean)
	eff := n
	if best.se > 0 {
		eff = math.Min(n, math.Max(1, ss/(n-1)/(best.se*best.se)))
	}
	return Interval{Value: mean, Low: mean - half, High: mean + half, SE: best.se, DF: best.df, EffectiveN: eff, Method: best.method}
}

// RatioInterval returns sum(num) / sum(den) over days with the interval of
// MeanInterval for the linearised ratio (num - R den) / mean(den).
//
// num and den hold one value a day in order of time, den >= 0; a day without data is 0
// in both. No data at all gives NaN with infinite bounds.
//
// Source: linearisation (delta method) of a ratio, W. G. Cochran, Sampling Techniques,
// 3rd ed. (1977), ch. 6 (from memory).
func RatioInterval(num, den []float64, level float64) Interval {
	checkLevel("RatioInterval", level)
	if len(num) != len(den) {
		panic(fmt.Sprintf("stat: RatioInterval: %d numerators, %d denominators", len(num), len(den)))
	}
	var sn, sd float64
	for i := range num {
		sn += num[i]
		sd += den[i]
	}
	if sd <= 0 {
		return unknown(math.NaN(), "no data")
	}
	r := sn / sd
	z := make([]float64, len(num))
	scale := float64(len(num)) / sd
	for i := range num {
		z[i] = (num[i] - r*den[i]) * scale
	}
	in := MeanInterval(z, level)
	in.Low, in.High, in.Value = r-in.Half(), r+in.Half(), r
	return in
}

// spread is a standard error with its degrees of freedom.
type spread struct {
	se, df float64
	method string
}

func (s spread) half(level float64) float64 {
	if s.se == 0 {
		return 0
	}
	return TQuantile(1-(1-level)/2, s.df) * s.se
}

// cosineSE estimates the standard error of the mean from the nu lowest cosine
// transforms, which a constant does not enter: the long-run variance is the mean of
// their squares. nu = max(4, 0.4 n^(2/3)): Lazarus et al. (2018), eq. 10 and sec. 4
// (from memory).
func cosineSE(y []float64) spread {
	n := float64(len(y))
	nu := max(4, int(0.4*math.Pow(n, 2./3)))
	var lrv float64
	for j := 1; j <= nu; j++ {
		// cos(a (d - 1/2)) for d = 1, 2, ... by the two-term recurrence.
		a := math.Pi * float64(j) / n
		prev, cur, two := math.Cos(a/2), math.Cos(a/2), 2*math.Cos(a)
		var l float64
		for _, v := range y {
			l += v * cur
			prev, cur = cur, two*cur-prev
		}
		lrv += 2 / n * l * l
	}
	return spread{math.Sqrt(lrv / float64(nu) / n), float64(nu), "EWC"}
}

// minEffective keeps the AR(1) interval of a short, slow series from exploding: with
// fewer effective values than this the bias correction rules, not the data. Simulated at
// coefficient 0.6 and 28 values: a floor of 2 is 2.2 times as wide as an oracle and
// covers 95 %, a floor of 4 is 1.5 times as wide and covers 95 % too.
const minEffective = 4

// ar1SE is the standard error of the mean of an AR(1) series with the estimated
// coefficient, bias-corrected by (1+4 phi)/n (F. H. C. Marriott, J. A. Pope, Biometrika
// 41 (1954) 390-402, from memory), never below 0 and at most 0.97.
func ar1SE(y []float64, mean float64) spread {
	n := float64(len(y))
	ss := sumSquares(y, mean)
	if ss == 0 {
		return spread{0, n - 1, "AR(1)"}
	}
	phi := Autocorrelation1(y)
	phi = math.Min(0.97, math.Max(0, phi+(1+4*phi)/n))
	eff := math.Max(minEffective, EffectiveNExact(n, phi))
	// E[ss] = n gamma0 (1 - 1/eff): the mean was estimated from the same values.
	gamma0 := ss / (n * (1 - 1/eff))
	return spread{math.Sqrt(gamma0 / eff), eff - 1, "AR(1)"}
}

// NeweyWest returns the mean and its standard error by Bartlett weights up to lag,
// without prewhitening or a factor for degrees of freedom. It serves as cross-check of
// MeanInterval.
//
// y is even-spaced, without NaN, longer than lag >= 0; else it panics.
//
// Source: W. K. Newey, K. D. West, Econometrica 55 (1987) 703-708.
func NeweyWest(y []float64, lag int) (mean, se float64) {
	if lag < 0 || lag >= len(y) {
		panic(fmt.Sprintf("stat: NeweyWest: lag %d with %d values", lag, len(y)))
	}
	mean = Mean(y)
	v := sumSquares(y, mean)
	for k := 1; k <= lag; k++ {
		var c float64
		for i := k; i < len(y); i++ {
			c += (y[i] - mean) * (y[i-k] - mean)
		}
		v += 2 * (1 - float64(k)/float64(lag+1)) * c
	}
	return mean, math.Sqrt(v) / float64(len(y))
}

// Autocorrelation1 returns the lag-1 autocorrelation of an even-spaced series: the sum
// of products of neighbours over the sum of squares, both about the mean. A constant
// or shorter than two gives 0.
//
// Accuracy: 12 digits on NIST StRD Mavro.
//
// Source: NIST Statistical Reference Datasets, univariate summary statistics.
func Autocorrelation1(y []float64) float64 {
	mean := Mean(y)
	ss := sumSquares(y, mean)
	if ss == 0 || len(y) < 2 {
		return 0
	}
	var c float64
	for i := 1; i < len(y); i++ {
		c += (y[i] - mean) * (y[i-1] - mean)
	}
	return c / ss
}

// EffectiveN returns n (1-rho)/(1+rho), how many independent values the mean of n
// values of an AR(1) process with coefficient rho is worth. n > 0, -1 < rho < 1.
//
// Source: G. V. Bayley, J. M. Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184-197
// (from memory), its limit for large n.
func EffectiveN(n, rho float64) float64 {
	checkRho(n, rho)
	return n * (1 - rho) / (1 + rho)
}

// EffectiveNExact returns n / (1 + 2 sum over k < n of (1 - k/n) rho^k), the same
// without the limit. n > 0 is rounded down in the sum; -1 < rho < 1.
//
// Source: as EffectiveN; the sum in closed form.
func EffectiveNExact(n, rho float64) float64 {
	checkRho(n, rho)
	// sum_{k=1}^{n-1} (1-k/n) r^k = r/(1-r) - r (1-r^n) / (n (1-r)^2)
	s := rho/(1-rho) - rho*(1-math.Pow(rho, n))/(n*(1-rho)*(1-rho))
	return n / (1 + 2*s)
}

func checkRho(n, rho float64) {
	if !(n > 0) || !(rho > -1 && rho < 1) {
		panic(fmt.Sprintf("stat: effective n of %g values with correlation %g: want n > 0, -1 < rho < 1", n, rho))
	}
}

// Mean returns the arithmetic mean, in two passes so that a large common offset costs
// no digits; NaN when empty.
func Mean(y []float64) float64 {
	if len(y) == 0 {
		return math.NaN()
	}
	n := float64(len(y))
	var s, c float64
	for _, v := range y {
		s += v
	}
	m := s / n
	for _, v := range y {
		c += v - m
	}
	return m + c/n
}

// SD returns the standard deviation with n-1 in the denominator; NaN below two values.
func SD(y []float64) float64 {
	if len(y) < 2 {
		return math.NaN()
	}
	return math.Sqrt(sumSquares(y, Mean(y)) / float64(len(y)-1))
}

func sumSquares(y []float64, about float64) float64 {
	var s float64
	for _, v := range y {
		s += (v - about) * (v - about)
	}
	return s
}
