package words

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

var update = flag.Bool("update", false, "write the golden files anew")

func ms(y, m, d, h, min int) int64 {
	return time.Date(y, time.Month(m), d, h, min, 0, 0, time.UTC).UnixMilli()
}

var now = ms(2026, 4, 14, 12, 0)

func est(v, lo, hi float64) answer.Est {
	return answer.Est{Value: v, Low: lo, High: hi, EffectiveN: 40}
}

func none(needs string) answer.Est { return answer.Est(reception.Undecided(needs)) }

func plain(s string) string { return strings.ReplaceAll(s, Nbsp, " ") }

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{DB(6.24), "6.2 dB"},
		{DB(-1.25), "−1.2 dB"}, // round half to even, as strconv does of the exact value
		{DB(-0.04), "0.0 dB"},
		{DB(math.NaN()), "not known dB"},
		{SignedDB(2.6), "+2.6 dB"},
		{SignedDB(-2.6), "−2.6 dB"},
		{SignedDB(0.04), "0.0 dB"},
		{Range(-1.9, -0.6), "−1.9 to −0.6"},
		{Range(5.4, math.Inf(1)), "over 5.4"},
		{Range(math.Inf(-1), 7.1), "under 7.1"},
		{Range(math.NaN(), math.Inf(1)), ""},
		{Estimate(est(6.2, 5.4, 7.1)), "6.2 dB, 5.4 to 7.1"},
		{Estimate(answer.Est{Value: 11.8, Low: 11.8, High: math.Inf(1), Bound: reception.AtLeast}), "at least 11.8 dB"},
		{Estimate(answer.Est{Value: 3, Low: math.Inf(-1), High: 3, Bound: reception.AtMost}), "at most 3.0 dB"},
		{Estimate(none("x")), "not known yet"},
		{Percent(.926), "93 %"},
		{Of(3, 28), "3 of 28"},
		{Hours(40 * 60), "40 min"},
		{Hours(31 * 3600), "31 h"},
		{Hours(1204 * 3600), "1,204 h"},
		{Hours(1204567 * 3600), "1,204,567 h"},
		{Duration(40 * time.Second), "40 s"},
		{Duration(14 * time.Minute), "14 min"},
		{Duration(4*time.Hour + 30*time.Minute), "4 h 30"},
		{Duration(4*time.Hour + 59*time.Minute + 40*time.Second), "5 h"},
		{Duration(31 * time.Hour), "31 h"},
		{Duration(12 * 24 * time.Hour), "12 days"},
		{Duration(-1), "not known"},
		{Plural(1, "tuner"), "one tuner"},
		{Plural(0, "tuner"), "no tuners"},
		{Plural(31, "tuner"), "31 tuners"},
	} {
		if plain(c.got) != c.want {
			t.Errorf("got %q, want %q", plain(c.got), c.want)
		}
	}
}

func TestShareHasAsManyDigitsAsItsIntervalBears(t *testing.T) {
	for _, c := range []struct {
		e            answer.Est
		figure, rest string
	}{
		{est(.978, .969, .986), "97.8 %", "96.9 to 98.6"},
		{est(.9994, .9990, .9997), "99.94 %", "99.90 to 99.97"},
		{est(.91, .85, .96), "91 %", "85 to 96"},
		{est(.992, .983, 1), "99.2 %", "98.3 to 100"},
		{est(1, .9997, 1), "100 %", "over 99.97"},
		{est(.999999, .9, 1), "99.99 %", "90 to 100"}, // some was lost: never "100 %"
		{none(""), "", ""},
	} {
		f, r := Share(c.e)
		if plain(f) != c.figure || plain(r) != c.rest {
			t.Errorf("Share(%v, %v to %v) = %q, %q; want %q, %q", c.e.Value, c.e.Low, c.e.High, plain(f), plain(r), c.figure, c.rest)
		}
	}
}

