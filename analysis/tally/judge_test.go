package tally

import (
	"math"
	"testing"

	"holdfast/analysis/reception"
)

func visit(dwellMS int64, f func(*reception.Reading)) reception.Reading {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Locked = hour0, "loft", 605e6, dwellMS, true
	if f != nil {
		f(&r)
	}
	return r
}

// The arithmetic of 8-VSB closes on itself: 4.5 MHz x 684/286 symbols/s, 832
// symbols a segment, 312 of 313 segments with data (ATSC A/53 part 2), and the
// published pair of 1.93e-4 bad segments and 2.5 errors a second at the threshold
// of visibility.
func TestEightVSBIdentities(t *testing.T) {
	rate := reception.ATSC1.BlocksPerSecond()
	if math.Abs(rate-12894.055) > 0.001 {
		t.Errorf("data segments a second = %.3f, want 12894.055", rate)
	}
	ratio, ok := reception.ATSC1.PictureFailure()
	if !ok || math.Abs(ratio*rate-2.4886) > 1e-3 {
		t.Errorf("errors a second at the threshold of visibility = %.4f, want 2.4886", ratio*rate)
	}
	if got := 1 - math.Exp(-ratio*rate); math.Abs(got-0.917) > 5e-4 {
		t.Errorf("P(errored second) = %.4f, want 0.917 (Poisson)", got)
	}
	// Bursts of one block: the errored seconds of an hour at that rate are the
	// Poisson share of it.
	const dwell = 3600e3
	r := visit(dwell, func(r *reception.Reading) { r.UncorrectedBlocks = int64(math.Round(ratio * rate * 3600)) })
	got := float64(ErroredUS(&r, Rules{BurstBlocks: 1})) / (dwell * 1000)
	if math.Abs(got-0.917) > 5e-4 {
		t.Errorf("errored share at the threshold of visibility = %.4f, want 0.917", got)
	}
	// 5 % errored seconds is 0.0513 errors a second (Poisson).
	r.UncorrectedBlocks = int64(math.Round(0.0513 * 3600))
	if got := float64(ErroredUS(&r, Rules{BurstBlocks: 1})) / (dwell * 1000); math.Abs(got-0.05) > 2e-4 {
		t.Errorf("errored share at 0.0513 errors a second = %.4f, want 0.05", got)
	}
}

func TestErroredTime(t *testing.T) {
	rules := Rules{Identity: "100", System: reception.ATSC1}
	for _, c := range []struct {
		name   string
		r      reception.Reading
		us     int64
		bad    bool
		failed bool
	}{
		{"clean", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks, r.TotalBlocks = 0, 64470 }), 0, false, false},
		{"nothing counted", visit(5000, nil), 0, false, false},
		{"no lock", visit(5000, func(r *reception.Reading) { r.Locked = false }), 5e6, true, true},
		{"wrong identity", visit(5000, func(r *reception.Reading) { r.Identity = "200" }), 5e6, true, false},
		{"right identity", visit(5000, func(r *reception.Reading) { r.Identity = "100" }), 0, false, false},
		{"right identity in other figures", visit(5000, func(r *reception.Reading) { r.Identity = "0x0064/0x233a" }), 0, false, false},
		{"counted each second", visit(5000, func(r *reception.Reading) { r.ErroredS, r.UncorrectedBlocks = 2, 900 }), 2e6, true, false},
		{"counted none, though blocks are bad", visit(5000, func(r *reception.Reading) { r.ErroredS, r.UncorrectedBlocks = 0, 1 }), 0, false, false},
		{"one block is one second", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks, r.TotalBlocks = 1, 64470 }), 1e6, true, false},
		{"no more seconds than blocks", visit(600e3, func(r *reception.Reading) { r.UncorrectedBlocks = 2 }), 1e6, false, false},
		// 10 blocks in bursts of 3 over 5 s: 5(1 - exp(-2/3)) = 2.432914 s.
		{"bursts", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks = 10 }), 2432914, true, false},
		{"no more than the dwell", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks, r.TotalBlocks = 60000, 64470 }), 5e6, true, true},
		// 1.93e-4 x 64470 = 12.44 blocks: 12 is below, 13 above.
		{"below picture failure", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks, r.TotalBlocks = 12, 64470 }), 2753355, true, false},
		{"above picture failure", visit(5000, func(r *reception.Reading) { r.UncorrectedBlocks, r.TotalBlocks = 13, 64470 }), 2898248, true, true},
		{"lock lost for half a second", visit(5000, func(r *reception.Reading) { r.LockedMS, r.UncorrectedBlocks = 4500, 0 }), 500e3, false, true},
		{"under 5 % of a long dwell", visit(60e3, func(r *reception.Reading) { r.ErroredS = 2 }), 2e6, false, false},
		{"5 % of a long dwell", visit(60e3, func(r *reception.Reading) { r.ErroredS = 3 }), 3e6, true, false},
		{"not made", visit(5000, func(r *reception.Reading) { r.Why, r.Locked = reception.WhyViewer, false }), 0, false, false},
	} {
		if got := ErroredUS(&c.r, rules); got != c.us {
			t.Errorf("%s: ErroredUS = %d, want %d", c.name, got, c.us)
		}
		if got := Bad(&c.r, rules); got != c.bad {
			t.Errorf("%s: Bad = %v, want %v", c.name, got, c.bad)
		}
		if got := Failed(&c.r, rules); got != c.failed {
			t.Errorf("%s: Failed = %v, want %v", c.name, got, c.failed)
		}
	}
}

