package event

import (
	"reflect"
	"slices"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"pgregory.net/rapid"
)

// hour0 is the start of an hour, Unix ms: 2026-03-01 06:00 UTC.
const hour0 = 1772344800000

// draw yields a day's visits of one series.
func draw(t *rapid.T) []reception.Reading {
	var out []reception.Reading
	gap := rapid.SampledFrom([]int64{2e3, 20e3, 100e3, 300e3, 300e3, 590e3, 600e3, 700e3, 899e3, 1200e3, 5400e3})
	bad := rapid.IntRange(0, 3)
	for at := int64(hour0); at < hour0+12*reception.HourMS && len(out) < 200; at += gap.Draw(t, "gap") {
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz, r.DwellMS = at, "loft", 605e6, 1000
		r.Visit = rapid.SampledFrom([]reception.VisitKind{reception.VisitBase, reception.VisitBase, reception.VisitExtra, reception.VisitRiding}).Draw(t, "kind")
		switch bad.Draw(t, "bad") {
		case 0:
			r.Why = reception.WhyViewer
		case 1:
			r.Locked = true
		}
		r.Locked = r.Locked || rapid.IntRange(0, 2).Draw(t, "locked") == 0
		r.Mode = rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "mode")
		out = append(out, r)
	}
	return out
}

// oracle finds the dropouts from the visits themselves.
func oracle(all []reception.Reading, rules tally.Rules) []reception.Dropout {
	var made []reception.Reading
	for _, r := range all {
		if r.Valid() {
			made = append(made, r)
		}
	}
	var out []reception.Dropout
	for i := range made {
		r := &made[i]
		if !tally.Bad(r, rules) {
			continue
		}
		end := r.Time + r.DwellMS
		if n := len(out); n == 0 || r.Time-out[n-1].EndMS >= rules.CarryMS() {
			d := reception.Dropout{Series: r.Series(), StartMS: r.Time, StartLowMS: r.Time}
			if i > 0 {
				before := made[i-1].Time + made[i-1].DwellMS
				inWindow := made[i-1].Time >= tally.HourOf(r.Time)*reception.HourMS-rules.CarryMS()
				if r.Time-before < rules.CarryMS() && inWindow {
					d.StartLowMS = before
				}
			}
			out = append(out, d)
		}
		d := &out[len(out)-1]
		d.EndMS, d.EndHighMS = end, end
		if i+1 < len(made) && made[i+1].Time-end < rules.CarryMS() && made[i+1].Time < (tally.HourOf(r.Time)+1)*reception.HourMS+rules.CarryMS() {
			d.EndHighMS = made[i+1].Time
		}
		d.Visits++
		d.Unlocked++
		if r.Visit == reception.VisitBase {
			d.BaseVisits++
			d.BaseDwellMS += r.DwellMS
			d.BaseErroredUS += r.DwellMS * 1000
		}
	}
	return out
}

// tallies makes the tallies of all readings, ascending.
func tallies(all []reception.Reading, rules tally.Rules) []tally.Keyed {
	var out []tally.Keyed
	for i := 0; i < len(all); {
		j := i
		for j < len(all) && tally.HourOf(all[j].Time) == tally.HourOf(all[i].Time) {
			j++
		}
		out = append(out, tally.Hour(all[i:j], all[:i], all[j:], nil, rules)...)
		i = j
	}
	return out
}

func TestDropoutsAreThoseOfTheVisits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := draw(t)
		rules := tally.Rules{BaseIntervalMS: rapid.SampledFrom([]int64{60e3, 300e3, 1200e3}).Draw(t, "interval")}
		var f Fold
		var got []reception.Dropout
		for _, k := range tallies(all, rules) {
			snapshot := f.Clone()
			got = append(got, f.Step(k.Key, &k.Tally)...)
			if again := snapshot.Step(k.Key, &k.Tally); len(again) > 0 && !reflect.DeepEqual(again, got[len(got)-len(again):]) {
				t.Fatal("a clone stepped otherwise than its origin")
			}
		}
		rest := f.Open(all[len(all)-1].Time + 100*reception.HourMS)
		if again := f.Open(all[len(all)-1].Time + 100*reception.HourMS); !reflect.DeepEqual(again, rest) {
			t.Fatal("Open changed the fold")
		}
		got = append(got, rest...)
		want := oracle(all, rules)
		if len(got) != len(want) {
			t.Fatalf("%d dropouts, want %d\n%+v\n%+v", len(got), len(want), got, want)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("dropout %d =\n%+v, want\n%+v", i, got[i], want[i])
			}
		}
	})
}

