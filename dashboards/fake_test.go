package dashboards

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// fakeHome is a Backend over an invented home: three masts, fourteen channels.
type fakeHome struct {
	facts   Facts
	answer  answer.Answer
	tallies []KeyedTally
	weather []reception.Weather
	leaf    []LeafDay
	alarms  []alerting.Alarm
	health  []reception.Health
	err     error // of Facts and Answer

	mu       sync.Mutex
	watchers []chan struct{}
	acked    []string
	imported string
}

func (f *fakeHome) Facts(context.Context) (Facts, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.facts, f.err
}
func (f *fakeHome) Answer(context.Context, int64, int64, int64) (answer.Answer, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.answer, f.err
}

// set changes the home while handlers may be reading it.
func (f *fakeHome) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}
func (f *fakeHome) Tallies(_ context.Context, from, to int64) iter.Seq2[KeyedTally, error] {
	return func(yield func(KeyedTally, error) bool) {
		for _, t := range f.tallies {
			if ms := t.Key.Hour * hourMS; ms >= from && ms < to && !yield(t, nil) {
				return
			}
		}
	}
}
func (f *fakeHome) Weather(_ context.Context, from, to int64) iter.Seq2[reception.Weather, error] {
	return func(yield func(reception.Weather, error) bool) {
		for _, w := range f.weather {
			if w.Time >= from && w.Time < to && !yield(w, nil) {
				return
			}
		}
	}
}
func (f *fakeHome) Leaf(_ context.Context, from, to int64) ([]LeafDay, error) {
	var out []LeafDay
	for _, d := range f.leaf {
		if d.NoonMS >= from && d.NoonMS < to {
			out = append(out, d)
		}
	}
	return out, nil
}
func (f *fakeHome) Alarms(_ context.Context, from, to int64) ([]alerting.Alarm, error) {
	return f.alarms, nil
}
func (f *fakeHome) TryWay(_ context.Context, name string) (string, error) {
	if name != "bell" {
		return "", errors.New("nobody answers")
	}
	return "it rang", nil
}

func (f *fakeHome) Acknowledge(_ context.Context, id string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, a := range f.alarms {
		if a.ID == id {
			f.acked = append(f.acked, id)
			return nil
		}
	}
	return fmt.Errorf("%w: %q", alerting.ErrNoAlarm, id)
}
func (f *fakeHome) Health(context.Context) ([]reception.Health, error) { return f.health, nil }
func (f *fakeHome) Watch(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	f.mu.Lock()
	f.watchers = append(f.watchers, c)
	f.mu.Unlock()
	return c
}
func (f *fakeHome) listening() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.watchers)
}
func (f *fakeHome) tick() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.watchers {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}
func (f *fakeHome) Export(_ context.Context, _, _ string, from, to int64, w io.Writer) error {
	_, err := fmt.Fprintf(w, "time\n%d\n%d\n", from, to)
	return err
}

func (f *fakeHome) Import(_ context.Context, kind, name string, csv, scales io.Reader, progress func(ImportProgress)) (ImportReport, error) {
	b, err := io.ReadAll(csv)
	if err != nil {
		return ImportReport{}, err
	}
	sc := "none"
	if scales != nil {
		s, err := io.ReadAll(scales)
		if err != nil {
			return ImportReport{}, err
		}
		sc = string(s)
	}
	f.imported = kind + "/" + name + "/" + sc + "/" + string(b)
	rows := int64(strings.Count(string(b), "\n"))
	progress(ImportProgress{Rows: rows, Bytes: int64(len(b))})
	if strings.Contains(string(b), "full disk") {
		return ImportReport{Rows: rows}, errors.New("disk is full: nothing of this batch was stored")
	}
	return ImportReport{Rows: rows, New: rows, Bad: []ImportIssue{}}, nil
}
func (f *fakeHome) Ready(context.Context) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}

// The invented channels: RF, screen, name, mast, median margin, required margin,
// leaf effect, spread, dB.
type fakeChannel struct {
	rf            int
	screen, name  string
	mast          string
	m, need, leaf float64
	sd            float64
}

