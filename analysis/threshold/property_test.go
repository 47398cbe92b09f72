package threshold

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

// Whatever the tables, nothing panics, and a threshold has an ordered, finite interval or
// a need.
func TestAnyDoses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := Input{
			Unit:       rapid.SampledFrom([]reception.ScaleUnit{reception.UnitDB, reception.UnitPercent}).Draw(t, "unit"),
			Step:       rapid.SampledFrom([]float64{math.NaN(), .1, .5, 1, 3}).Draw(t, "step"),
			Ceiling:    rapid.SampledFrom([]float64{math.NaN(), 0, 20, 35, 100}).Draw(t, "ceiling"),
			StandardDB: rapid.SampledFrom([]float64{math.NaN(), 15.2, 3.5}).Draw(t, "standard"),
			User:       rapid.SampledFrom([]float64{math.NaN(), 0, -1, 17, math.Inf(1)}).Draw(t, "user"),
		}
		for range rapid.IntRange(0, 4).Draw(t, "channels") {
			var c Channel
			for range rapid.IntRange(0, 6).Draw(t, "days") {
				var day []reception.DoseBin
				for range rapid.IntRange(0, 6).Draw(t, "bins") {
					day = append(day, reception.DoseBin{Bin: int32(rapid.IntRange(-100, 600).Draw(t, "bin")), Visits: int64(rapid.IntRange(0, 100).Draw(t, "visits")), Failed: int64(rapid.IntRange(0, 100).Draw(t, "failed"))})
				}
				c.Days = append(c.Days, counts(day))
			}
			in.Channels = append(in.Channels, c)
		}
		r := Learn(in)
		if len(r.Channels) != len(in.Channels) {
			t.Fatalf("%d thresholds for %d channels", len(r.Channels), len(in.Channels))
		}
		for _, c := range append(r.Channels, r.Tuner) {
			if c.Decided() != (c.Needs == "") {
				t.Fatalf("%+v: a value or a need, not both", c)
			}
			if c.Decided() && !(c.Low <= c.Value && c.Value <= c.High && !math.IsInf(c.Low, 0) && !math.IsInf(c.High, 0)) {
				t.Fatalf("%+v: not in order", c)
			}
			if c.Basis != Learnt && c.Basis != Standard && c.Basis != User {
				t.Fatalf("%+v: no basis", c)
			}
		}
	})
}