func TestADropoutThatLastsIsOpen(t *testing.T) {
	bad := func(ms int64) reception.Reading {
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz, r.DwellMS = ms, "loft", 605e6, 5000
		return r
	}
	var all []reception.Reading
	for ms := int64(hour0 + 3300e3); ms < hour0+2*reception.HourMS; ms += 300e3 {
		all = append(all, bad(ms))
	}
	last := all[len(all)-1].Time
	var f Fold
	for _, k := range tallies(all, tally.Rules{}) {
		if d := f.Step(k.Key, &k.Tally); len(d) > 0 {
			t.Fatalf("it came out early: %+v", d)
		}
	}
	got := f.Open(last + 60e3)
	if len(got) != 1 || got[0].EndMS != 0 || got[0].EndHighMS != 0 || got[0].StartMS != hour0+3300e3 || got[0].Visits != int64(len(all)) {
		t.Fatalf("Open = %+v, want one that lasts since %d", got, int64(hour0+3300e3))
	}
	// Nobody looked any more: it is over as far as it was seen.
	if got := f.Open(last + 15*60e3 + 5000); got[0].EndMS != last+5000 || got[0].EndHighMS != last+5000 {
		t.Fatalf("Open long after = %+v, want an end at the last bad visit", got)
	}
	// A good visit in the next hour bounds its end; time closes it.
	good := bad(last + 300e3)
	good.Locked = true
	all = append(all, good)
	f = Fold{}
	for _, k := range tallies(all, tally.Rules{}) {
		f.Step(k.Key, &k.Tally)
	}
	if got := f.Open(good.Time); len(got) != 1 || got[0].EndMS != last+5000 || got[0].EndHighMS != good.Time {
		t.Fatalf("Open after a good visit = %+v, want an end between %d and %d", got, last+5000, good.Time)
	}
	over := f.Step(reception.TallyKey{Series: good.Series(), Hour: hour0/reception.HourMS + 4}, &reception.Tally{})
	if len(over) != 1 || len(f.Open(good.Time)) != 0 {
		t.Fatalf("four hours on %+v came out, %d stayed; want it closed", over, len(f.Open(good.Time)))
	}
}

func TestListedButNotCounted(t *testing.T) {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Visit = hour0, "loft", 605e6, 5000, reception.VisitExtra
	var f Fold
	for _, k := range tallies([]reception.Reading{r}, tally.Rules{}) {
		f.Step(k.Key, &k.Tally)
	}
	got := f.Open(hour0 + reception.HourMS)
	if len(got) != 1 || got[0].Counted() || got[0].Visits != 1 {
		t.Fatalf("%+v, want one dropout that is not counted", got)
	}
	if n := Spells(got); n != 0 {
		t.Errorf("Spells = %d, want 0: no base visit saw it", n)
	}
}

func TestSpells(t *testing.T) {
	const h = reception.HourMS
	d := func(start, end int64) reception.Dropout {
		return reception.Dropout{StartMS: start * h, EndMS: end * h, BaseVisits: 1}
	}
	for _, c := range []struct {
		name string
		d    []reception.Dropout
		want int
	}{
		{"none", nil, 0},
		{"one", []reception.Dropout{d(1, 2)}, 1},
		{"a day apart", []reception.Dropout{d(1, 2), d(26, 27)}, 1},
		{"more than a day apart", []reception.Dropout{d(1, 2), d(27, 28)}, 2},
		{"a chain, out of order", []reception.Dropout{d(40, 41), d(1, 2), d(20, 21), d(90, 91)}, 2},
		{"one that lasts", []reception.Dropout{d(1, 0), d(50, 51)}, 1},
		{"long and short", []reception.Dropout{d(1, 30), d(2, 3), d(50, 51)}, 1},
	} {
		if got := Spells(c.d); got != c.want {
			t.Errorf("%s: Spells = %d, want %d", c.name, got, c.want)
		}
		slices.Reverse(c.d)
		if got := Spells(c.d); got != c.want {
			t.Errorf("%s, reversed: Spells = %d, want %d", c.name, got, c.want)
		}
	}
}
