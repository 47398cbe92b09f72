package intake

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/analysis/reception"
)

// What is packed comes back bit by bit, whatever it is.
func TestPackedReadingsComeBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	pick := func(of ...float64) float64 { return of[rng.IntN(len(of))] }
	value := func() float64 {
		return pick(math.NaN(), 0, math.Copysign(0, -1), float64(rng.IntN(400))/10, -float64(rng.IntN(99999))/1000, rng.NormFloat64(), 1e300, 0.0005, math.MaxInt32)
	}
	count := func() int64 {
		return []int64{reception.NotCounted, 0, rng.Int64N(1e5), math.MaxInt32, math.MaxInt32 + 1, math.MaxInt64}[rng.IntN(6)]
	}
	text := func() string { return []string{"", "a", "b"}[rng.IntN(3)] }
	var book formBook
	var r rows
	var want []reception.Reading
	odd := 0
	for i := range 20000 {
		x := row(week0+int64(i), nil)
		if rng.IntN(3) == 0 {
			x.FrequencyHz, x.Tuner, x.Layer, x.TunedHz = 605e6+rng.Int64N(3), text(), text(), rng.Int64N(2)
			x.Identity, x.Mode, x.Scale, x.System = text(), text(), text(), reception.System(text())
			x.Visit, x.Why, x.Locked = reception.VisitKind(text()), reception.Reason(text()), rng.IntN(2) == 0
		}
		for _, v := range []*float64{&x.LevelDBm, &x.LevelPct, &x.CNDB, &x.CNLowDB, &x.CNSpreadDB, &x.QualityPct, &x.ErroredS} {
			if rng.IntN(8) == 0 {
				*v = value()
			}
		}
		for _, v := range []*int64{&x.DwellMS, &x.LockedMS, &x.PreErrors, &x.PreBits, &x.UncorrectedBlocks, &x.TotalBlocks} {
			if rng.IntN(12) == 0 {
				*v = count()
			}
		}
		if rng.IntN(50) == 0 {
			x.Identity = string(rune(i)) // more forms than there may be
		}
		if rng.IntN(50) == 0 {
			x.Known = week0
		}
		if r.add(&book, &x, int64(i)) == oddRows {
			odd++
		}
		want = append(want, x)
	}
	if odd < 1000 || odd > 15000 || len(book.list) < 100 {
		t.Errorf("%d of %d are odd, %d forms: that tests little", odd, len(want), len(book.list))
	}
	var kept rows
	kept.begin(&r, 5000)
	for name, got := range map[string][]reception.Reading{
		"all":      r.unpack(nil, book.list, r.of),
		"the last": kept.unpack(want[:5000:5000], book.list, kept.of),
	} {
		for i := range want {
			a, b := got[i], want[i]
			if !a.Equal(&b) || math.Signbit(a.CNDB) != math.Signbit(b.CNDB) || r.of[i].line != int64(i) {
				t.Fatalf("%s: reading %d is\n%+v, want\n%+v", name, i, a, b)
			}
		}
	}
}
