package tally

import (
	"bytes"
	"math"
	"reflect"
	"slices"
	"testing"

	"holdfast/analysis/reception"
	"pgregory.net/rapid"
)

// hour0 is the start of an hour, Unix ms: 2026-03-01 06:00 UTC.
const hour0 = 1772344800000

// draw yields readings of one series, ascending, from start on.
func draw(t *rapid.T, label string, start, end int64) []reception.Reading {
	var out []reception.Reading
	at := start + rapid.Int64Range(0, 400e3).Draw(t, label+"First")
	for at < end {
		r := reading(t, at)
		out = append(out, r)
		at += rapid.SampledFrom([]int64{1000, 2000, 60e3, 250e3, 300e3, 350e3, 700e3, 1500e3}).Draw(t, "gap")
	}
	return out
}

func reading(t *rapid.T, at int64) reception.Reading {
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz = at, "loft", 605e6
	r.Visit = rapid.SampledFrom([]reception.VisitKind{reception.VisitBase, reception.VisitBase, reception.VisitBase, reception.VisitExtra, reception.VisitRiding}).Draw(t, "visit")
	r.DwellMS = rapid.SampledFrom([]int64{1000, 5000}).Draw(t, "dwell")
	r.System = reception.ATSC1
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0:
		r.Why = rapid.SampledFrom(reception.Reasons()).Draw(t, "why")
		return r
	case 1, 2: // no lock
		r.LevelDBm = -93.27
		if rapid.Bool().Draw(t, "was locked") {
			r.LockedMS, r.CNLowDB = 400, 14.6
		}
		return r
	}
	r.Locked = true
	if rapid.Bool().Draw(t, "watched") {
		r.LockedMS = r.DwellMS - rapid.SampledFrom([]int64{0, 0, 0, 500}).Draw(t, "lost")
	}
	if rapid.IntRange(0, 7).Draw(t, "has cn") > 0 {
		r.CNDB = float64(rapid.IntRange(-5, 330).Draw(t, "cn")) / 10
		if rapid.Bool().Draw(t, "has low") {
			r.CNLowDB = r.CNDB - float64(rapid.IntRange(0, 20).Draw(t, "fall"))/10
		}
		if rapid.Bool().Draw(t, "has spread") {
			r.CNSpreadDB = float64(rapid.IntRange(0, 80).Draw(t, "spread")) / 100
		}
	}
	r.LevelDBm = float64(rapid.IntRange(-9500, -2000).Draw(t, "level")) / 100
	r.TotalBlocks = r.DwellMS * 12894 / 1000
	r.UncorrectedBlocks = rapid.SampledFrom([]int64{0, 0, 0, 1, 3, 40, 9000}).Draw(t, "bad")
	r.PreBits, r.PreErrors = r.DwellMS*19000, rapid.Int64Range(0, 5000).Draw(t, "pre")
	r.Mode = rapid.SampledFrom([]string{"", "8vsb", "8vsb", "8vsb"}).Draw(t, "mode")
	r.Identity = rapid.SampledFrom([]string{"", "100", "100", "200"}).Draw(t, "identity")
	r.Scale = "s1"
	return r
}

func drawRules(t *rapid.T) Rules {
	return Rules{
		System: reception.ATSC1, Unit: reception.UnitDB,
		Identity:       rapid.SampledFrom([]string{"", "100"}).Draw(t, "expected"),
		BaseIntervalMS: rapid.SampledFrom([]int64{0, 1000, 300e3, 900e3}).Draw(t, "interval"),
	}
}

// twoHalves is a regime lookup with an antenna change at half past.
func twoHalves(r *reception.Reading) reception.Regime {
	g := reception.Regime{Installation: "old", Mode: r.Mode, Scale: r.Scale}
	if r.Time%reception.HourMS >= reception.HourMS/2 {
		g.Installation = "new"
	}
	return g
}

func drawHour(t *rapid.T, start int64) []Keyed {
	before := draw(t, "before", start-1200e3, start)
	own := draw(t, "own", start, start+reception.HourMS)
	after := draw(t, "after", start+reception.HourMS, start+reception.HourMS+1200e3)
	return Hour(own, before, after, twoHalves, drawRules(t))
}

func packed(tl *reception.Tally) []byte { return Pack(Keyed{Tally: *tl}).Body }

func clone(src *reception.Tally) *reception.Tally {
	var dst reception.Tally
	Merge(&dst, src)
	return &dst
}

func TestMergeOfAnyPartitionIsTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []*reception.Tally
		for h := range rapid.Int64Range(1, 4).Draw(t, "hours") {
			for _, k := range drawHour(t, hour0+h*reception.HourMS) {
				all = append(all, &k.Tally)
			}
		}
		var whole reception.Tally
		for _, tl := range all {
			Merge(&whole, tl)
		}
		order := rapid.Permutation(all).Draw(t, "order")
		parts := make([]reception.Tally, 3)
		for _, tl := range order {
			Merge(&parts[rapid.IntRange(0, 2).Draw(t, "part")], tl)
		}
		var left, right reception.Tally // ((0+1)+2) and (2+(1+0))
		for i := range parts {
			Merge(&left, &parts[i])
			Merge(&right, &parts[2-i])
		}
		want := packed(&whole)
		if !bytes.Equal(packed(&left), want) || !bytes.Equal(packed(&right), want) {
			t.Fatalf("merging in another order gave\n%+v and\n%+v, want\n%+v", left, right, whole)
		}
		rest := clone(&whole)
		Subtract(rest, &parts[0])
		var two reception.Tally
		Merge(&two, &parts[1])
		Merge(&two, &parts[2])
		if !bytes.Equal(packed(rest), packed(&two)) {
			t.Fatalf("whole minus a part = \n%+v, want the others' sum\n%+v", *rest, two)
		}
		Merge(rest, &parts[0])
		if !reflect.DeepEqual(*rest, whole) {
			t.Fatalf("subtract, then merge = \n%+v, want\n%+v", *rest, whole)
		}
	})
}

func TestMergeLeavesItsArgumentAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawHour(t, hour0), drawHour(t, hour0+reception.HourMS)
		if len(a) == 0 || len(b) == 0 {
			return
		}
		before := packed(&b[0].Tally)
		dst := clone(&b[0].Tally)
		Merge(dst, &a[0].Tally)
		Subtract(dst, &b[0].Tally)
		if !bytes.Equal(before, packed(&b[0].Tally)) {
			t.Fatal("Merge or Subtract wrote to its source")
		}
	})
}

// What a tally counts must follow from the readings by plain counting.
func TestHourCountsWhatIsThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rules := drawRules(t)
		before := draw(t, "before", hour0-1200e3, hour0)
		own := draw(t, "own", hour0, hour0+reception.HourMS)
		after := draw(t, "after", hour0+reception.HourMS, hour0+reception.HourMS+1200e3)
		keyed := Hour(own, before, after, twoHalves, rules)
		var got reception.Tally
		for _, k := range keyed {
			Merge(&got, &k.Tally)
			if k.Key.Hour != hour0/reception.HourMS || k.Key.Series != own[0].Series() {
				t.Fatalf("key %+v", k.Key)
			}
		}
		var visits, extra, dwell, errored, bad, dark, badAny, runVisits, losses int64
		var why [6]int64
		for i := range own {
			r := &own[i]
			base := r.Visit == reception.VisitBase
			switch {
			case !r.Valid() && base:
				why[slices.Index(reception.Reasons(), r.Why)] += r.DwellMS
			case !r.Valid():
			case base:
				visits++
				dwell += r.DwellMS
				errored += ErroredUS(r, rules)
				if Bad(r, rules) {
					bad++
				}
				if !r.Locked {
					dark++
				}
				if LostLock(r) {
					losses++
				}
			default:
				extra++
			}
			if Bad(r, rules) {
				badAny++
			}
		}
		for _, run := range got.Runs {
			runVisits += run.Visits
		}
		check := func(name string, got, want int64) {
			if got != want {
				t.Fatalf("%s = %d, want %d", name, got, want)
			}
		}
		check("visits", got.Visits, visits)
		check("extra", got.Extra, extra)
		check("dwell", got.DwellMS, dwell)
		check("errored", got.ErroredUS, errored)
		check("bad", got.Bad, bad)
		check("unlocked", got.Unlocked, dark)
		check("lock losses", got.LockLosses, losses)
		check("visits in runs", runVisits, badAny)
		check("stood", got.StoodMS, min(reception.HourMS, visits*3*rules.IntervalMS()))
		if got.NotMeasuredMS != why {
			t.Fatalf("not measured %v, want %v", got.NotMeasuredMS, why)
		}
		var binned int64
		for _, b := range got.CN {
			binned += b.N
		}
		check("visits in bins", binned+got.NoCN+got.Unlocked, visits)
	})
}

