package decompose

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A world of daily margins whose truth is known. Its leaves follow the calendar by
// two logistic curves, not warmth; its weather is a sum of AR(1) days; its clock
// knows the leaf dates only to some days, as an estimate does.
type world struct {
	days    int
	level   float64
	leafDB  float64 // loss in full leaf
	tempDB  float64 // a degree
	drift   float64 // dB a year
	stepDay int
	stepDB  float64
	sd, phi float64
	late    float64 // days by which the clock is late
	wetDB   float64
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

func leafTruth(doy float64) float64 {
	doy = math.Mod(doy, 365.25)
	return logistic((doy-122)/4) * logistic((308-doy)/6)
}

func (w world) make(seed uint64) (days []Day, truth []float64) {
	r := rand.New(rand.NewPCG(seed, 7))
	noise, warm := r.NormFloat64()*w.sd, 0.0
	for i := range w.days {
		noise = w.phi*noise + math.Sqrt(1-w.phi*w.phi)*w.sd*r.NormFloat64()
		warm = 0.7*warm + 2.5*r.NormFloat64()
		temp := 12 - 12*math.Cos(2*math.Pi*(float64(i)-20)/365.25) + warm
		m := w.level - w.leafDB*leafTruth(float64(i)) + w.drift*float64(i)/365.25
		if w.stepDay > 0 && i >= w.stepDay {
			m += w.stepDB
		}
		truth = append(truth, m)
		// The clock's ramps: straight lines, late or early.
		x := math.Mod(float64(i)-w.late, 365.25)
		clock := math.Min(1, math.Max(0, (x-110)/24)) * math.Min(1, math.Max(0, (325-x)/34))
		d := Day{Day: 20000 + int64(i), DryDB: m + noise + w.tempDB*(temp-12), WetDB: math.NaN(), Leaf: clock, TempC: temp, Visits: 280}
		if r.IntN(4) == 0 {
			d.Wet = 0.5 + 0.5*r.Float64()
			d.WetDB = m + noise - w.wetDB*d.Wet*leafTruth(float64(i)) + 0.3*r.NormFloat64()
			if r.IntN(3) == 0 {
				d.DryDB = math.NaN()
			}
		}
		days = append(days, d)
	}
	return days, truth
}

func covers(e reception.Estimate, truth float64) bool { return e.Low <= truth && truth <= e.High }

// Coverage of the settled margin now, at ends all over the year, in and between leaf
// seasons. The daily noise is the hardest of the usual range.
func TestNowCovers(t *testing.T) {
	for _, c := range []struct {
		name string
		w    world
		min  float64
	}{
		{"two weeks", world{days: 16, sd: 0.5, phi: 0.3}, 0.9},
		{"a season", world{days: 90, sd: 0.5, phi: 0.6}, 0.88},
		{"into leaf-out", world{days: 125, leafDB: 4, sd: 0.4, phi: 0.3}, 0.88},
		{"a year of leaves", world{days: 420, leafDB: 4, sd: 0.5, phi: 0.3}, 0.88},
		{"second spring", world{days: 365 + 122, leafDB: 4, sd: 0.4, phi: 0.3}, 0.88},
	} {
		hit, width := 0, 0.0
		const n = 200
		for s := range uint64(n) {
			c.w.level = 6
			days, truth := c.w.make(s)
			f := Of(days, Options{})
			if covers(f.Now, truth[len(truth)-1]) {
				hit++
			}
			width += (f.Now.High - f.Now.Low) / 2
		}
		t.Logf("%s: covers %.3f, half width %.2f dB", c.name, float64(hit)/n, width/n)
		if float64(hit)/n < c.min {
			t.Errorf("%s: settled margin now covered in %.3f of worlds, want at least %g", c.name, float64(hit)/n, c.min)
		}
		if width/n > 3 {
			t.Errorf("%s: half width %.2f dB says nothing", c.name, width/n)
		}
	}
}

// With the season of a fit over the same days Now is the fit's; with that of six days
// before it still covers the truth, before the second leaf season and after it.
func TestNowWithSeason(t *testing.T) {
	n, covered := 0, 0
	for seed := range uint64(20) {
		w := world{days: 550, level: 8, leafDB: 4, sd: 0.5, phi: 0.6, tempDB: -0.03, stepDay: 400, stepDB: -3, late: 3, wetDB: 1}
		days, truth := w.make(seed)
		for end := 20; end <= len(days); end += 23 {
			fit, old := Of(days[:end], Options{}), Of(days[:end-6], Options{})
			if e := Now(days[:end], fit.Season, Options{}); e.Value != fit.Now.Value || e.Low != fit.Now.Low || e.High != fit.Now.High {
				t.Fatalf("seed %d, day %d: Now = %v, %v to %v; its fit says %v, %v to %v", seed, end, e.Value, e.Low, e.High, fit.Now.Value, fit.Now.Low, fit.Now.High)
			}
			n++
			if covers(Now(days[:end], old.Season, Options{}), truth[end-1]) {
				covered++
			}
		}
	}
	if share := float64(covered) / float64(n); share < 0.88 {
		t.Errorf("Now with the season of six days before covers the truth in %.3f of %d cases, want at least 0.88", share, n)
	}
}

// Leaf and temperature move together; a tuner that drifts by -0.05 dB a degree makes a
// fit without temperature 30 % too big (3.88 for 3 dB, simulated on New York 2013).
// With it the interval must cover.
func TestLeafEffectDespiteTemperature(t *testing.T) {
	hit, n, sum := 0, 120, 0.0
	for s := range n {
		w := world{days: 420, level: 8, leafDB: 3, tempDB: -0.05, sd: 0.84, phi: 0.5, late: float64(s%21) - 10}
		days, _ := w.make(uint64(s))
		f := Of(days, Options{})
		if !f.Leaf.Decided() {
			t.Fatalf("leaf effect undecided after a spring and an autumn: %s", f.Leaf.Needs)
		}
		if covers(f.Leaf, w.leafDB) {
			hit++
		}
		sum += f.Leaf.Value
	}
	t.Logf("covers %.3f, mean %.2f dB", float64(hit)/float64(n), sum/float64(n))
	if cover := float64(hit) / float64(n); cover < 0.9 {
		t.Errorf("leaf effect covered in %.3f of worlds, want at least 0.9", cover)
	}
	if mean := sum / float64(n); math.Abs(mean-3) > 0.3 {
		t.Errorf("mean leaf effect = %.2f dB, want 3 within 10 %%", mean)
	}
}

func TestLeafNeedsSpringAndAutumn(t *testing.T) {
	for n, want := range map[int]string{100: "one spring and one autumn", 200: "one spring and one autumn"} {
		days, _ := world{days: n, level: 6, leafDB: 3, sd: 0.4}.make(1)
		if f := Of(days, Options{}); f.Leaf.Decided() || f.Leaf.Needs != want {
			t.Errorf("after %d days: leaf effect %+v, want undecided with needs %q", n, f.Leaf, want)
		}
	}
	days, _ := world{days: 500, level: 6, sd: 0.4}.make(1)
	for i := range days {
		days[i].Leaf = math.NaN()
	}
	f := Of(days, Options{LeafNeeds: "a place with leaves"})
	if f.Leaf.Decided() || f.Leaf.Needs != "a place with leaves" || !f.Drift.Decided() {
		t.Errorf("without leaf season: leaf %+v, drift %+v", f.Leaf, f.Drift)
	}
}

// A fault in the winter is one step, found on its day; leaves are none.
func TestSteps(t *testing.T) {
	for s := range uint64(20) {
		days, _ := world{days: 420, level: 7, leafDB: 5, sd: 0.4, phi: 0.6, stepDay: 60, stepDB: -3}.make(s)
		f := Of(days, Options{})
		if len(f.Steps) != 1 || math.Abs(float64(f.Steps[0].Day-20060)) > 2 || math.Abs(f.Steps[0].SizeDB+3) > 1.2 {
			t.Errorf("seed %d: steps %+v, want one of -3 dB on day 20060", s, f.Steps)
		}
		days, _ = world{days: 420, level: 7, leafDB: 5, sd: 0.4, phi: 0.6}.make(s)
		if f := Of(days, Options{}); len(f.Steps) > 0 {
			t.Errorf("seed %d: steps %+v in a world of leaves alone", s, f.Steps)
		}
	}
}

// Two days after a fall of 4 dB it may be weather: the interval spans both. Ten days
// after it the margin is the new one.
func TestNowAfterStep(t *testing.T) {
	hit, both := 0, 0
	for s := range uint64(20) {
		w := world{days: 200, level: 7, sd: 0.3, phi: 0.3, stepDay: 197, stepDB: -4}
		days, truth := w.make(s)
		if f := Of(days, Options{}); f.Now.Low < truth[199] && f.Now.High > truth[190] {
			both++
		}
		w.stepDay = 190
		days, truth = w.make(s)
		if f := Of(days, Options{}); f.Now.High > 5 {
			t.Errorf("seed %d, ten days after: now %+v, want %g", s, f.Now, truth[199])
		} else if covers(f.Now, truth[199]) {
			hit++
		}
	}
	if both < 18 {
		t.Errorf("three days after a step the interval spans old and new margin in %d of 20 worlds", both)
	}
	if hit < 18 {
		t.Errorf("ten days after a step the margin was covered in %d of 20 worlds", hit)
	}
}

func TestWetLeaf(t *testing.T) {
	hit, n := 0, 60
	for s := range n {
		days, _ := world{days: 420, level: 7, leafDB: 3, wetDB: 2, sd: 0.4, phi: 0.3}.make(uint64(s))
		f := Of(days, Options{})
		if covers(f.WetLeaf, 2) {
			hit++
		}
	}
	if hit < n*88/100 {
		t.Errorf("wet-leaf effect covered in %d of %d worlds", hit, n)
	}
	days, _ := world{days: 60, level: 7, sd: 0.4}.make(3)
	if f := Of(days, Options{}); f.WetLeaf.Decided() || !strings.Contains(f.WetLeaf.Needs, "8 days") {
		t.Errorf("wet-leaf effect in winter: %+v, want undecided", f.WetLeaf)
	}
	days, _ = world{days: 420, level: 7, wetDB: 2, sd: 0.4}.make(3)
	if f := Of(days, Options{FarWeather: true}); f.WetLeaf.Bound != reception.AtLeast {
		t.Errorf("wet-leaf effect with far weather has bound %q, want at_least", f.WetLeaf.Bound)
	}
}

func TestDrift(t *testing.T) {
	hit, n := 0, 60
	for s := range n {
		days, _ := world{days: 730, level: 9, leafDB: 3, drift: -2.4, sd: 0.5, phi: 0.5}.make(uint64(s))
		if f := Of(days, Options{}); covers(f.Drift, -0.2) {
			hit++
		}
	}
	if hit < n*85/100 {
		t.Errorf("drift of -0.2 dB a month covered in %d of %d worlds", hit, n)
	}
	days, _ := world{days: 300, level: 9, sd: 0.5}.make(1)
	if f := Of(days, Options{}); f.Drift.Decided() {
		t.Errorf("drift after 300 days = %+v, want undecided", f.Drift)
	}
}

// Whatever comes in, nothing but numbers or a missing value comes out.
func TestOddInput(t *testing.T) {
	constant := make([]Day, 700)
	for i := range constant {
		constant[i] = Day{Day: int64(i), DryDB: 5, WetDB: 5, Wet: 1, Leaf: leafTruth(float64(i)), TempC: 10}
	}
	gaps, _ := world{days: 600, level: 6, leafDB: 2, sd: 0.3}.make(1)
	for i := range gaps {
		if i%29 != 0 {
			gaps[i].DryDB = math.NaN()
		}
		gaps[i].TempC = math.NaN()
	}
	never := []Day{{DryDB: math.NaN(), WetDB: math.NaN(), Leaf: math.NaN(), TempC: math.NaN()}}
	for name, days := range map[string][]Day{"none": nil, "one": constant[:1], "seven": constant[:7], "constant": constant, "gaps": gaps, "never measured": never} {
		f := Of(days, Options{StepDB: math.NaN()})
		for what, e := range map[string]reception.Estimate{"now": f.Now, "leaf": f.Leaf, "wet leaf": f.WetLeaf, "drift": f.Drift} {
			bad := e.Decided() && !(e.Low <= e.Value && e.Value <= e.High && !math.IsInf(e.High-e.Low, 0))
			if bad || !e.Decided() && e.Needs == "" {
				t.Errorf("%s: %s = %+v", name, what, e)
			}
		}
		if name == "constant" && (math.Abs(f.Now.Value-5) > 1e-9 || f.Now.High-f.Now.Low < 0.1) {
			t.Errorf("constant readings: now %+v, want 5 dB and no less than the tuner's step", f.Now)
		}
	}
}

// The short median is the library's.
func TestMedianOfShortWindows(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for n := range 20 {
		x := make([]float64, n)
		for i := range x {
			x[i] = r.NormFloat64()
		}
		if a, b := median(x), stat.Median(x); a != b && !(math.IsNaN(a) && math.IsNaN(b)) {
			t.Errorf("median of %v = %g, want %g", x, a, b)
		}
	}
}