var fakeChannels = []fakeChannel{
	{7, "6.1", "Granary", "Cold Hill", 11.4, 3.9, .5, .8},
	{9, "9.1", "Lantern", "Cold Hill", 8.3, 4.1, .6, .9},
	{14, "17.1", "Millpond", "Cold Hill", 9.6, 5.0, 2.1, .9},
	{21, "2.1", "Cold Hill Two", "Cold Hill", 10.9, 5.2, 2.6, 1.1},
	{27, "44.1", "Saltbox", "Cold Hill", 11.1, 5.3, 2.8, 1.1},
	{33, "12.1", "Quarterlight", "Cold Hill", 6.0, 4.6, 3.1, 1.25},
	{5, "5.1", "Osier One", "Osier Bluff", 9.4, 4.4, .1, 1.1},
	{11, "11.1", "Bellwether", "Osier Bluff", 17.6, 3.0, .1, .6},
	{16, "52.1", "Threshing", "Osier Bluff", 15.8, 2.8, .2, .6},
	{25, "31.1", "Halyard", "Osier Bluff", 12.2, 3.0, .2, .7},
	{30, "46.1", "Osier Two", "Osier Bluff", 9.6, 3.1, .3, .7},
	{10, "10.1", "Breakwater", "Samphire Holm", 9.4, 6.1, 0, 1.2},
	{24, "58.1", "Sandglass", "Samphire Holm", 9.7, 6.8, 0, 1.4},
	{35, "8.1", "Bay Light", "Samphire Holm", 4.2, 5.4, 0, 1.7},
}

var fakeZone = time.FixedZone("", 0)

func at(y, m, d, h int) int64 {
	return time.Date(y, time.Month(m), d, h, 0, 0, 0, fakeZone).UnixMilli()
}

var fakeNow = at(2026, 4, 14, 19) + 20*60*1000

func leafCurve(ms int64) float64 {
	d := float64(time.UnixMilli(ms).UTC().YearDay())
	return 1 / (1 + math.Exp(-(d-139)/5)) / (1 + math.Exp(-(300-d)/6))
}

func est(v, half float64) answer.Est {
	return answer.Est{Value: v, Low: v - half, High: v + half, EffectiveN: 40}
}

func undecidedEst(needs string) answer.Est { return answer.Est(reception.Undecided(needs)) }

// newFakeHome makes the home as of 14 April 2026, measured for so many days.
func newFakeHome(days int) *fakeHome {
	f := &fakeHome{}
	nan := math.NaN()
	f.facts = Facts{
		Home:   reception.Home{ID: "0", Name: "Quince Lane, Marrow Ferry", Region: reception.RegionUS, TimeZone: "UTC", Latitude: 45, Longitude: -70, GroundM: nan},
		Tuners: []reception.Tuner{{Name: "tuner 1", Kind: "simulated"}, {Name: "tuner 2", Kind: "simulated"}},
		Transmitters: []reception.Transmitter{
			{Name: "Cold Hill", AzimuthDeg: 312, DistanceKM: 41, Note: "over the maples"},
			{Name: "Osier Bluff", AzimuthDeg: 78, DistanceKM: 23, Note: "open fields"},
			{Name: "Samphire Holm", AzimuthDeg: 163, DistanceKM: 88, Note: "across the bay"},
		},
		Scales: map[string]reception.Scale{
			"s1": {ID: "s1", Unit: reception.UnitDB, Step: .1, Ceiling: 30},
			"s2": {ID: "s2", Unit: reception.UnitDB, Step: .1, Ceiling: 27},
		},
		Wanted: reception.DefaultWanted(), NowMS: fakeNow,
		Installations: []Installation{{FromMS: at(2024, 10, 1, 0), Name: "first"}, {FromMS: at(2026, 3, 30, 11), Name: "first", Note: "new cable"}},
	}
	start := fakeNow - int64(days)*dayMS
	f.facts.FirstMS = start
	f.answer = answer.Answer{
		Home: answer.Home{Name: f.facts.Home.Name, Region: "us", TimeZone: "UTC"}, AsOf: answer.Time(fakeNow),
		Measured: answer.Measured{From: answer.Time(start), To: answer.Time(fakeNow), Share: .93},
	}
	for i := range 630 {
		ms := fakeNow + int64(i-420)*dayMS
		f.leaf = append(f.leaf, LeafDay{NoonMS: ms, State: leafCurve(ms), Expected: ms > fakeNow})
	}
	f.makeWeather(start)
	for i, c := range fakeChannels {
		hz, _, err := reception.RegionUS.CentreHz(c.rf)
		if err != nil {
			panic(err)
		}
		f.facts.Channels = append(f.facts.Channels, reception.Channel{FrequencyHz: hz, RF: c.rf, System: reception.ATSC1, Name: c.name, Screen: c.screen, Wanted: true, Transmitter: c.mast})
		tuner, ceiling := "tuner 1", 14.8
		if c.rf%2 == 0 {
			tuner, ceiling = "tuner 2", 11.8
		}
		f.makeTallies(i, c, hz, tuner, ceiling, start)
		f.answer.Channels = append(f.answer.Channels, fakeAnswer(c, hz, tuner, ceiling, days))
	}
	f.sortTallies()
	f.alarms = []alerting.Alarm{
		{ID: "spare-below-zero/rf35/1", Condition: alerting.SpareBelowZero, Scope: "rf35", Severity: alerting.Minor, Channels: []int{35}, Raised: at(2026, 4, 11, 6), Origin: "journal", Kept: true,
			Text: "8.1 Bay Light has had too little to spare since 11 April. −1.2 dB, −1.9 to −0.6. Wait first; then look indoors at plugs and leads."},
		{ID: "tuner-silent/tuner 2/1", Condition: alerting.TunerSilent, Scope: "tuner 2", Severity: alerting.Warning, Raised: at(2026, 4, 4, 18), Cleared: at(2026, 4, 6, 1), Origin: "journal", Kept: true,
			Text: "Tuner 2 did not answer for 31 h. Not measured meanwhile, and not counted as loss."},
	}
	return f
}

