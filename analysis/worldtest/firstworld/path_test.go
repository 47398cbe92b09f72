package firstworld

import (
	"math"
	"slices"
	"testing"
	"time"
)

// Leaves take 0.5 to 10 dB at UHF (ITU-R P.833 season remark to Reudink and Wazowicz
// 1973), less at VHF, more when wet.
func TestFoliage(t *testing.T) {
	last := 0.0
	for _, hz := range []int64{79e6, 183e6, 491e6, 605e6} {
		dry, wet := foliageDB(hz, 1, 0), foliageDB(hz, 1, 1)
		if dry <= last || wet <= dry {
			t.Errorf("%d Hz: dry %.2f dB, wet %.2f dB, lower band %.2f", hz, dry, wet, last)
		}
		last = dry
		lo, hi := 0.5, 10.0
		if hz < 300e6 {
			lo, hi = 0, 2.5
		}
		if dry < lo || wet > hi {
			t.Errorf("%d Hz: %.2f to %.2f dB, want within %g to %g", hz, dry, wet, lo, hi)
		}
	}
	if foliageDB(605e6, 0, 1) != 0 {
		t.Error("bare trees take something")
	}
}

// Leaf-out lies in late April and May and leaf fall in October and November at 43
// degrees north; unfolding takes two to five weeks, shedding three to eight.
func TestSeasons(t *testing.T) {
	w := New(5, nows[0])
	var firstDays []float64
	for year := 2001; year < 2041; year++ {
		day := func(from, level float64, rising bool) float64 {
			for d := from; d < 366; d += 0.25 {
				at := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(d*24) * time.Hour)
				if v := w.TruthLeaf(at); rising && v >= level || !rising && v <= level {
					return d
				}
			}
			t.Fatalf("%d: leaf state never reaches %g", year, level)
			return 0
		}
		a, m, b := day(0, 0.05, true), day(0, 0.5, true), day(0, 0.95, true)
		c, f, d := day(200, 0.95, false), day(200, 0.5, false), day(200, 0.05, false)
		firstDays = append(firstDays, m)
		if m < 105 || m > 145 || f < 275 || f > 315 {
			t.Errorf("%d: half in leaf on day %.0f and %.0f", year, m, f)
		}
		if b-a < 14 || b-a > 38 || d-c < 21 || d-c > 60 {
			t.Errorf("%d: unfolding %.0f days, shedding %.0f days", year, b-a, d-c)
		}
	}
	if s := slices.Max(firstDays) - slices.Min(firstDays); s < 6 || s > 30 {
		t.Errorf("leaf-out spreads over %.0f days in 40 years, want up to about three weeks", s)
	}
}

// An 86 km path over land: hourly medians fall 2 to 5 dB below their median for 10 %
// of the time and rise more than they fall (NTIA model for 70 km, 300 m: -2.9 and
// +4.7 dB at 195 MHz, -3.6 and +5.9 dB at 600 MHz); short paths hardly move.
func TestSlowFading(t *testing.T) {
	w := New(2, nows[0])
	v := newView(w)
	for i, st := range stations {
		var x []float64
		for h := range int64(8766) {
			ms := nows[0].UnixMilli() - h*hourMS
			s := v.at(ms)
			x = append(x, w.fadeDB(i, ms, &s))
		}
		slices.Sort(x)
		n := len(x)
		median := x[n/2]
		low, high := median-x[n/10], x[n-n/10]-median
		if st.mast == plain {
			if low < 1.5 || low > 5 || high < low || high > 8 {
				t.Errorf("RF %d: 90 %% of hours %.1f dB down, 10 %% %.1f dB up", st.rf, low, high)
			}
		} else if low > 1.5 {
			t.Errorf("RF %d: 90 %% of hours %.1f dB down on a short path", st.rf, low)
		}
	}
}

// Level up with C/N down is interference, and ducting nights bring it on the far
// channels more often than elsewhere, some nights a year.
func TestDucting(t *testing.T) {
	w := New(2, nows[3])
	v := newView(w)
	hours := map[mast]int{}
	for i, st := range stations {
		for h := range int64(8766) {
			ms := nows[3].UnixMilli() - h*hourMS
			s := v.at(ms)
			if db := w.interferenceDB(i, ms, s.duct); db > 3 {
				hours[st.mast]++
				k := v.sky(i, ms, &s)
				if k.signal > 0 && k.noise < 2 {
					t.Fatalf("RF %d: interference of %.1f dB leaves the noise at %.1f", st.rf, db, k.noise)
				}
			}
		}
	}
	if hours[plain] < 20 || hours[plain] > 1000 || hours[trees]*3 > hours[plain] {
		t.Errorf("hours of interference by mast: %v", hours)
	}
}

// Wind in trees in leaf moves the signal more than in bare ones and more than wind
// elsewhere (Meng, Lee and Ng 2009, abstract: K falls as wind grows).
func TestWindInTrees(t *testing.T) {
	w := New(1, nows[0])
	ms := nows[0].UnixMilli()
	s := func(gust, leaf float64) *state { return &state{air: air{gust: gust, wind: gust / 1.5}, leaf: leaf} }
	tree, open := stationAt(593e6), stationAt(605e6)
	calm, bare, full := w.scatterDB(tree, ms, s(1, 1)), w.scatterDB(tree, ms, s(15, 0)), w.scatterDB(tree, ms, s(15, 1))
	if !(full < bare-5 && bare < calm) {
		t.Errorf("K calm %.1f, windy and bare %.1f, windy in leaf %.1f dB", calm, bare, full)
	}
	if o := w.scatterDB(open, ms, s(15, 1)); o < full+5 {
		t.Errorf("K over open ground in wind %.1f dB, among trees %.1f", o, full)
	}
}

// Half-power width and side level of the antenna: planning assumes 10, 12 and 14 dB
// front to back for low VHF, high VHF and UHF (OET-69).
func TestPattern(t *testing.T) {
	if g := patternDB(600e6, 0); math.Abs(g) > 1e-9 {
		t.Errorf("boresight %.2f dB", g)
	}
	if g := patternDB(600e6, 23.5); math.Abs(g+3) > 0.5 {
		t.Errorf("at half the half-power width %.2f dB, want about -3", g)
	}
	if g := patternDB(600e6, 180); g > -10 || g < -16 {
		t.Errorf("front to back %.1f dB", g)
	}
	for d := -180.0; d <= 180; d += 0.5 {
		if a, b := patternDB(545e6, d), patternDB(545e6, -d); math.Abs(a-b) > 1e-9 || a > 1e-9 {
			t.Fatalf("pattern at %g is %.3f, at %g %.3f dB", d, a, -d, b)
		}
	}
}
