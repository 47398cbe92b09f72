package answer

import (
	"bytes"
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"

	"holdfast/analysis/reception"
)

// Asked again and again while facts come in, in order and late, a fold says what one
// says that was given all at once.
func TestAskedAgain(t *testing.T) {
	h := twoChannels(24, 8)
	h.channels[0].cn, h.channels[0].fades = 17, 3 // breaks now and then
	facts := h.facts()
	hour := func(x Fact) int64 {
		switch {
		case x.Tally != nil:
			return x.Tally.Key.Hour
		case x.Weather != nil:
			return x.Weather.Time/reception.HourMS - 1
		}
		return 0
	}
	slices.SortStableFunc(facts, func(a, b Fact) int { return cmp.Compare(hour(a), hour(b)) })
	rng := rand.New(rand.NewPCG(5, 6))
	f := New(h.setup())
	var given []Fact
	step := func(x Fact) { f.Step(x); given = append(given, x) }
	again := 0
	for i, x := range facts {
		step(x)
		if rng.IntN(50) != 0 || hour(x) == 0 {
			continue
		}
		if rng.IntN(3) == 0 { // an hour that comes late, and differs
			if old := facts[rng.IntN(i+1)]; old.Tally != nil {
				k := *old.Tally
				k.Tally.StoodMS /= 2
				step(Fact{Tally: &k})
			}
		}
		for range 3 {
			at := hour(x)*reception.HourMS + 1 + rng.Int64N(reception.HourMS-1)
			latest := reception.NewReading()
			latest.Time, latest.Tuner, latest.FrequencyHz, latest.Locked, latest.CNDB = at-1, "one", h.channels[rng.IntN(2)].hz, true, 19.5
			step(Fact{Latest: &latest})
			kept := f.standing.elements != nil
			got := marshal(t, f.Answer(0, 0, at))
			if kept && f.standing.elements != nil {
				again++
			}
			g := New(h.setup())
			for _, x := range given {
				g.Step(x)
			}
			if want := marshal(t, g.Answer(0, 0, at)); !bytes.Equal(got, want) {
				t.Fatalf("after fact %d, at %d: %s", i, at, diff(got, want))
			}
		}
	}
	if again < 10 {
		t.Errorf("an answer stood %d times: the test asks nothing", again)
	}
}