// More context than the carry, given or not, changes nothing.
func TestHourLooksNoFurtherThanTheCarry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rules := drawRules(t)
		before := draw(t, "before", hour0-3*reception.HourMS, hour0)
		own := draw(t, "own", hour0, hour0+reception.HourMS)
		after := draw(t, "after", hour0+reception.HourMS, hour0+4*reception.HourMS)
		all := Hour(own, before, after, twoHalves, rules)
		near := func(r reception.Reading) bool {
			return r.Time < hour0-rules.CarryMS() || r.Time >= hour0+reception.HourMS+rules.CarryMS()
		}
		part := Hour(own, slices.DeleteFunc(slices.Clone(before), near), slices.DeleteFunc(slices.Clone(after), near), twoHalves, rules)
		if !reflect.DeepEqual(all, part) {
			t.Fatalf("with more context\n%+v, want\n%+v", all, part)
		}
	})
}

func TestPackRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var sum reception.Tally
		for _, k := range drawHour(t, hour0) {
			p := Pack(k)
			got, err := Unpack(p)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, k) {
				t.Fatalf("Unpack(Pack(k)) = \n%+v, want\n%+v", got, k)
			}
			Subtract(&sum, &k.Tally) // negative counts pack too
		}
		got, err := Unpack(Pack(Keyed{Tally: sum}))
		if err != nil || len(sum.Runs) == 0 && !reflect.DeepEqual(got.Tally, sum) {
			t.Fatalf("a negative tally came back as\n%+v, want\n%+v (%v)", got.Tally, sum, err)
		}
	})
}

func TestPackedSize(t *testing.T) {
	// An hour as the plain schedule makes it: 12 visits of 5 s, C/N scattering by
	// 1 dB, a few bad blocks; and one in which the picture was lost.
	size := func(lost int) int {
		var own []reception.Reading
		for i := range 12 {
			r := reception.NewReading()
			r.Time = hour0 + int64(i)*300e3 + int64(i*i%7)*1000
			r.Tuner, r.FrequencyHz, r.DwellMS, r.Scale, r.System = "loft", 605e6, 5000, "s1", reception.ATSC1
			r.LevelDBm = -61.5 + float64(i*i%9)/10
			if i >= lost {
				r.Locked, r.CNDB = true, 21.3+float64(i*5%11)/10
				r.TotalBlocks, r.UncorrectedBlocks = 64470, int64(i/11)
				r.PreBits, r.PreErrors = 96963292, int64(i*137)
			}
			own = append(own, r)
		}
		return len(Pack(Hour(own, nil, nil, nil, Rules{System: reception.ATSC1})[0]).Body)
	}
	for _, lost := range []int{0, 4, 12} {
		n := size(lost)
		if n > 190 {
			t.Errorf("an hour with %d of 12 visits lost packs to %d bytes, want at most 190", lost, n)
		}
		t.Logf("%d of 12 visits lost: %d bytes", lost, n)
	}
}

func FuzzUnpack(f *testing.F) {
	k := Hour([]reception.Reading{{Time: hour0, Tuner: "loft", FrequencyHz: 605e6, Visit: reception.VisitBase, DwellMS: 5000, CNDB: math.NaN(), LevelDBm: -90, CNLowDB: 14}}, nil, nil, nil, Rules{})
	f.Add(Pack(k[0]).Body)
	f.Add(Pack(Keyed{Tally: reception.Tally{
		Visits: 12, CN: []reception.Bin{{Bin: -3, N: 2}, {Bin: 214, N: 10}}, Level: []reception.Bin{{Bin: -120, N: 7}, {Bin: -119, N: -8}},
		Dose:   []reception.DoseBin{{Bin: 214, Visits: 10, Failed: 1, Blocks: 644700, ErroredUS: 5}},
		Steady: []reception.Bin{{Bin: 212, N: 4}, {Bin: 213, N: 1}}, SteadyFailed: []reception.Bin{{Bin: 213, N: 1}},
	}}).Body)
	f.Add([]byte{})
	f.Add([]byte{0, 255, 255, 255, 255, 15})
	f.Fuzz(func(t *testing.T, b []byte) {
		k, err := Unpack(reception.PackedTally{Version: Version, Body: b})
		if err != nil {
			return
		}
		again, err := Unpack(Pack(k))
		if err != nil || !reflect.DeepEqual(again, k) {
			t.Fatalf("packed again: %+v, %v; want %+v", again, err, k)
		}
	})
}

func TestUnpackRefusesAnotherVersion(t *testing.T) {
	if _, err := Unpack(reception.PackedTally{Version: Version + 1}); err == nil {
		t.Fatal("a newer version was read")
	}
}
