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
func TQuantile(p, df float64) float64 {
	if !(p > 0 && p < 1) || !(df > 0) {
		panic(fmt.Sprintf("stat: TQuantile(%g, %g): want 0 < p < 1 and df > 0", p, df))
	}
	if df > 1e6 {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
}

func checkLevel(name string, level float64) {
	if !(level > 0 && level < 1) {
		panic(fmt.Sprintf("stat: %s: level %g, want between 0 and 1", name, level))
	}
}
