package fading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/analysis/reception"
)

// ATSC figures that close on themselves (A/53 framing; from memory): 2.4886 segment errors
// a second at the threshold of visibility make 0.917 of the seconds errored; 5 % of them
// need a segment error ratio of 3.98e-6.
func TestStandardShare(t *testing.T) {
	if got := standardShare(reception.ATSC1, 0); math.Abs(got-.917) > 5e-4 {
		t.Errorf("share at the threshold = %.4f, want 0.917", got)
	}
	at := math.Log10(1.93e-4/3.98e-6) / decadesDB
	if got := standardShare(reception.ATSC1, at); math.Abs(got-.05) > 2e-4 {
		t.Errorf("share at %.3f dB = %.4f, want 0.05", at, got)
	}
	c := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: math.NaN(), DwellS: 5})
	for _, m := range []float64{-20, -3, 0.05, 0.55, 3, 50} {
		if got, want := c.At(m), standardShare(reception.ATSC1, m); math.Abs(got-want) > .12*want+3e-6 {
			t.Errorf("curve without data at %g dB = %.4g, want %.4g", m, got, want)
		}
	}
	// Counted at medians, the same curve lies higher; silly distances are none.
	for above, by := range map[float64]float64{0.4: 0.4, -1: 0, 7: 0, math.NaN(): 0} {
		up := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, AboveDB: above})
		if got, want := up.At(0.55+by), c.At(0.55); math.Abs(got-want) > 1e-9 {
			t.Errorf("curve %g dB higher at %g dB = %.4g, want %.4g", above, 0.55+by, got, want)
		}
	}
}

// The curve learns what was measured and never rises with margin.
func TestCurve(t *testing.T) {
	_, doses := place{hours: 10, days: 365, settled: 8, floor: .003}.run(rand.New(rand.NewPCG(73, 1)))
	c := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses})
	last := 1.0
	for m := -12.0; m < 60; m += .1 {
		if s := c.At(m); s > last+1e-15 || s < 0 {
			t.Fatalf("share at %.1f dB = %g after %g", m, s, last)
		} else {
			last = s
		}
	}
	f := c.Floor()
	if !(f.Low <= .003 && .003 <= f.High) || math.Abs(f.Value-.003) > .001 {
		t.Errorf("floor = %+v, want 0.003", f)
	}
	if e := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5}).Floor(); e.Decided() {
		t.Errorf("floor without data = %+v, want undecided", e)
	}
}

// How often the interval holds the margin that the place truly requires.
func TestRequiredCoverage(t *testing.T) {
	for _, c := range []struct {
		place
		wanted float64
	}{
		{place{hours: 10, days: 365, settled: 8}, .99}, {place{hours: 33, days: 365, settled: 8}, .99},
		{place{hours: 10, days: 60, settled: 12}, .99}, {place{hours: 10, days: 365, settled: 6, lock: 7, floor: .002}, .99},
		{place{hours: 10, days: 365, settled: 8, lock: 9}, .999},
	} {
		rng := rand.New(rand.NewPCG(79, uint64(c.hours+c.settled*100)+uint64(c.days*1000)))
		want := c.required(c.wanted)
		const runs = 80
		hit, mean, width := 0, 0.0, 0.0
		for range runs {
			days, doses := c.run(rng)
			r := Of(days).Required(NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses}), c.wanted)
			if !r.Decided() || r.Bound != reception.Exact {
				t.Fatalf("%+v: %+v", c, r)
			}
			if r.Low <= want && want <= r.High {
				hit++
			}
			mean += r.Value / runs
			width += (r.High - r.Low) / runs
		}
		cover := 100 * float64(hit) / runs
		name := fmt.Sprintf("%+v, wanted %g", c.place, c.wanted)
		t.Logf("%s: covers %.0f %%, mean %.2f dB of %.2f, width %.2f", name, cover, mean, want, width)
		if cover < 87 { // 80 runs: standard error 2.4 points
			t.Errorf("%s: covers %.0f %%, want at least 87", name, cover)
		}
		if math.Abs(mean-want) > .08*want {
			t.Errorf("%s: mean %.2f dB, want within 8 %% of %.2f", name, mean, want)
		}
	}
}

// Two per cent of the seconds errored at every margin: 99 % cannot be had, 95 % can.
func TestNoMarginCures(t *testing.T) {
	days, doses := place{hours: 10, days: 120, settled: 15, floor: .02}.run(rand.New(rand.NewPCG(83, 1)))
	c := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses})
	r := Of(days).Required(c, .99)
	if !r.NoMarginCures || r.Decided() || r.Needs == "" || math.Abs(r.Floor.Value-.02) > .004 {
		t.Errorf("Required(99 %%) = %+v, want no margin, floor 0.02", r)
	}
	if r = Of(days).Required(c, .95); r.NoMarginCures || !r.Decided() {
		t.Errorf("Required(95 %%) = %+v, want a margin", r)
	}
}

// The required margin lies above the plain quantile of the fades by what the transition
// of errors takes: here 0.23 dB in truth. Twenty years have a standard error of 0.05 dB.
func TestRequiredAboveQuantile(t *testing.T) {
	rng := rand.New(rand.NewPCG(89, 1))
	c := place{hours: 10, days: 365, settled: 8}
	want := c.required(.99) - fade(.99)
	if want < .2 || want > 1 {
		t.Fatalf("truth %.2f dB, want 0.2 to 1", want)
	}
	mean := 0.0
	for range 20 {
		days, doses := c.run(rng)
		f := Of(days)
		r := f.Required(NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses}), .99)
		mean += (r.Value - f.Depth(.99).Value) / 20
	}
	if math.Abs(mean-want) > .12 {
		t.Errorf("required margin less fade depth = %.2f dB, want %.2f", mean, want)
	}
}

func TestRequiredAtLeast(t *testing.T) {
	days, doses := place{hours: 10, days: 120, settled: 2, lock: 2}.run(rand.New(rand.NewPCG(97, 1)))
	r := Of(days).Required(NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses}), .99)
	if r.Bound != reception.AtLeast || r.Value < 2 || !math.IsInf(r.High, 1) {
		t.Errorf("Required = %+v, want at least 2 dB", r)
	}
	if r := Of(days[:10]).Required(NewCurve(Doses{System: reception.ATSC1}), .99); r.Decided() || r.Needs == "" {
		t.Errorf("ten days: %+v, want undecided", r)
	}
}

// All that one channel's year needs: tail, two depths, curve, required margin.
func BenchmarkChannelYear(b *testing.B) {
	days, doses := place{hours: 10, days: 365, settled: 8, lock: 9}.run(rand.New(rand.NewPCG(101, 1)))
	b.ReportAllocs()
	for b.Loop() {
		f := Of(days)
		f.Depth(.99)
		f.Depth(.999)
		f.Required(NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5, Days: doses}), .99)
	}
}
