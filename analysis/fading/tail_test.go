package fading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// How often the interval of the fade depth holds the truth, 1.5 + 20 (50^0.1 - 1) = 11.1
// dB at 99.9 % and 1.5 + 20 (5^0.1 - 1) = 5.0 dB at 99 %, for hours correlated over 10 h
// and 33 h, and with lock lost beyond 6 dB. 100 runs have a standard error of 2.2 points,
// and of up to 0.25 dB for the mean; a year whose storms last two days holds few of them,
// and reads low.
func TestDepthCoverage(t *testing.T) {
	for _, c := range []struct {
		place
		p float64
	}{
		{place{hours: 10, days: 365}, .999}, {place{hours: 33, days: 365}, .999}, {place{hours: 10, days: 365, lock: 6}, .999},
		{place{hours: 10, days: 365}, .99}, {place{hours: 10, days: 60}, .99},
	} {
		rng := rand.New(rand.NewPCG(59, uint64(c.hours+c.lock*100)+uint64(c.days*1000)))
		const runs = 100
		hit, mean := 0, 0.0
		for range runs {
			days, _ := c.run(rng)
			e := Of(days).Depth(c.p)
			if !e.Decided() {
				t.Fatalf("%+v: %+v", c, e)
			}
			if e.Low <= fade(c.p) && fade(c.p) <= e.High {
				hit++
			}
			mean += e.Value / runs
		}
		name := fmt.Sprintf("%g h, %d days, lock lost at %g dB, depth at %g %%", c.hours, c.days, c.lock, 100*c.p)
		t.Logf("%s: covers %d %%, mean %.2f dB of %.2f", name, hit, mean, fade(c.p))
		if hit < 86 {
			t.Errorf("%s: covers %d %%, want at least 86", name, hit)
		}
		if math.Abs(mean-fade(c.p)) > .13*fade(c.p) {
			t.Errorf("%s: mean %.2f dB, want within 13 %% of %.2f", name, mean, fade(c.p))
		}
	}
}

// The depth moves with the fades and does not care for the unit of their weights' clock.
func TestDepthShift(t *testing.T) {
	days, _ := place{hours: 10, days: 120}.run(rand.New(rand.NewPCG(61, 1)))
	moved := make([]Day, len(days))
	for i, d := range days {
		moved[i] = Day{Date: d.Date, LockDB: d.LockDB}
		for _, b := range d.Fades {
			moved[i].Fades = append(moved[i].Fades, stat.Bin{At: b.At + 25, W: b.W})
		}
	}
	for _, p := range []float64{.9, .99, .999} {
		a, b := Of(days).Depth(p), Of(moved).Depth(p)
		if math.Abs(b.Value-a.Value-2.5) > 1e-6 {
			t.Errorf("depth at %g: %.4f moved by 2.5 dB is %.4f", p, a.Value, b.Value)
		}
	}
}

// Settled margin 2 dB: nearly all of the tail is without lock. The depth is at least what
// is known, 2 dB, and says so.
func TestDepthWithoutLock(t *testing.T) {
	days, _ := place{hours: 10, days: 120, lock: 2}.run(rand.New(rand.NewPCG(67, 1)))
	e := Of(days).Depth(.99)
	if e.Bound != reception.AtLeast || math.Abs(e.Value-2) > .15 || !math.IsInf(e.High, 1) || len(e.Warnings) == 0 {
		t.Errorf("Depth = %+v, want at least 2 dB, open above", e)
	}
	if e.Low > e.Value {
		t.Errorf("low %g above the value %g", e.Low, e.Value)
	}
}

// Unlocked visits are the deepest fades: leaving them out would halve the depth.
func TestUnlockedCountsAsDeep(t *testing.T) {
	days, _ := place{hours: 10, days: 365, lock: 6}.run(rand.New(rand.NewPCG(71, 1)))
	with := Of(days).Depth(.999)
	for i := range days {
		days[i].Unlocked = 0
	}
	without := Of(days).Depth(.999)
	if with.Value < without.Value+1.5 {
		t.Errorf("with unlocked visits %.1f dB, without %.1f: want at least 1.5 deeper", with.Value, without.Value)
	}
}

