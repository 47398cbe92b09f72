package stat

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The example of R's isoreg: its fit by hand is 1/2 twice and 21/7 = 3 seven times.
func TestIsotonicExample(t *testing.T) {
	y := []float64{1, 0, 4, 3, 3, 5, 4, 2, 0}
	got := Isotonic(y, []float64{1, 1, 1, 1, 1, 1, 1, 1, 1})
	for i, want := range []float64{.5, .5, 3, 3, 3, 3, 3, 3, 3} {
		near(t, "fit", got[i], want, 1e-12)
	}
}

// Against the max-min formula, which shares nothing with pooling: the fit at i is the
// largest over s <= i of the smallest over t >= i of the mean of s..t (T. Robertson, F. T.
// Wright, R. L. Dykstra, Order Restricted Statistical Inference (1988), theorem 1.4.4,
// from memory).
func TestIsotonicMaxMin(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 1))
	for range 200 {
		n := 1 + rng.IntN(12)
		y, w := make([]float64, n), make([]float64, n)
		for i := range y {
			y[i], w[i] = float64(i)/4+rng.NormFloat64(), .1+rng.Float64()
		}
		got := Isotonic(y, w)
		for i := range y {
			best := math.Inf(-1)
			for s := 0; s <= i; s++ {
				least := math.Inf(1)
				for e := i; e < n; e++ {
					var sum, weight float64
					for k := s; k <= e; k++ {
						sum += w[k] * y[k]
						weight += w[k]
					}
					least = math.Min(least, sum/weight)
				}
				best = math.Max(best, least)
			}
			near(t, "max-min", got[i], best, 1e-9)
		}
	}
}

func TestIsotonicWithoutWeight(t *testing.T) {
	got := Isotonic([]float64{9, 1, 9, 2}, []float64{0, 1, 0, 1})
	for i, want := range []float64{1, 1, 1, 2} {
		near(t, "fit", got[i], want, 0)
	}
	if got := Isotonic([]float64{3, 4}, []float64{0, 0}); len(got) != 2 || got[0] != 0 {
		t.Errorf("fit without any weight = %v, want zeros", got)
	}
}
