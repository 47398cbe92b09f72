package cause

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
)

func nan() float64 { return math.NaN() }

// quiet is a member to which nothing happened: two masts, two tuners.
func quiet(hz int64, mast, tuner string, km float64, growth reception.Growth) Member {
	return Member{
		Series: reception.Series{Tuner: tuner, FrequencyHz: hz}, Transmitter: mast, DistanceKM: km, Growth: growth,
		MarginDB: 8, Visits: 4, CN: Change{DB: 0, SD: 0.4}, Level: Change{DB: 0, SD: 0.4}, Edge: Change{DB: nan(), SD: nan()}, Beside: nan(), Overlap: 1,
	}
}

func struckBy(m Member, cn, level float64) Member {
	m.Bad, m.CN.DB, m.Level.DB, m.Beside = m.Visits, cn, level, cn
	return m
}

func dark(m Member, level float64) Member {
	m.Bad, m.Unlocked = m.Visits, m.Visits
	m.CN, m.Level = Change{DB: -9, SD: 0.4, AtMost: true}, Change{DB: level, SD: 0.4}
	m.Edge = Change{DB: 0.1, SD: 0.4}
	return m
}

func home() []Member {
	return []Member{
		quiet(63e6, "Near", "a", 18, reception.GrowthNone),
		quiet(195e6, "Near", "b", 18, reception.GrowthNone),
		quiet(503e6, "Near", "a", 18, reception.GrowthNone),
		quiet(545e6, "Oaks", "b", 20, reception.GrowthDeciduous),
		quiet(593e6, "Oaks", "a", 20, reception.GrowthDeciduous),
		quiet(575e6, "Far", "a", 86, reception.GrowthNone),
		quiet(605e6, "Far", "b", 86, reception.GrowthNone),
	}
}

func weather() Conditions {
	return Conditions{
		LocalHour: 20, Month: 7, Leaf: 1, HPa: 1015, SpreadC: 5, DistanceKM: 5, LastsMS: 40 * 60e3,
		Sky: drivers.Hour{TempC: 18, WindMPS: 4.5, GustMPS: nan(), PrecipMM: 0},
	}
}

// Fingerprints of the trade (common practice, no published source): who falls, whether
// the level falls along, and in what weather.
func TestFingerprints(t *testing.T) {
	all := func(f func(Member) Member) func([]Member) {
		return func(m []Member) {
			for i := range m {
				m[i] = f(m[i])
			}
		}
	}
	for _, c := range []struct {
		want string
		do   func(m []Member)
		when func(c *Conditions)
	}{
		{"wet-leaves", func(m []Member) { m[3], m[4] = struckBy(m[3], -8, -8), struckBy(m[4], -8.6, -8.4) },
			func(c *Conditions) { c.Sky.WetLow, c.Sky.WetHigh, c.Sky.PrecipMM, c.Sky.Fell = 0.9, 1, 2, true }},
		{"impulse-noise", func(m []Member) { m[0] = struckBy(m[0], -0.8, 0) }, nil},
		{"amplifier", all(func(m Member) Member { return struckBy(m, -17, -18) }), nil},
		{"snow-ice", all(func(m Member) Member { // the high end of the antenna first
			db := -11 * math.Sqrt(float64(m.FrequencyHz)/600e6)
			if m = struckBy(m, db, db); db > -8 {
				m.Bad = 0
			}
			return m
		}), func(c *Conditions) {
			c.Month, c.Leaf, c.Sky.TempC, c.SnowFell, c.Sky.Fell, c.Sky.PrecipMM, c.LastsMS = 1, 0, -1, true, true, 1, 5*3600e3
		}},
		{"tropospheric-fading", func(m []Member) { m[5], m[6] = struckBy(m[5], -8.5, -8.4), struckBy(m[6], -9, -8.7) },
			func(c *Conditions) { c.LocalHour = 3 }},
		{"ducting", func(m []Member) { m[5], m[2] = struckBy(m[5], -9, 3), struckBy(m[2], -8, 2) },
			func(c *Conditions) { c.LocalHour, c.HPa, c.Sky.WindMPS = 4, 1026, 1 }},
		{"transmitter-off", func(m []Member) { m[2] = dark(m[2], -23) }, func(c *Conditions) { c.LocalHour = 1.5 }},
		{"sporadic-e", func(m []Member) { m[0] = struckBy(m[0], -12, 6) }, func(c *Conditions) { c.Month, c.LocalHour = 6, 10.5 }},
	} {
		t.Run(c.want, func(t *testing.T) {
			e := Episode{Conditions: weather(), Members: home()}
			c.do(e.Members)
			if c.when != nil {
				c.when(&e.Conditions)
			}
			v := Judge(e)
			if v.Ranked[0].Cause != c.want || v.Ranked[0].Probability < 0.5 {
				t.Errorf("ranked %v; want %s first, with at least 0.5", v.Ranked, c.want)
			}
			if len(v.For) == 0 {
				t.Error("nothing is said for it")
			}
		})
	}
}

