package stat

import (
	"math"
	"math/rand/v2"
	"testing"
)

// R 4.2.2: quantile(x, p, type = 7) is defined by h = (n-1) p + 1; the first four are
// its documented behaviour on 1:10 and a hand-worked case.
func TestQuantile(t *testing.T) {
	x := []float64{10, 9, 8, 7, 6, 5, 4, 3, 2, 1}
	for _, c := range []struct{ p, want float64 }{{0, 1}, {.25, 3.25}, {.5, 5.5}, {.9, 9.1}, {1, 10}} {
		near(t, "Quantile", Quantile(x, c.p), c.want, 1e-12)
	}
	if x[0] != 10 {
		t.Error("Quantile ordered its argument")
	}
	if !math.IsNaN(Quantile(nil, .5)) {
		t.Error("Quantile of nothing is a number")
	}
	// summary(Nile) as R prints it: quartiles 798.5, 893.5, 1032.5.
	near(t, "first quartile of the Nile", Quantile(nile, .25), 798.5, 1e-12)
	near(t, "median of the Nile", Median(nile), 893.5, 1e-12)
	near(t, "third quartile of the Nile", Quantile(nile, .75), 1032.5, 1e-12)
	// By hand: median 2, deviations 1 1 0 0 2 4 7, their median 1.
	near(t, "MAD", MAD([]float64{1, 1, 2, 2, 4, 6, 9}), 1.4826, 1e-12)
}

func TestHistogramQuantile(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	x := make([]float64, 5000)
	h := Histogram{}
	count := map[int32]float64{}
	for i := range x {
		x[i] = 20 + 3*rng.NormFloat64()
		count[int32(math.Floor(x[i]/.1))]++
	}
	for b := int32(-1000); b < 1000; b++ {
		if count[b] > 0 {
			h.Bins = append(h.Bins, Bin{b, count[b]})
		}
	}
	for _, p := range []float64{.01, .1, .5, .9, .99} {
		near(t, "quantile from bins", h.Quantile(p, .1), Quantile(x, p), .05)
	}
	h.Below, h.Above = 250, 250 // 1/22 of the weight at either side
	if q := h.Quantile(.04, .1); !math.IsInf(q, -1) {
		t.Errorf("quantile among those below = %g, want -Inf", q)
	}
	if q := h.Quantile(.96, .1); !math.IsInf(q, 1) {
		t.Errorf("quantile among those above = %g, want +Inf", q)
	}
	near(t, "median with equal weight either side", h.Quantile(.5, .1), Quantile(x, .5), .05)
	if q := (&Histogram{}).Quantile(.5, .1); !math.IsNaN(q) {
		t.Errorf("quantile of nothing = %g, want NaN", q)
	}
}

// Days share a level that wanders as AR(1); within a day 96 values scatter about it.
// The interval for the pooled median and for the 5 % quantile must cover the truth of
// the mixture, N(0, 1 + 1/(1-phi^2)).
func TestWoodruffCoverage(t *testing.T) {
	const phi, runs, n = 0.6, 300, 120
	sd := math.Sqrt(1 + 1/(1-phi*phi))
	for _, c := range []struct{ p, truth float64 }{{.5, 0}, {.05, -1.644854 * sd}} {
		rng := rand.New(rand.NewPCG(5, uint64(100*c.p)))
		hit := 0
		for range runs {
			level := ar1(rng, n, phi)
			days := make([]Histogram, n)
			for d := range days {
				var w [400]float64
				for range 96 {
					w[int(math.Floor((level[d]+rng.NormFloat64())/.1))+200]++
				}
				for b, v := range w {
					if v > 0 {
						days[d].Bins = append(days[d].Bins, Bin{int32(b - 200), v})
					}
				}
			}
			if in := Woodruff(days, c.p, .1, .95); in.Low <= c.truth && c.truth <= in.High {
				hit++
			}
		}
		cover := float64(hit) / runs
		t.Logf("quantile %g: covers %.1f %%", c.p, 100*cover)
		if cover < .90 || cover > .99 { // 300 runs: standard error 1.3 points
			t.Errorf("quantile %g: covers %.1f %%, want 90 to 99", c.p, 100*cover)
		}
	}
}

// A share of one half unlocked puts the median among the unlocked visits.
func TestWoodruffCountsUnlocked(t *testing.T) {
	days := make([]Histogram, 30)
	for d := range days {
		days[d] = Histogram{Below: 60, Bins: []Bin{{100, 20}, {101, 20}}}
	}
	if in := Woodruff(days, .5, .1, .95); !math.IsInf(in.Value, -1) {
		t.Errorf("median = %g, want -Inf", in.Value)
	}
	if in := Woodruff(days, .9, .1, .95); in.Value < 10.1 || in.Value > 10.2 {
		t.Errorf("90 %% quantile = %g, want within 10.1 to 10.2", in.Value)
	}
}
