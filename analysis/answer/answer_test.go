package answer

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

func marshal(t *testing.T, a Answer) []byte {
	t.Helper()
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatalf("an answer cannot be written: %v", err)
	}
	return b
}

// estimate, and with what else stands beside it.
const est = "value low high"

// shape is the documented form: each key with what lies below it. Keys that an
// estimate may leave out, bound and needs, are not in it.
var shape = map[string]any{
	"home": "name region time_zone time_zone_data", "as_of": "", "measured": "from to share",
	"channels": map[string]any{
		"rf": "", "frequency_hz": "", "layer": "", "tuner": "", "installation": "",
		"latest":       "time locked level_dbm cn_db margin_db",
		"threshold_db": est + " basis", "settled_margin_db": est, "median_margin_db": est, "required_margin_db": est, "spare_db": est, "required_margin_viewing_db": est,
		"fade_depth_99_db": est, "fade_depth_999_db": est,
		"availability": est + " measured_s offair_s", "availability_with_offair": est, "availability_viewing": est,
		"availability_leaf_on": est, "availability_leaf_off": est, "worst_month": est + " month", "evenings_spoiled": est + " evenings_measured",
		"leaf_on": split, "leaf_off": split, "wet": split, "dry": split,
		"leaf_effect_db": est, "wet_leaf_effect_db": est, "wind_effect_db": est, "drift_db_per_month": est,
		"dropouts": map[string]any{"start": "", "start_low": "", "start_high": "", "end": "", "end_low": "", "end_high": "", "cause": "", "probability": "", "also": ""},
		"outlook":  map[string]any{"month": "", "spare_db": est, "basis": ""},
	},
	"changes": "", "comparisons": "", "alarms": "",
}

var split = map[string]any{"median_margin_db": est, "required_margin_db": est, "spare_db": est}

// check walks an answer along the documented shape.
func check(at string, want, got any) []string {
	var out []string
	switch w := want.(type) {
	case string:
		if w == "" {
			return nil
		}
		m, ok := got.(map[string]any)
		if !ok {
			return []string{at + " is no object"}
		}
		for _, k := range strings.Fields(w) {
			if _, ok := m[k]; !ok {
				out = append(out, at+"."+k+" is missing")
			}
		}
		if v, ok := m["value"]; ok && strings.HasPrefix(w, est) {
			if v == nil && (m["needs"] == nil || m["needs"] == "") {
				out = append(out, at+" is null without a word on what it needs")
			}
			lo, okL := m["low"].(float64)
			hi, okH := m["high"].(float64)
			x, okX := v.(float64)
			if okX && (okL && lo > x || okH && hi < x) {
				out = append(out, fmt.Sprintf("%s = %g outside of %g to %g", at, x, lo, hi))
			}
		}
	case map[string]any:
		if list, ok := got.([]any); ok {
			for i, x := range list {
				out = append(out, check(fmt.Sprintf("%s[%d]", at, i), want, x)...)
			}
			return out
		}
		m, ok := got.(map[string]any)
		if !ok {
			return []string{at + " is no object"}
		}
		for _, k := range slices.Sorted(maps.Keys(w)) {
			x, ok := m[k]
			if !ok {
				out = append(out, at+"."+k+" is missing")
				continue
			}
			out = append(out, check(at+"."+k, w[k], x)...)
		}
	}
	return out
}

// lists are never null, whatever there is to say.
func nullLists(b []byte) []string {
	var out []string
	for _, k := range []string{"channels", "changes", "comparisons", "alarms", "dropouts", "outlook", "also"} {
		if bytes.Contains(b, fmt.Appendf(nil, "%q:null", k)) {
			out = append(out, k+" is null, want []")
		}
	}
	return out
}

