package stat

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Dose is K responses among N subjects at X.
type Dose struct{ X, N, K float64 }

// A Link is the shape of a dose-response curve.
type Link int

// Links: P = 1/(1+exp(-(a + b x))), and the normal distribution function of a + b x.
const (
	Logit Link = iota
	Probit
)

// A DoseFit is a dose-response curve.
type DoseFit struct {
	Intercept, Slope float64
	Cov              [2][2]float64 // of (Intercept, Slope), subjects independent
	Deviance         float64
}

// LD50 returns the dose at which half respond.
func (f DoseFit) LD50() float64 { return -f.Intercept / f.Slope }

// ErrSeparated says that no slope can be told: all respond, none does, or a dose parts
// those that do from those that do not.
var ErrSeparated = errors.New("stat: responses do not overlap over doses")

// FitDose fits a dose-response curve by iteratively reweighted least squares.
//
// 0 <= K <= N, else it panics. ErrSeparated if the data do not settle on a finite slope.
//
// Accuracy: six digits on the beetle data of Bliss.
//
// Source: P. McCullagh, J. A. Nelder, Generalized Linear Models, 2nd ed. (1989), sec. 4.4.
func FitDose(doses []Dose, link Link) (DoseFit, error) {
	var n, sx, sxx float64
	for _, d := range doses {
		if !(d.K >= 0 && d.K <= d.N) {
			panic(fmt.Sprintf("stat: FitDose: %g of %g", d.K, d.N))
		}
		n += d.N
		sx += d.N * d.X
	}
	if !(n > 0) {
		return DoseFit{}, ErrSeparated
	}
	mean := sx / n
	for _, d := range doses {
		sxx += d.N * (d.X - mean) * (d.X - mean)
	}
	if !(sxx > 0) {
		return DoseFit{}, ErrSeparated
	}
	scale := math.Sqrt(sxx / n)
	var a, b float64 // on the standardised dose
	var cov [2][2]float64
	for step := range 100 {
		var s, t, u, p, q float64
		for _, d := range doses {
			z := (d.X - mean) / scale
			eta := a + b*z
			mu, slope := link.at(eta)
			v := mu * (1 - mu)
			if !(v > 1e-300) {
				continue
			}
			w := d.N * slope * slope / v
			r := (d.K - d.N*mu) * slope / v
			s, t, u = s+w, t+w*z, u+w*z*z
			p, q = p+r, q+r*z
		}
		det := s*u - t*t
		if !(det > 1e-12*s*u) || step == 99 || math.Abs(b) > 1e3 {
			return DoseFit{}, ErrSeparated
		}
		da, db := (u*p-t*q)/det, (s*q-t*p)/det
		if m := math.Max(math.Abs(da), math.Abs(db)); m > 4 {
			da, db = da*4/m, db*4/m
		}
		a, b = a+da, b+db
		cov = [2][2]float64{{u / det, -t / det}, {-t / det, s / det}}
		if math.Abs(da)+math.Abs(db) < 1e-12*(1+math.Abs(a)+math.Abs(b)) {
			break
		}
	}
	if cov[1][1] > 1e6 {
		return DoseFit{}, ErrSeparated
	}
	f := DoseFit{Intercept: a - b*mean/scale, Slope: b / scale}
	// a' = a - b m/s, b' = b/s.
	f.Cov[1][1] = cov[1][1] / (scale * scale)
	f.Cov[0][1] = cov[0][1]/scale - cov[1][1]*mean/(scale*scale)
	f.Cov[1][0] = f.Cov[0][1]
	f.Cov[0][0] = cov[0][0] - 2*cov[0][1]*mean/scale + cov[1][1]*mean*mean/(scale*scale)
	for _, d := range doses {
		mu, _ := link.at(f.Intercept + f.Slope*d.X)
		f.Deviance += 2 * (xlogy(d.K, d.K, d.N*mu) + xlogy(d.N-d.K, d.N-d.K, d.N*(1-mu)))
	}
	return f, nil
}

func (l Link) at(eta float64) (p, slope float64) {
	if l == Probit {
		return distuv.UnitNormal.CDF(eta), distuv.UnitNormal.Prob(eta)
	}
	p = 1 / (1 + math.Exp(-eta))
	return p, p * (1 - p)
}

func xlogy(x, y, z float64) float64 {
	if x == 0 {
		return 0
	}
	return x * math.Log(y/z)
}

// ClusterDispersion returns by how much the variance of a parameter exceeds what
// independent subjects would give, from the scores summed by cluster (such as a day): the
// sum of their squares over the sum of their expected information, never below 1; and
// how many clusters of equal information they are worth.
//
// score and information have one value per cluster, information >= 0. Fewer than two
// effective clusters give 1.
//
// Source: K.-Y. Liang, S. L. Zeger, Biometrika 73 (1986) 13-22, the sandwich for one
// parameter, with c/(c-1) for c effective clusters.
func ClusterDispersion(score, information []float64) (dispersion, clusters float64) {
	if len(score) != len(information) {
		panic(fmt.Sprintf("stat: ClusterDispersion: %d scores, %d informations", len(score), len(information)))
	}
	var s, i, ii float64
	for k := range score {
		if information[k] > 0 {
			s += score[k] * score[k]
			i += information[k]
			ii += information[k] * information[k]
		}
	}
	if !(i > 0) {
		return 1, 0
	}
	c := i * i / ii
	if c < 2 {
		return 1, c
	}
	return math.Max(1, s/i*c/(c-1)), c
}
