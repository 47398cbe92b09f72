package threshold

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// world simulates visits by day: the C/N wanders between days and within them, and the
// threshold itself differs a little from day to day.
type world struct {
	theta, s, phi, lambda, daySD float64
	mean, sd                     float64 // of C/N between days; within days 0.8 dB
	days, visits                 int
}

func (w world) channel(rng *rand.Rand, step float64) Channel {
	var c Channel
	for range w.days {
		count := map[int32]*reception.DoseBin{}
		cn, theta := w.mean+w.sd*rng.NormFloat64(), w.theta+w.daySD*rng.NormFloat64()
		for range w.visits {
			x := cn + 0.8*rng.NormFloat64()
			bin := int32(math.Floor(x / 0.1))
			if step > 0.1 {
				bin = int32(math.Round(math.Round(x/step) * step / 0.1))
			}
			b := count[bin]
			if b == nil {
				b = &reception.DoseBin{Bin: bin}
				count[bin] = b
			}
			b.Visits++
			if rng.Float64() < w.phi+(1-w.phi-w.lambda)*distuv.UnitNormal.CDF((theta-x)/w.s) {
				b.Failed++
			}
		}
		var day []reception.DoseBin
		for bin := int32(-100); bin < 700; bin++ {
			if b := count[bin]; b != nil {
				day = append(day, *b)
			}
		}
		c.Days = append(c.Days, counts(day))
	}
	return c
}

func input(channels ...Channel) Input {
	return Input{Unit: reception.UnitDB, Step: math.NaN(), Ceiling: math.NaN(), StandardDB: 15.2, User: math.NaN(), Channels: channels}
}

// How often the interval holds the true threshold: a tuner 0.6 dB worse than the
// standard, with a floor of failures, in steps of 0.1 and of 0.5 dB, days that differ by
// 0.15 dB or not. 60 runs have a standard error of 2.8 points, so 88 % is the least that
// 95 % may show.
func TestLearnCoverage(t *testing.T) {
	for _, c := range []struct {
		name        string
		step, daySD float64
	}{{"0.1 dB", 0.1, 0}, {"0.1 dB, days differ", 0.1, 0.15}, {"0.5 dB, days differ", 0.5, 0.15}} {
		rng := rand.New(rand.NewPCG(31, uint64(100*c.step+1000*c.daySD)))
		w := world{theta: 15.8, s: 0.35, phi: 0.003, lambda: 0.01, daySD: c.daySD, mean: 19, sd: 2, days: 60, visits: 100}
		const runs = 60
		hit, width, bias := 0, 0.0, 0.0
		for range runs {
			r := Learn(input(w.channel(rng, c.step)))
			own := r.Channels[0]
			if own.Basis != Learnt || r.Tuner.Basis != Learnt {
				t.Fatalf("%s: basis %s after %d failures: %+v", c.name, own.Basis, r.Failed, own)
			}
			if own.Low <= w.theta && w.theta <= own.High {
				hit++
			}
			width += (own.High - own.Low) / runs
			bias += (own.Value - w.theta) / runs
		}
		cover := float64(hit) / runs
		t.Logf("%s: covers %.0f %%, width %.2f dB, bias %+.3f dB", c.name, 100*cover, width, bias)
		if cover < .88 || math.Abs(bias) > .1 || width > 0.8 {
			t.Errorf("%s: covers %.0f %%, width %.2f dB, bias %+.3f dB; want >= 88, <= 0.8, within 0.1", c.name, 100*cover, width, bias)
		}
	}
}

// With plenty of visits and no floors the threshold is the LD50 of an ordinary probit
// regression on the middle of the bins, which shares no code with the fit.
func TestLearnAgainstProbit(t *testing.T) {
	w := world{theta: 14.9, s: 0.5, mean: 15, sd: 1.5, days: 60, visits: 300}
	c := w.channel(rand.New(rand.NewPCG(37, 1)), 0.1)
	var doses []stat.Dose
	for _, day := range c.Days {
		for _, b := range day {
			doses = append(doses, stat.Dose{X: (float64(b.Bin) + .5) / 10, N: float64(b.Visits), K: float64(b.Failed)})
		}
	}
	f, err := stat.FitDose(doses, stat.Probit)
	if err != nil {
		t.Fatal(err)
	}
	r := Learn(input(c))
	own := r.Channels[0]
	if math.Abs(own.Value-f.LD50()) > 0.01 || math.Abs(r.Width+1/f.Slope) > 0.03 {
		t.Errorf("Learn = %.3f, width %.3f; probit %.3f, %.3f", own.Value, r.Width, f.LD50(), -1/f.Slope)
	}
	// The probit's standard error, independent visits: the profile must agree, without
	// what it adds for variation within visits.
	g := (f.Cov[0][0] + 2*f.LD50()*f.Cov[0][1] + f.LD50()*f.LD50()*f.Cov[1][1]) / (f.Slope * f.Slope)
	half := math.Sqrt((own.High-own.Value)*(own.High-own.Value)-withinDB*withinDB) / math.Sqrt(r.Dispersion)
	if math.Abs(half-1.96*math.Sqrt(g)) > 0.15*half {
		t.Errorf("half width %.4f, by the probit's covariance %.4f", half, 1.96*math.Sqrt(g))
	}
}