// Whatever a home has seen, the answer has the documented shape, no number that JSON
// does not know, and a word under each figure that is not there.
func TestShapeWhateverWasSeen(t *testing.T) {
	change := func(f func(h *home)) home {
		h := twoChannels(40, 2)
		f(&h)
		return h
	}
	homes := map[string]home{
		"a month":         change(func(h *home) {}),
		"nothing":         change(func(h *home) { h.days = 0 }),
		"one day":         change(func(h *home) { h.days = 1 }),
		"eight days":      change(func(h *home) { h.days = 8 }),
		"a year and more": change(func(h *home) { h.days = 420; h.everyMS = 1800e3 }),
		"one channel":     change(func(h *home) { h.channels = h.channels[:1] }),
		"no weather":      change(func(h *home) { h.weather = false }),
		"never locked":    change(func(h *home) { h.channels[0].cn = 2; h.channels[1].cn = 2 }),
		"constant":        change(func(h *home) { h.channels = []homeChannel{{hz: 599e6, cn: 30}} }),
		"at the ceiling":  change(func(h *home) { h.channels = []homeChannel{{hz: 599e6, cn: 40, noise: 0.05}} }),
		"never near":      change(func(h *home) { h.channels = []homeChannel{{hz: 599e6, cn: 30, noise: 0.2}} }),
		"per cent":        change(func(h *home) { h.percent = true }),
		"no such channel": change(func(h *home) { h.channels[0].hz = 601234567 }),
		"another zone":    change(func(h *home) { h.zone = time.FixedZone("far", 13*3600+45*60) }),
		"dead at the end": change(func(h *home) { h.channels[0].deadFrom, h.channels[0].deadD = 30, 100 }),
		"hourly visits":   change(func(h *home) { h.everyMS = 7200e3 }),
		"two aerials": change(func(h *home) {
			h.installation = func(ms int64) string {
				if ms-h.firstMS > 20*86400e3 {
					return "mast"
				}
				return "roof"
			}
		}),
	}
	for _, name := range slices.Sorted(maps.Keys(homes)) {
		h := homes[name]
		f := h.fold()
		end := h.firstMS + int64(h.days)*86400e3
		for _, c := range []struct{ from, to, at int64 }{{0, 0, 0}, {h.firstMS + 3*86400e3 + 1234567, end - 7654321, end}, {0, 0, end + 400*86400e3}, {end + 1, end + 2, end + 3}, {0, 0, 1}} {
			a := f.Answer(c.from, c.to, c.at)
			b := marshal(t, a)
			var got any
			if err := json.Unmarshal(b, &got); err != nil {
				t.Fatal(err)
			}
			for _, x := range append(check(name, shape, got), nullLists(b)...) {
				t.Errorf("answer over %d to %d at %d: %s", c.from, c.to, c.at, x)
			}
			alarming := f.Alarming(c.at)
			if err := json.Unmarshal(marshal(t, alarming), &got); err != nil {
				t.Fatal(err)
			}
			for _, x := range check(name, shape, got) {
				t.Errorf("alarming at %d: %s", c.at, x)
			}
		}
	}
}

// The same facts give the same bytes, in any order, with rows told twice, and with
// hours told before they were whole.
func TestOrderDoesNotMatter(t *testing.T) {
	h := twoChannels(45, 3)
	h.installation = func(ms int64) string {
		if ms-h.firstMS > 30*86400e3+5000e3 {
			return "mast"
		}
		return "roof"
	}
	facts := h.facts()
	want := marshal(t, h.fold().Answer(0, 0, 0))
	r := rand.New(rand.NewPCG(9, 9))
	for trial := range 3 {
		f := New(h.setup())
		for n, i := range r.Perm(len(facts)) {
			if x := facts[i]; x.Tally != nil && n%7 == trial {
				part := *x.Tally // the open hour, as it stood half way
				part.Tally.Visits, part.Tally.CN, part.Tally.Dose = 1, nil, nil
				part.Tally.Runs = []reception.BadRun{{FirstMS: part.Key.Hour * reception.HourMS, LastMS: part.Key.Hour*reception.HourMS + 5000, GapMS: 600e3, Visits: 1, BaseVisits: 1}}
				f.Step(Fact{Tally: &part})
			}
			f.Step(facts[i])
			f.Step(facts[r.IntN(n+1)%len(facts)])
			f.Step(facts[i])
			if n%2000 == trial {
				f.Answer(0, 0, 0) // what was worked out before must not stick
				f.Alarming(h.firstMS + 20*86400e3)
			}
		}
		if got := marshal(t, f.Answer(0, 0, 0)); !bytes.Equal(got, want) {
			t.Fatalf("trial %d: another order gives another answer:\n%s\n%s", trial, diff(got, want), want[:200])
		}
	}
}

// diff shows where two texts part.
func diff(a, b []byte) string {
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	return fmt.Sprintf("%s | %s", a[max(0, i-120):min(len(a), i+80)], b[max(0, i-120):min(len(b), i+80)])
}