// Whatever comes in, an ordered interval or a need comes out.
func TestSillyDays(t *testing.T) {
	one := []stat.Bin{{At: 3, W: 24}}
	repeat := func(d Day, n int) []Day {
		out := make([]Day, n)
		for i := range out {
			out[i] = d
		}
		return out
	}
	mixed := repeat(Day{Fades: one, LockDB: 5}, 60)
	mixed[7].Unlocked = 3
	mixed[9] = Day{Unlocked: 24, LockDB: math.NaN()}
	for name, days := range map[string][]Day{
		"nothing":        nil,
		"empty days":     repeat(Day{}, 60),
		"two days":       repeat(Day{Fades: one}, 2),
		"constant":       repeat(Day{Fades: one, LockDB: 5}, 60),
		"never locked":   repeat(Day{Unlocked: 24, LockDB: 5}, 60),
		"hardly locked":  repeat(Day{Fades: []stat.Bin{{At: 0, W: .01}}, Unlocked: 24, LockDB: 5}, 60),
		"lock unknown":   repeat(Day{Fades: one, Unlocked: 1, LockDB: math.NaN()}, 60),
		"lock above all": repeat(Day{Fades: one, Unlocked: 1, LockDB: -30}, 60),
		"two bins":       repeat(Day{Fades: []stat.Bin{{At: 0, W: 20}, {At: 90, W: 4}}, LockDB: 20}, 60),
		"one outage":     mixed,
	} {
		f := Of(days)
		curve := NewCurve(Doses{System: reception.ATSC1, ThresholdDB: 15, DwellS: 5})
		check := func(what string, e reception.Estimate) {
			if e.Decided() != (e.Needs == "") {
				t.Errorf("%s, %s: %+v: a value or a need, not both", name, what, e)
			}
			if e.Decided() && !(e.Low <= e.Value && e.Value <= e.High) {
				t.Errorf("%s, %s: %g to %g around %g (%s)", name, what, e.Low, e.High, e.Value, e.Method)
			}
		}
		for _, p := range []float64{.5, .9, .99, .999} {
			check(fmt.Sprint("depth ", p), f.Depth(p))
			check(fmt.Sprint("required ", p), f.Required(curve, p).Estimate)
		}
	}
}

// Bins of C/N become fades below the settled margin: 20.0 to 20.1 dB at a settled C/N of
// 25.0 is a fade of 4.95 dB.
func TestDayAdd(t *testing.T) {
	d := Day{LockDB: math.NaN()}
	d.Add(25, 10, []reception.Bin{{Bin: 200, N: 3}, {Bin: 249, N: 5}}, 2, 1./12)
	d.Add(25, 9, []reception.Bin{{Bin: 200, N: 3}}, 0, 1./12)
	d.Add(math.NaN(), 9, []reception.Bin{{Bin: 100, N: 3}}, 7, 1./12)
	want := []stat.Bin{{At: 0, W: 5. / 12}, {At: 49, W: 6. / 12}}
	if len(d.Fades) != 2 || d.Fades[0].At != want[0].At || d.Fades[1].At != want[1].At || math.Abs(d.Fades[1].W-want[1].W) > 1e-12 {
		t.Errorf("fades = %v, want %v", d.Fades, want)
	}
	if d.LockDB != 10 || math.Abs(d.Unlocked-2./12) > 1e-12 {
		t.Errorf("unlocked %g h at %g dB, want 1/6 at 10", d.Unlocked, d.LockDB)
	}
	d.Add(25, 8, nil, 1, 1./12)
	if d.LockDB != 8 {
		t.Errorf("lock lost at %g dB, want the smaller, 8", d.LockDB)
	}
}
