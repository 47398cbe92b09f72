package availability

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

// Compound Poisson outages: the number of spells is Poisson, their lengths exponential,
// watched without gap for a year. The truth is rate x mean length. 2,000 runs have a
// standard error of 0.5 points; the wish is at least 93 % covered, and the truth worse
// than the lower end of availability at most 2.5 % (+1 for the noise).
func TestSpellIntervalCoverage(t *testing.T) {
	const year = 365.25 * 24 * 60 // minutes
	for _, c := range []struct{ length, expect float64 }{{10, 0.7}, {10, 13}, {60, 0.7}, {60, 4}, {180, 0.7}, {180, 13}} {
		rng := rand.New(rand.NewPCG(7, uint64(c.length*100+c.expect*10)))
		const runs = 2000
		truth := c.expect * c.length / year
		hit, worse := 0, 0
		for range runs {
			k, lost := poisson(rng, c.expect), 0.0
			for range k {
				lost += rng.ExpFloat64() * c.length
			}
			lo, hi := SpellInterval(k, lost*60e3, year*60e3)
			if lo <= truth && truth <= hi {
				hit++
			}
			if truth > hi {
				worse++
			}
		}
		cover, miss := float64(hit)/runs, float64(worse)/runs
		t.Logf("%g min, %g spells expected: covers %.1f %%, truth worse than said %.1f %%", c.length, c.expect, 100*cover, 100*miss)
		if cover < .93 || miss > .035 {
			t.Errorf("%g min, %g spells expected: covers %.1f %%, truth worse than said %.1f %%; want >= 93, <= 3.5", c.length, c.expect, 100*cover, 100*miss)
		}
	}
}

func poisson(rng *rand.Rand, mean float64) int {
	k, p := 0, rng.Float64()
	for limit := math.Exp(-mean); p > limit; k++ {
		p *= rng.Float64()
	}
	return k
}

// For no spell in a year the upper limit is known by hand: F(1, 2) has the closed
// distribution function sqrt(f/(f+2)), so its 97.5 % point is 2 p^2/(1-p^2) = 38.506.
func TestSpellIntervalWithoutSpells(t *testing.T) {
	hours := 365.25 * 24
	lo, hi := SpellInterval(0, 0, hours*reception.HourMS)
	want := 38.506 * 0.5 * 0.5 / hours
	if math.Abs(hi-want) > 1e-5*want || lo < 0 || lo > hi {
		t.Errorf("SpellInterval(0) = %g, %g, want upper %g", lo, hi, want)
	}
	for _, c := range [][3]float64{{-1, 0, 1}, {0, math.NaN(), 1}, {0, 0, 0}} {
		if lo, hi := SpellInterval(int(c[0]), c[1], c[2]); lo != 0 || hi != 1 {
			t.Errorf("SpellInterval(%v) = %g, %g, want 0, 1", c, lo, hi)
		}
	}
}

// world fills days by visits every 5 minutes to a two-state channel; the mean outage and
// the unavailability by hour of day are given. It returns the days, the spells seen and
// the true availability over 24 equal hours.
func world(rng *rand.Rand, n int, meanMin, p float64, visited func(hour int) bool) (days []Day, spells int) {
	days = make([]Day, n)
	down, lastDown := rng.Float64() < p, -1e9
	toDown, toUp := p/(1-p)/meanMin, 1/meanMin
	left := rng.ExpFloat64() / map[bool]float64{true: toUp, false: toDown}[down]
	for d := range days {
		days[d].Date = int64(d)
		for i := range 24 * 12 {
			minute := float64(d*1440 + i*5)
			hour := (12 + i/12) % 24
			if visited(hour) {
				c := &days[d].Hours[hour]
				c.Visits++
				c.DwellMS += 5000
				c.StoodMS += 5 * 60e3
				if down {
					c.LostMS += 5 * 60e3
					if minute-lastDown > 1440 {
						spells++
					}
					lastDown = minute
				}
			}
			for left -= 5; left < 0; {
				down = !down
				rate := toDown
				if down {
					rate = toUp
				}
				left += rng.ExpFloat64() / rate
			}
		}
	}
	return days, spells
}

