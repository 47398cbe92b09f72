package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson returns the two-sided Wilson score interval for a proportion.
//
// k successes were seen in n independent trials, 0 <= k <= n, n > 0; both may be
// fractions, because correlated trials must be turned into an effective number first
// (EffectiveN), or the interval is far too narrow. z > 0 is the standard normal
// quantile, 1.959964 for 95 %. lo and hi are fractions in [0, 1]. Other arguments are
// a caller's bug and panic.
//
// Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212.
func Wilson(k, n, z float64) (lo, hi float64) {
	if !(n > 0) || !(k >= 0 && k <= n) || !(z > 0) {
		panic(fmt.Sprintf("stat: Wilson(%g, %g, %g): want 0 <= k <= n, n > 0, z > 0", k, n, z))
	}
	p, z2 := k/n, z*z
	mid := (p + z2/(2*n)) / (1 + z2/n)
	half := z / (1 + z2/n) * math.Sqrt(p*(1-p)/n+z2/(4*n*n))
	lo, hi = math.Max(0, mid-half), math.Min(1, mid+half)
	if k == 0 {
		lo = 0
	}
	if k == n {
		hi = 1
	}
	return lo, hi
}

// ClopperPearson returns the exact two-sided interval for a proportion: it covers at
// least as often as level says.
//
// k successes in n independent trials, 0 <= k <= n, n >= 1; level in (0, 1), such as
// 0.95. lo and hi are fractions in [0, 1]. Other arguments panic.
//
// Source: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413, by quantiles of
// the beta distribution.
func ClopperPearson(k, n int, level float64) (lo, hi float64) {
	checkLevel("ClopperPearson", level)
	if n < 1 || k < 0 || k > n {
		panic(fmt.Sprintf("stat: ClopperPearson(%d, %d): want 0 <= k <= n, n >= 1", k, n))
	}
	a := (1 - level) / 2
	hi = 1
	if k > 0 {
		lo = mathext.InvRegIncBeta(float64(k), float64(n-k+1), a)
	}
	if k < n {
		hi = mathext.InvRegIncBeta(float64(k+1), float64(n-k), 1-a)
	}
	return lo, hi
}

// Garwood returns the exact two-sided interval for the mean of a Poisson count; divide
// by the exposure for a rate.
//
// k >= 0 events; level in (0, 1). Other arguments panic.
//
// Source: F. Garwood, Biometrika 28 (1936) 437-442, by quantiles of chi squared.
func Garwood(k int, level float64) (lo, hi float64) {
	checkLevel("Garwood", level)
	if k < 0 {
		panic(fmt.Sprintf("stat: Garwood(%d): want k >= 0", k))
	}
	a := (1 - level) / 2
	if k > 0 {
		lo = distuv.ChiSquared{K: 2 * float64(k)}.Quantile(a) / 2
	}
	return lo, distuv.ChiSquared{K: 2*float64(k) + 2}.Quantile(1-a) / 2
}