// The zone in which the home lives moves days, not what is known: figures over all
// hours stay within a hair.
func TestNewestInstallationFirst(t *testing.T) {
	h := twoChannels(45, 3)
	h.installation = func(ms int64) string {
		if ms-h.firstMS > 30*86400e3 {
			return "a mast"
		}
		return "roof"
	}
	a := h.fold().Answer(0, 0, 0)
	var got []string
	for _, c := range a.Channels {
		got = append(got, fmt.Sprint(c.Installation, " ", c.RF))
	}
	if want := "[a mast 10 a mast 35 roof 10 roof 35]"; fmt.Sprint(got) != want {
		t.Errorf("channels %v, want %s", got, want)
	}
	b := h.fold().Answer(h.firstMS+35*86400e3, 0, 0)
	if len(b.Channels) != 2 || b.Channels[0].Installation != "a mast" {
		t.Errorf("a span after the change has %d channels, want those of the mast", len(b.Channels))
	}
}

func covers(e Est, truth float64) bool { return e.Low <= truth && truth <= e.High }

// Against homes of known truth: what the answer says must hold it, pooled over homes.
func TestTruth(t *testing.T) {
	type count struct{ hit, n int }
	seen := map[string]*count{}
	note := func(what string, e Est, truth float64) {
		c := seen[what]
		if c == nil {
			c = &count{}
			seen[what] = c
		}
		c.n++
		if covers(e, truth) {
			c.hit++
		} else {
			t.Logf("%s: %.2f (%.2f to %.2f), truth %.2f", what, e.Value, e.Low, e.High, truth)
		}
	}
	for seed := range uint64(6) {
		h := twoChannels(530, 20+seed)
		h.everyMS = 1200e3
		fades := [2][]float64{}
		h.sawFade = func(k int, db float64) { fades[k] = append(fades[k], db) }
		a := h.fold().Answer(0, 0, 0)
		for _, c := range a.Channels {
			k := 0
			if c.FrequencyHz != h.channels[0].hz {
				k = 1
			}
			hc := h.channels[k]
			// Half of the visits break at 15.2: the ramp runs from 15.7 to 14.7.
			if c.Threshold.Basis != "learnt" || math.Abs(c.Threshold.Value-15.2) > 0.3 {
				t.Errorf("threshold %.2f %s, want 15.2 learnt", c.Threshold.Value, c.Threshold.Basis)
			}
			end := h.truthLeaf(h.firstMS + 530*86400e3)
			note("settled margin", c.SettledMargin, hc.cn-hc.leaf*end-15.2)
			note("leaf effect", c.LeafEffect, hc.leaf)
			note("wet-leaf effect", c.WetLeafEffect, hc.wet)
			note("drift", c.DriftDBPerMonth, 0)
			required := requiredTruth(fades[k], 0.99)
			note("required margin", c.RequiredMargin, required)
			note("to spare", c.Spare, hc.cn-hc.leaf*end-15.2-required)
			if math.Abs(c.RequiredMargin.Value-required) > 0.5 {
				t.Errorf("required margin %.2f dB, want %.2f within 0.5", c.RequiredMargin.Value, required)
			}
			slices.Sort(fades[k])
			note("fade depth at 99 %", c.FadeDepth99, fades[k][len(fades[k])*99/100])
		}
	}
	for _, what := range slices.Sorted(maps.Keys(seen)) {
		c := seen[what]
		t.Logf("%s: covered in %d of %d", what, c.hit, c.n)
		if c.hit < c.n*8/10 {
			t.Errorf("%s: covered in %d of %d, want at least 8 of 10", what, c.hit, c.n)
		}
	}
}

// requiredTruth is the margin at which the home's own fades break so small a share of
// visits, by the home's own rule: a visit breaks with probability 0.5 - margin.
func requiredTruth(fades []float64, wanted float64) float64 {
	for m := 0.0; ; m += 0.01 {
		broken := 0.0
		for _, f := range fades {
			broken += math.Min(1, math.Max(0, 0.5-(m-f)))
		}
		if broken <= (1-wanted)*float64(len(fades)) {
			return m
		}
	}
}

// Counted by hand from the readings: what share of the visits broke.
func TestAvailabilityIsTheShareOfVisits(t *testing.T) {
	h := twoChannels(60, 5)
	var dwell, errored float64
	for _, x := range h.facts() {
		if x.Tally != nil && x.Tally.Key.FrequencyHz == 599e6 {
			dwell += float64(x.Tally.Tally.DwellMS)
			errored += float64(x.Tally.Tally.ErroredUS) / 1000
		}
	}
	a := h.fold().Answer(0, 0, 0)
	for _, c := range a.Channels {
		if c.FrequencyHz == 599e6 && math.Abs(c.Availability.Value-(1-errored/dwell)) > 1e-4 {
			t.Errorf("availability %.5f, want %.5f", c.Availability.Value, 1-errored/dwell)
		}
	}
}

