package outlook

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

func day(t *testing.T, s string) int64 {
	t.Helper()
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		t.Fatal(err)
	}
	return d.Unix() / 86400
}

func TestMonths(t *testing.T) {
	now := reception.Estimate{Value: 3, Low: 2.4, High: 3.6}
	seen := map[string]Seen{"2025-03": {8, 31}, "2025-04": {7.5, 30}, "2025-05": {5, 31}, "2025-06": {4, 9}}
	got := Months(now, day(t, "2026-03-20"), seen, 4)
	for i, c := range []struct {
		month, basis string
		spare        float64
	}{{"2026-04", Measured, 2.5}, {"2026-05", Measured, 0}, {"2026-06", Prior, math.NaN()}, {"2026-07", Prior, math.NaN()}} {
		g := got[i]
		if g.Month != c.month || g.Basis != c.basis || g.Spare.Decided() != !math.IsNaN(c.spare) || g.Spare.Decided() && g.Spare.Value != c.spare {
			t.Errorf("month %d: %+v, want %s %s %g", i, g, c.month, c.basis, c.spare)
		}
		if g.Spare.Decided() && g.Spare.High-g.Spare.Low <= now.High-now.Low {
			t.Errorf("%s is as sure as today", g.Month)
		}
		if !g.Spare.Decided() && g.Spare.Needs == "" {
			t.Errorf("%s is undecided without a word", g.Month)
		}
	}
	for _, m := range Months(reception.Undecided("7 days measured"), day(t, "2026-12-31"), seen, 2) {
		if m.Spare.Decided() || m.Spare.Needs != "7 days measured" || m.Month[:4] != "2027" {
			t.Errorf("without a present: %+v", m)
		}
	}
}

// Against homes whose years differ by a few days of leaf date and half a dB of level:
// three months ahead the interval must cover, and err less than "same as today".
func TestMonthsCover(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	hit, n, err, same := 0, 0, 0.0, 0.0
	for range 300 {
		year := func(late, off float64) func(d float64) float64 {
			return func(d float64) float64 {
				return 8 + off - 4/(1+math.Exp(-(d-120-late)/5)) + 4/(1+math.Exp(-(d-305-late)/7))
			}
		}
		a := year(6*r.NormFloat64(), 0.4*r.NormFloat64())
		b := year(6*r.NormFloat64(), 0.4*r.NormFloat64())
		seen := map[string]Seen{}
		mean := func(f func(float64) float64, m time.Time) float64 {
			s := 0.0
			for k := range 30 {
				s += f(float64(m.YearDay() + k))
			}
			return s / 30
		}
		for m := 1; m <= 12; m++ {
			at := time.Date(2025, time.Month(m), 1, 0, 0, 0, 0, time.UTC)
			seen[name(at)] = Seen{mean(a, at) + 0.1*r.NormFloat64(), 30}
		}
		at := time.Date(2026, time.Month(1+r.IntN(9)), 15, 0, 0, 0, 0, time.UTC)
		cur := b(float64(at.YearDay()))
		now := reception.Estimate{Value: cur + 0.3*r.NormFloat64()}
		now.Low, now.High = now.Value-0.6, now.Value+0.6
		m := Months(now, at.Unix()/86400, seen, 3)[2]
		truth := mean(b, at.AddDate(0, 3, -14))
		n++
		if m.Spare.Low <= truth && truth <= m.Spare.High {
			hit++
		}
		err += math.Abs(m.Spare.Value - truth)
		same += math.Abs(now.Value - truth)
	}
	t.Logf("covers %.3f, error %.2f dB against %.2f for same as today", float64(hit)/float64(n), err/float64(n), same/float64(n))
	if hit < n*9/10 {
		t.Errorf("covered %d of %d at three months", hit, n)
	}
	if err > same/2 {
		t.Errorf("errs by %.2f dB, same as today by %.2f", err/float64(n), same/float64(n))
	}
}
