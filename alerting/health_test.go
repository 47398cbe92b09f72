package alerting

import (
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

func TestHealthConditions(t *testing.T) {
	type at struct {
		ms   int64
		ok   bool
		want string
	}
	for _, c := range []struct {
		kind  reception.HealthKind
		steps []at
		word  string // to people, of the first alarm
	}{
		{reception.HealthTuner, []at{{0, true, ""}, {minuteMS, false, ""}, {30 * minuteMS, false, ""}, {31 * minuteMS, false, "raised tuner-silent"}, {40 * minuteMS, true, ""}, {50 * minuteMS, true, "cleared tuner-silent"}}, "today"},
		{reception.HealthWeather, []at{{0, false, ""}, {6*hourMS - 1, false, ""}, {6 * hourMS, false, "raised weather-stale"}, {6 * dayMS, false, ""},
			{7 * dayMS, false, "updated weather-stale"}, {8 * dayMS, false, ""}, {9 * dayMS, true, "cleared weather-stale"}}, "for information"},
		{reception.HealthDisk, []at{{0, false, ""}, {9 * minuteMS, true, ""}, {10 * minuteMS, false, ""}, {20 * minuteMS, false, "raised disk-failing"}, {30 * minuteMS, true, ""}, {89 * minuteMS, true, ""}, {90 * minuteMS, true, "cleared disk-failing"}}, "today"},
		{reception.HealthStore, []at{{0, false, ""}, {5 * minuteMS, false, "raised store-failing"}, {6 * minuteMS, true, ""}, {7 * minuteMS, false, ""}, {8 * minuteMS, true, ""}, {17 * minuteMS, true, ""}, {18 * minuteMS, true, "cleared store-failing"}}, "today"},
		{reception.HealthClock, []at{{0, false, ""}, {10 * minuteMS, false, "raised clock-wrong"}, {11 * minuteMS, true, ""}, {21 * minuteMS, true, "cleared clock-wrong"}}, "today"},
		{reception.HealthFollower, []at{{0, false, ""}, {23 * hourMS, false, ""}, {24 * hourMS, false, "raised follower-behind"}, {25 * hourMS, true, ""}, {26 * hourMS, true, "cleared follower-behind"}}, "this month"},
	} {
		t.Run(string(c.kind), func(t *testing.T) {
			var s State
			word := ""
			for _, x := range c.steps {
				next, ev := Step(s, t0+x.ms, home(), []reception.Health{{Kind: c.kind, Subject: "it", OK: x.ok, Detail: "a reason"}})
				if s = next; kinds(ev) != x.want {
					t.Errorf("at +%d min: %q, want %q", x.ms/minuteMS, kinds(ev), x.want)
				}
				if len(ev) > 0 && word == "" {
					word = ev[0].Alarm.Severity.PeopleWord()
					if !strings.Contains(ev[0].Alarm.Text, "a reason") {
						t.Errorf("text %q keeps the reason to itself", ev[0].Alarm.Text)
					}
				}
			}
			if word != c.word {
				t.Errorf("to people it is %q, want %q", word, c.word)
			}
			if len(s.Open) != 0 {
				t.Errorf("still open: %+v", s.Open)
			}
		})
	}
}

// A source that left the config is not stale for ever, and one that has not spoken yet
// after a restart is not well for it.
func TestSubjectThatIsGone(t *testing.T) {
	s, ev := Step(State{}, t0, home(), []reception.Health{{Kind: reception.HealthWeather, Subject: "garden", Since: t0 - 7*hourMS}})
	if kinds(ev) != "raised weather-stale" {
		t.Fatalf("events %q, want it raised", kinds(ev))
	}
	other := []reception.Health{{Kind: reception.HealthTuner, Subject: "hall", OK: true}}
	s, ev = Step(s, t0+minuteMS, home(), other)
	if len(ev) != 0 {
		t.Errorf("events %q a minute after a restart, want none", kinds(ev))
	}
	if _, ev := Step(s, t0+11*minuteMS, home(), other); kinds(ev) != "cleared weather-stale" {
		t.Errorf("events %q, want it cleared", kinds(ev))
	}
	if _, ev := Step(s, t0+11*minuteMS, home(), nil); len(ev) != 0 {
		t.Errorf("events %q of a step that knows of no fact, want none", kinds(ev))
	}
}

// A machine that wakes up in 1970 tells of its clock, and of nothing that would seem to
// have lasted for fifty years once the clock is set.
func TestClockThatWasNeverSet(t *testing.T) {
	facts := func(ok bool) []reception.Health {
		return []reception.Health{{Kind: reception.HealthClock, Subject: "clock", OK: ok}, {Kind: reception.HealthTuner, Subject: "attic", Detail: "waiting for the clock to be set"}}
	}
	var s State
	var ev []Event
	for _, x := range []struct {
		at   int64
		ok   bool
		want string
	}{{0, false, ""}, {11 * minuteMS, false, "raised clock-wrong"}, {60 * minuteMS, false, ""}, {t0, true, ""}, {t0 + 10*minuteMS, true, "cleared clock-wrong"}, {t0 + 30*minuteMS, true, "raised tuner-silent"}} {
		if s, ev = Step(s, x.at, home(), facts(x.ok)); kinds(ev) != x.want {
			t.Errorf("at %d: %q, want %q", x.at, kinds(ev), x.want)
		}
	}
}

func TestMessageIsInTheHomesTime(t *testing.T) {
	raised := time.Date(2026, 6, 9, 19, 5, 0, 0, time.UTC).UnixMilli()
	a := Alarm{Severity: Major, Text: "No picture.", Since: raised - hourMS, Raised: raised}
	zone := time.FixedZone("four hours behind", -4*3600)
	if got, want := Message(Event{Kind: Raised, Alarm: a}, zone), "Today: No picture. Since Tue 9 June 2026, 14:05; raised Tue 9 June 2026, 15:05."; got != want {
		t.Errorf("Message = %q, want %q", got, want)
	}
	a.Severity, a.Cleared, a.Text = Cleared, raised+hourMS, "No picture. Look indoors."
	if got, want := Message(Event{Kind: ClearedEvent, Alarm: a}, zone), "Cleared: No picture. Since Tue 9 June 2026, 14:05; raised Tue 9 June 2026, 15:05; cleared Tue 9 June 2026, 16:05."; got != want {
		t.Errorf("Message = %q, want %q", got, want)
	}
}
