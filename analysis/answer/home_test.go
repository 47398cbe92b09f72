package answer

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A home of known truth for the tests. It shares no form with what is tested: leaves
// come and go by two tangents of the date, fades are bursts of random walks, picture
// blocks break by a straight ramp over one dB.
type home struct {
	seed         uint64
	days         int
	firstMS      int64
	zone         *time.Location
	channels     []homeChannel
	everyMS      int64
	installation func(ms int64) string
	weather      bool
	percent      bool
	sawFade      func(channel int, fadeDB float64) // of each visit, below the true settled margin
}

type homeChannel struct {
	hz              int64
	cn              float64 // dry, calm, bare
	leaf, wet       float64 // dB in full leaf, and more when wet
	fades           float64 // bursts a day
	noise           float64
	noiseSlow       float64 // of days
	deadFrom, deadD int     // days without signal
}

func (h home) truthLeaf(ms int64) float64 {
	d := float64(time.UnixMilli(ms).UTC().YearDay())
	up := 0.5 + math.Atan((d-112)/3)/math.Pi
	down := 0.5 - math.Atan((d-312)/4)/math.Pi
	return math.Min(up, down)
}

func (h home) setup() Setup {
	s := Setup{Home: reception.Home{Name: "a test home", Region: reception.RegionUS, TimeZone: h.zone.String(), Latitude: 41, Longitude: -74}, Zone: h.zone, Wanted: reception.DefaultWanted()}
	for _, c := range h.channels {
		_, rf := reception.RegionUS.Key(c.hz)
		s.Channels = append(s.Channels, reception.Channel{FrequencyHz: c.hz, RF: rf, System: reception.ATSC1, BandwidthHz: 6e6, Name: "Channel", Wanted: true, ThresholdDB: math.NaN()})
	}
	return s
}

// facts returns everything there is to know of the home, in order of time.
func (h home) facts() []Fact {
	var out []Fact
	h.each(func(x Fact) { out = append(out, x) })
	return out
}

// each hands on what facts returns, one by one.
func (h home) each(take func(Fact)) {
	scale := reception.Scale{ID: "s", Unit: reception.UnitDB, Step: 0.1, Ceiling: 40, LevelKind: reception.LevelInChannel}
	if h.percent {
		scale.Unit = reception.UnitPercent
	}
	body, err := json.Marshal(scale)
	if err != nil {
		panic(err)
	}
	take(Fact{Entry: &reception.Entry{Kind: reception.KindScale, Key: "s", Held: 1, Known: 1, Body: body}})
	rain := rand.New(rand.NewPCG(h.seed, 1))
	hours := int64(h.days) * 24
	wetness, wet := make([]float64, hours), 0.0
	raining := 0
	for i := range hours {
		ms := h.firstMS + i*reception.HourMS
		d := float64(time.UnixMilli(ms).UTC().YearDay())
		w := reception.NewWeather()
		w.Time, w.Source, w.DistanceKM = ms+reception.HourMS, "test", 5
		w.TempC = 12 - 12.5*math.Cos(2*math.Pi*(d-22)/365.25) + 4*math.Sin(2*math.Pi*float64(i%24-15)/24) + 3*math.Sin(float64(i)/61)
		w.RainMMPerHour = 0
		if raining > 0 || rain.IntN(60) == 0 {
			if raining == 0 {
				raining = 3 + rain.IntN(9)
			}
			raining--
			w.RainMMPerHour = 1 + 2*rain.Float64()
			wet = 1
		} else {
			wet *= 0.85
		}
		wetness[i] = wet
		if h.weather {
			take(Fact{Weather: &w})
		}
	}
	for k, c := range h.channels {
		r := rand.New(rand.NewPCG(h.seed, uint64(100+k)))
		rules := tally.Rules{System: reception.ATSC1, BaseIntervalMS: h.everyMS}
		if h.percent {
			rules.Unit = reception.UnitPercent
		}
		slow, fade := 0.0, 0.0
		var before, hour []reception.Reading
		flush := func() {
			if len(hour) == 0 {
				return
			}
			for _, t := range tally.Hour(hour, before, nil, func(x *reception.Reading) reception.Regime {
				return reception.Regime{Installation: h.installation(x.Time), Scale: "s"}
			}, rules) {
				take(Fact{Tally: &t})
			}
			before, hour = hour, nil
		}
		last := int64(-1)
		for ms := h.firstMS + int64(k)*7000; ms < h.firstMS+hours*reception.HourMS; ms += h.everyMS {
			i := (ms - h.firstMS) / reception.HourMS
			if i != last {
				flush()
				last = i
				if i%24 == 0 {
					slow = 0.5*slow + math.Sqrt(0.75)*c.noiseSlow*r.NormFloat64()
				}
			}
			if r.Float64() < c.fades*float64(h.everyMS)/86400e3 {
				fade = 1 + 2.5*r.ExpFloat64()
			} else if fade > 0 {
				fade = math.Max(0, fade-0.3+0.6*r.NormFloat64())
			}
			leaf := h.truthLeaf(ms)
			cn := c.cn - leaf*(c.leaf+c.wet*wetness[i]) + slow + c.noise*r.NormFloat64() - fade
			if h.sawFade != nil {
				h.sawFade(k, c.cn-leaf*c.leaf-cn)
			}
			x := reception.NewReading()
			x.Time, x.Tuner, x.FrequencyHz, x.DwellMS, x.Scale = ms, "one", c.hz, 5000, "s"
			x.Locked = cn > 14 && !(c.deadD > 0 && int(i/24) >= c.deadFrom && int(i/24) < c.deadFrom+c.deadD)
			x.TotalBlocks, x.UncorrectedBlocks = 64470, 0
			if x.Locked {
				x.CNDB, x.LevelDBm = math.Round(cn*10)/10, cn-70
				if h.percent {
					x.QualityPct, x.CNDB = math.Min(100, math.Round(cn*3)), math.NaN()
				}
				if p := (15.7 - cn); p > 0 && r.Float64() < p {
					x.UncorrectedBlocks = 5000
				}
			} else {
				x.TotalBlocks = 0
			}
			hour = append(hour, x)
		}
		flush()
	}
}

func (h home) fold() *Fold {
	f := New(h.setup())
	h.each(f.Step)
	return f
}

// twoChannels is a home whose UHF channel stands behind leaves.
func twoChannels(days int, seed uint64) home {
	return home{
		seed: seed, days: days, firstMS: time.Date(2024, 1, 10, 17, 0, 0, 0, time.UTC).UnixMilli(), zone: time.FixedZone("Test", -5*3600), everyMS: 600e3, weather: true,
		installation: func(int64) string { return "roof" },
		channels: []homeChannel{
			{hz: 599e6, cn: 24, leaf: 3, wet: 1.5, fades: 0.5, noise: 0.2, noiseSlow: 0.3},
			{hz: 195e6, cn: 22, fades: 0.3, noise: 0.2, noiseSlow: 0.2},
		},
	}
}
