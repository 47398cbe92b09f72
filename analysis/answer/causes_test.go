package answer

import (
	"math"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
)

// Against worlds by another hand, in which what broke each dropout is known: the cause
// named first is right in five of six, the right one is among those named in nineteen
// of twenty, and what is said with a probability comes true that often. The antenna that
// a gust turned is found, dated and named.
func TestCausesInTheFirstWorld(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates a year and a half of twelve channels, twice")
	}
	var dropouts, right, named, offAir, offAirRight float64
	said, truly, n := [10]float64{}, [10]float64{}, [10]float64{}
	for _, seed := range []uint64{1, 2} {
		w := firstworld.New(seed, worldNows[0])
		a := worldFold(t, w, time.FixedZone("EST", -5*3600)).Answer(0, 0, 0)
		checkTurn(t, w, a)
		for _, c := range a.Channels {
			if c.Availability.OffAirS > 0 && !(c.AvailabilityWithOffAir.Value < c.Availability.Value) {
				t.Errorf("RF %d was off air for %d s, yet available %.5f with that time and %.5f without", c.RF, c.Availability.OffAirS, c.AvailabilityWithOffAir.Value, c.Availability.Value)
			}
			for _, d := range c.Dropouts {
				truth := truthOf(w, c, d)
				if truth == "" {
					continue // several influences, none of which made most of it
				}
				dropouts++
				if d.Cause == truth {
					right++
				}
				if d.Cause == "transmitter-off" && d.Probability >= 0.5 {
					offAir++
					if truth == "transmitter-off" {
						offAirRight++
					}
				}
				for _, x := range append([]Cause{{d.Cause, d.Probability}}, d.Also...) {
					b := min(9, int(float64(x.Probability)*10))
					n[b], said[b] = n[b]+1, said[b]+float64(x.Probability)
					if x.Cause == truth {
						named++
						truly[b]++
					}
				}
			}
		}
	}
	apart := 0.0
	for b := range n {
		if n[b] > 0 {
			t.Logf("said with %.2f, true %.2f, %.0f times", said[b]/n[b], truly[b]/n[b], n[b])
		}
		apart += math.Abs(said[b] - truly[b])
	}
	total := 0.0
	for b := range n {
		total += n[b]
	}
	t.Logf("%.0f dropouts: first named right %.3f, among those named %.3f, calibration error %.3f; off air %.0f times, right %.0f", dropouts, right/dropouts, named/dropouts, apart/total, offAir, offAirRight)
	if dropouts < 400 || right < dropouts*5/6 || named < dropouts*0.95 || apart/total > 0.05 || offAir < 40 || offAirRight < 0.9*offAir {
		t.Error("causes are named worse than they should be")
	}
}

// checkTurn holds the one lasting change against what was done to the antenna.
func checkTurn(t *testing.T, w *firstworld.World, a Answer) {
	t.Helper()
	if len(a.Changes) != 1 {
		t.Errorf("%d lasting changes; want the one at %v: %+v", len(a.Changes), w.FaultAt(), a.Changes)
		return
	}
	c, at := a.Changes[0], w.FaultAt().UnixMilli()
	if c.Cause != "antenna-turned" || c.Probability < 0.6 {
		t.Errorf("the change was %s with %.2f, %v; want antenna-turned", c.Cause, c.Probability, c.Also)
	}
	if at < int64(c.TimeLow) || at > int64(c.TimeHigh) || int64(c.TimeHigh-c.TimeLow) > 24*reception.HourMS {
		t.Errorf("it was between %v and %v; want %v within a day", time.UnixMilli(int64(c.TimeLow)).UTC(), time.UnixMilli(int64(c.TimeHigh)).UTC(), w.FaultAt())
	}
	turn := w.TruthTurnDeg()
	if !covers(c.TurnAbsDeg, math.Abs(turn)) || c.TurnDirection == "clockwise" {
		t.Errorf("turned by %.0f (%.0f to %.0f) degrees, %s; want %.0f", c.TurnAbsDeg.Value, c.TurnAbsDeg.Low, c.TurnAbsDeg.High, c.TurnDirection, turn)
	}
}

// truthOf returns the true cause of a dropout where one influence made most of it.
func truthOf(w *firstworld.World, c Channel, d Dropout) string {
	sum, broken := map[string]float64{}, 0.0
	start, end := int64(d.Start), int64(d.End)
	if end == 0 {
		end = start + 60e3
	}
	end = min(end, start+worstHours*reception.HourMS)
	for i := range int64(9) {
		if cause, share := w.TruthCause(c.Tuner, c.FrequencyHz, time.UnixMilli(start+(end-start)*i/8)); cause != "" {
			sum[cause] += share
			broken++
		}
	}
	for k, v := range sum {
		if v > 0.6*broken {
			return k
		}
	}
	return ""
}
