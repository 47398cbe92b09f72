package stat

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// R. G. Newcombe, Stat. Med. 17 (1998) 857-872, Table I (from memory; recomputed with
// R 4.2.2 to the digits given).
func TestProportionIntervals(t *testing.T) {
	for _, c := range []struct {
		k, n                       int
		wilsonLo, wilsonHi, lo, hi float64
	}{
		{81, 263, .2553, .3662, .2527, .3676},
		{15, 148, .0624, .1605, .0578, .1617},
		{0, 20, 0, .1611, 0, .1684},
		{1, 29, .0061, .1718, .0009, .1776},
		{29, 29, .8830, 1, .8806, 1},
	} {
		lo, hi := Wilson(float64(c.k), float64(c.n), 1.959964)
		near(t, fmt.Sprintf("Wilson(%d, %d) lower", c.k, c.n), lo, c.wilsonLo, 5e-5)
		near(t, fmt.Sprintf("Wilson(%d, %d) upper", c.k, c.n), hi, c.wilsonHi, 5e-5)
		lo, hi = ClopperPearson(c.k, c.n, 0.95)
		near(t, fmt.Sprintf("ClopperPearson(%d, %d) lower", c.k, c.n), lo, c.lo, 5e-5)
		near(t, fmt.Sprintf("ClopperPearson(%d, %d) upper", c.k, c.n), hi, c.hi, 5e-5)
	}
}

// Exact limits as printed in every table since Garwood (1936); the rate is the example
// of R's poisson.test: 137 events in 24.19893.
func TestGarwood(t *testing.T) {
	for _, c := range []struct {
		k      int
		lo, hi float64
	}{{0, 0, 3.6889}, {1, .0253, 5.5716}, {5, 1.6235, 11.6683}, {10, 4.7954, 18.3904}, {20, 12.2165, 30.8884}} {
		lo, hi := Garwood(c.k, 0.95)
		near(t, fmt.Sprintf("Garwood(%d) lower", c.k), lo, c.lo, 5e-5)
		near(t, fmt.Sprintf("Garwood(%d) upper", c.k), hi, c.hi, 5e-5)
	}
	lo, hi := Garwood(137, 0.95)
	near(t, "rate lower", lo/24.19893, 4.7531, 5e-5)
	near(t, "rate upper", hi/24.19893, 6.6927, 5e-5)
}

// Two-sided 95 and 99 % points as in every printed table; the rest against gonum's own
// inversion.
func TestTQuantile(t *testing.T) {
	for _, c := range []struct{ p, df, want float64 }{
		{.975, 1, 12.706}, {.975, 2, 4.303}, {.975, 4, 2.776}, {.975, 10, 2.228}, {.975, 30, 2.042}, {.995, 5, 4.032}, {.975, 1e9, 1.960}, {.5, 7, 0},
	} {
		near(t, fmt.Sprintf("TQuantile(%g, %g)", c.p, c.df), TQuantile(c.p, c.df), c.want, 5e-4)
	}
	for _, df := range []float64{3, 3.7, 8, 20.5, 150} {
		for _, p := range []float64{.001, .025, .3, .9, .975, .9999} {
			want := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
			near(t, fmt.Sprintf("TQuantile(%g, %g)", p, df), TQuantile(p, df), want, 1e-6*(1+math.Abs(want)))
		}
	}
}

func TestBrokenPromisesPanic(t *testing.T) {
	for name, f := range map[string]func(){
		"Wilson k > n":         func() { Wilson(3, 2, 1.96) },
		"Wilson n = 0":         func() { Wilson(0, 0, 1.96) },
		"ClopperPearson k < 0": func() { ClopperPearson(-1, 2, .95) },
		"Garwood level":        func() { Garwood(1, 95) },
		"Quantile p":           func() { Quantile([]float64{1}, 1.5) },
		"NeweyWest lag":        func() { NeweyWest([]float64{1, 2}, 2) },
		"EffectiveN rho":       func() { EffectiveN(10, 1) },
		"RatioInterval length": func() { RatioInterval([]float64{1}, nil, .95) },
		"TQuantile df":         func() { TQuantile(.975, 0) },
	} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if recover() == nil {
					t.Error("no panic")
				}
			}()
			f()
		})
	}
}