// A visit that loses lock enters the dose with the lowest C/N read while locked; an
// unlocked one without C/N stays out.
func TestDoseOfLostLock(t *testing.T) {
	rows := []reception.Reading{
		visit(5000, func(r *reception.Reading) { r.CNDB, r.CNLowDB = 18.0, 17.2 }),
		visit(5000, func(r *reception.Reading) {
			r.Locked, r.LockedMS, r.CNDB, r.CNLowDB = false, 2000, 16.0, 14.7
		}),
		visit(5000, func(r *reception.Reading) { r.Locked, r.LockedMS, r.CNDB = false, 0, 3.1 }),
		visit(5000, func(r *reception.Reading) { r.Locked = false }),
	}
	for i := range rows {
		rows[i].Time += int64(i) * 300e3
	}
	got := Hour(rows, nil, nil, nil, Rules{System: reception.ATSC1})[0].Tally
	want := []reception.DoseBin{{Bin: 147, Visits: 1, Failed: 1, ErroredUS: 5e6}, {Bin: 180, Visits: 1}}
	if len(got.Dose) != 2 || got.Dose[0] != want[0] || got.Dose[1] != want[1] {
		t.Errorf("dose = %+v, want %+v", got.Dose, want)
	}
	if got.Unlocked != 3 || got.LockLosses != 1 || len(got.CN) != 1 || got.CN[0] != (reception.Bin{Bin: 180, N: 1}) {
		t.Errorf("unlocked %d, lock losses %d, bins %v; want 3, 1, one visit at 18.0 dB", got.Unlocked, got.LockLosses, got.CN)
	}
}

// Of visits that fade the threshold learns nothing; a steady one counts at the C/N of its
// errors, 2.5 dB below the median per squared dB of standard deviation.
func TestSteadyVisits(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name             string
		cn, low, spread  float64
		lockedMS, errors int64
		identity         string
		locked           bool
		bin              int32 // -1: not counted
	}{
		{"nothing but the median", 18, nan, nan, 5000, 0, "", true, 180},
		{"still", 18, 18, 0, 5000, 0, "", true, 180},
		{"noise of the reading", 18, 17.7, 0.2, 5000, 0, "", true, 179},
		{"not below the lowest", 18, 17.9, 0.4, 5000, 0, "", true, 179},
		{"light wind", 18, 17.2, 0.4, 5000, 900, "", true, 176},
		{"wind", 18, 14.2, 1.3, 5000, 900, "", true, -1},
		{"spread from the lowest", 18, 17.4, nan, 5000, 900, "", true, 176},
		{"wind, from the lowest", 18, 16.8, nan, 5000, 0, "", true, -1},
		{"lowest above the median", 18, 18.4, nan, 5000, 0, "", true, 180},
		{"lock lost in a slow fade", 14, 13.2, 0.4, 4000, 0, "", false, 132},
		{"lock lost in a quick fade", 18, 13.2, 1.9, 4000, 0, "", false, -1},
		{"lock lost, the lowest alone", nan, 13.2, nan, 4000, 0, "", false, 132},
		{"never locked", nan, nan, nan, 0, 0, "", false, -1},
		{"another station", 18, 18, 0, 5000, 900, "200", true, -1},
	} {
		r := visit(5000, func(r *reception.Reading) {
			r.CNDB, r.CNLowDB, r.CNSpreadDB, r.LockedMS, r.Locked, r.Identity = c.cn, c.low, c.spread, c.lockedMS, c.locked, c.identity
			r.TotalBlocks, r.UncorrectedBlocks = 64470, c.errors
		})
		got := Hour([]reception.Reading{r}, nil, nil, nil, Rules{System: reception.ATSC1, Identity: "100"})[0].Tally
		failed := c.errors > 0 || c.lockedMS < 5000
		bad := len(got.Steady) != 0
		if c.bin >= 0 {
			one := reception.Bin{Bin: c.bin, N: 1}
			bad = len(got.Steady) != 1 || got.Steady[0] != one || (len(got.SteadyFailed) == 1) != failed || failed && got.SteadyFailed[0] != one
		}
		if bad {
			t.Errorf("%s: steady %v, failed %v; want bin %d, failed %v", c.name, got.Steady, got.SteadyFailed, c.bin, failed)
		}
	}
	// Per cent has neither lowest nor spread.
	r := visit(5000, func(r *reception.Reading) { r.QualityPct, r.CNLowDB, r.CNSpreadDB = 57, 3, 9 })
	if got := Hour([]reception.Reading{r}, nil, nil, nil, Rules{Unit: reception.UnitPercent})[0].Tally; len(got.Steady) != 1 || got.Steady[0].Bin != 57 {
		t.Errorf("per cent: steady %v, want one visit at 57", got.Steady)
	}
}