func TestDates(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	f := Facts{NowMS: now, Zone: oslo}
	for _, c := range []struct{ got, want string }{
		{f.Moment(ms(2026, 4, 14, 17, 0)), "Tuesday 14 April 2026, 19:00"}, // summer time: UTC+2
		{f.Date(ms(2026, 6, 3, 0, 0)), "3 June"},
		{f.Date(ms(2025, 12, 31, 23, 30)), "1 January"}, // by the home's clock
		{f.Date(ms(2025, 6, 3, 0, 0)), "3 June 2025"},
		{f.DateTime(ms(2026, 4, 9, 12, 5)), "9 April, 14:05"},
		{f.DateTime(ms(2026, 4, 14, 6, 5)), "08:05"},
		{f.ShortDay(ms(2026, 3, 16, 5, 0)), "16 Mar"},
		{f.Month("2026-06"), "June"},
		{f.Month("2027-01"), "January"},
		{f.Month("2025-06"), "June 2025"},
		{f.Month("2027-06"), "June 2027"},
		{f.Month("soon"), "soon"},
		{Compass(312), "north-west"},
		{Compass(-1), "north"},
		{Compass(359.9), "north"},
		{Compass(163), "south"},
		{Sentence("two channels are not known yet"), "Two channels are not known yet."},
		{Sentence("Done."), "Done."},
		{Sentence(" "), ""},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// The machine words of causes that programs rely on, all of them.
const contract = `leaves wet-leaves wind-trees mast-sway snow-ice wet-roof water-in-line ageing antenna-turned amplifier overload impulse-noise powerline-noise ducting
tropospheric-fading sporadic-e aircraft multipath mobile-band moving-reflector obstruction transmitter-reduced transmitter-off channel-moved leg tuner host temperature tide
ordinary-fading unknown`

func TestEveryCauseHasWords(t *testing.T) {
	want := strings.Fields(contract)
	if got := len(Causes()); got != len(want) {
		t.Errorf("causes with words = %d, want %d", got, len(want))
	}
	seen := map[string]string{}
	for _, c := range want {
		long, short := Cause(c)
		if long == c && strings.Contains(c, "-") || long == "" || short == "" {
			t.Errorf("Cause(%q) = %q, %q", c, long, short)
		}
		if other := seen[long]; other != "" {
			t.Errorf("%q and %q have the same words", c, other)
		}
		seen[long] = c
	}
	if l, s := Cause("something-new"); l != "something-new" || s != "something-new" {
		t.Errorf("a cause without words = %q, %q, want its machine form", l, s)
	}
}

// channel makes an element of the answer with everything undecided.
func channel(rf int, screen, name string) answer.Channel {
	hz, _, err := reception.RegionUS.CentreHz(rf)
	if err != nil {
		panic(err)
	}
	c := undecided(reception.Channel{FrequencyHz: hz, RF: rf, Name: name, Screen: screen, Transmitter: "Cold Hill"})
	c.Tuner = "tuner 1"
	c.Installation = "first"
	c.Latest = answer.Latest{Time: answer.Time(now - 60e3), Locked: true, CNDB: 20, MarginDB: 4.8, LevelDBm: answer.Num(math.NaN())}
	c.Threshold = answer.Threshold{Est: est(15.2, 14.9, 15.8), Basis: "standard"}
	c.Availability.MeasuredS = 80000
	c.LeafEffect, c.DriftDBPerMonth, c.FadeDepth99 = none(""), none(""), none("")
	return c
}

func decided(c answer.Channel, spare answer.Est) answer.Channel {
	c.Spare = spare
	c.RequiredMargin = est(4.6, 4.3, 4.9)
	c.SettledMargin = est(4.6+spare.Value, 4.4+spare.Value, 4.8+spare.Value)
	c.Availability.Est = est(.9994, .9990, .9997)
	c.EveningsSpoiled = answer.EveningsSpoiled{Est: est(0, 0, 0), EveningsMeasured: 28}
	return c
}

func dropout(start, end int64, cause string, p float64) answer.Dropout {
	return answer.Dropout{Start: answer.Time(start), StartLow: answer.Time(start), End: answer.Time(end), EndHigh: answer.Time(end), Cause: cause, Probability: answer.Num(p), Counted: true}
}

func months(basis string, june answer.Est) []answer.Outlook {
	return []answer.Outlook{{Month: "2026-05", Spare: est(.4, -.6, 1.4), Basis: basis}, {Month: "2026-06", Spare: june, Basis: basis}}
}

// The states a lane may have, and their words.
func TestStates(t *testing.T) {
	lost := decided(channel(33, "12.1", "Quarterlight"), est(1.4, .9, 1.9))
	lost.Latest.Locked = false
	lost.Dropouts = []answer.Dropout{dropout(ms(2026, 4, 9, 14, 5), 0, "", math.NaN())}
	soon := decided(channel(33, "12.1", "Quarterlight"), est(1.4, .9, 1.9))
	soon.Outlook = months("measured", est(-1.7, -2.7, -.8))
	prior := soon
	prior.Outlook = months("prior", est(-1.7, -4.7, 1.3))
	far := decided(channel(33, "12.1", "Quarterlight"), est(1.4, .9, 1.9))
	far.Outlook = []answer.Outlook{{Month: "2026-07", Spare: est(.5, 0, 1), Basis: "measured"}, {Month: "2026-08", Spare: est(-.2, -.9, .4), Basis: "measured"}}
	short := decided(channel(33, "12.1", "Quarterlight"), est(-1.2, -1.9, -.6))
	short.Availability.Est = est(.978, .969, .986)
	short.Dropouts = []answer.Dropout{dropout(ms(2026, 4, 1, 2, 0), ms(2026, 4, 1, 3, 0), "ducting", .8), dropout(ms(2026, 4, 2, 2, 0), ms(2026, 4, 2, 2, 10), "wet-leaves", .9)}
	late := decided(channel(33, "12.1", "Quarterlight"), est(3.2, 2.7, 3.7))
	late.Latest.Time = answer.Time(now - 72*3600e3)
	few := channel(33, "12.1", "Quarterlight")
	few.Spare = none("14 days of readings, about 11 more")
	maybe := decided(channel(33, "12.1", "Quarterlight"), est(-.2, -.9, .6))
	maybe.Spare.Needs = "about 9 more days"
	unlearnt := decided(channel(33, "12.1", "Quarterlight"), answer.Est{Value: 1.9, Low: .1, High: 4, Bound: reception.AtLeast})
	unlearnt.Threshold.Bound = reception.AtMost

	for _, c := range []struct {
		name   string
		ch     *answer.Channel
		kind   Kind
		words  string
		lines  []string
		figure string
		rng    string
		look   bool
	}{
		{"not measured", nil, New, "Not measured yet.", nil, "not measured yet", "", false},
		{"too little", &few, Unknown, "Not known yet.", []string{"4.8 dB above the threshold at the last visit", "22 h of visits so far", "needed: 14 days of readings, about 11 more"}, "not known yet", "margin 4.8 dB", false},
		{"holds", ptr(decided(channel(33, "12.1", "Quarterlight"), est(4.1, 3.4, 4.8))), Holds, "Holds.", []string{"4.1 dB to spare now, 3.4 to 4.8"}, "4.1 dB", "3.4 to 4.8", false},
		{"at the ceiling", ptr(decided(channel(33, "12.1", "Quarterlight"), answer.Est{Value: 11.8, Low: 11.8, High: math.Inf(1), Bound: reception.AtLeast})), Holds, "Holds.", []string{"at least 11.8 dB to spare now"}, "at least 11.8 dB", "tuner 1’s limit", false},
		{"threshold not learnt", &unlearnt, Holds, "Holds.", []string{"at least 1.9 dB to spare now"}, "at least 1.9 dB", "threshold not learnt", false},
		{"falls short with the leaves", &soon, Soon, "Holds today. Will probably fall short about 20 May.", []string{"1.4 dB to spare now, 0.9 to 1.9", "−1.7 dB in June, −2.7 to −0.8"}, "1.4 dB", "0.9 to 1.9", true},
		{"no leaf season seen yet: a range, no date", &prior, Soon, "Holds today. May fall short in June.", []string{"1.4 dB to spare now, 0.9 to 1.9", "−1.7 dB in June, −4.7 to 1.3"}, "1.4 dB", "0.9 to 1.9", true},
		{"beyond the window", &far, Holds, "Holds today. May fall short in August.", []string{"1.4 dB to spare now, 0.9 to 1.9", "−0.2 dB in August, −0.9 to 0.4"}, "1.4 dB", "0.9 to 1.9", false},
		{"short", &short, Short, "Short. Cause, most probably: far transmitter.", []string{"−1.2 dB to spare now, −1.9 to −0.6", "97.8 % without a broken second, 96.9 to 98.6"}, "−1.2 dB", "−1.9 to −0.6", true},
		{"not decided", &maybe, Maybe, "May be short: not decided.", []string{"−0.2 dB to spare now, −0.9 to 0.6", "needed: about 9 more days"}, "−0.2 dB", "−0.9 to 0.6", true},
		{"lost", &lost, Lost, "No picture since 9 April, 14:05.", []string{"1.4 dB to spare before, 0.9 to 1.9"}, "no picture", "since 9 April, 14:05", true},
		{"late", &late, Holds, "Holds.", []string{"3.2 dB to spare now, 2.7 to 3.7", "last reading 3 days ago"}, "3.2 dB", "2.7 to 3.7", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := Facts{NowMS: now, Channels: []reception.Channel{{FrequencyHz: 587e6, RF: 33, Screen: "12.1", Name: "Quarterlight", Wanted: true}}}
			a := answer.Answer{AsOf: answer.Time(now)}
			if c.ch != nil {
				a.Channels = []answer.Channel{*c.ch}
			}
			l := Lanes(a, f)
			if len(l) != 1 {
				t.Fatalf("lanes = %d, want 1", len(l))
			}
			s := l[0].State
			var lines []string
			for _, x := range s.Lines {
				lines = append(lines, plain(x.Text()))
			}
			if s.Kind != c.kind || plain(s.Words) != c.words || fmt.Sprint(lines) != fmt.Sprint(c.lines) || plain(s.Figure) != c.figure || plain(s.Range) != c.rng || s.Look() != c.look {
				t.Errorf("state = %s %q %q %q %q look %v\nwant    %s %q %q %q %q look %v", s.Kind, plain(s.Words), lines, plain(s.Figure), plain(s.Range), s.Look(), c.kind, c.words, c.lines, c.figure, c.rng, c.look)
			}
			readable(t, s.Words)
			readable(t, Plain(Headline(l, f)))
			for _, sky := range []Sky{{}, {AtMS: now, Thunder: true, GustMPS: 4, TempC: 20}, {AtMS: now, GustMPS: 17, TempC: 8}, {AtMS: now, GustMPS: math.NaN(), WindMPS: 2, TempC: -3}, {AtMS: now, GustMPS: 3, TempC: 9, WetMMH: .4}} {
				f.Sky = sky
				var all strings.Builder
				for _, p := range Advice(l, f) {
					readable(t, p.Lead+" "+p.Text)
					all.WriteString(p.Lead + " " + p.Text + " ")
				}
				careful(t, all.String())
			}
		})
	}
}

func ptr(c answer.Channel) *answer.Channel { return &c }

var sentences = regexp.MustCompile(`[.?:] `)

// readable fails for a sentence of more than 16 words or a forbidden sign.
func readable(t *testing.T, text string) {
	t.Helper()
	text = plain(text)
	for _, s := range sentences.Split(text, -1) {
		if n := len(strings.Fields(s)); n > 16 && s+"." != strings.SplitAfter(Safety, ". ")[1] {
			t.Errorf("%d words, want at most 16: %q", n, s)
		}
	}
	for _, bad := range []string{"!", "please", "oops", "±", "errored", " - ", "NaN", "not known dB"} {
		if strings.Contains(strings.ToLower(text), strings.ToLower(bad)) {
			t.Errorf("%q holds %q", text, bad)
		}
	}
}

// careful fails where outdoor work is named without the safety sentence after it, or
// before the indoor advice.
func careful(t *testing.T, advice string) {
	t.Helper()
	low := strings.ToLower(strings.ReplaceAll(advice, Safety, ""))
	for _, word := range []string{"outdoors", "roof", "mast", "climb", "antenna"} {
		if strings.Contains(low, word) && !strings.Contains(advice, Safety) {
			t.Errorf("%q names %s without the safety sentence", advice, word)
		}
	}
	if i, o := strings.Index(low, "indoors"), strings.Index(low, "outdoors"); o >= 0 && i > o {
		t.Errorf("%q sends outdoors before indoors", advice)
	}
	if strings.Contains(low, "outdoors") && !strings.Contains(low, "outdoors: not now") {
		t.Errorf("%q does not hold outdoor advice back", advice)
	}
}

func TestOutdoorAdviceNamesItsReason(t *testing.T) {
	short := decided(channel(33, "12.1", "Quarterlight"), est(-1.2, -1.9, -.6))
	for _, c := range []struct {
		sky  Sky
		hour int
		want string
	}{
		{Sky{AtMS: 1, Thunder: true}, 12, "Thunder is about."},
		{Sky{AtMS: 1, GustMPS: 17.2, TempC: 10}, 12, "Wind of 17 m/s at "},
		{Sky{AtMS: 1, GustMPS: math.NaN(), WindMPS: 11, TempC: 10}, 12, "Wind of 11 m/s at "},
		{Sky{AtMS: 1, GustMPS: 2, TempC: -1}, 12, "It freezes."},
		{Sky{AtMS: 1, GustMPS: 2, TempC: 10, WetMMH: 1}, 12, "It is wet."},
		{Sky{AtMS: 1, GustMPS: 2, TempC: 10}, 21, "It is dark or will soon be."},
		{Sky{AtMS: 1, GustMPS: 2, TempC: 10}, 12, "Only in calm, dry daylight"},
	} {
		f := Facts{NowMS: ms(2026, 4, 14, c.hour, 0), Sky: c.sky}
		f.Sky.AtMS = f.NowMS - 600e3
		var text string
		for _, p := range Advice(Lanes(answer.Answer{AsOf: answer.Time(f.NowMS), Channels: []answer.Channel{short}}, f), f) {
			text += p.Lead + " " + p.Text + " "
		}
		if !strings.Contains(plain(text), "Outdoors: not now. "+c.want) {
			t.Errorf("advice under %+v at %d h = %q, want %q", c.sky, c.hour, plain(text), c.want)
		}
		if c.sky.Thunder != strings.Contains(text, "leave antenna leads alone") {
			t.Errorf("advice under %+v = %q: indoor leads and thunder", c.sky, text)
		}
	}
}

func TestWantsSafety(t *testing.T) {
	for text, want := range map[string]bool{
		"Look at the mast in daylight.": true, "The Roof antenna has turned.": true, "Is every plug seated?": false,
		"The mast sways. " + Safety: false,
	} {
		if got := WantsSafety(text); got != want {
			t.Errorf("WantsSafety(%q) = %v, want %v", text, got, want)
		}
	}
}

func TestHeadlines(t *testing.T) {
	f := Facts{NowMS: now, Tuners: []reception.Tuner{{Name: "a"}, {Name: "b"}}}
	for _, rf := range []int{7, 9, 33} {
		hz, _, _ := reception.RegionUS.CentreHz(rf)
		f.Channels = append(f.Channels, reception.Channel{FrequencyHz: hz, RF: rf, Wanted: true})
	}
	good := func(rf int) answer.Channel { return decided(channel(rf, "", ""), est(4, 3, 5)) }
	spoiled := good(7)
	spoiled.EveningsSpoiled.EveningsMeasured = 400
	spoiled.EveningsSpoiled.Evenings = []string{"2025-11-02", "2026-04-07"}
	gone := func(rf int, at int64) answer.Channel {
		c := good(rf)
		c.Latest.Locked = false
		c.Dropouts = []answer.Dropout{dropout(at, 0, "", math.NaN())}
		return c
	}
	bad := func(rf int) answer.Channel { return decided(channel(rf, "", ""), est(-2, -3, -1)) }
	for _, c := range []struct {
		name  string
		chans []answer.Channel
		want  string
	}{
		{"nothing yet", nil, "No channel measured yet. holdfast visits three channels with two tuners; the first lanes appear within 10 minutes."},
		{"all well", []answer.Channel{good(7), good(9), good(33)}, "3 of 3 channels hold today. 0 of 28 evenings were spoiled."},
		{"evenings over a long span", []answer.Channel{spoiled, good(9), good(33)}, "3 of 3 channels hold today. 2 of 400 evenings were spoiled, one in the last four weeks."},
		{"one short, one not measured", []answer.Channel{good(7), bad(9)}, "1 of 2 channels holds today; RF 9 is short. 0 of 28 evenings were spoiled."},
		{"two short, one lost", []answer.Channel{gone(7, ms(2026, 4, 14, 10, 5)), bad(9), bad(33)}, "0 of 3 channels hold today; RF 7 has no picture. RF 9 and RF 33 are short. 0 of 28 evenings were spoiled."},
		{"all lost", []answer.Channel{gone(7, ms(2026, 4, 14, 10, 5)), gone(9, ms(2026, 4, 14, 10, 6)), gone(33, ms(2026, 4, 14, 10, 4))}, "No channel has a picture since 10:06."},
		{"none known", []answer.Channel{channel(7, "", ""), channel(9, "", "")}, "2 channels are measured. What is to spare is not known yet."},
		{"some known", []answer.Channel{good(7), channel(9, "", ""), channel(33, "", "")}, "1 of 3 channels holds today. 0 of 28 evenings were spoiled. Two channels are not known yet."},
	} {
		lanes := Lanes(answer.Answer{AsOf: answer.Time(now), Channels: c.chans}, f)
		if got := plain(Plain(Headline(lanes, f))); got != c.want {
			t.Errorf("%s: %q\nwant %q", c.name, got, c.want)
		}
	}
}

// A lane is spoken for by the tuner that measured longest under the newest
// installation; its dropouts and evenings come from all installations.
func TestLanesJoinInstallations(t *testing.T) {
	newer, older, other := decided(channel(7, "6.1", "Granary"), est(4, 3, 5)), decided(channel(7, "6.1", "Granary"), est(1, 0, 2)), decided(channel(7, "6.1", "Granary"), est(9, 8, 10))
	newer.Installation, older.Installation = "second", "first"
	newer.Dropouts = []answer.Dropout{dropout(ms(2026, 4, 1, 0, 0), ms(2026, 4, 1, 0, 5), "", math.NaN())}
	older.Dropouts = []answer.Dropout{dropout(ms(2026, 1, 1, 0, 0), ms(2026, 1, 1, 0, 5), "", math.NaN())}
	other.Tuner, other.Availability.MeasuredS = "tuner 2", 10
	l := Lanes(answer.Answer{AsOf: answer.Time(now), Channels: []answer.Channel{newer, other, older}}, Facts{NowMS: now})
	if len(l) != 1 || l[0].Of.Installation != "second" || l[0].Of.Tuner != "tuner 1" || len(l[0].All) != 2 {
		t.Fatalf("lanes = %+v, want one, spoken for by tuner 1 under its second installation", l)
	}
	if d := l[0].Dropouts; len(d) != 2 || d[0].Start > d[1].Start {
		t.Errorf("dropouts = %v, want both, ascending", d)
	}
	if l[0].Key != "rf7" || l[0].Call(Facts{}) != "6.1"+Nbsp+"Granary" || l[0].Call(Facts{RFFirst: true}) != "RF"+Nbsp+"7" {
		t.Errorf("key %q, called %q and %q", l[0].Key, l[0].Call(Facts{}), l[0].Call(Facts{RFFirst: true}))
	}
}

// Between the months the curve follows the leaves, and it meets each month's figure
// in its middle.
func TestExpectedMeetsTheMonths(t *testing.T) {
	c := decided(channel(33, "12.1", "Quarterlight"), est(1.4, .9, 1.9))
	c.Outlook = months("measured", est(-1.7, -2.7, -.8))
	leaf := func(at int64) (float64, bool) { // bare to 10 May, full from 30 May
		d := float64(at-ms(2026, 5, 10, 0, 0)) / (20 * 24 * 3600e3)
		return min(1, max(0, d)), true
	}
	f := Facts{NowMS: now, Leaf: leaf}
	l := Lanes(answer.Answer{AsOf: answer.Time(now), Channels: []answer.Channel{c}}, f)[0]
	e := l.Expected(f)
	for _, x := range []struct {
		at   int64
		want float64
	}{{now, 1.4}, {ms(2026, 5, 15, 0, 0), .4}, {ms(2026, 6, 15, 0, 0), -1.7}, {ms(2026, 5, 1, 0, 0), 1.4}, {ms(2026, 6, 2, 0, 0), -1.7}, {ms(2026, 6, 25, 0, 0), -1.7}} {
		if got := e(x.at); math.Abs(got-x.want) > 1e-9 {
			t.Errorf("expected at %v = %v, want %v", time.UnixMilli(x.at).UTC(), got, x.want)
		}
	}
	for _, at := range []int64{now - 1, ms(2026, 8, 1, 0, 0)} {
		if got := e(at); !math.IsNaN(got) {
			t.Errorf("expected at %v = %v, want nothing", time.UnixMilli(at).UTC(), got)
		}
	}
	// The day in the words is the day on which the curve crosses.
	if day := l.State.WhenMS; !(e(day) < 0 && e(day-3600e3) >= 0) {
		t.Errorf("crossing on %v: %v, the day before %v", time.UnixMilli(day).UTC(), e(day), e(day-3600e3))
	}
}

func TestAnswerText(t *testing.T) {
	short := decided(channel(35, "8.1", "Bay Light"), est(-1.2, -1.9, -.6))
	short.Dropouts = []answer.Dropout{{Start: answer.Time(ms(2026, 4, 1, 2, 0)), StartLow: answer.Time(ms(2026, 4, 1, 1, 55)), End: answer.Time(ms(2026, 4, 1, 2, 14)), EndHigh: answer.Time(ms(2026, 4, 1, 2, 20)), Cause: "ducting", Probability: .8}}
	few := channel(9, "9.1", "Lantern")
	few.Spare = none("14 days of readings, about 11 more")
	a := answer.Answer{
		Home: answer.Home{Name: "Quince Lane"}, AsOf: answer.Time(now), Measured: answer.Measured{From: answer.Time(ms(2026, 2, 16, 0, 0)), To: answer.Time(now), Share: .93},
		Channels:    []answer.Channel{decided(channel(7, "6.1", "Granary"), est(4.1, 3.4, 4.8)), few, short},
		Changes:     []answer.Change{{Time: answer.Time(ms(2026, 3, 28, 16, 0)), Cause: "antenna-turned", Probability: .95, Channels: []int{7, 35}, Sizes: []answer.Num{1.1, -2.3}, Size: est(-2.3, -2.9, -1.7), TurnAbsDeg: est(12, 4, 30), TurnDirection: "counterclockwise"}},
		Comparisons: []answer.Comparison{{RF: 7, A: "old", B: "new", Median: est(.4, -.4, 1.3), Verdict: "undecided", DaysNeeded: 10.2}},
		Alarms: []answer.Alarm{
			{Raised: answer.Time(ms(2026, 4, 2, 6, 0)), Cleared: answer.Time(ms(2026, 4, 2, 7, 0)), Severity: "cleared", Condition: "channel-lost", Channels: []int{35}, Text: "8.1 Bay Light has no picture. Look indoors first."},
			{Raised: answer.Time(ms(2026, 4, 1, 6, 0)), Cleared: answer.Time(ms(2026, 4, 1, 7, 0)), Severity: "cleared", Condition: "channel-lost", Channels: []int{35}, Text: "8.1 Bay Light has no picture. Look indoors first."},
			{Raised: answer.Time(ms(2026, 4, 11, 6, 0)), Severity: "minor", Text: "8.1 Bay Light has too little to spare. Wait first."},
		},
	}
	f := Facts{NowMS: now, Transmitters: []reception.Transmitter{{Name: "Cold Hill", AzimuthDeg: 312, DistanceKM: 41, Note: "over the maples"}}}
	for _, w := range []int{60, 80, 120} {
		var b bytes.Buffer
		if err := AnswerText(&b, a, f, w); err != nil {
			t.Fatal(err)
		}
		for l := range strings.SplitSeq(b.String(), "\n") {
			if n := len([]rune(l)); n > w {
				t.Errorf("width %d: line of %d: %q", w, n, l)
			}
		}
		file := filepath.Join("testdata", fmt.Sprintf("answer-%d.txt", w))
		if *update {
			if err := os.MkdirAll("testdata", 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if b.String() != string(want) {
			t.Errorf("%s differs; look at it, then run go test ./dashboards/words -update\ngot:\n%s", file, b.String())
		}
	}
}

func TestAsof(t *testing.T) {
	day := func(d int) answer.Time { return answer.Time(time.Date(2026, 4, d, 12, 0, 0, 0, time.UTC).UnixMilli()) }
	for _, c := range []struct {
		name string
		to   answer.Time
		want string
	}{
		{"to the end", day(9), "Thursday 9 April 2026, 12:00. Measured 98 % of the time since 2 April."},
		{"a span that ended", day(5), "Thursday 9 April 2026, 12:00. Measured 98 % of the time from Thursday 2 April 2026, 12:00, to Sunday 5 April 2026, 12:00."},
	} {
		a := answer.Answer{AsOf: day(9), Measured: answer.Measured{From: day(2), To: c.to, Share: 0.98}, Channels: []answer.Channel{{}}}
		if got := plain(Asof(a, Facts{})); got != c.want {
			t.Errorf("%s: Asof = %q, want %q", c.name, got, c.want)
		}
	}
}