// A tuner and its lead share every test: both get the same, and it is said what parts
// them.
func TestNotSeparable(t *testing.T) {
	e := Episode{Conditions: weather(), Members: home()}
	for i := range e.Members {
		if m := &e.Members[i]; m.Tuner == "a" {
			*m = struckBy(*m, -12, -12)
		}
	}
	v := Judge(e)
	if len(v.Ranked) < 2 || v.Ranked[0].Probability != v.Ranked[1].Probability || v.Ranked[0].Cause != "tuner" || v.Ranked[1].Cause != "leg" {
		t.Fatalf("ranked %v; want tuner and leg alike", v.Ranked)
	}
	if !slices.Contains(v.Alike, "leg") || !strings.Contains(v.Part, "swap") {
		t.Errorf("alike %v, part %q; want the leg, and to swap leads", v.Alike, v.Part)
	}
}

// One tuner that only lost lock is no witness that the transmitter was off: a deep fade
// looks the same to it.
func TestOffAirNeedsAWitness(t *testing.T) {
	at := func(level float64) float64 {
		e := Episode{Conditions: weather(), Members: home()}
		e.LocalHour = 1.5
		e.Members[2] = dark(e.Members[2], level)
		return Judge(e).OffAir()
	}
	if p := at(nan()); p != 0 {
		t.Errorf("off air with %.2f where no level is known; want 0", p)
	}
	if p := at(-23); p < 0.5 {
		t.Errorf("off air with %.2f where the level fell to the noise; want at least 0.5", p)
	}
}

// Whatever was measured, also nothing, gives probabilities, and the order of the
// members does not matter.
func TestAnyEpisode(t *testing.T) {
	num := func(lo, hi float64) *rapid.Generator[float64] {
		return rapid.OneOf(rapid.Just(nan()), rapid.Float64Range(lo, hi))
	}
	rapid.Check(t, func(t *rapid.T) {
		e := Episode{Conditions: Conditions{
			LocalHour: num(0, 24).Draw(t, "hour"), Month: rapid.IntRange(0, 12).Draw(t, "month"), Leaf: num(0, 1).Draw(t, "leaf"),
			HPa: num(950, 1050).Draw(t, "hPa"), LastsMS: num(1, 1e10).Draw(t, "lasts"), DistanceKM: num(0, 100).Draw(t, "km"),
			Sky: drivers.Hour{TempC: num(-40, 40).Draw(t, "temp"), WindMPS: num(0, 40).Draw(t, "wind"), GustMPS: num(0, 60).Draw(t, "gust"), PrecipMM: nan(), WetHigh: 1},
		}}
		change := rapid.Custom(func(t *rapid.T) Change {
			return Change{DB: num(-60, 40).Draw(t, "db"), SD: rapid.Float64Range(0, 10).Draw(t, "sd"), AtMost: rapid.Bool().Draw(t, "at most")}
		})
		for range rapid.IntRange(0, 8).Draw(t, "members") {
			visits := rapid.Float64Range(0, 50).Draw(t, "visits")
			e.Members = append(e.Members, Member{
				Series:      reception.Series{Tuner: rapid.SampledFrom([]string{"a", "b"}).Draw(t, "tuner"), FrequencyHz: rapid.Int64Range(50e6, 700e6).Draw(t, "hz")},
				Transmitter: rapid.SampledFrom([]string{"", "x", "y"}).Draw(t, "mast"), DistanceKM: num(1, 200).Draw(t, "distance"),
				MarginDB: num(-20, 40).Draw(t, "margin"), Visits: visits, Bad: visits * rapid.SampledFrom([]float64{0, 0.5, 1}).Draw(t, "bad"),
				CN: change.Draw(t, "cn"), Level: change.Draw(t, "level"), Edge: change.Draw(t, "edge"), Beside: num(-40, 20).Draw(t, "beside"),
				Overlap: rapid.Float64Range(0, 1).Draw(t, "overlap"), Ceiling: rapid.Bool().Draw(t, "ceiling"),
			})
		}
		v := Judge(e)
		sum, last := 0.0, math.Inf(1)
		for _, r := range v.Ranked {
			if !(r.Probability >= 0 && r.Probability <= atMost && r.Probability <= last) {
				t.Fatalf("ranked %v", v.Ranked)
			}
			sum, last = sum+r.Probability, r.Probability
		}
		if sum > 1.0001 || len(v.Ranked) == 0 {
			t.Fatalf("ranked %v add up to %g", v.Ranked, sum)
		}
		slices.Reverse(e.Members)
		w := Judge(e)
		p := map[string]float64{}
		for _, r := range w.Ranked {
			p[r.Cause] = r.Probability
		}
		for _, r := range v.Ranked {
			if q, ok := p[r.Cause]; ok && math.Abs(q-r.Probability) > 1e-9 {
				t.Fatalf("%s has %g in one order of members, %g in the other", r.Cause, r.Probability, q)
			}
		}
	})
	if v := Judge(Episode{}); len(v.Ranked) != 1 || v.Ranked[0].Cause != "unknown" {
		t.Errorf("of nothing: %v; want unknown alone", v.Ranked)
	}
}

