package tally

import (
	"fmt"
	"testing"

	"holdfast/analysis/reception"
)

// The timelines restate ITU-T G.826's rule: o is a clean second, e an errored one,
// S a severely errored one.
func TestTenSecondRule(t *testing.T) {
	for _, c := range []struct {
		sequence                string
		unavailable, es, severe int64
	}{
		{rep("10o 2e 3o 9S 6o 12S 4o 3S 2e 19o"), 19, 13, 9},
		{rep("5o 10S 10o"), 10, 0, 0},
		{rep("5o 9S 10o"), 0, 9, 9},
		{rep("5o 10S 9o 1S 10o"), 20, 0, 0},
	} {
		ses := make([]bool, len(c.sequence))
		for i, s := range c.sequence {
			ses[i] = s == 'S'
		}
		var down, es, severe int64
		for i, d := range unavailable(ses) {
			switch {
			case d:
				down++
			case c.sequence[i] == 'S':
				severe++
				es++
			case c.sequence[i] == 'e':
				es++
			}
		}
		if down != c.unavailable || es != c.es || severe != c.severe {
			t.Errorf("%s: %d unavailable, %d ES, %d SES; want %d, %d, %d", c.sequence, down, es, severe, c.unavailable, c.es, c.severe)
		}
		// The same through readings that come each second, whatever the hour's
		// border cuts.
		for shift := range int64(len(c.sequence)) {
			var before, own []reception.Reading
			for i, s := range c.sequence {
				r := visit(1000, func(r *reception.Reading) {
					r.TotalBlocks, r.UncorrectedBlocks = 12894, 0
					switch s {
					case 'e':
						r.UncorrectedBlocks = 3867 // below 30 %
					case 'S':
						r.UncorrectedBlocks = 3869
					}
				})
				if r.Time += (int64(i) - shift) * 1000; r.Time < hour0 {
					before = append(before, r)
				} else {
					own = append(own, r)
				}
			}
			var got reception.Tally
			for _, k := range append(Hour(own, before, nil, nil, Rules{BaseIntervalMS: 1000}), Hour(before, nil, own, nil, Rules{BaseIntervalMS: 1000})...) {
				Merge(&got, &k.Tally)
			}
			if got.UnavailableS != c.unavailable || got.SevereS != c.severe {
				t.Fatalf("%s cut at %d: %d unavailable, %d SES; want %d, %d", c.sequence, shift, got.UnavailableS, got.SevereS, c.unavailable, c.severe)
			}
		}
	}
}

// rep spells out "10o 2e".
func rep(s string) string {
	var out []rune
	n := 0
	for _, c := range s {
		switch {
		case c >= '0' && c <= '9':
			n = n*10 + int(c-'0')
		case c == ' ':
		default:
			for range n {
				out = append(out, c)
			}
			n = 0
		}
	}
	return string(out)
}

func TestSecondsOnlyWhereReadingsComeEachSecond(t *testing.T) {
	var own []reception.Reading
	for i := range 12 {
		r := visit(5000, func(r *reception.Reading) { r.Locked = false })
		r.Time += int64(i) * 300e3
		own = append(own, r)
	}
	got := Hour(own, nil, nil, nil, Rules{})[0].Tally
	if got.UnavailableS != 0 || got.SevereS != 0 {
		t.Errorf("visits five minutes apart gave %d unavailable, %d severely errored seconds, want none", got.UnavailableS, got.SevereS)
	}
}

// An unlocked visit has no mode; it belongs to the regime around it.
func TestUnlockedVisitsStayInTheirRegime(t *testing.T) {
	locked := func(i int, mode string) reception.Reading {
		r := visit(5000, func(r *reception.Reading) { r.CNDB, r.Mode, r.Scale = 20, mode, "s1" })
		r.Time += int64(i) * 300e3
		return r
	}
	dark := func(i int) reception.Reading {
		r := visit(5000, func(r *reception.Reading) { r.Locked = false })
		r.Time += int64(i) * 300e3
		return r
	}
	got := Hour([]reception.Reading{dark(0), locked(1, "a"), dark(2), locked(3, "b"), dark(4)}, nil, nil, nil, Rules{})
	if len(got) != 2 || got[0].Key.Regime != (reception.Regime{Mode: "a", Scale: "s1"}) || got[0].Tally.Unlocked != 2 || got[1].Tally.Unlocked != 1 {
		t.Errorf("regimes %+v", got)
	}
	// A whole hour without lock takes its mode from the visit before it.
	got = Hour([]reception.Reading{dark(0), dark(1)}, []reception.Reading{locked(-1, "a")}, nil, nil, Rules{})
	if len(got) != 1 || got[0].Key.Regime.Mode != "a" {
		t.Errorf("regimes %+v, want mode a", got)
	}
	if run := got[0].Tally.Runs[0]; run.BeforeMS != hour0-300e3+5000 || run.AfterMS != 0 || run.Visits != 2 {
		t.Errorf("run %+v", run)
	}
	if got[0].Tally.GoodToBad != 1 || got[0].Tally.Pairs != 2 || got[0].Tally.SpacingMS != 600e3 {
		t.Errorf("pairs %+v", got[0].Tally)
	}
}

