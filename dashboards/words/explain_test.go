package words

import (
	"bytes"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/answer"
)

func told(t *testing.T, a answer.Answer, at int64, channel string) string {
	t.Helper()
	var b bytes.Buffer
	f := Facts{NowMS: ms(2026, 6, 4, 12, 0), Zone: time.UTC, Sky: Sky{GustMPS: math.NaN(), WindMPS: math.NaN(), TempC: math.NaN(), WetMMH: math.NaN()}}
	if err := ExplainText(&b, a, f, at, channel, 76); err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(b.String(), Nbsp, " ")
}

func evening() answer.Answer {
	d := answer.Dropout{
		Start: answer.Time(ms(2026, 6, 3, 21, 42)), StartLow: answer.Time(ms(2026, 6, 3, 21, 38)), End: answer.Time(ms(2026, 6, 3, 21, 52)), EndHigh: answer.Time(ms(2026, 6, 3, 21, 56)),
		Cause: "wet-leaves", Probability: 0.78, Also: []answer.Cause{{Cause: "wind-trees", Probability: 0.12}, {Cause: "unknown", Probability: 0.03}}, Visits: 3, Counted: true,
		For: []string{"C/N and level fell together, C/N by 7.2 dB: signal was lost", "leaves and roof were wet by then"}, Against: []string{"wind-trees fits nearly as well"},
	}
	tuner := d
	tuner.Cause, tuner.Probability, tuner.Also, tuner.Alike = "tuner", 0.5, []answer.Cause{{Cause: "leg", Probability: 0.5}}, []string{"leg"}
	tuner.For, tuner.Against, tuner.Part = nil, nil, "swap the leads of two tuners indoors"
	return answer.Answer{Channels: []answer.Channel{
		{RF: 34, Screen: "34.1", Name: "Gimlet", Dropouts: []answer.Dropout{d}},
		{RF: 8, Screen: "8.1", Name: "Milestone", Dropouts: []answer.Dropout{tuner}},
	}}
}

// A home user reads it without the manual, in about ten lines; where work outdoors may
// help, the safety sentence stands beside it.
func TestExplain(t *testing.T) {
	at := ms(2026, 6, 3, 21, 45)
	s := told(t, evening(), at, "34.1")
	for _, want := range []string{
		"34.1 Gimlet, RF 34: Wednesday 3 June 2026, 21:42", "for 10 to 18 minutes, seen in 3 visits",
		"Most probably wet leaves (78 %). Else wind in the trees 12 %.", "leaves and roof were wet", "Wind in the trees fits nearly as well", "Nothing: leaves dry in hours",
	} {
		if !strings.Contains(strings.Join(strings.Fields(s), " "), want) {
			t.Errorf("%q is missing of\n%s", want, s)
		}
	}
	flat := strings.Join(strings.Fields(s), " ")
	if !strings.Contains(flat, Safety) || !strings.Contains(flat, "Outdoors: not now") {
		t.Errorf("work outdoors without caution:\n%s", s)
	}
	if n := strings.Count(s, "\n"); n > 16 {
		t.Errorf("%d lines:\n%s", n, s)
	}
	for _, l := range strings.Split(s, "\n") {
		if len([]rune(l)) > 76 {
			t.Errorf("line too long: %q", l)
		}
	}
	s = told(t, evening(), at, "RF 8")
	if flat := strings.Join(strings.Fields(s), " "); !strings.Contains(flat, "It looks just like splitter or lead; to part them, swap the leads of two tuners indoors.") {
		t.Errorf("what parts tuner and lead is missing:\n%s", s)
	}
	if s := told(t, evening(), at, ""); strings.Count(s, "Seen") != 2 {
		t.Errorf("both channels are asked for:\n%s", s)
	}
	if s := told(t, evening(), ms(2026, 6, 1, 12, 0), ""); !strings.Contains(strings.Join(strings.Fields(s), " "), "No dropout was seen at Monday 1 June 2026, 12:00. The nearest began at Wednesday 3 June 2026, 21:42.") {
		t.Errorf("at a quiet time:\n%s", s)
	}
	if s := told(t, evening(), at, "99"); !strings.Contains(s, `No channel is called "99"`) {
		t.Errorf("an unknown channel:\n%s", s)
	}
}

// Every cause has words and something to do, and none of it sends anybody onto a roof.
func TestEveryCauseHasARemedy(t *testing.T) {
	climb := regexp.MustCompile(`(?i)\b(climb|ladder|go up)\b`)
	for cause, r := range remedies {
		if _, ok := causes[cause]; !ok {
			t.Errorf("%q is no cause", cause)
		}
		if r.indoors == "" || climb.MatchString(r.indoors) {
			t.Errorf("%s: %q", cause, r.indoors)
		}
	}
}
