package stat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// colesRain holds the 152 daily rainfalls above 30 mm of S. Coles (2001), in 0.1 mm, as
// value and count (data set rain of the R package ismev).
var colesRain = [][2]float64{{302, 3}, {305, 14}, {307, 1}, {310, 3}, {312, 3}, {317, 1}, {318, 11}, {320, 3},
	{323, 2}, {325, 3}, {328, 1}, {330, 7}, {333, 1}, {335, 6}, {338, 2}, {340, 3}, {343, 5}, {348, 2}, {351, 1}, {353, 5}, {356, 6}, {361, 1}, {363, 2}, {366, 2}, {368, 2}, {371, 1}, {373, 1}, {376, 2}, {378, 1}, {381, 5}, {384, 2}, {391, 1}, {394, 4}, {399, 1}, {401, 1}, {406, 1}, {409, 2}, {419, 2}, {424, 1}, {427, 1}, {429, 1},
	{432, 1}, {434, 1}, {442, 1}, {445, 2}, {452, 1}, {457, 3}, {470, 3}, {475, 1}, {478, 2}, {485, 2}, {488, 1}, {513, 2}, {516, 1}, {533, 1}, {549, 1}, {554, 1}, {559, 2}, {592, 1}, {594, 2}, {673, 1}, {724, 1}, {767, 1}, {833, 1}, {853, 1}, {866, 1}}

func excesses(half float64) (obs []Excess, n float64) {
	for _, r := range colesRain {
		y := r[0]/10 - 30
		obs = append(obs, Excess{math.Max(0, y-half), y + half, r[1]})
		n += r[1]
	}
	return obs, n
}

// Coles (2001), sec. 4.4.1, daily rain above 30 mm; recomputed with the R package ismev.
func TestGPDColesRain(t *testing.T) {
	obs, n := excesses(0)
	near(t, "excesses", n, 152, 0)
	g, ok := FitGPD(obs, Normal{SD: math.Inf(1)})
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "sigma", g.Sigma, 7.4403, 1e-4) // R's own optimiser stops within this
	near(t, "xi", g.Xi, .1845, 5e-5)
	near(t, "nll", g.NLL, 485.0937, 5e-5)
	near(t, "se sigma", math.Sqrt(g.Cov[0][0]), .9585, 5e-4)
	near(t, "se xi", math.Sqrt(g.Cov[1][1]), .1012, 5e-5)
	near(t, "cov", g.Cov[0][1], -.0655, 5e-5)
	// 100-year level from the same table: 30 + excess exceeded once in 36525 days.
	near(t, "100-year level", 30+g.Quantile(1/(36525*152./17531)), 106.34, .02)

	// Values known to 0.1 mm only say nearly the same, as intervals.
	obs, _ = excesses(.05)
	b, _ := FitGPD(obs, Normal{SD: math.Inf(1)})
	near(t, "sigma from intervals", b.Sigma, g.Sigma, .02)
	near(t, "xi from intervals", b.Xi, g.Xi, .003)
}

// Without any shape the fit to exact values with censoring is the exponential's: total
// excess over the number not censored (textbook result).
func TestGPDCensoredExponential(t *testing.T) {
	obs := []Excess{{1, 1, 5}, {2, 2, 3}, {4, 4, 1}, {5, math.Inf(1), 2}}
	g, ok := FitGPD(obs, Normal{Mean: 0, SD: 1e-6})
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "sigma", g.Sigma, (5+6+4+10)/9., 1e-4)
}

// A year of hours, tail of GPD(2, 0.1) seen in 0.1 dB bins and censored at 6: the fit
// is near the truth on average. 40 fits of 440 excesses: standard error of the mean of
// sigma about 0.02, of xi 0.01; binning and prior pull a little.
func TestGPDRecoversTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(29, 1))
	truth := GPD{Sigma: 2, Xi: .1}
	var sigma, xi float64
	const runs = 40
	for range runs {
		var bins [60]float64
		var over float64
		for range 440 {
			if y := truth.Quantile(1 - rng.Float64()); y >= 6 {
				over++
			} else {
				bins[int(y*10)]++
			}
		}
		obs := []Excess{{6, math.Inf(1), over}}
		for i, w := range bins {
			obs = append(obs, Excess{float64(i) / 10, float64(i+1) / 10, w})
		}
		g, ok := FitGPD(obs, Normal{.05, .15})
		if !ok {
			t.Fatal("no fit")
		}
		sigma, xi = sigma+g.Sigma/runs, xi+g.Xi/runs
	}
	near(t, "mean sigma", sigma, 2, .08)
	near(t, "mean xi", xi, .1, .04)
}