func (f *fakeHome) makeWeather(start int64) {
	r := rand.New(rand.NewPCG(7, 7))
	temp, wind, rain, left, dry := 0.0, 0.0, 0.0, 0, 40
	for ms := max(start, fakeNow-120*dayMS) / hourMS * hourMS; ms <= fakeNow; ms += hourMS {
		w := reception.NewWeather()
		w.Time = ms
		w.Source = "invented"
		d, h := float64(time.UnixMilli(ms).UTC().YearDay()), float64(time.UnixMilli(ms).UTC().Hour())
		temp = .992*temp + .45*r.NormFloat64()
		wind = .97*wind + .62*r.NormFloat64()
		w.TempC = 10.5 - 13*math.Cos((d-20)/365*2*math.Pi) + 4*math.Cos((h-15)/24*2*math.Pi) + temp
		if left > 0 {
			left--
			rain = max(.1, rain*(.75+.5*r.Float64()))
		} else {
			rain = 0
			if dry--; dry < 0 {
				left, rain, dry = 2+int(14*r.Float64()), .3+5*math.Pow(r.Float64(), 3), 18+int(120*r.Float64())
			}
		}
		w.RainMMPerHour, w.SnowMMPerHour, w.Precipitation = rain, 0, reception.PrecipNone
		if rain > 0 {
			w.Precipitation = reception.PrecipAmount
			if w.TempC < .4 {
				w.RainMMPerHour, w.SnowMMPerHour = 0, rain
			}
		}
		w.WindMPS = max(.3, 3.4+wind*1.25)
		w.GustMPS = w.WindMPS * 1.5
		f.weather = append(f.weather, w)
	}
}

func (f *fakeHome) makeTallies(i int, c fakeChannel, hz int64, tuner string, ceiling float64, start int64) {
	r := rand.New(rand.NewPCG(uint64(c.rf), 11))
	slow := 0.0
	for hour := max(start, fakeNow-120*dayMS) / hourMS; hour*hourMS <= fakeNow; hour++ {
		ms := hour * hourMS
		slow = .985*slow + .11*r.NormFloat64()
		t := KeyedTally{Key: reception.TallyKey{Series: reception.Series{Tuner: tuner, FrequencyHz: hz}, Hour: hour, Regime: reception.Regime{Installation: "first", Scale: "s1"}}}
		if c.rf%2 == 0 {
			t.Key.Regime.Scale = "s2"
		}
		if c.rf%2 == 1 && ms > at(2026, 4, 4, 18) && ms < at(2026, 4, 6, 1) {
			t.Tally.NotMeasuredMS[0] = hourMS
			f.tallies = append(f.tallies, t)
			continue
		}
		m := c.m + slow
		if ms < at(2026, 3, 30, 11) {
			m -= .8
		}
		bins := map[int32]int64{}
		for range 12 {
			v := m + c.sd*.5*r.NormFloat64() - c.sd*.6*r.ExpFloat64() + c.sd*.5
			v = min(v, ceiling)
			if v < -1 {
				t.Tally.Unlocked++
			} else {
				bins[int32(math.Floor((v+15.2)*10+1e-9))]++
			}
			t.Tally.Visits++
			t.Tally.DwellMS += 5000
			if v < -1 {
				t.Tally.ErroredUS += 5e6
			}
		}
		for b := int32(0); b < 400; b++ {
			if bins[b] > 0 {
				t.Tally.CN = append(t.Tally.CN, reception.Bin{Bin: b, N: bins[b]})
			}
		}
		f.tallies = append(f.tallies, t)
	}
}