// Changes towards five directions when an antenna of 40 degrees turns by 12: a parabola
// in dB gives D = 12/w^2 (2 x d - d^2), worked by hand.
func TestTurnDB(t *testing.T) {
	for x, want := range map[float64]float64{-25: -5.58, -10: -2.88, 0: -1.08, 15: 1.62, 30: 4.32} {
		if got := TurnDB(x, 40, 12); math.Abs(got-want) > 0.005 {
			t.Errorf("TurnDB(%g, 40, 12) = %.3f; want %.2f", x, got, want)
		}
	}
}

func moved(m Member, db, level float64) Member {
	m.CN, m.Level, m.Beside = Change{DB: db, SD: 0.3}, Change{DB: level, SD: 0.3}, db
	return m
}

func azimuths(m []Member) []Member {
	for i := range m {
		m[i].AzimuthDeg = map[string]float64{"Near": 20, "Oaks": 95, "Far": 60}[m[i].Transmitter]
	}
	return m
}

// Lasting changes by who moved (common practice, no published source).
func TestLastingChanges(t *testing.T) {
	for _, c := range []struct {
		want string
		by   func(m *Member) float64
	}{
		{"antenna-turned", func(m *Member) float64 { return TurnDB(m.AzimuthDeg-50, 1.1*beamwidth(m.FrequencyHz), 25) }},
		{"amplifier", func(*Member) float64 { return -14 }},
		{"tuner", func(m *Member) float64 {
			if m.Tuner == "a" {
				return -6
			}
			return 0
		}},
		{"transmitter-reduced", func(m *Member) float64 {
			if m.FrequencyHz == 503e6 {
				return -5
			}
			return 0
		}},
		{"obstruction", func(m *Member) float64 {
			switch {
			case m.Transmitter != "Oaks":
				return 0
			case m.FrequencyHz < 560e6:
				return -3.2
			}
			return -6
		}},
	} {
		t.Run(c.want, func(t *testing.T) {
			e := Episode{Conditions: weather(), Members: azimuths(home())}
			for i := range e.Members {
				db := c.by(&e.Members[i])
				e.Members[i] = moved(e.Members[i], db, db)
			}
			v := JudgeLasting(e)
			if v.Ranked[0].Cause != c.want {
				t.Errorf("ranked %v; want %s first", v.Ranked, c.want)
			}
			if c.want == "antenna-turned" && (v.Turn.Clockwise < 0.9 || v.Turn.LowDeg > 25 || v.Turn.HighDeg < 25) {
				t.Errorf("turn %+v; want 25 degrees clockwise", v.Turn)
			}
		})
	}
}

// With every mast in one direction no turn is claimed.
func TestNoTurnFromOneDirection(t *testing.T) {
	e := Episode{Conditions: weather(), Members: home()}
	for i := range e.Members {
		e.Members[i] = moved(e.Members[i], -4, -4)
		e.Members[i].AzimuthDeg = 40
	}
	for _, r := range JudgeLasting(e).Ranked {
		if r.Cause == "antenna-turned" {
			t.Errorf("a turn with %.2f out of one direction", r.Probability)
		}
	}
}
