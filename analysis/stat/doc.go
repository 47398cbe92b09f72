// Package stat holds estimators that know nothing of radio: intervals for shares,
// counts, means, ratios and quantiles of serially correlated days, robust centres
// and slopes, tails, isotonic and dose-response curves.
//
// Functions never write to their arguments, sum in the order they are given, and use
// no clock and no random numbers: the same inputs give the same bits on one
// architecture. A promise of the arguments that is broken (lengths that differ, a
// share above one, a negative weight) is a caller's bug and panics; too little data
// is a result, with infinite bounds.
package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// An Interval is an estimate with its two-sided confidence interval. Too little data
// gives bounds of plus and minus infinity.
type Interval struct {
	Value, Low, High float64
	SE               float64 // standard error of Value; NaN if it has none
	DF               float64 // degrees of freedom of SE
	EffectiveN       float64 // how many independent values would give SE
	Method           string  // "EWC", "AR(1)", "Woodruff, EWC", ...
}

// Half returns half the width of the interval.
func (i Interval) Half() float64 { return (i.High - i.Low) / 2 }

func unknown(value float64, method string) Interval {
	return Interval{Value: value, Low: math.Inf(-1), High: math.Inf(1), SE: math.NaN(), DF: 0, EffectiveN: 0, Method: method}
}

// TQuantile returns the quantile of Student's t at 0 < p < 1 with df > 0 degrees of
// freedom (they need not be whole).
//
// Accuracy: 1e-9 relative. A series start and Newton steps on the distribution function
// are a hundred times as fast as inverting the incomplete beta function.
//
// Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions (1964), 26.7.5.
func TQuantile(p, df float64) float64 {
	if !(p > 0 && p < 1) || !(df > 0) {
		panic(fmt.Sprintf("stat: TQuantile(%g, %g): want 0 < p < 1 and df > 0", p, df))
	}
	x := distuv.UnitNormal.Quantile(p)
	if df > 1e7 {
		return x
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}
	if df < 3 || p < 1e-4 || p > 1-1e-4 {
		return t.Quantile(p)
	}
	x2 := x * x
	q := x + x*(x2+1)/(4*df) + x*((5*x2+16)*x2+3)/(96*df*df)
	for range 20 {
		step := (t.CDF(q) - p) / t.Prob(q)
		q -= step
		if math.Abs(step) <= 1e-10*(1+math.Abs(q)) {
			return q
		}
	}
	return t.Quantile(p)
}

func checkLevel(name string, level float64) {
	if !(level > 0 && level < 1) {
		panic(fmt.Sprintf("stat: %s: level %g, want between 0 and 1", name, level))
	}
}
