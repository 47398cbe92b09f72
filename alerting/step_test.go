package alerting

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

const t0 = int64(1_780_000_000_000) // an instant in 2026, on the hour for nobody

func est(v, lo, hi float64) answer.Est { return answer.Est{Value: v, Low: lo, High: hi} }

func none() answer.Est {
	return answer.Est{Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Needs: "more days"}
}

func channel(rf int, spare answer.Est, drops ...answer.Dropout) answer.Channel {
	return answer.Channel{RF: rf, FrequencyHz: int64(rf) * 1e6, Tuner: "attic", Screen: "9.1", Name: "Kettle",
		Spare: spare, SettledMargin: est(5, 4.8, 5.2), MedianMargin: est(5, 4.8, 5.2), RequiredMargin: est(6, 5.5, 6.5), Dropouts: drops}
}

func home(cs ...answer.Channel) answer.Answer { return answer.Answer{Channels: cs} }

func drop(start, end int64) answer.Dropout {
	d := answer.Dropout{Start: answer.Time(start), End: answer.Time(end), Counted: true, Visits: 10}
	if end != 0 {
		d.EndHigh = d.End + 4*minuteMS // the next visit was good
	}
	return d
}

func kinds(ev []Event) string {
	var s []string
	for _, e := range ev {
		s = append(s, string(e.Kind)+" "+string(e.Alarm.Condition))
	}
	return strings.Join(s, ", ")
}

// A script of steps, each with what must come out of it.
type act struct {
	at     int64 // ms after t0
	a      answer.Answer
	health []reception.Health
	want   string
}