// Channels share the tuner's threshold; an echo shifts one by 0.8 dB, another never
// fails and yet holds far lower.
func TestChannelOffsets(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 1))
	w := world{theta: 15.5, s: 0.3, phi: 0.001, mean: 18, sd: 1.5, days: 60, visits: 100}
	echo := w
	echo.theta = 16.3
	strong := world{theta: -50, s: .3, mean: 25, sd: 1, days: 60, visits: 100}
	low := world{theta: -50, s: .3, mean: 14, sd: .3, days: 60, visits: 100}
	r := Learn(input(w.channel(rng, .1), w.channel(rng, .1), echo.channel(rng, .1), strong.channel(rng, .1), low.channel(rng, .1)))
	if r.Tuner.Basis != Learnt {
		t.Fatalf("tuner = %+v", r.Tuner)
	}
	if c := r.Channels[0]; math.Abs(c.Value-15.5) > .15 {
		t.Errorf("plain channel = %.2f, want 15.5", c.Value)
	}
	if c := r.Channels[2]; math.Abs(c.Value-16.3) > .25 {
		t.Errorf("channel with an echo = %.2f, want 16.3", c.Value)
	}
	if c := r.Channels[3]; c.Bound != reception.Exact || c.Value != r.Tuner.Value {
		t.Errorf("strong channel = %+v, want the tuner's %.2f", c, r.Tuner.Value)
	}
	if c := r.Channels[4]; c.Bound != reception.AtMost || c.Value > 13.5 {
		t.Errorf("channel that holds at 12 dB = %+v, want at most that", c)
	}
}

func TestNeverFailing(t *testing.T) {
	strong := []reception.DoseBin{{Bin: 250, Visits: 1000}, {Bin: 260, Visits: 1000}}
	r := Learn(input(Channel{Bins: strong}))
	if c := r.Channels[0]; c.Value != 15.2 || c.Basis != Standard || c.Bound != reception.Exact || c.Low > 13.3 || c.High < 17.1 {
		t.Errorf("strong channel = %+v, want the standard's 15.2 within 1.96", c)
	}
	// Held at 13.0 to 13.1 dB five times: at most that. Four times decide nothing.
	for n, want := range map[int64]float64{4: 15.2, 5: 13.1} {
		r = Learn(input(Channel{Bins: append([]reception.DoseBin{{Bin: 130, Visits: n}}, strong...)}))
		if c := r.Channels[0]; math.Abs(c.Value-want) > 1e-9 || (c.Bound == reception.AtMost) != (n == 5) {
			t.Errorf("%d visits at 13 dB = %+v, want %g", n, c, want)
		}
	}
}

// Interference makes one visit in twelve fail however strong the signal: that is the
// floor's, and the threshold stays.
func TestFloorIsNotThreshold(t *testing.T) {
	w := world{theta: 15.4, s: 0.3, phi: 0.08, mean: 18, sd: 2, days: 60, visits: 100}
	r := Learn(input(w.channel(rand.New(rand.NewPCG(43, 1)), .1)))
	if math.Abs(r.Channels[0].Value-15.4) > .2 {
		t.Errorf("threshold = %+v, want 15.4", r.Channels[0])
	}
	w.mean, w.sd = 26, .5
	r = Learn(input(w.channel(rand.New(rand.NewPCG(43, 2)), .1)))
	if r.Tuner.Basis != Standard || r.Tuner.Value != 15.2 {
		t.Errorf("threshold of a strong channel with noise = %+v, want the standard's", r.Tuner)
	}
}

// A tuner that shows per cent has no threshold until losses teach one.
func TestPercent(t *testing.T) {
	var bins []reception.DoseBin
	for p := int32(20); p <= 100; p++ {
		bins = append(bins, reception.DoseBin{Bin: p, Visits: 50, Failed: int64(math.Round(50 * distuv.UnitNormal.CDF((55-float64(p)-.5)/4)))})
	}
	in := Input{Unit: reception.UnitPercent, Step: 1, Ceiling: 100, StandardDB: 15.2, User: math.NaN(), Channels: []Channel{{Bins: bins}}}
	if r := Learn(in); r.Tuner.Basis != Learnt || math.Abs(r.Tuner.Value-55) > 1 {
		t.Errorf("taught = %+v, want 55 %%", r.Tuner)
	}
	in.Channels = []Channel{{Bins: bins[60:]}}
	if r := Learn(in); r.Tuner.Decided() || r.Tuner.Needs == "" || r.Channels[0].Decided() {
		t.Errorf("untaught = %+v, want undecided", r)
	}
}