// The influence of an observation is what adding a little of its weight does.
func TestGPDInfluence(t *testing.T) {
	obs, _ := excesses(.05)
	g, _ := FitGPD(obs, Normal{.05, .15})
	for _, o := range []Excess{{.2, .3, 1}, {20, 20.1, 1}, {40, math.Inf(1), 1}} {
		s, x := g.Influence(o)
		o.W = .01
		h, _ := FitGPD(append(obs[:len(obs):len(obs)], o), Normal{.05, .15})
		near(t, "sigma", s*.01, h.Sigma-g.Sigma, 1e-3*math.Abs(s)*.01+2e-5)
		near(t, "xi", x*.01, h.Xi-g.Xi, 2e-2*math.Abs(x)*.01+5e-6)
	}
}

func TestGPDNothingToFit(t *testing.T) {
	for name, obs := range map[string][]Excess{
		"nothing": nil, "one bin": {{0, .1, 50}}, "all censored": {{1, math.Inf(1), 10}, {2, math.Inf(1), 10}}, "no weight": {{0, .1, 0}, {1, 1.1, 0}},
	} {
		if g, ok := FitGPD(obs, Normal{.05, .15}); ok {
			t.Errorf("%s: fit %+v, want none", name, g)
		}
	}
}

func BenchmarkFitGPD(b *testing.B) {
	obs, _ := excesses(.05)
	b.ReportAllocs()
	for b.Loop() {
		FitGPD(obs, Normal{.05, .15})
	}
}

// Slopes and curvature of the loss are what differences of its values say, for exact
// values, bins and censored ones, near shape 0 and at both signs.
func TestGPDLossDerivatives(t *testing.T) {
	obs, _ := excesses(.05)
	obs = append(obs, Excess{3, 3, 2.5}, Excess{9, math.Inf(1), 4}, Excess{0, .1, 7}, Excess{.1, .2, 3})
	prior := Normal{.05, .15}
	for _, p := range [][2]float64{{2, .18}, {1.7, 1e-4}, {1.7, 0}, {2.2, -.04}, {1, .7}, {3.3, -.45}} {
		value := func(a, b float64) float64 { return gpdLoss(obs, prior, [2]float64{p[0] + a, p[1] + b}).v }
		got := gpdLoss(obs, prior, p)
		g := GPD{Sigma: math.Exp(p[0]), Xi: p[1]}
		want := -prior.LogDensity(p[1])
		for _, o := range obs {
			want -= o.W * g.logLikelihood(o)
		}
		name := fmt.Sprintf("at %v", p)
		near(t, name+" value", got.v, want, 1e-9*math.Abs(want))
		const d = 1e-3
		near(t, name+" slope by ln sigma", got.g[0], (value(d, 0)-value(-d, 0))/(2*d), 1e-2)
		near(t, name+" slope by xi", got.g[1], (value(0, d)-value(0, -d))/(2*d), 2e-4*math.Abs(got.h[1][1]))
		near(t, name+" curvature by ln sigma", got.h[0][0], (value(d, 0)-2*got.v+value(-d, 0))/(d*d), 1e-3*math.Abs(got.h[0][0]))
		near(t, name+" curvature by xi", got.h[1][1], (value(0, d)-2*got.v+value(0, -d))/(d*d), 1e-3*math.Abs(got.h[1][1]))
		near(t, name+" mixed", got.h[0][1], (value(d, d)-value(d, -d)-value(-d, d)+value(-d, -d))/(4*d*d), 1e-3*math.Abs(got.h[1][1]))
	}
}
