package tally

import (
	"reflect"
	"testing"

	"holdfast/analysis/reception"
	"pgregory.net/rapid"
)

// A Folder that goes from hour to hour makes of each what the plain way makes of it.
func TestFolderAgainstThePlainWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []reception.Reading
		at := hour0 + rapid.Int64Range(0, reception.HourMS).Draw(t, "first")
		for range rapid.IntRange(1, 8).Draw(t, "stretches") {
			pace := rapid.SampledFrom([]int64{1000, 60e3, 300e3, 900e3}).Draw(t, "pace")
			for range rapid.IntRange(1, 25).Draw(t, "visits") {
				r := reading(t, at)
				if rapid.IntRange(0, 9).Draw(t, "on another scale") == 0 {
					r.Scale = rapid.SampledFrom([]string{"", "maker"}).Draw(t, "scale")
					r.QualityPct = float64(rapid.IntRange(0, 100).Draw(t, "quality"))
				}
				all = append(all, r)
				at += pace
			}
			at += rapid.SampledFrom([]int64{0, 0, 700e3, 2 * reception.HourMS}).Draw(t, "gap")
		}
		rules := drawRules(t)
		rules.Units = func(scale string) reception.ScaleUnit {
			if scale == "maker" {
				return reception.UnitPercent
			}
			return ""
		}
		if rules.Identity == "" {
			rules.Expected = func(installation string) string { return map[string]string{"new": "100"}[installation] }
		}
		moved := hour0 + rapid.Int64Range(0, 3*reception.HourMS).Draw(t, "moved")
		regime := func(r *reception.Reading) reception.Regime {
			g := reception.Regime{Installation: "old", Mode: r.Mode, Scale: r.Scale}
			if r.Time >= moved {
				g.Installation = "new"
			}
			return g
		}
		var f Folder
		for i := 0; i < len(all); {
			j := i
			for j < len(all) && HourOf(all[j].Time) == HourOf(all[i].Time) {
				j++
			}
			got := f.Hour(all[i:j], all[:i], all[j:], regime, rules)
			if want := plainHour(all[i:j], all[:i], all[j:], regime, rules); !reflect.DeepEqual(got, want) {
				t.Fatalf("hour %d: got\n%+v\nwant\n%+v", HourOf(all[i].Time), got, want)
			}
			i = j
		}
	})
}
