package answer

import (
	"bytes"
	"encoding/json"
	"math"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A visit without lock tells no mode. What was tallied before a mode was known gives
// way to the tally with it, whichever comes first.
func TestModeKnownLater(t *testing.T) {
	h := twoChannels(20, 4)
	with := func(x Fact, mode string) Fact {
		if x.Tally == nil {
			return x
		}
		k := *x.Tally
		k.Key.Regime.Mode = mode
		return Fact{Tally: &k}
	}
	plain, vagueFirst, vagueLast := New(h.setup()), New(h.setup()), New(h.setup())
	for _, x := range h.facts() {
		plain.Step(with(x, "8vsb"))
		vagueFirst.Step(with(x, ""))
		vagueFirst.Step(with(x, "8vsb"))
		vagueLast.Step(with(x, "8vsb"))
		vagueLast.Step(with(x, ""))
	}
	want := marshal(t, plain.Answer(0, 0, 0))
	for name, f := range map[string]*Fold{"before": vagueFirst, "after": vagueLast} {
		if got := marshal(t, f.Answer(0, 0, 0)); !bytes.Equal(got, want) {
			t.Errorf("tallies without mode that came %s count: %s", name, diff(got, want))
		}
	}
}

// A channel of a system with many modes is off for days, in which nobody knows the
// mode: its margin stays on the threshold of the mode it had.
func TestOffForLong(t *testing.T) {
	h := twoChannels(40, 4)
	h.channels = h.channels[:1]
	h.channels[0].deadFrom, h.channels[0].deadD = 30, 100
	s := h.setup()
	s.Channels[0].System = reception.DVBT
	f := New(s)
	for _, x := range h.facts() {
		if x.Tally != nil && x.Tally.Tally.Unlocked < x.Tally.Tally.Visits {
			x.Tally.Key.Regime.Mode = "16qam-3/4"
		}
		f.Step(x)
	}
	a := f.Answer(0, 0, 0)
	if len(a.Channels) != 1 {
		t.Fatalf("%d channels, want the one", len(a.Channels))
	}
	c := a.Channels[0]
	if !c.Threshold.Decided() || !c.SettledMargin.Decided() || len(c.Dropouts) == 0 || c.Dropouts[len(c.Dropouts)-1].End != 0 {
		t.Errorf("threshold %+v, settled %+v, dropouts %+v", c.Threshold, c.SettledMargin, c.Dropouts)
	}
}

// Whatever comes in, no panic and no number that JSON lacks comes out.
func TestAnyFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone := time.FixedZone("z", rapid.IntRange(-12*3600, 14*3600).Draw(t, "offset"))
		h := home{zone: zone, channels: []homeChannel{{hz: 599e6}}}
		s := h.setup()
		s.Home.Latitude = rapid.SampledFrom([]float64{math.NaN(), -90, -35, 0, 41, 65, 90}).Draw(t, "latitude")
		s.Wanted.ViewingFromHour = rapid.IntRange(0, 23).Draw(t, "from")
		s.Wanted.ViewingToHour = rapid.IntRange(0, 24).Draw(t, "to")
		s.Wanted.Availability = rapid.Float64Range(0, 1).Draw(t, "wanted")
		f := New(s)
		start := int64(480000)
		count := rapid.Int64Range(0, 4000)
		hours := rapid.IntRange(0, 900).Draw(t, "hours")
		seed := rapid.Int64Range(1, 40).Draw(t, "stride")
		base := tallyOf(t, count)
		for i := range hours {
			hour := start + int64(i)*seed%7000
			k := tally.Keyed{Key: reception.TallyKey{Series: reception.Series{Tuner: "t", FrequencyHz: 599e6 + int64(i%2)*6e6}, Regime: reception.Regime{Installation: []string{"a", "b"}[i/400%2]}, Hour: hour}, Tally: base}
			if i%13 == 0 {
				k.Tally = tallyOf(t, count)
				k.Tally.Runs = []reception.BadRun{{FirstMS: hour * reception.HourMS, LastMS: hour*reception.HourMS + 1000, GapMS: 900e3, Visits: 1, BaseVisits: int64(i % 2)}}
			}
			f.Step(Fact{Tally: &k})
			if i%3 == 0 {
				w := reception.NewWeather()
				w.Time = (hour + 1) * reception.HourMS
				w.TempC = rapid.SampledFrom([]float64{math.NaN(), -60, 0, 60}).Draw(t, "temp")
				w.RainMMPerHour = rapid.SampledFrom([]float64{math.NaN(), 0, 0.1, 350}).Draw(t, "rain")
				f.Step(Fact{Weather: &w})
			}
		}
		for _, a := range []Answer{f.Answer(0, 0, 0), f.Alarming(0), f.Answer((start+100)*reception.HourMS+7, (start+900)*reception.HourMS+9, (start+1000)*reception.HourMS)} {
			b, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			var got any
			if err := json.Unmarshal(b, &got); err != nil {
				t.Fatal(err)
			}
			for _, x := range append(check("answer", shape, got), nullLists(b)...) {
				t.Error(x)
			}
		}
	})
}

