package stat

import (
	"fmt"
	"math"
)

// An Excess is weight W of values known to lie between Low and High above the
// threshold of a tail: Low = High is an exact value, High = +Inf is right-censored.
type Excess struct{ Low, High, W float64 }

// A Normal is a normal prior; an infinite SD is none.
type Normal struct{ Mean, SD float64 }

// LogDensity returns the log of the density at x, without its constant.
func (n Normal) LogDensity(x float64) float64 {
	z := (x - n.Mean) / n.SD
	return -z * z / 2
}

// A GPD is a generalised Pareto tail with survival (1 + Xi y / Sigma)^(-1/Xi) for an
// excess y >= 0.
type GPD struct {
	Sigma, Xi float64
	NLL       float64       // negative log likelihood at the fit, the prior left out
	Cov       [2][2]float64 // of (Sigma, Xi), from the curvature; values must be independent for it to hold
}

// Bounds of the shape: below -1/2 the likelihood is not regular (R. L. Smith, Biometrika
// 72 (1985) 67-90), and above 1 the mean is infinite, which no fade is.
const (
	xiMin = -0.5
	xiMax = 1.0
)

// FitGPD fits a generalised Pareto tail by (penalised) likelihood.
//
// obs holds excesses in one unit, 0 <= Low <= High, W >= 0, as weights that count
// values; prior is for the shape. ok is false if fewer than two different places hold
// uncensored weight, or the search does not settle: then there is no tail to fit.
//
// Accuracy: Coles's daily rain to the digits printed.
//
// Source: J. Pickands, Ann. Stat. 3 (1975) 119-131; S. Coles, An Introduction to
// Statistical Modeling of Extreme Values (2001), ch. 4.
func FitGPD(obs []Excess, prior Normal) (fit GPD, ok bool) {
	var weight, sum float64
	first, distinct := math.NaN(), false
	for _, o := range obs {
		if !(o.Low >= 0 && o.Low <= o.High && o.W >= 0) || math.IsInf(o.W, 0) {
			panic(fmt.Sprintf("stat: FitGPD: excess %g to %g with weight %g", o.Low, o.High, o.W))
		}
		if math.IsInf(o.High, 1) {
			sum += o.W * o.Low
			continue
		}
		if o.W > 0 {
			if math.IsNaN(first) {
				first = o.Low
			}
			distinct = distinct || o.Low != first
		}
		weight += o.W
		sum += o.W * (o.Low + o.High) / 2
	}
	if !distinct || !(sum > 0) {
		return GPD{}, false
	}
	loss := func(p [2]float64) float64 {
		if p[1] < xiMin || p[1] > xiMax {
			return math.Inf(1)
		}
		g := GPD{Sigma: math.Exp(p[0]), Xi: p[1]}
		v := 0.0
		for _, o := range obs {
			if o.W > 0 {
				v -= o.W * g.logLikelihood(o)
			}
		}
		return v - prior.LogDensity(p[1])
	}
	// Exponential with censoring as the start: total excess over uncensored weight.
	p, h, ok := newton2(loss, [2]float64{math.Log(sum / weight), 0.05})
	if !ok {
		return GPD{}, false
	}
	fit = GPD{Sigma: math.Exp(p[0]), Xi: p[1]}
	for _, o := range obs {
		if o.W > 0 {
			fit.NLL -= o.W * fit.logLikelihood(o)
		}
	}
	det := h[0][0]*h[1][1] - h[0][1]*h[0][1]
	fit.Cov = [2][2]float64{
		{fit.Sigma * fit.Sigma * h[1][1] / det, -fit.Sigma * h[0][1] / det},
		{-fit.Sigma * h[0][1] / det, h[0][0] / det},
	}
	return fit, true
}

// logSurvival returns ln P(excess > y).
func (g GPD) logSurvival(y float64) float64 {
	z := y / g.Sigma
	switch {
	case math.IsInf(y, 1):
		return math.Inf(-1)
	case g.Xi == 0:
		return -z
	case 1+g.Xi*z <= 0:
		return math.Inf(-1)
	}
	return -math.Log1p(g.Xi*z) / g.Xi
}

