package availability

import "testing"

func TestEveningsSpoiled(t *testing.T) {
	var e []Evening
	for i := range 40 {
		e = append(e, Evening{Date: int64(i), Measured: i >= 10, Spoiled: i == 3 || i == 20})
	}
	// Day 3 was spoiled though not measured: 31 measured, 9 not. Clopper-Pearson for 2 of
	// 31 has the upper limit 0.214 (at that share, two or fewer of 31 have
	// the probability 0.025 by the binomial sum): at most 2 more of 9.
	c, n := EveningsSpoiled(e)
	if n != 31 || c.Value != 2 || c.Low != 2 || c.High != 4 {
		t.Errorf("EveningsSpoiled = %+v over %d, want 2 (2 to 4) over 31", c, n)
	}
	if c, n := EveningsSpoiled(nil); c.Decided() || n != 0 || c.Needs == "" {
		t.Errorf("no evenings: %+v over %d, want undecided", c, n)
	}
}