// Two regimes in one hour share the time it stands for.
func TestAnHourStandsForNoMoreThanItself(t *testing.T) {
	var own []reception.Reading
	for i := range 12 {
		r := visit(5000, func(r *reception.Reading) { r.CNDB = 20 })
		r.Time += int64(i) * 300e3
		own = append(own, r)
	}
	got := Hour(own, nil, nil, twoHalves, Rules{})
	if len(got) != 2 || got[0].Tally.StoodMS != 1800e3 || got[1].Tally.StoodMS != 1800e3 {
		t.Errorf("two halves stand for %d and %d ms, want 1800000 each", got[0].Tally.StoodMS, got[1].Tally.StoodMS)
	}
	if got := Hour(own[:2], nil, nil, nil, Rules{})[0].Tally.StoodMS; got != 1800e3 {
		t.Errorf("two visits stand for %d ms, want 1800000: three base intervals each", got)
	}
}

// What identity is expected may depend on the installation; a configured one rules.
func TestExpectedIdentityByInstallation(t *testing.T) {
	var own []reception.Reading
	for i := range 12 {
		r := visit(5000, func(r *reception.Reading) { r.CNDB, r.Identity = 20, "100" })
		r.Time += int64(i) * 300e3
		own = append(own, r)
	}
	rules := Rules{Expected: func(installation string) string {
		return map[string]string{"old": "100", "new": "200"}[installation]
	}}
	got := Hour(own, nil, nil, twoHalves, rules)
	if got[0].Key.Regime.Installation != "new" || got[0].Tally.WrongIdentity != 6 || got[0].Tally.Bad != 6 || got[1].Tally.WrongIdentity != 0 {
		t.Errorf("wrong identity %d and %d, want 6 under the new one, 0 under the old", got[0].Tally.WrongIdentity, got[1].Tally.WrongIdentity)
	}
	if len(got[0].Tally.Dose) != 0 || len(got[0].Tally.Runs) != 1 || got[0].Tally.Runs[0].WrongIdentity != 6 {
		t.Errorf("tally %+v, want one run, and no dose from another signal", got[0].Tally)
	}
	rules.Identity = "100"
	for _, k := range Hour(own, nil, nil, twoHalves, rules) {
		if k.Tally.WrongIdentity != 0 {
			t.Errorf("%d on the wrong identity, want none: it is configured", k.Tally.WrongIdentity)
		}
	}
}

func TestPercentScale(t *testing.T) {
	r := visit(5000, func(r *reception.Reading) { r.QualityPct, r.Scale = 87, "maker" })
	units := func(scale string) reception.ScaleUnit {
		if scale == "maker" {
			return reception.UnitPercent
		}
		return ""
	}
	got := Hour([]reception.Reading{r}, nil, nil, nil, Rules{Unit: reception.UnitDB, Units: units})[0].Tally
	if len(got.CN) != 1 || got.CN[0].Bin != 87 || got.CNSumMDB != 87000 || got.Dose[0].Bin != 87 {
		t.Errorf("tally %+v, want bin 87", got)
	}
}

func BenchmarkHour(b *testing.B) {
	for _, n := range []int{12, 60} {
		b.Run(fmt.Sprint(n, " visits"), func(b *testing.B) {
			var own []reception.Reading
			for i := range n {
				r := visit(5000, func(r *reception.Reading) {
					r.CNDB, r.LevelDBm, r.TotalBlocks, r.UncorrectedBlocks = 21.3+float64(i*5%11)/10, -61.4, 64470, int64(i%5/4)
				})
				r.Time += int64(i*60/n) * 60e3
				own = append(own, r)
			}
			b.ReportAllocs()
			var f Folder
			for b.Loop() {
				f.Hour(own, nil, nil, nil, Rules{})
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