func TestStep(t *testing.T) {
	below, above, spans := channel(30, est(-1.2, -1.9, -0.6)), channel(30, est(1.2, 0.4, 2)), channel(30, est(-0.2, -0.9, 0.6))
	undecided := channel(30, none())
	silent := func(since int64) []reception.Health {
		return []reception.Health{{Kind: reception.HealthTuner, Subject: "attic", Since: t0 + since}}
	}
	answers := []reception.Health{{Kind: reception.HealthTuner, Subject: "attic", OK: true}}
	// Latest lies far ahead, so that an open dropout is seen to last.
	other := func(rf int, d ...answer.Dropout) answer.Channel {
		c := channel(rf, est(3, 2, 4), d...)
		c.Latest.Time = answer.Time(t0 + 100*dayMS)
		return c
	}
	at := func(c answer.Channel, latest int64) answer.Channel {
		c.Latest.Time = answer.Time(t0 + latest)
		return c
	}
	// seen good after its dropouts
	back := func(rf int, d ...answer.Dropout) answer.Channel {
		c := other(rf, d...)
		c.Latest.Locked = true
		return c
	}
	want := func(c answer.Channel) answer.Channel { c.Wanted = true; return c }
	// a dropout that ends with its last bad visit, because nobody looked on
	unseen := func(start, end int64) answer.Dropout {
		d := drop(start, end)
		d.EndHigh = d.End
		return d
	}
	foreign := func(latest int64, d answer.Dropout) answer.Channel {
		d.WrongIdentity = d.Visits
		c := at(other(30, d), latest)
		c.Latest.Locked, c.Latest.WrongIdentity = true, true
		return c
	}
	never := other(30, drop(t0, 0))
	never.SettledMargin, never.MedianMargin = none(), none()
	// on the first day no margin is known yet; the channel had come in for two hours, or
	// for two minutes after a dropout
	young := func(goodFor int64) answer.Answer {
		start := t0 + 5*hourMS
		before := drop(t0, start-goodFor-minuteMS)
		last := drop(start, 0)
		last.StartLow = answer.Time(start - minuteMS)
		c := other(30, before, last)
		c.SettledMargin, c.MedianMargin = none(), none()
		c.Latest = answer.Latest{Time: answer.Time(start + 65*minuteMS)}
		h := home(c)
		h.Measured.From = answer.Time(t0)
		return h
	}
	uncounted := drop(t0, 0)
	uncounted.Counted = false

	for _, c := range []struct {
		name string
		acts []act
	}{
		{"short for a day, told once, cleared after a day above", []act{
			{at: 0, a: home(below)},
			{at: 23 * hourMS, a: home(below)},
			{at: 24 * hourMS, a: home(below), want: "raised spare-below-zero"},
			{at: 48 * hourMS, a: home(below)},
			{at: 50 * hourMS, a: home(above)},
			{at: 60 * hourMS, a: home(spans)}, // breaks the time above
			{at: 61 * hourMS, a: home(above)},
			{at: 85 * hourMS, a: home(above), want: "cleared spare-below-zero"},
		}},
		{"an interval that spans zero, or nothing known, raises nothing", []act{
			{at: 0, a: home(spans)}, {at: 40 * hourMS, a: home(spans)}, {at: 50 * hourMS, a: home(undecided)}, {at: 90 * hourMS, a: home(undecided)},
		}},
		{"the newest installation alone counts", []act{
			{at: 0, a: home(above, below)}, {at: 30 * hourMS, a: home(above, below)},
		}},
		{"no picture for an hour", []act{
			{at: 61 * minuteMS, a: home(at(other(30, drop(t0, 0)), 59*minuteMS))},
			{at: 60 * minuteMS, a: home(other(30, drop(t0, 0))), want: "raised channel-lost"},
			{at: 90 * minuteMS, a: home(other(30, drop(t0, 0)))},
			{at: 100 * minuteMS, a: home(other(30, drop(t0, t0+85*minuteMS))), want: "cleared channel-lost"},
			{at: 120 * minuteMS, a: home(other(30, drop(t0, t0+85*minuteMS)))}, // not again
		}},
		{"a day's step sees what came and went", []act{
			{at: dayMS, a: home(other(30, drop(t0, t0+2*hourMS))), want: "raised channel-lost, cleared channel-lost"},
			{at: 2 * dayMS, a: home(other(30, drop(t0, t0+2*hourMS)))},
		}},
		{"a channel known to be short is lost only after half a day", []act{
			{at: 0, a: home(below)},
			{at: 24 * hourMS, a: home(below), want: "raised spare-below-zero"},
			{at: 30 * hourMS, a: home(at(channel(30, est(-1.2, -1.9, -0.6), drop(t0+25*hourMS, 0)), 30*hourMS))},
			{at: 38 * hourMS, a: home(at(channel(30, est(-1.2, -1.9, -0.6), drop(t0+25*hourMS, 0)), 38*hourMS)), want: "raised channel-lost"},
		}},
		{"history before the first step is history", []act{
			{at: 90 * dayMS, a: home(other(30, drop(t0, t0+2*hourMS)))},
		}},
		{"a dropout of minutes is no lost channel", []act{{at: dayMS, a: home(other(30, drop(t0, t0+40*minuteMS)))}}},
		{"one bad visit and then a viewer's evening is no lost channel", []act{
			{at: dayMS, a: home(at(other(30, drop(t0, 0)), minuteMS))},
			{at: 2 * dayMS, a: home(other(30, drop(t0, t0+minuteMS)))},
		}},
		{"what late readings make shorter is cleared", []act{
			{at: 2 * hourMS, a: home(other(30, drop(t0, 0))), want: "raised channel-lost"},
			{at: 3 * hourMS, a: home(other(30, drop(t0, t0+10*minuteMS))), want: "cleared channel-lost"},
			{at: 4 * hourMS, a: home(other(30, drop(t0, t0+10*minuteMS)))},
		}},
		{"what late readings deny is cleared", []act{
			{at: 2 * hourMS, a: home(other(30, drop(t0, 0))), want: "raised channel-lost"},
			{at: 3 * hourMS, a: home(other(30)), want: "cleared channel-lost"},
		}},
		{"lost on the first day", []act{{at: 5*hourMS + 66*minuteMS, a: young(2 * hourMS), want: "raised channel-lost"}}},
		{"a channel that only flickers on the first day", []act{{at: 5*hourMS + 66*minuteMS, a: young(2 * minuteMS)}}},
		{"never received, never lost", []act{{at: dayMS, a: home(never)}}},
		{"seen by no base visit, not counted", []act{{at: dayMS, a: home(other(30, uncounted))}}},
		{"lost together is one alarm, a late one joins it", []act{
			{at: 65 * minuteMS, a: home(other(30, drop(t0, 0)), other(12), other(33, drop(t0+5*minuteMS, 0))), want: "raised channel-lost"},
			{at: 75 * minuteMS, a: home(other(30, drop(t0, 0)), other(12), other(33, drop(t0+5*minuteMS, 0)), other(9, drop(t0+10*minuteMS, 0))), want: "updated channel-lost"},
			{at: 120 * minuteMS, a: home(other(30, drop(t0, t0+100*minuteMS)), other(12), other(33, drop(t0+5*minuteMS, 0)), other(9, drop(t0+10*minuteMS, 0)))},
			{at: 150 * minuteMS, a: home(other(30, drop(t0, t0+100*minuteMS)), other(12), other(33, drop(t0+5*minuteMS, t0+130*minuteMS)), other(9, drop(t0+10*minuteMS, t0+130*minuteMS))), want: "cleared channel-lost"},
		}},
		{"all lost is one alarm, as soon as the last one was visited", []act{
			{at: 61 * minuteMS, a: home(at(other(30, drop(t0, 0)), 60*minuteMS), at(other(33, drop(t0+4*minuteMS, 0)), 58*minuteMS))}, // RF 33 may be back
			{at: 64 * minuteMS, a: home(at(other(30, drop(t0, 0)), 60*minuteMS), at(other(33, drop(t0+4*minuteMS, 0)), 63*minuteMS)), want: "raised all-lost"},
			{at: 100 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), other(33, drop(t0+4*minuteMS, 0)))},
			{at: 110 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), back(33, drop(t0+4*minuteMS, t0+99*minuteMS))), want: "cleared all-lost"},
			{at: 300 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), back(33, drop(t0+4*minuteMS, t0+99*minuteMS)))},
		}},
		{"a day's step sees that all were lost", []act{
			{at: dayMS, a: home(back(30, drop(t0, t0+95*minuteMS)), back(33, drop(t0+4*minuteMS, t0+99*minuteMS))), want: "raised all-lost, cleared all-lost"},
		}},
		{"what stays away when the others are back is told by itself", []act{
			{at: 64 * minuteMS, a: home(other(30, drop(t0, 0)), other(33, drop(t0+4*minuteMS, 0))), want: "raised all-lost"},
			{at: 110 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), other(33, drop(t0+4*minuteMS, 0)))},
			{at: 156 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), other(33, drop(t0+4*minuteMS, 0))), want: "cleared all-lost, raised channel-lost"},
			{at: 300 * minuteMS, a: home(back(30, drop(t0, t0+95*minuteMS)), back(33, drop(t0+4*minuteMS, t0+280*minuteMS))), want: "cleared channel-lost"},
		}},
		{"one wanted channel that stays makes it no loss of all", []act{
			{at: 64 * minuteMS, a: home(other(30, drop(t0, 0)), other(33, drop(t0, 0)), back(9)), want: "raised channel-lost"},
		}},
		{"an unwanted channel that stays does not", []act{
			{at: 64 * minuteMS, a: home(want(other(30, drop(t0, 0))), want(other(33, drop(t0, 0))), back(9)), want: "raised all-lost"},
		}},
		{"a channel in a viewer's hands since is not asked", []act{
			{at: 64 * minuteMS, a: home(other(30, drop(t0, 0)), other(33, drop(t0, 0)), at(back(9), -minuteMS)), want: "raised all-lost"},
		}},
		{"a viewer takes the tuner in the middle of a loss: it ends when it is seen to", []act{
			{at: 62 * minuteMS, a: home(at(other(30, drop(t0, 0)), 61*minuteMS)), want: "raised channel-lost"},
			{at: 90 * minuteMS, a: home(at(other(30, unseen(t0, t0+61*minuteMS)), 61*minuteMS))},
			{at: 200 * minuteMS, a: home(at(other(30, unseen(t0, t0+61*minuteMS), drop(t0+199*minuteMS, 0)), 199*minuteMS))},
			{at: 230 * minuteMS, a: home(back(30, unseen(t0, t0+61*minuteMS), drop(t0+199*minuteMS, t0+220*minuteMS))), want: "cleared channel-lost"},
			{at: 330 * minuteMS, a: home(back(30, unseen(t0, t0+61*minuteMS), drop(t0+199*minuteMS, t0+220*minuteMS)))},
		}},
		{"a bad visit on either side of a viewer's evening is no lost channel", []act{
			{at: 5 * hourMS, a: home(at(other(30, unseen(t0, t0+minuteMS), drop(t0+299*minuteMS, 0)), 5*hourMS))},
		}},
		{"another transmitter on the same channel, then for a day", []act{
			{at: 30 * minuteMS, a: home(foreign(30*minuteMS, drop(t0, 0)))},
			{at: 61 * minuteMS, a: home(foreign(61*minuteMS, drop(t0, 0))), want: "raised wrong-identity"},
			{at: 120 * minuteMS, a: home(foreign(120*minuteMS, drop(t0, 0)))},
			{at: 25 * hourMS, a: home(foreign(25*hourMS, drop(t0, 0))), want: "updated wrong-identity"},
			{at: 26 * hourMS, a: home(back(30, drop(t0, t0+25*hourMS))), want: "cleared wrong-identity"},
		}},
		{"a silent tuner, and one that a viewer has", []act{
			{at: 0, health: answers}, {at: 20 * minuteMS, health: silent(0)},
			{at: 30 * minuteMS, health: silent(0), want: "raised tuner-silent"},
			{at: 40 * minuteMS, health: silent(0)},
			{at: 45 * minuteMS, health: answers},
			{at: 50 * minuteMS, health: silent(46 * minuteMS)}, // flapping: still the same alarm
			{at: 55 * minuteMS, health: answers},
			{at: 65 * minuteMS, health: answers, want: "cleared tuner-silent"},
		}},
		{"a silent tuner that leaves the config", []act{
			{at: 0, health: silent(0)}, {at: 30 * minuteMS, health: silent(0), want: "raised tuner-silent"},
			{at: 31 * minuteMS}, // nothing known of any health
			{at: 32 * minuteMS, health: []reception.Health{{Kind: reception.HealthClock, Subject: "clock", OK: true}}, want: "cleared tuner-silent"},
			{at: 33 * minuteMS, health: []reception.Health{{Kind: reception.HealthClock, Subject: "clock", OK: true}}},
		}},
		{"a clock that steps back raises nothing early and nothing twice", []act{
			{at: 30 * hourMS, a: home(below)}, {at: 29 * hourMS, a: home(below)}, {at: 52 * hourMS, a: home(below)},
			{at: 53 * hourMS, a: home(below), want: "raised spare-below-zero"}, {at: 52 * hourMS, a: home(below)},
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s State
			for i, x := range c.acts {
				before, _ := json.Marshal(s)
				next, ev := Step(s, t0+x.at, x.a, x.health)
				if after, _ := json.Marshal(s); string(after) != string(before) {
					t.Fatalf("step %d changed its argument", i)
				}
				if got := kinds(ev); got != x.want {
					t.Errorf("step %d at +%d min: events %q, want %q", i, x.at/minuteMS, got, x.want)
				}
				// A restart between any two steps changes nothing.
				b, err := json.Marshal(next)
				if err != nil {
					t.Fatal(err)
				}
				s = State{}
				if err := json.Unmarshal(b, &s); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

func TestAcknowledge(t *testing.T) {
	c := channel(30, est(3, 2, 4), drop(t0, 0))
	c.Latest.Time = answer.Time(t0 + 2*hourMS)
	s, ev := Step(State{}, t0+2*hourMS, home(c), nil)
	id := ev[0].Alarm.ID
	s, ev, ok := Acknowledge(s, id, t0+3*hourMS)
	if !ok || kinds(ev) != "acknowledged channel-lost" || s.Open[0].Acknowledged != t0+3*hourMS {
		t.Errorf("Acknowledge = %v %q %+v, want it marked", ok, kinds(ev), s.Open)
	}
	if _, ev, ok = Acknowledge(s, id, t0+4*hourMS); !ok || len(ev) != 0 {
		t.Errorf("second Acknowledge = %v %q, want true and silence", ok, kinds(ev))
	}
	if _, _, ok = Acknowledge(s, "no such", t0); ok {
		t.Error("Acknowledge of an unknown id = true, want false")
	}
}

// The daemon steps each few minutes, a replay each day: both must tell the same losses,
// of one channel, of some together, and of all.
func TestReplayTellsWhatTheDaemonTold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const channels = 3
		ds := make([][]answer.Dropout, channels)
		at, long, roots := t0, 0, 0
		for range rapid.IntRange(0, 4).Draw(t, "losses") {
			at += int64(rapid.IntRange(30, 2000).Draw(t, "gap")) * minuteMS
			length := int64(rapid.IntRange(1, 400).Draw(t, "length"))
			hit := rapid.IntRange(1, 1<<channels-1).Draw(t, "channels")
			end, last := at, at
			for c := range channels {
				if hit&(1<<c) == 0 {
					continue
				}
				// visits come 5 minutes apart: what begins and ends together is seen so far apart
				from := at + int64(rapid.IntRange(0, 4).Draw(t, "start"))*minuteMS
				end = max(from+minuteMS, at+(length+int64(rapid.IntRange(0, 4).Draw(t, "end")))*minuteMS)
				ds[c] = append(ds[c], drop(from, end))
				last = max(last, end)
			}
			if length >= 66 {
				roots++
			}
			if length >= 54 {
				long++
			}
			at = last
		}
		// Known 15 minutes after it ended, as the fold of events learns it.
		answerAt := func(now int64) answer.Answer {
			var cs []answer.Channel
			for c := range channels {
				var seen []answer.Dropout
				locked := true
				for _, d := range ds[c] {
					switch {
					case int64(d.Start) > now:
					case int64(d.End)+15*minuteMS > now:
						seen = append(seen, drop(int64(d.Start), 0))
					default:
						seen = append(seen, d)
					}
					locked = locked && (now < int64(d.Start) || now >= int64(d.End))
				}
				x := channel(30+c, none(), seen...)
				x.Latest.Locked, x.Latest.Time = locked, answer.Time(now)
				cs = append(cs, x)
			}
			return home(cs...)
		}
		last := at + 3*dayMS
		told := func(step int64) []Alarm {
			var when []int64
			for now := t0; now <= last; now += step {
				when = append(when, now)
			}
			alarms := Replayed{}.Replay(when, answerAt, nil).Alarms
			for i := range alarms {
				alarms[i].Text = "" // of one that grew, it tells of the rest too
			}
			return alarms
		}
		fast, slow := told(5*minuteMS), told(dayMS)
		if !reflect.DeepEqual(fast, slow) {
			t.Fatalf("each 5 min told %+v\neach day   told %+v", fast, slow)
		}
		if len(slow) < roots || len(slow) > long {
			t.Fatalf("%d alarms for %d to %d losses of an hour or more", len(slow), roots, long)
		}
	})
}

func TestTextIsCareful(t *testing.T) {
	for _, text := range []string{
		spareText(channel(30, est(-1.2, -1.9, -0.6))),
		lostText([]answer.Channel{channel(30, none()), channel(33, none())}),
		allLostText(12),
	} {
		if !strings.Contains(text, "First look indoors") || !strings.Contains(text, "to a professional") {
			t.Errorf("%q sends people outdoors without indoors first and the caution", text)
		}
	}
	if got := spareText(channel(30, est(-1.2, -1.9, -0.6))); !strings.HasPrefix(got, "9.1 Kettle, RF 30 is short by 1.2 dB, 0.6 to 1.9 (95 %)") {
		t.Errorf("spareText = %q", got)
	}
}