func (f *fakeHome) sortTallies() {
	// Ascending by hour: merge by counting on the hour.
	byHour := map[int64][]KeyedTally{}
	lo, hi := int64(math.MaxInt64), int64(0)
	for _, t := range f.tallies {
		byHour[t.Key.Hour] = append(byHour[t.Key.Hour], t)
		lo, hi = min(lo, t.Key.Hour), max(hi, t.Key.Hour)
	}
	f.tallies = f.tallies[:0]
	for h := lo; h <= hi; h++ {
		f.tallies = append(f.tallies, byHour[h]...)
	}
}

func drop(ms int64, minutes int, cause string, p float64) answer.Dropout {
	end := ms + int64(minutes)*60000
	return answer.Dropout{
		Start: answer.Time(ms), StartLow: answer.Time(ms - 300e3), StartHigh: answer.Time(ms), End: answer.Time(end), EndLow: answer.Time(end), EndHigh: answer.Time(end + 300e3),
		Cause: cause, Probability: answer.Num(p), Counted: true, Also: []answer.Cause{},
	}
}

func fakeAnswer(c fakeChannel, hz int64, tuner string, ceiling float64, days int) answer.Channel {
	a := answer.Channel{RF: c.rf, FrequencyHz: hz, Tuner: tuner, Installation: "first", Name: c.name, Screen: c.screen, Transmitter: c.mast}
	none := undecidedEst("")
	a.Latest = answer.Latest{Time: answer.Time(fakeNow - 100e3), Locked: true, LevelDBm: answer.Num(-52.3), CNDB: answer.Num(15.2 + min(c.m, ceiling)), MarginDB: answer.Num(min(c.m, ceiling))}
	a.Threshold = answer.Threshold{Est: est(15.2, .3), Basis: "learnt"}
	spread := .25 + c.sd*.32
	a.MedianMargin = est(min(c.m, ceiling), .2)
	a.Availability = answer.Availability{Est: answer.Est{Value: .9994, Low: .9990, High: .9997}, MeasuredS: int64(days) * 1440}
	a.EveningsSpoiled = answer.EveningsSpoiled{Est: est(0, 0), EveningsMeasured: int64(days / 2)}
	for _, p := range []*answer.Est{&a.SettledMargin, &a.RequiredMargin, &a.Spare, &a.RequiredMarginViewing, &a.FadeDepth99, &a.FadeDepth999, &a.AvailabilityWithOffAir, &a.AvailabilityViewing,
		&a.AvailabilityLeafOn, &a.AvailabilityLeafOff, &a.WorstMonth.Est, &a.LeafEffect, &a.WetLeafEffect, &a.WindEffect, &a.DriftDBPerMonth,
		&a.LeafOn.MedianMargin, &a.LeafOn.RequiredMargin, &a.LeafOn.Spare, &a.LeafOff.MedianMargin, &a.LeafOff.RequiredMargin, &a.LeafOff.Spare,
		&a.Wet.MedianMargin, &a.Wet.RequiredMargin, &a.Wet.Spare, &a.Dry.MedianMargin, &a.Dry.RequiredMargin, &a.Dry.Spare} {
		*p = none
	}
	if days < 7 {
		a.SettledMargin, a.RequiredMargin, a.Spare = undecidedEst("7 days of readings, about 4 more"), undecidedEst("14 days of readings, about 11 more"), undecidedEst("14 days of readings, about 11 more")
		a.Availability.Est = undecidedEst("14 days of readings, about 11 more")
		a.Outlook = []answer.Outlook{{Month: "2026-06", Spare: undecidedEst("a spring seen from bare to full leaf")}}
		return a
	}
	a.SettledMargin, a.RequiredMargin = est(min(c.m, ceiling), .2), est(c.need, .3)
	a.FadeDepth99 = est(c.sd*2.4, .3)
	a.Spare = est(c.m-c.need, spread)
	if c.m > ceiling {
		a.Spare = answer.Est{Value: ceiling - c.need, Low: ceiling - c.need, High: math.Inf(1), Bound: reception.AtLeast}
	}
	for _, m := range []struct {
		month string
		leaf  float64
	}{{"2026-05", .3}, {"2026-06", 1}, {"2026-07", 1}, {"2026-08", 1}} {
		o := answer.Outlook{Month: m.month, Basis: "measured", Spare: est(min(c.m, ceiling)-c.need-c.leaf*m.leaf, spread+.4)}
		a.Outlook = append(a.Outlook, o)
	}
	switch c.rf {
	case 33:
		a.Dropouts = []answer.Dropout{drop(at(2026, 3, 19, 5), 26, "snow-ice", .8), drop(at(2026, 3, 26, 15), 7, "wind-trees", .7), drop(at(2026, 4, 9, 17), 4, "wind-trees", .5)}
	case 35:
		a.Availability.Est = answer.Est{Value: .978, Low: .969, High: .986}
		for _, d := range []struct{ d, h, min int }{{18, 3, 38}, {24, 2, 74}, {25, 4, 22}} {
			a.Dropouts = append(a.Dropouts, drop(at(2026, 3, d.d, d.h), d.min, "ducting", .8))
		}
		for _, d := range []struct{ d, h, min int }{{2, 3, 55}, {7, 22, 12}, {12, 4, 96}} {
			a.Dropouts = append(a.Dropouts, drop(at(2026, 4, d.d, d.h), d.min, "ducting", .8))
		}
		a.EveningsSpoiled.Evenings = []string{"2026-04-07"}
		a.EveningsSpoiled.Value = 1
	case 5:
		a.Dropouts = []answer.Dropout{drop(at(2026, 3, 21, 20), 3, "impulse-noise", .7), drop(at(2026, 4, 3, 21), 2, "impulse-noise", .7)}
		a.EveningsSpoiled.Evenings = []string{"2026-03-21", "2026-04-03"}
		a.EveningsSpoiled.Value = 2
	case 21:
		a.Dropouts = []answer.Dropout{drop(at(2026, 4, 2, 5), 270, "transmitter-off", .95)}
	}
	return a
}

