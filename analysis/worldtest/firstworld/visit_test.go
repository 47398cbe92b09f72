package firstworld

import (
	"math"
	"testing"

	"holdfast/analysis/reception"
)

// steady is a sky that gives a tuner exactly x dB above its failure point.
func steady(rc int, x float64) sky {
	r := &receivers[rc]
	cn := 1 / (fromDB(-(r.tovDB + x)) - fromDB(-r.implDB))
	return sky{signal: cn, noise: 1, scatterDB: 70}
}

func meanRatio(w *World, rc int, x float64, visits int) (ratio, erroredShare float64) {
	var bad, total int64
	var errored float64
	for n := range visits {
		r := reception.NewReading()
		r.FrequencyHz = stations[0].hz
		w.measure(&r, rc, 0, int64(n)*secondMS*900+reception.EarliestMS, 5000, steady(rc, x), 10)
		bad, total, errored = bad+r.UncorrectedBlocks, total+r.TotalBlocks, errored+r.ErroredS
	}
	return float64(bad) / float64(total), errored / float64(visits) / 5
}

// At the threshold of visibility an 8-VSB receiver sees 2.5 bad segments a second, a
// ratio of 1.93e-4 (ATSC A/53 framing: 12 894.055 data segments a second; from memory).
func TestThresholdOfVisibility(t *testing.T) {
	w := New(1, nows[0])
	if got := w.failing.at(0); math.Abs(got/1.93e-4-1) > 0.001 {
		t.Errorf("share of bad blocks at the failure point = %.4g, want 1.93e-4", got)
	}
	for rc := range receivers {
		got, _ := meanRatio(w, rc, 0, 2000)
		if perSecond := got * segmentsPS; math.Abs(perSecond-2.4886) > 0.2 {
			t.Errorf("%s: %.3f bad segments a second at the failure point, want 2.489", receivers[rc].name, perSecond)
		}
	}
}

// Picture perfect one decibel above, gone one below: the cliff is about 1 dB wide
// (common practice, no published source).
func TestCliff(t *testing.T) {
	w := New(1, nows[0])
	if _, es := meanRatio(w, 0, 1, 1000); es > 0.01 {
		t.Errorf("errored seconds 1 dB above = %.3f, want hardly any", es)
	}
	if r, es := meanRatio(w, 0, -1, 200); r < 0.01 || es < 0.999 {
		t.Errorf("1 dB below: ratio %.3g, errored seconds %.3f, want a picture that is gone", r, es)
	}
	last := math.Inf(1)
	for x := -5.0; x < 4; x += 0.01 {
		if y := w.failing.at(x); y > last+1e-12 || y < 0 || y > 1 {
			t.Fatalf("share of bad blocks is not falling at %.2f dB: %g", x, y)
		} else {
			last = y
		}
	}
}

func TestNothingThere(t *testing.T) {
	w := New(1, nows[0])
	r := w.Visit("den-2", 641e6, nows[0], 5e9)
	if r.Locked || r.LockedMS != 0 || r.ErroredS != 5 || !math.IsNaN(r.CNDB) || r.Validate() != nil {
		t.Errorf("visit to an empty frequency gave %+v", r)
	}
	strong := w.Visit("den-2", 545e6, nows[0], 5e9)
	if !strong.Locked || strong.LevelDBm < r.LevelDBm+10 {
		t.Errorf("level with a signal %.1f dBm, without %.1f", strong.LevelDBm, r.LevelDBm)
	}
}

// A visit may last from a second to minutes.
func TestDwells(t *testing.T) {
	w := New(1, nows[0])
	for _, s := range []float64{1, 1.3, 5, 60, 600} {
		ms := int64(s * 1000)
		r := reception.NewReading()
		newView(w).visit(&r, 0, 5, stations[5].hz, nows[0].UnixMilli(), ms)
		if err := r.Validate(); err != nil || !r.Locked || r.LockedMS != ms || r.ErroredS != 0 {
			t.Errorf("dwell %g s: %v %+v", s, err, r)
		}
		if want := 12894.055 * s; math.Abs(float64(r.TotalBlocks)-want) > 1 {
			t.Errorf("dwell %g s: %d blocks, want %.0f", s, r.TotalBlocks, want)
		}
	}
}

// The spread of a Rician signal of K = 10 dB is 2.0 dB, of K = 15 dB 1.1 dB (moment
// form of Greenstein et al., IEEE Trans. Commun. 47 (1999), from memory; the spread
// computed by four million draws).
func TestScatterSpread(t *testing.T) {
	w := New(1, nows[0])
	for _, c := range []struct{ k, sd float64 }{{10, 2.00}, {15, 1.10}} {
		var sum, sq, n float64
		for i := range 600 {
			r := reception.NewReading()
			r.FrequencyHz = stations[0].hz
			k := steady(0, 3)
			k.scatterDB = c.k
			w.measure(&r, 0, 0, int64(i)*900*secondMS+reception.EarliestMS, 60000, k, 10)
			if r.LockedMS == 60000 {
				sum, sq, n = sum+r.CNSpreadDB, sq+r.CNSpreadDB*r.CNSpreadDB, n+1
			}
		}
		got := math.Sqrt(sq / n)
		if math.Abs(got-c.sd) > 0.25*c.sd {
			t.Errorf("spread at K %g dB = %.2f dB over %g visits, want about %.2f", c.k, got, n, c.sd)
		}
	}
}
