package answer

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"holdfast/analysis/reception"
)

// Only hours of which every visit was steady say how far medians lie above the C/N of
// the errors; what a day says survives being kept and merged.
func TestMediansAbove(t *testing.T) {
	var a, b daySum
	a.addAbove(&hourRec{dose: []reception.DoseBin{{Bin: 200, Visits: 1}, {Bin: 203, Visits: 3}}, steady: []reception.Bin{{Bin: 198, N: 2}, {Bin: 201, N: 2}}})
	b.addAbove(&hourRec{dose: []reception.DoseBin{{Bin: 150, Visits: 4}}, steady: []reception.Bin{{Bin: 146, N: 3}}})
	b.addAbove(&hourRec{dose: []reception.DoseBin{{Bin: 150, Visits: 1}}, steady: []reception.Bin{{Bin: 147, N: 1}}})
	var m scratch
	sum := merge(a.keep().daySum(1, &m), b.keep().daySum(1, &m), 5)
	if sum.above != 14 || sum.calm != 5 { // 200+3*203-2*198-2*201 and 3
		t.Errorf("medians lie %d bins above over %d visits, want 14 over 5", sum.above, sum.calm)
	}
}

// What is packed comes back, whatever order the hours of a day came in and however
// often one was replaced.
func TestHoursComeBack(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	random := func() reception.Tally {
		t := reception.Tally{Visits: r.Int64N(900) + 1, DwellMS: r.Int64N(3.6e6), StoodMS: r.Int64N(3.6e6)}
		for b := int32(-40); b < 400; b += 1 + r.Int32N(60) {
			n := r.Int64N(99) + 1
			t.CN = append(t.CN, reception.Bin{Bin: b, N: n})
			t.Dose = append(t.Dose, reception.DoseBin{Bin: b, Visits: n})
			if n > 30 {
				t.Steady = append(t.Steady, reception.Bin{Bin: b - 3, N: n - 30})
			}
		}
		if r.IntN(2) == 0 {
			t.ErroredUS, t.Unlocked, t.UnlockedMS, t.NoCN = r.Int64N(1e9), 3, 15000, 2
			t.Extra, t.Riding, t.NotMeasuredMS[4] = 7, 1, 5000
			t.LevelN, t.LevelSum = 8, -55000
			if len(t.Dose) > 0 {
				t.Dose[0].Failed, t.Dose[0].ErroredUS = 1, 400000
				t.SteadyFailed = []reception.Bin{{Bin: t.Dose[0].Bin, N: 1}}
			}
		}
		return t
	}
	for range 200 {
		want := map[byte]reception.Tally{}
		var b []byte
		for range 30 {
			o := byte(r.IntN(24))
			tl := random()
			want[o] = tl
			b = replaceHour(b, o, packHour(nil, o, &tl))
		}
		seen, last := 0, -1
		for rest := b; len(rest) > 0; seen++ {
			var o byte
			var body []byte
			o, body, rest = next(rest)
			if int(o) <= last {
				t.Fatalf("hour %d after hour %d", o, last)
			}
			last = int(o)
			var h hourRec
			h.unpack(body)
			w := want[o]
			got := reception.Tally{Visits: h.visits, DwellMS: h.dwellMS, StoodMS: h.stoodMS, ErroredUS: h.erroredUS, Unlocked: h.unlocked, UnlockedMS: h.unlockedMS,
				NoCN: h.noCN, Extra: h.extra, Riding: h.riding, NotMeasuredMS: h.notMeasuredMS,
				LevelN: h.levelN, LevelSum: h.levelSum, CN: h.cn, Dose: h.dose, Steady: h.steady, SteadyFailed: h.steadyFailed}
			if !reflect.DeepEqual(got, w) {
				t.Fatalf("hour %d came back as %+v, want %+v", o, got, w)
			}
		}
		if seen != len(want) {
			t.Fatalf("%d hours came back, want %d", seen, len(want))
		}
	}
}