// A channel that is dead spoils its evenings, and stays open as a dropout.
// What is to spare waits for its slower part, and says until when.
func TestSpareSaysWhen(t *testing.T) {
	for _, c := range []struct {
		days int
		want string
	}{
		{4, "14 days measured: 4 so far, 2024-01-24 at the earliest"},
		{9, "14 days measured: 9 so far, 2024-01-24 at the earliest"},
		{20, ""},
	} {
		h := twoChannels(c.days, 3)
		a := h.fold().Answer(0, 0, h.firstMS+int64(c.days)*24*reception.HourMS)
		for _, ch := range a.Channels {
			if ch.Spare.Needs != c.want || ch.Spare.Decided() != (c.want == "") {
				t.Errorf("after %d days RF %d: spare_db %v needs %q, want %q", c.days, ch.RF, ch.Spare.Value, ch.Spare.Needs, c.want)
			}
		}
	}
}

func TestDeadChannel(t *testing.T) {
	h := twoChannels(30, 6)
	h.channels[0].fades, h.channels[1].fades = 0, 0
	h.channels[0].deadFrom, h.channels[0].deadD = 20, 100
	a := h.fold().Answer(0, 0, 0)
	for _, c := range a.Channels {
		dead := c.FrequencyHz == 599e6
		switch {
		case dead && (len(c.Dropouts) != 1 || c.Dropouts[0].End != 0 || c.Latest.Locked || c.EveningsSpoiled.Value != 10):
			t.Errorf("dead channel: dropouts %+v, latest %+v, evenings %+v", c.Dropouts, c.Latest, c.EveningsSpoiled)
		case !dead && (len(c.Dropouts) != 0 || !c.Latest.Locked || c.EveningsSpoiled.Value != 0 || c.EveningsSpoiled.EveningsMeasured != 30):
			t.Errorf("good channel: dropouts %+v, latest %+v, evenings %+v", c.Dropouts, c.Latest, c.EveningsSpoiled)
		}
	}
}

// What Alarming says it says as Answer does, where thresholds are of the same moment.
func TestAlarmingAgrees(t *testing.T) {
	h := twoChannels(70, 7)
	f := h.fold()
	at := h.firstMS + 63*86400e3
	a, b := f.Answer(0, 0, at), f.Alarming(at)
	for i, x := range a.Channels {
		y := b.Channels[i]
		for k := range x.Dropouts { // alarms do not wait for causes
			d := &x.Dropouts[k]
			d.Cause, d.Probability, d.Also, d.For, d.Against, d.Alike, d.Part = "unknown", Num(math.NaN()), []Cause{}, nil, nil, nil, ""
		}
		for _, c := range []struct {
			what string
			x, y any
		}{{"settled", x.SettledMargin, y.SettledMargin}, {"spare", x.Spare, y.Spare}, {"latest", x.Latest, y.Latest}, {"threshold", x.Threshold, y.Threshold}, {"dropouts", x.Dropouts, y.Dropouts}, {"median", x.MedianMargin, y.MedianMargin}} {
			p, _ := json.Marshal(c.x)
			q, _ := json.Marshal(c.y)
			if !bytes.Equal(p, q) {
				t.Errorf("%s: Answer says %s, Alarming %s", c.what, p, q)
			}
		}
	}
}

// Nothing after "at" is known at "at".
func TestAtLooksBackOnly(t *testing.T) {
	h := twoChannels(60, 8)
	at := h.firstMS + 40*86400e3
	f := New(h.setup())
	for _, x := range h.facts() {
		if x.Tally != nil && x.Tally.Key.Hour*reception.HourMS >= at || x.Weather != nil && x.Weather.Time > at {
			continue
		}
		f.Step(x)
	}
	if got, want := marshal(t, h.fold().Answer(0, 0, at)), marshal(t, f.Answer(0, 0, at)); !bytes.Equal(got, want) {
		t.Errorf("what came later shows: %s", diff(got, want))
	}
}

