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
	// A search that ends so near to a bound was stopped by it.
	nearBound = 1e-4
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
	// Exponential with censoring as the start: total excess over uncensored weight.
	p, h, ok := newton2(func(p [2]float64) point { return gpdLoss(obs, prior, p) }, [2]float64{math.Log(sum / weight), 0.05})
	if !ok || p[1] < xiMin+nearBound || p[1] > xiMax-nearBound {
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

// A point is a function of two variables at one place: its value, slopes and curvature.
type point struct {
	v float64
	g [2]float64
	h [2][2]float64
}

// gpdLoss is the penalised negative log likelihood by (ln Sigma, Xi), infinite where it
// may not be.
func gpdLoss(obs []Excess, prior Normal, p [2]float64) point {
	xi := p[1]
	if xi < xiMin || xi > xiMax {
		return point{v: math.Inf(1)}
	}
	sigma := math.Exp(p[0])
	out := point{v: -prior.LogDensity(xi)}
	out.g[1] = (xi - prior.Mean) / (prior.SD * prior.SD)
	out.h[1][1] = 1 / (prior.SD * prior.SD)
	var last float64 // bins lie side by side: the upper edge of one is the lower of the next
	var edge hazard
	known := false
	at := func(y float64) hazard {
		if !known || y != last {
			last, edge, known = y, hazardAt(y/sigma, xi), true
		}
		return edge
	}
	for _, o := range obs {
		if o.W == 0 {
			continue
		}
		lo := at(o.Low)
		// As a loss: H of the lower end, less what lies between the ends.
		v, ga, gx, haa, hax, hxx := lo.H, lo.a, lo.x, lo.aa, lo.ax, lo.xx
		switch {
		case o.High == o.Low: // density: -ln = (1 + xi) H + ln sigma
			k := 1 + xi
			v, ga, gx = k*v+p[0], k*ga+1, v+k*gx
			haa, hax, hxx = k*haa, lo.a+k*hax, 2*lo.x+k*hxx
		case !math.IsInf(o.High, 1) && !math.IsInf(lo.H, 1):
			if hi := at(o.High); !math.IsInf(hi.H, 1) { // else nothing lies beyond the upper end
				d := hi.H - lo.H
				e := math.Expm1(-d)
				v -= math.Log(-e)
				r := (1 + e) / -e // 1/(exp(d) - 1)
				q := r * (1 + r)
				da, dx := hi.a-lo.a, hi.x-lo.x
				ga, gx = ga-r*da, gx-r*dx
				haa += q*da*da - r*(hi.aa-lo.aa)
				hax += q*da*dx - r*(hi.ax-lo.ax)
				hxx += q*dx*dx - r*(hi.xx-lo.xx)
			}
		}
		out.v += o.W * v
		out.g[0], out.g[1] = out.g[0]+o.W*ga, out.g[1]+o.W*gx
		out.h[0][0], out.h[0][1], out.h[1][1] = out.h[0][0]+o.W*haa, out.h[0][1]+o.W*hax, out.h[1][1]+o.W*hxx
	}
	out.h[1][0] = out.h[0][1]
	return out
}

// A hazard is -ln P(excess > y), with its derivatives by a = ln Sigma and x = Xi.
type hazard struct{ H, a, x, aa, ax, xx float64 }

// hazardAt returns it at z = y/Sigma, infinite beyond the end of the tail: H = ln(1 + xi
// z)/xi, by parts; where xi z is small, by its series z (1 - t/2 + t^2/3 - ...), t = xi z.
func hazardAt(z, xi float64) hazard {
	t := xi * z
	if math.IsInf(z, 1) || 1+t <= 0 {
		return hazard{H: math.Inf(1)}
	}
	w := 1 / (1 + t)
	q := z * w
	h := hazard{a: -q, aa: q * w, ax: q * q}
	if math.Abs(t) < 0.01 {
		h.H = z * (1 - t*(1./2-t*(1./3-t*(1./4-t*(1./5-t*(1./6-t*(1./7)))))))
		h.x = -z * z * (1./2 - t*(2./3-t*(3./4-t*(4./5-t*(5./6-t*(6./7))))))
		h.xx = z * z * z * (2./3 - t*(6./4-t*(12./5-t*(20./6-t*(30./7-t*(42./8))))))
		return h
	}
	h.H = math.Log1p(t) / xi
	h.x = (q - h.H) / xi
	h.xx = -(q*q + 2*h.x) / xi
	return h
}

// newton2 minimises a smooth function of two variables by damped Newton steps, and
// returns the place and the curvature there.
func newton2(f func([2]float64) point, p [2]float64) (at [2]float64, h [2][2]float64, ok bool) {
	finite := func(x ...float64) bool {
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
		}
		return true
	}
	c := f(p)
	for range 60 {
		g, h := c.g, c.h
		det := h[0][0]*h[1][1] - h[0][1]*h[0][1]
		if !finite(c.v, det, g[0], g[1]) {
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
			if n := f(next); n.v < c.v {
				moved = math.Max(math.Abs(k*step[0]), math.Abs(k*step[1])) > 1e-8
				p, c = next, n
				break
			}
		}
		if !moved {
			return p, c.h, det > 0 && h[0][0] > 0
		}
	}
	return p, c.h, false
}
