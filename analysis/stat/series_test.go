package stat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// NIST StRD univariate summary statistics: NumAcc3, NumAcc4 and Mavro, certified values
// as printed. NumAcc4 keeps ten digits of spread beside a mean of 1e7, so its decimals
// are not exact in binary and the tolerance is what the representation allows.
func TestMomentsAgainstNIST(t *testing.T) {
	acc := func(at float64) []float64 {
		y := []float64{at + .2}
		for range 500 {
			y = append(y, at+.1, at+.3)
		}
		return y
	}
	for _, c := range []struct {
		name         string
		y            []float64
		mean, sd, r1 float64
		tol          float64
	}{
		{"NumAcc3", acc(1e6), 1000000.2, 0.1, -0.999, 1e-9},
		{"NumAcc4", acc(1e7), 10000000.2, 0.1, -0.999, 2e-8},
		{"Mavro", scaled(mavro, 2, 1e-5), 2.001856, 0.000429123454003053, 0.937989183438248, 1e-11},
	} {
		near(t, c.name+" mean", Mean(c.y), c.mean, c.tol)
		near(t, c.name+" sd", SD(c.y), c.sd, c.tol)
		near(t, c.name+" r1", Autocorrelation1(c.y), c.r1, c.tol)
	}
	near(t, "Nile r1", Autocorrelation1(nile), 0.4984, 5e-5) // R acf
	near(t, "lh r1", Autocorrelation1(lh), 0.57552, 5e-6)    // R acf
}

func scaled(v []float64, at, by float64) []float64 {
	y := make([]float64, len(v))
	for i := range v {
		y[i] = at + by*v[i]
	}
	return y
}

// R sandwich 3.0: NeweyWest(lm(Nile ~ 1), lag = 4, prewhite = FALSE) and the
// independent standard error beside it.
func TestNeweyWestNile(t *testing.T) {
	mean, se := NeweyWest(nile, 4)
	near(t, "mean", mean, 919.35, 1e-9)
	near(t, "se, lag 4", se, 27.23848, 5e-6)
	near(t, "iid se", SD(nile)/math.Sqrt(100), 16.92275, 5e-6)
	// MeanInterval sees the same dependence by two other roads; half as large or half
	// as small again would be a fault in one of them.
	in := MeanInterval(nile, 0.95)
	if in.SE < se/1.5 || in.SE > se*2 {
		t.Errorf("MeanInterval(Nile) SE = %.2f by %s, Newey-West %.2f", in.SE, in.Method, se)
	}
}

// The lh series (r1 = 0.57552, 48 values) is worth 13.413 independent ones (R 4.2.2), so
// the plug-in error of its mean is sd / sqrt(13.413) = 0.1506, twice the iid 0.0796. Ours
// corrects the bias of r1 and of the variance on top, which for 48 values is at most a
// quarter. The stationary bootstrap gives 0.091 to 0.101 (blocks of 8 to 4): too small.
func TestMeanIntervalOfLH(t *testing.T) {
	plug := SD(lh) / math.Sqrt(13.413)
	if in := MeanInterval(lh, .95); in.SE < plug || in.SE > 1.25*plug {
		t.Errorf("MeanInterval(lh) SE = %.4f by %s, want %.4f to %.4f", in.SE, in.Method, plug, 1.25*plug)
	}
}

// n (1-rho)/(1+rho) and its exact sum, computed with R 4.2.2.
func TestEffectiveN(t *testing.T) {
	for _, c := range []struct{ n, rho, limit, exact, tol float64 }{
		{100, .5, 33.33, 33.784, 5e-3}, {168, .9, 8.842, 9.3705, 5e-4}, {365, .8, 40.56, 41.055, 6e-3}, {48, .57552, 12.932, 13.413, 5e-4},
	} {
		near(t, fmt.Sprintf("EffectiveN(%g, %g)", c.n, c.rho), EffectiveN(c.n, c.rho), c.limit, c.tol)
		near(t, fmt.Sprintf("EffectiveNExact(%g, %g)", c.n, c.rho), EffectiveNExact(c.n, c.rho), c.exact, 5e-4)
		// The closed form against the sum it stands for.
		s := 0.0
		for k := 1.0; k < c.n; k++ {
			s += (1 - k/c.n) * math.Pow(c.rho, k)
		}
		near(t, "sum", EffectiveNExact(c.n, c.rho), c.n/(1+2*s), 1e-9)
	}
}