func TestUser(t *testing.T) {
	w := world{theta: 15.5, s: 0.3, mean: 18, sd: 1.5, days: 60, visits: 100}
	in := input(w.channel(rand.New(rand.NewPCG(47, 1)), .1))
	in.User = 19
	if r := Learn(in); r.Tuner.Value != 19 || r.Tuner.Basis != User || len(r.Channels[0].Warnings) == 0 || r.Channels[0].Value != 19 {
		t.Errorf("user's 19 = %+v, want it with a warning", r)
	}
	in.User = 15.4
	if r := Learn(in); len(r.Channels[0].Warnings) != 0 {
		t.Errorf("user's 15.4 = %+v, want no warning", r)
	}
}

// Whatever comes in, a number with an ordered interval or a need comes out.
func TestSillyInput(t *testing.T) {
	all := []reception.DoseBin{{Bin: 100, Visits: 500, Failed: 500}, {Bin: 110, Visits: 500, Failed: 500}, {Bin: 250, Visits: 500, Failed: 500}, {Bin: 300, Visits: 500, Failed: 500}}
	for name, bins := range map[string][]reception.DoseBin{
		"nothing":          nil,
		"all fail":         all,
		"one bin, all":     {{Bin: 200, Visits: 10, Failed: 10}},
		"one bin, half":    {{Bin: 200, Visits: 1000, Failed: 500}},
		"one bin, none":    {{Bin: 200, Visits: 1000}},
		"ceiling only":     {{Bin: 320, Visits: 1000, Failed: 3}},
		"upside down":      {{Bin: 100, Visits: 1000}, {Bin: 300, Visits: 1000, Failed: 1000}},
		"more than all":    {{Bin: 200, Visits: 10, Failed: 20}},
		"negative":         {{Bin: 200, Visits: -10, Failed: -20}, {Bin: 201, Visits: 5, Failed: -1}},
		"far from any":     {{Bin: -90, Visits: 10, Failed: 3}, {Bin: 590, Visits: 10, Failed: 3}},
		"many":             {{Bin: 155, Visits: 1e15, Failed: 1e14}, {Bin: 150, Visits: 1e15, Failed: 9e14}},
		"one visit":        {{Bin: 150, Visits: 1}},
		"twice and unsort": {{Bin: 160, Visits: 5}, {Bin: 150, Visits: 5, Failed: 5}, {Bin: 160, Visits: 5}},
	} {
		for _, standard := range []float64{15.2, math.NaN()} {
			for _, unit := range []reception.ScaleUnit{reception.UnitDB, reception.UnitPercent} {
				for _, step := range []float64{math.NaN(), 0, .5, -1} {
					in := Input{Unit: unit, Step: step, Ceiling: 32, StandardDB: standard, User: 0, Channels: []Channel{{Bins: bins}, {Days: [][]Count{counts(bins), nil, counts(bins)}}, {}}}
					r := Learn(in)
					for _, c := range append(r.Channels, r.Tuner) {
						if c.Decided() != (c.Needs == "") {
							t.Errorf("%s, %v, %s: %+v: a value or a need, not both", name, standard, unit, c)
						}
						if c.Decided() && !(c.Low <= c.Value && c.Value <= c.High && !math.IsInf(c.Low, 0) && !math.IsInf(c.High, 0)) {
							t.Errorf("%s, %v, %s: %g to %g around %g", name, standard, unit, c.Low, c.High, c.Value)
						}
					}
				}
			}
		}
	}
	if r := Learn(input(Channel{Bins: all})); r.Tuner.Basis != Standard {
		t.Errorf("all visits fail: %+v, want the standard's figure", r.Tuner)
	}
}

func TestCommonStep(t *testing.T) {
	for _, c := range []struct {
		bins []int32
		want int32
	}{{[]int32{150, 155, 160, 175}, 5}, {[]int32{150, 151, 160, 170}, 1}, {[]int32{150, 160}, 1}, {nil, 1}} {
		var s []reception.DoseBin
		for _, b := range c.bins {
			s = append(s, reception.DoseBin{Bin: b})
		}
		if got := commonStep([][]reception.DoseBin{s}); got != c.want {
			t.Errorf("commonStep(%v) = %d, want %d", c.bins, got, c.want)
		}
	}
}

// A year of one tuner with twelve channels.
func BenchmarkLearn(b *testing.B) {
	rng := rand.New(rand.NewPCG(53, 1))
	w := world{theta: 15.5, s: 0.3, phi: .001, mean: 19, sd: 2, days: 365, visits: 50}
	var channels []Channel
	for range 12 {
		channels = append(channels, w.channel(rng, .1))
	}
	b.ReportAllocs()
	for b.Loop() {
		Learn(input(channels...))
	}
}

// counts is a day of bins as Learn takes it.
func counts(bins []reception.DoseBin) []Count {
	var out []Count
	for _, b := range bins {
		out = append(out, Count{b.Bin, int32(b.Visits), int32(b.Failed)})
	}
	return out
}
