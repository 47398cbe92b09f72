package fading

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// Whatever the days and tables, nothing panics, a value comes with an ordered interval,
// and anything without a value says what it needs.
func TestAnyDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 60).Draw(t, "days")
		unlocked := rapid.SampledFrom([]float64{0, 0, .01, 1, 24}).Draw(t, "unlocked")
		width := rapid.IntRange(1, 300).Draw(t, "spread in bins")
		lock := rapid.SampledFrom([]float64{-3, 0, 2, 8, 30, math.NaN(), math.Inf(1)}).Draw(t, "lock")
		days := make([]Day, n)
		doses := make([][]reception.DoseBin, n)
		for i := range days {
			days[i] = Day{Date: int64(i), LockDB: lock}
			if rapid.IntRange(0, 3).Draw(t, "dark") == 0 {
				days[i].Unlocked = unlocked
			}
			at := int32(rapid.IntRange(-50, 50).Draw(t, "first"))
			for range rapid.IntRange(0, 8).Draw(t, "bins") {
				days[i].Fades = append(days[i].Fades, stat.Bin{At: at, W: rapid.Float64Range(0, 5).Draw(t, "w")})
				doses[i] = append(doses[i], reception.DoseBin{Bin: 150 + at, Visits: 12, ErroredUS: int64(rapid.IntRange(0, 60).Draw(t, "errored")) * 1e6})
				at += int32(rapid.IntRange(1, width).Draw(t, "gap"))
			}
		}
		f := Of(days)
		c := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: rapid.Float64Range(5, 30).Draw(t, "threshold"), DwellS: 5, Days: doses})
		check := func(what string, e reception.Estimate) {
			if e.Decided() != (e.Needs == "") {
				t.Fatalf("%s: %+v: a value or a need, not both", what, e)
			}
			if e.Decided() && !(e.Low <= e.Value && e.Value <= e.High) || math.IsInf(e.Value, 0) {
				t.Fatalf("%s: %+v: not in order", what, e)
			}
		}
		for _, p := range []float64{.5, .99, .999} {
			check("depth", f.Depth(p))
			r := f.Required(c, p)
			check("required", r.Estimate)
			check("floor", r.Floor)
			if r.NoMarginCures && r.Decided() {
				t.Fatalf("required %+v though no margin cures", r)
			}
		}
		last := 1.0
		for m := -15.0; m < 65; m += .37 {
			if s := c.At(m); !(s >= 0 && s <= last+1e-12) {
				t.Fatalf("share %g at %g dB after %g", s, m, last)
			} else {
				last = s
			}
		}
	})
}