func always(int) bool { return true }

// Two-state channel, 0.5 and 0.05 % down, outages of ten minutes and an hour, 60 and 365
// days. 150 runs have a standard error of 1.8 points; the wish is 95 less two of them.
func TestAllHoursCoverage(t *testing.T) {
	for _, c := range []struct {
		mean, p float64
		days    int
	}{{10, .005, 60}, {60, .005, 365}, {60, .0005, 60}, {10, .0005, 365}} {
		const runs = 150
		rng := rand.New(rand.NewPCG(11, uint64(c.mean*1e3+float64(c.days))))
		hit := 0
		for range runs {
			e := AllHours(world(rng, c.days, c.mean, c.p, always))
			if e.Low <= 1-c.p && 1-c.p <= e.High {
				hit++
			}
			if !(e.Low <= e.Value && e.Value <= e.High) {
				t.Fatalf("value %g outside %g to %g", e.Value, e.Low, e.High)
			}
		}
		cover := float64(hit) / runs
		t.Logf("mean outage %g min, %g %% down, %d days: covers %.1f %%", c.mean, 100*c.p, c.days, 100*cover)
		if cover < .91 {
			t.Errorf("mean outage %g min, %g %% down, %d days: covers %.1f %%, want >= 91", c.mean, 100*c.p, c.days, 100*cover)
		}
	}
}

// Outages of ten minutes several times a day are one spell by name. Sixty days of them
// still say within a factor of two how much is lost, and the truth is inside.
func TestFrequentOutagesAreNotRare(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 1))
	hit := 0
	for range 40 {
		e := AllHours(world(rng, 60, 10, .05, always))
		if lo, hi := 1-e.High, 1-e.Low; hi > 2.1*(1-e.Value) || lo < (1-e.Value)/2.1 {
			t.Errorf("lost %.4f, %.4f to %.4f: want within a factor of 2.1", 1-e.Value, lo, hi)
		}
		if e.Low <= .95 && .95 <= e.High {
			hit++
		}
	}
	if hit < 36 {
		t.Errorf("covers %d of 40, want at least 36", hit)
	}
}

// Whatever the days, nothing panics, and a value lies in its interval within 0 and 1.
func TestAnyDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := make([]Day, rapid.IntRange(0, 50).Draw(t, "days"))
		lost := rapid.Float64Range(0, 1).Draw(t, "lost")
		for i := range days {
			for h := range rapid.IntRange(0, 24).Draw(t, "hours") {
				visits := int64(rapid.IntRange(0, 12).Draw(t, "visits"))
				days[i].Hours[h] = Hour{Visits: visits, DwellMS: visits * 5000, StoodMS: float64(visits) * 3e5, LostMS: float64(visits) * 3e5 * lost * rapid.Float64Range(0, 1).Draw(t, "share")}
			}
		}
		spells := rapid.IntRange(0, 20).Draw(t, "spells")
		for _, e := range []reception.Estimate{AllHours(days, spells), Viewing(days, 18, 23, spells), Viewing(days, 0, 6, spells)} {
			if e.Decided() != (e.Needs == "") || e.Decided() && !(0 <= e.Low && e.Low <= e.Value && e.Value <= e.High && e.High <= 1) {
				t.Fatalf("%+v: not in order", e)
			}
		}
	})
}