func (g GPD) logLikelihood(o Excess) float64 {
	lo := g.logSurvival(o.Low)
	switch {
	case o.High == o.Low: // density: ln S(y) (1 + xi) - ln sigma
		return lo*(1+g.Xi) - math.Log(g.Sigma)
	case math.IsInf(o.High, 1) || math.IsInf(lo, -1):
		return lo
	}
	return lo + math.Log(-math.Expm1(g.logSurvival(o.High)-lo))
}

// Survival returns P(excess > y), y >= 0.
func (g GPD) Survival(y float64) float64 { return math.Exp(g.logSurvival(y)) }

// Quantile returns the excess exceeded with probability p, 0 < p <= 1.
func (g GPD) Quantile(p float64) float64 {
	if !(p > 0 && p <= 1) {
		panic(fmt.Sprintf("stat: GPD.Quantile(%g): want 0 < p <= 1", p))
	}
	if g.Xi == 0 {
		return -g.Sigma * math.Log(p)
	}
	return g.Sigma * math.Expm1(-g.Xi*math.Log(p)) / g.Xi
}

// Influence returns by how much Sigma and Xi would rise for each unit of weight that o
// adds to the fit: the inverse curvature times the score.
//
// Source: F. R. Hampel, J. Am. Stat. Assoc. 69 (1974) 383-393.
func (g GPD) Influence(o Excess) (sigma, xi float64) {
	const d = 1e-4
	up := GPD{Sigma: g.Sigma * (1 + d), Xi: g.Xi}
	dn := GPD{Sigma: g.Sigma * (1 - d), Xi: g.Xi}
	s := (up.logLikelihood(o) - dn.logLikelihood(o)) / (2 * d * g.Sigma)
	up, dn = GPD{Sigma: g.Sigma, Xi: g.Xi + d}, GPD{Sigma: g.Sigma, Xi: g.Xi - d}
	x := (up.logLikelihood(o) - dn.logLikelihood(o)) / (2 * d)
	if math.IsNaN(s) || math.IsInf(s, 0) || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, 0
	}
	return g.Cov[0][0]*s + g.Cov[0][1]*x, g.Cov[1][0]*s + g.Cov[1][1]*x
}

// newton2 minimises a smooth function of two variables by damped Newton steps with
// central differences, and returns the place and the curvature there.
func newton2(f func([2]float64) float64, p [2]float64) (at [2]float64, h [2][2]float64, ok bool) {
	const d = 1e-4
	v := f(p)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return p, h, false
	}
	for range 60 {
		fx := func(a, b float64) float64 { return f([2]float64{p[0] + a*d, p[1] + b*d}) }
		px, mx, py, my := fx(1, 0), fx(-1, 0), fx(0, 1), fx(0, -1)
		g := [2]float64{(px - mx) / (2 * d), (py - my) / (2 * d)}
		h[0][0] = (px - 2*v + mx) / (d * d)
		h[1][1] = (py - 2*v + my) / (d * d)
		h[0][1] = (fx(1, 1) - fx(1, -1) - fx(-1, 1) + fx(-1, -1)) / (4 * d * d)
		h[1][0] = h[0][1]
		det := h[0][0]*h[1][1] - h[0][1]*h[0][1]
		if math.IsNaN(det) || math.IsInf(det, 0) || math.IsNaN(g[0]+g[1]) || math.IsInf(g[0]+g[1], 0) {
			return p, h, false
		}
		var step [2]float64
		if det > 0 && h[0][0] > 0 {
			step = [2]float64{-(h[1][1]*g[0] - h[0][1]*g[1]) / det, -(h[0][0]*g[1] - h[0][1]*g[0]) / det}
		} else { // not convex here: downhill, scaled
			n := math.Hypot(g[0], g[1])
			step = [2]float64{-0.3 * g[0] / n, -0.3 * g[1] / n}
		}
		if m := math.Max(math.Abs(step[0]), math.Abs(step[1])); m > 1 {
			step[0], step[1] = step[0]/m, step[1]/m
		}
		moved := false
		for k := 1.0; k > 1e-9; k /= 2 {
			next := [2]float64{p[0] + k*step[0], p[1] + k*step[1]}
			if w := f(next); w < v {
				moved = math.Max(math.Abs(k*step[0]), math.Abs(k*step[1])) > 1e-8
				p, v = next, w
				break
			}
		}
		if !moved {
			return p, h, det > 0 && h[0][0] > 0
		}
	}
	return p, h, false
}
