package answer

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/analysis/worldtest/firstworld"
)

// worldFold folds a year and a half of the first world.
func worldFold(t testing.TB, w *firstworld.World, zone *time.Location) *Fold {
	f := New(Setup{Home: w.Home(), Zone: zone, Channels: w.Channels(), Transmitters: w.Transmitters(), Tuners: w.Tuners(), Wanted: reception.DefaultWanted()})
	from := w.Now().Add(-548 * 24 * time.Hour)
	for _, u := range w.Tuners() {
		s, _ := w.Scale(u.Name)
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		f.Step(Fact{Entry: &reception.Entry{Kind: reception.KindScale, Key: s.ID, Body: b}})
	}
	for _, row := range w.Weather(from, w.Now()) {
		f.Step(Fact{Weather: &row})
	}
	type state struct{ before, hour []reception.Reading }
	open := map[reception.Series]*state{}
	rules := tally.Rules{System: reception.ATSC1, BaseIntervalMS: 15 * 60e3}
	flush := func(s *state) {
		for _, k := range tally.Hour(s.hour, s.before, nil, func(r *reception.Reading) reception.Regime {
			return reception.Regime{Installation: "roof", Mode: r.Mode, Scale: r.Scale}
		}, rules) {
			f.Step(Fact{Tally: &k})
		}
		s.before, s.hour = s.hour, nil
	}
	for r := range w.Past(from, w.Now(), firstworld.Schedule{}) {
		s := open[r.Series()]
		if s == nil {
			s = &state{}
			open[r.Series()] = s
		}
		if len(s.hour) > 0 && tally.HourOf(s.hour[0].Time) != tally.HourOf(r.Time) {
			flush(s)
		}
		s.hour = append(s.hour, r)
	}
	for _, s := range open {
		flush(s)
	}
	return f
}

// Against a world by another hand, with no form in common: two years' leaves, three
// masts, a turned antenna, twelve channels on four tuners.
func TestFirstWorld(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates a year and a half of twelve channels")
	}
	w := firstworld.New(1, worldNows[0])
	f := worldFold(t, w, time.FixedZone("EST", -5*3600))
	checkLearnt(t, w, f)
	a := f.Answer(0, 0, 0)
	settled, leaf, wet, behind := 0, 0, 0, 0
	for _, c := range a.Channels {
		// The margin is counted from the threshold that was learnt: what is asked here is
		// the level.
		level := w.TruthSettledMarginDB(c.FrequencyHz, w.Now()) + w.TruthThresholdDB(c.Tuner) - c.Threshold.Value
		if covers(c.SettledMargin, level) {
			settled++
		}
		if math.Abs(c.SettledMargin.Value-level) > 1 {
			t.Errorf("RF %d: settled margin %.2f dB, want %.2f within 1", c.RF, c.SettledMargin.Value, level)
		}
		dry := w.TruthLeafEffectDB(c.FrequencyHz, w.Now(), false)
		if c.LeafEffect.Decided() && covers(c.LeafEffect, dry) {
			leaf++
		}
		if covers(c.WetLeafEffect, w.TruthLeafEffectDB(c.FrequencyHz, w.Now(), true)-dry) {
			wet++
		}
		if dry > 1 {
			behind++
			if !(math.Abs(c.LeafEffect.Value-dry) < 0.25*dry) {
				t.Errorf("RF %d: leaves take %.2f dB, want %.2f within a quarter", c.RF, c.LeafEffect.Value, dry)
			}
		}
		if short := c.FrequencyHz == w.TruthFaultHz(); short != (c.Spare.High < 0) {
			t.Errorf("RF %d: to spare %.2f (%.2f to %.2f); below zero for sure should be %v", c.RF, c.Spare.Value, c.Spare.Low, c.Spare.High, short)
		}
	}
	t.Logf("settled margin covered %d, leaf effect %d, wet-leaf effect %d of %d", settled, leaf, wet, len(a.Channels))
	if len(a.Channels) != 12 || settled < 11 || leaf < 10 || wet < 10 || behind < 3 {
		t.Errorf("of %d channels the settled margin was covered in %d, the leaf effect in %d, the wet-leaf effect in %d, %d behind leaves", len(a.Channels), settled, leaf, wet, behind)
	}
}