// Hand-worked: 20 days; hours 18-22 visited half as long as the others and lost 10 %,
// the others nothing. By measured time the lost share would be 5x30x0.1/(5x30+19x60) =
// 0.01163; over 24 equal hours it is 5 x 0.1 / 24 = 0.02083.
func TestShortHoursAreWeightedUp(t *testing.T) {
	days := make([]Day, 20)
	for d := range days {
		for h := range 24 {
			c := &days[d].Hours[h]
			c.Visits, c.StoodMS = 12, 60*60e3
			if h >= 18 && h < 23 {
				c.Visits, c.StoodMS, c.LostMS = 6, 30*60e3, 3*60e3
			}
		}
	}
	e := AllHours(days, 5)
	if want := 1 - 5*0.1/24; math.Abs(e.Value-want) > 1e-12 {
		t.Errorf("AllHours = %.5f, want %.5f", e.Value, want)
	}
	if v := Viewing(append(days, days...), 18, 23, 5); math.Abs(v.Value-0.9) > 1e-12 {
		t.Errorf("Viewing = %.5f, want 0.9", v.Value)
	}
}

// Six hours never measured leave room for anything in them: at least a quarter.
func TestUnmeasuredHoursWiden(t *testing.T) {
	days, spells := world(rand.New(rand.NewPCG(1, 1)), 100, 10, .001, func(h int) bool { return h < 17 || h > 22 })
	e := AllHours(days, spells)
	if e.High-e.Low < 0.25 || e.Value < 0.99 || e.Low > 0.75 || len(e.Warnings) == 0 {
		t.Errorf("AllHours = %+v, want an interval of at least a quarter and a warning", e)
	}
	v := Viewing(days, 18, 23, 0)
	if v.Decided() || v.Needs == "" {
		t.Errorf("Viewing = %+v, want undecided with a need", v)
	}
}

func TestTooLittleIsUndecided(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{0, 1, 13} {
		days, spells := world(rng, n, 10, .01, always)
		if e := AllHours(days, spells); e.Decided() || e.Needs == "" {
			t.Errorf("%d days: %+v, want undecided with a need", n, e)
		}
	}
	days, spells := world(rng, 29, 10, .01, always)
	if e := Viewing(days, 18, 23, spells); e.Decided() {
		t.Errorf("29 evenings: %+v, want undecided", e)
	}
	days, spells = world(rng, 31, 10, .01, always)
	if e := Viewing(days, 18, 23, spells); !e.Decided() {
		t.Errorf("31 evenings: %+v, want a value", e)
	}
	for _, c := range [][2]int{{18, 18}, {-1, 3}, {18, 25}} {
		if e := Viewing(days, c[0], c[1], 0); e.Decided() {
			t.Errorf("viewing hours %v: %+v, want undecided", c, e)
		}
	}
}

func TestViewingHours(t *testing.T) {
	for _, c := range []struct{ from, to, n int }{{18, 23, 5}, {22, 2, 4}, {0, 24, 24}, {20, 24, 4}} {
		if _, n := viewingHours(c.from, c.to); n != c.n {
			t.Errorf("viewingHours(%d, %d) = %d hours, want %d", c.from, c.to, n, c.n)
		}
	}
}

// A tally counts for the time it stands for: 12 visits of 5 s with 6 s errored stand for
// an hour of which a tenth was lost.
func TestHourAdd(t *testing.T) {
	var h Hour
	h.Add(&reception.Tally{Visits: 12, DwellMS: 60000, StoodMS: 3600000, ErroredUS: 6e6})
	h.Add(&reception.Tally{})
	if h.LostMS != 360000 || h.StoodMS != 3600000 || h.Visits != 12 || h.DwellMS != 60000 {
		t.Errorf("hour = %+v, want 360 s of 3600 s lost", h)
	}
	dwell, stood := Measured([]Day{{Hours: [24]Hour{3: h}}, {Hours: [24]Hour{4: h}}})
	if dwell != 120000 || stood != 7200000 {
		t.Errorf("Measured = %d, %g", dwell, stood)
	}
}

func BenchmarkAllHoursYear(b *testing.B) {
	days, spells := world(rand.New(rand.NewPCG(1, 2)), 365, 10, .01, always)
	b.ReportAllocs()
	for b.Loop() {
		AllHours(days, spells)
	}
}

func ExampleAllHours() {
	fmt.Println(AllHours(nil, 0).Needs)
	// Output: 14 measured days; 0 so far
}