// empty is the home at its first start: nothing measured.
func emptyHome() *fakeHome {
	f := newFakeHome(57)
	f.tallies, f.weather, f.alarms = nil, nil, nil
	f.answer.Channels, f.answer.Measured = nil, answer.Measured{Share: answer.Num(math.NaN())}
	f.facts.FirstMS = 0
	f.facts.Installations = nil
	f.answer.AsOf = answer.Time(fakeNow)
	return f
}

// lostHome has lost 12.1 since 9 April, 14:05.
func lostHome() *fakeHome {
	f := newFakeHome(57)
	gone := at(2026, 4, 9, 14) + 5*60000
	for i := range f.answer.Channels {
		c := &f.answer.Channels[i]
		if c.RF != 33 {
			continue
		}
		d := drop(gone, 0, "", math.NaN())
		d.End, d.EndLow, d.EndHigh = 0, 0, 0
		c.Dropouts[len(c.Dropouts)-1] = d
		c.Latest.Locked, c.Latest.CNDB, c.Latest.MarginDB = false, answer.Num(math.NaN()), answer.Num(math.NaN())
	}
	for i := range f.tallies {
		t := &f.tallies[i]
		if _, rf := reception.RegionUS.Key(t.Key.FrequencyHz); rf == 33 && t.Key.Hour*hourMS >= gone-hourMS && t.Tally.Visits > 0 {
			t.Tally.CN, t.Tally.Unlocked = nil, t.Tally.Visits
		}
	}
	f.alarms = append([]alerting.Alarm{{ID: "channel-lost/rf33/1", Condition: alerting.ChannelLost, Severity: alerting.Major, Channels: []int{33}, Raised: gone + 600e3, Origin: "journal", Kept: true,
		Text: "12.1 Quarterlight has no picture since 9 April, 14:05. Wait; then look indoors: is every plug seated? Leave the mast alone."}}, f.alarms...)
	return f
}
