package availability

import (
	"math"
	"math/rand/v2"
	"testing"
)

const monthMS = 30.4375 * 86400e3

func year(rng *rand.Rand, spells, lengthMS float64) []Month {
	m := make([]Month, 12)
	for i := range m {
		m[i] = Month{Year: 2031, Month: i + 1, LengthMS: monthMS, StoodMS: monthMS}
		m[i].Spells = poisson(rng, spells)
		for range m[i].Spells {
			m[i].LostMS += rng.ExpFloat64() * lengthMS
		}
	}
	return m
}

// Twelve months truly alike, with coefficients of variation of a month's loss of 0.3, 0.6
// and 1: sqrt(2/spells). The plain maximum overstates by the factors that order
// statistics give (about 1.5, 2.2, 3.1); shrunk it must stay below 1.3, and the interval
// must cover the common truth.
func TestWorstMonthIsShrunk(t *testing.T) {
	for _, c := range []struct{ cv, plain, tol float64 }{{.3, 1.5, .15}, {.6, 2.2, .25}, {1, 3.1, .4}} {
		rng := rand.New(rand.NewPCG(13, uint64(10*c.cv)))
		spells := 2 / (c.cv * c.cv)
		const runs, lengthMS = 400, 20 * 60e3
		truth := spells * lengthMS / monthMS
		var plain, shrunk float64
		hit := 0
		for range runs {
			m := year(rng, spells, lengthMS)
			most := 0.0
			for i := range m {
				most = math.Max(most, m[i].LostMS/m[i].StoodMS)
			}
			w := WorstMonth(m)
			plain += most / truth / runs
			shrunk += (1 - w.Value) / truth / runs
			if w.Low <= 1-truth && 1-truth <= w.High {
				hit++
			}
		}
		t.Logf("cv %.1f: plain maximum %.2f x the truth, shrunk %.2f x, covers %.1f %%", c.cv, plain, shrunk, 100*float64(hit)/runs)
		if math.Abs(plain-c.plain) > c.tol {
			t.Errorf("cv %.1f: plain maximum %.2f x the truth, want about %.1f", c.cv, plain, c.plain)
		}
		if shrunk > 1.3 || float64(hit)/runs < .9 {
			t.Errorf("cv %.1f: shrunk %.2f x, covers %.1f %%; want at most 1.3, at least 90", c.cv, shrunk, 100*float64(hit)/runs)
		}
	}
}

// One month thirty times as bad as the rest is found, hardly shrunk, and surely named.
func TestWorstMonthFindsTheBadOne(t *testing.T) {
	m := year(rand.New(rand.NewPCG(17, 1)), 4, 10*60e3)
	m[6].LostMS, m[6].Spells = 40*3600e3, 60
	w := WorstMonth(m)
	raw := m[6].LostMS / m[6].StoodMS
	if w.Month.Month != 7 || math.Abs(1-w.Value-raw) > .1*raw || w.Probabilities[6] < .99 {
		t.Errorf("worst = %+v, want month 7 near %.4f with probability near 1", w, 1-raw)
	}
	if !(w.Low < w.Value && w.Value < w.High) {
		t.Errorf("value %g outside %g to %g", w.Value, w.Low, w.High)
	}
}

func TestWorstMonthNeedsTwelve(t *testing.T) {
	m := year(rand.New(rand.NewPCG(17, 2)), 4, 10*60e3)
	if w := WorstMonth(m[:11]); w.Decided() || w.Needs == "" {
		t.Errorf("11 months: %+v, want undecided", w)
	}
	gap := append([]Month{}, m...)
	gap[5].StoodMS = .4 * gap[5].LengthMS
	if w := WorstMonth(gap); w.Decided() {
		t.Errorf("a month measured by two fifths: %+v, want undecided", w)
	}
	// Two years: the latest twelve count.
	next := append([]Month{}, m...)
	for i := range next {
		next[i].Year++
	}
	m[2].LostMS = 100 * 3600e3
	if w := WorstMonth(append(m, next...)); w.Month.Year != 2032 {
		t.Errorf("worst month = %d-%d, want one of 2032", w.Month.Year, w.Month.Month)
	}
	if w := WorstMonth(nil); w.Decided() {
		t.Errorf("no months: %+v", w)
	}
}

// A year without any loss: 1, with room below it, every month as likely the worst.
func TestWorstMonthWithoutLoss(t *testing.T) {
	w := WorstMonth(year(rand.New(rand.NewPCG(17, 3)), 0, 1))
	if !(w.Value > .999 && w.Low < w.Value && w.Low > .99 && w.High <= 1) {
		t.Errorf("worst = %+v", w.Estimate)
	}
	for i, p := range w.Probabilities {
		if math.Abs(p-1./12) > 1e-9 {
			t.Errorf("month %d is the worst with probability %g, want 1/12", i, p)
		}
	}
}
