package stat

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// R 4.2.2 with packages trend and Kendall on the Nile series.
func TestTrendOfTheNile(t *testing.T) {
	years := make([]float64, len(nile))
	for i := range years {
		years[i] = 1871 + float64(i)
	}
	slope, _ := SenSlope(years, nile)
	near(t, "Sen slope", slope, -2.6, .05)
	s, tau, z := MannKendall(nile)
	near(t, "S", s, -1387, 0)
	near(t, "tau", tau, -.2807, 5e-5)
	near(t, "z", z, -4.131, 5e-4)
}

func TestSenSlopeOfALine(t *testing.T) {
	slope, at := SenSlope([]float64{0, 1, 2, 3, 4}, []float64{1, 3, 5, 7, 1000})
	near(t, "slope with one wild point", slope, 2, 1e-12)
	near(t, "intercept", at, 1, 1e-12)
	if s, _ := SenSlope([]float64{1, 1}, []float64{2, 3}); !math.IsNaN(s) {
		t.Errorf("slope without two times = %g, want NaN", s)
	}
}

// The median by selection is that of ordered values, and leaves its argument alone.
func TestMedianOrdered(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 200 {
		for _, distinct := range []int{1, 3, 1000} {
			x := make([]float64, n)
			for i := range x {
				x[i] = float64(rng.IntN(distinct)) / 10
			}
			if n%3 == 0 {
				slices.Sort(x)
			}
			given := slices.Clone(x)
			got, want := Median(x), Quantile(x, 0.5)
			if got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
				t.Fatalf("Median(%v) = %v, want %v", x, got, want)
			}
			MAD(x)
			if !slices.Equal(x, given) {
				t.Fatalf("Median or MAD changed its argument %v to %v", given, x)
			}
		}
	}
}

func BenchmarkMedian(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 4))
	x := make([]float64, 365)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	b.ReportAllocs()
	for b.Loop() {
		Median(x)
	}
}