// A two-state channel with mean outage m and unavailability p, visited every T, has
// visits correlated by exp(-T/(m (1-p))): the mean of n of them has the variance
// pq/EffectiveN. Weeks needed to tell 99.0 from 99.5 % (two-sided 5 %, power 80 %),
// computed beforehand from the exact variance.
func TestEffectiveNOfDutyCycledVisits(t *testing.T) {
	for _, c := range []struct{ mean, every, weeks, tol float64 }{
		{10, 1, 9.2, .06}, {10, 5, 9.4, .06}, {10, 15, 10.9, .06}, {10, 60, 27.9, .06},
		{60, 5, 55, .6}, {60, 60, 60, .6}, {360, 15, 331, .6}, {1, 5, 2.3, .06}, {1, 60, 27.8, .06},
	} {
		v := 0.0
		for _, p := range []float64{.01, .005} {
			v += p * (1 - p) / EffectiveN(1, math.Exp(-c.every/(c.mean*(1-p))))
		}
		n := math.Pow(1.959964+0.841621, 2) * v / (.005 * .005)
		near(t, fmt.Sprintf("weeks for outages of %g min visited every %g min", c.mean, c.every), n*c.every/10080, c.weeks, c.tol)
	}
}

func ar1(rng *rand.Rand, n int, phi float64) []float64 {
	y := make([]float64, n)
	x := rng.NormFloat64() / math.Sqrt(1-phi*phi)
	for i := range y {
		y[i] = x
		x = phi*x + rng.NormFloat64()
	}
	return y
}

// How often the nominal 95 % interval covers the true mean of AR(1) days. 2,000 runs
// have a standard error of 0.5 points, so the band is 95 % -2.5/+3.5 points: below it
// the interval claims too much, above it the wider of two has become wasteful.
func TestMeanIntervalCoverage(t *testing.T) {
	for _, phi := range []float64{0, .3, .6} {
		for _, n := range []int{28, 90, 365} {
			rng := rand.New(rand.NewPCG(20, uint64(n)+uint64(1000*phi)))
			const runs = 2000
			hit, ratio := 0, 0.0
			for range runs {
				y := ar1(rng, n, phi)
				in := MeanInterval(y, 0.95)
				if in.Low <= 0 && 0 <= in.High {
					hit++
				}
				// The oracle knows phi and the variance of the shocks.
				ratio += in.Half() / (1.96 * math.Sqrt(1/(1-phi*phi)/EffectiveNExact(float64(n), phi)))
			}
			cover := float64(hit) / runs
			t.Logf("phi %.1f, n %d: covers %.1f %%, %.2f x the width of an oracle", phi, n, 100*cover, ratio/runs)
			if cover < .925 || cover > .985 {
				t.Errorf("phi %.1f, n %d: covers %.1f %%, want 92.5 to 98.5", phi, n, 100*cover)
			}
			if ratio/runs > 1.5 {
				t.Errorf("phi %.1f, n %d: %.2f x the width of an oracle, want at most 1.5", phi, n, ratio/runs)
			}
		}
	}
}

// Shifting and scaling the data shifts and scales the interval; a ratio with constant
// denominator is a mean.
func TestMeanIntervalInvariance(t *testing.T) {
	y := ar1(rand.New(rand.NewPCG(1, 2)), 100, .5)
	a, b := MeanInterval(y, .95), MeanInterval(scaled(y, 7, -3), .95)
	near(t, "value", b.Value, 7-3*a.Value, 1e-9)
	near(t, "half", b.Half(), 3*a.Half(), 1e-9)
	den := make([]float64, len(y))
	for i := range den {
		den[i] = 5
	}
	r := RatioInterval(y, den, .95)
	near(t, "ratio", r.Value, a.Value/5, 1e-12)
	near(t, "ratio half", r.Half(), a.Half()/5, 1e-12)
}

func TestTooFewDaysGiveInfiniteBounds(t *testing.T) {
	for n := range minDays {
		in := MeanInterval(make([]float64, n), .95)
		if !math.IsInf(in.Low, -1) || !math.IsInf(in.High, 1) {
			t.Errorf("%d days: %v to %v, want infinite bounds", n, in.Low, in.High)
		}
	}
	if in := RatioInterval(make([]float64, 30), make([]float64, 30), .95); !math.IsNaN(in.Value) || !math.IsInf(in.High, 1) {
		t.Errorf("ratio without data = %+v", in)
	}
}

func BenchmarkMeanIntervalYear(b *testing.B) {
	y := ar1(rand.New(rand.NewPCG(1, 2)), 365, .5)
	b.ReportAllocs()
	for b.Loop() {
		MeanInterval(y, .95)
	}
}