// tallyOf draws a tally that a source might make of anything.
func tallyOf(t *rapid.T, count *rapid.Generator[int64]) reception.Tally {
	x := reception.Tally{Visits: count.Draw(t, "visits")}
	x.DwellMS = x.Visits * rapid.Int64Range(1, 5000).Draw(t, "dwell")
	x.StoodMS = min(reception.HourMS, x.Visits*900e3)
	x.ErroredUS = rapid.Int64Range(0, x.DwellMS*1000).Draw(t, "errored")
	left := x.Visits
	x.Unlocked = rapid.Int64Range(0, left).Draw(t, "unlocked")
	left -= x.Unlocked
	x.NoCN = rapid.Int64Range(0, left).Draw(t, "no C/N")
	left -= x.NoCN
	bin := rapid.Int32Range(-500, 900).Draw(t, "bin")
	for left > 0 && len(x.CN) < 6 {
		n := rapid.Int64Range(1, left).Draw(t, "n")
		x.CN = append(x.CN, reception.Bin{Bin: bin, N: n})
		x.Dose = append(x.Dose, reception.DoseBin{Bin: bin, Visits: n, Failed: rapid.Int64Range(0, n).Draw(t, "failed"), ErroredUS: rapid.Int64Range(0, n*5e6).Draw(t, "dose errored")})
		if s := rapid.Int64Range(0, n).Draw(t, "steady"); s > 0 {
			x.Steady = append(x.Steady, reception.Bin{Bin: bin, N: s})
			if n := rapid.Int64Range(0, s).Draw(t, "steady failed"); n > 0 {
				x.SteadyFailed = append(x.SteadyFailed, reception.Bin{Bin: bin, N: n})
			}
		}
		bin += rapid.Int32Range(1, 80).Draw(t, "gap")
		left -= n
	}
	return x
}

// However the work is spread, the bytes are the same.
func TestSpreadDoesNotMatter(t *testing.T) {
	h := twoChannels(120, 6)
	h.channels = append(h.channels, h.channels[0], h.channels[1])
	h.channels[2].hz, h.channels[2].cn, h.channels[3].hz = 605e6, 17, 201e6
	facts := h.facts()
	ask := func(spread func(n int, do func(i int))) []byte {
		s := h.setup()
		s.Spread = spread
		f := New(s)
		for _, x := range facts {
			f.Step(x)
		}
		_, after := f.extent()
		return append(marshal(t, f.Answer(0, 0, 0)), marshal(t, f.Alarming((after-30)*reception.HourMS))...)
	}
	want := ask(nil)
	for name, spread := range map[string]func(n int, do func(i int)){
		"backwards": func(n int, do func(i int)) {
			for i := n - 1; i >= 0; i-- {
				do(i)
			}
		},
		"at once": func(n int, do func(i int)) {
			var all sync.WaitGroup
			for i := range n {
				all.Go(func() { do(i) })
			}
			all.Wait()
		},
	} {
		if got := ask(spread); !bytes.Equal(got, want) {
			t.Errorf("worked out %s: %s", name, diff(got, want))
		}
	}
}