// A loss that began twelve minutes into the hour and was seen a minute ago lasts, though
// the hour is not over; twenty minutes after its last bad visit it is over.
func TestALossInTheHourUnderWay(t *testing.T) {
	h := twoChannels(2, 7)
	f := h.fold()
	var last *tally.Keyed
	for _, x := range h.facts() {
		if x.Tally != nil && x.Tally.Key.FrequencyHz == 599e6 && (last == nil || x.Tally.Key.Hour > last.Key.Hour) {
			last = x.Tally
		}
	}
	k := *last
	k.Key.Hour++
	const minute = int64(60e3)
	start := k.Key.Hour*reception.HourMS + 12*minute
	k.Tally.Runs = []reception.BadRun{{FirstMS: start, LastMS: start + 5*minute, BeforeMS: start - 5*minute, GapMS: 15 * minute, Visits: 2, BaseVisits: 2, Unlocked: 2}}
	f.Step(Fact{Tally: &k})
	for _, c := range []struct {
		after int64 // the last bad visit
		lasts bool
	}{{minute, true}, {14 * minute, true}, {20 * minute, false}} {
		a := f.Alarming(start + 5*minute + c.after)
		for _, ch := range a.Channels {
			if ch.FrequencyHz != 599e6 {
				continue
			}
			d := ch.Dropouts[len(ch.Dropouts)-1]
			if int64(d.Start) != start || (d.End == 0) != c.lasts {
				t.Errorf("%d min after its last bad visit: dropout %+v, lasts: want %v", c.after/minute, d, c.lasts)
			}
		}
	}
}

// A loss on another transport stream is said as such: alarms tell it apart.
func TestAnotherSignalIsSaid(t *testing.T) {
	h := twoChannels(2, 7)
	s := h.setup()
	for i := range s.Channels {
		s.Channels[i].Identity, s.Channels[i].Wanted = "2126", i == 0
	}
	learnt := h.setup()
	fl := New(learnt) // where the config names no identity
	f := New(s)
	var last *tally.Keyed
	for _, x := range h.facts() {
		if x.Latest != nil {
			continue
		}
		f.Step(x)
		fl.Step(x)
		if x.Tally != nil && x.Tally.Key.FrequencyHz == 599e6 && (last == nil || x.Tally.Key.Hour > last.Key.Hour) {
			last = x.Tally
		}
	}
	const minute = int64(60e3)
	k := *last
	k.Key.Hour++
	start := k.Key.Hour*reception.HourMS + 12*minute
	k.Tally.Runs = []reception.BadRun{{FirstMS: start, LastMS: start + 5*minute, BeforeMS: start - 5*minute, GapMS: 15 * minute, Visits: 2, BaseVisits: 2, WrongIdentity: 2}}
	f.Step(Fact{Tally: &k})
	look := func(at int64) Channel {
		a := f.Alarming(at)
		return a.Channels[slices.IndexFunc(a.Channels, func(c Channel) bool { return c.FrequencyHz == 599e6 })]
	}
	c := look(start + 6*minute)
	if d := c.Dropouts[len(c.Dropouts)-1]; d.Visits != 2 || d.WrongIdentity != 2 || !c.Latest.WrongIdentity {
		t.Errorf("by the tally: dropout %+v, latest %+v; want two visits on another signal, the last of them", d, c.Latest)
	}
	for _, x := range []struct {
		identity string
		wrong    bool
	}{{"2199", true}, {"2126", false}, {"0x084e", false}, {"", false}} {
		r := reception.NewReading()
		start += minute
		r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Locked, r.CNDB, r.Identity = start+6*minute, c.Tuner, 599e6, 5000, true, 25, x.identity
		f.Step(Fact{Latest: &r})
		if got := look(start + 7*minute).Latest; got.Time != Time(r.Time) || got.WrongIdentity != x.wrong {
			t.Errorf("identity %q: latest %+v, want wrong %v", x.identity, got, x.wrong)
		} else if got.Identity != x.identity || got.ExpectedIdentity != "2126" {
			t.Errorf("identity %q: latest %+v, want it said, and what was expected", x.identity, got)
		}
		fl.Step(Fact{Latest: &r, Expected: "2126"})
		a := fl.Alarming(start + 7*minute)
		if got := a.Channels[slices.IndexFunc(a.Channels, func(c Channel) bool { return c.FrequencyHz == 599e6 })].Latest; got.WrongIdentity != x.wrong {
			t.Errorf("identity %q, the expected one learnt: latest %+v, want wrong %v", x.identity, got, x.wrong)
		}
	}
}
