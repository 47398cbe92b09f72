package firstworld

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

// nows are instants in all four seasons.
var nows = []time.Time{
	time.Date(2026, 2, 10, 18, 0, 0, 0, time.UTC),
	time.Date(2026, 5, 20, 3, 0, 0, 0, time.UTC),
	time.Date(2027, 8, 15, 11, 0, 0, 0, time.UTC),
	time.Date(2026, 11, 25, 22, 0, 0, 0, time.UTC),
}

func TestHomeFitsTogether(t *testing.T) {
	w := New(1, nows[0])
	masts := map[string]bool{}
	for _, x := range w.Transmitters() {
		masts[x.Name] = true
	}
	last, bands := int64(0), map[reception.Band]int{}
	for _, c := range w.Channels() {
		hz, bw, err := reception.RegionUS.CentreHz(c.RF)
		if err != nil || hz != c.FrequencyHz || bw != c.BandwidthHz {
			t.Errorf("RF %d at %d Hz, want %d (%v)", c.RF, c.FrequencyHz, hz, err)
		}
		if !masts[c.Transmitter] {
			t.Errorf("RF %d comes from unknown %q", c.RF, c.Transmitter)
		}
		if c.FrequencyHz <= last {
			t.Errorf("RF %d is not in order", c.RF)
		}
		last = c.FrequencyHz
		bands[reception.BandOf(c.FrequencyHz)]++
	}
	if bands[reception.VHFLow] < 2 || bands[reception.VHFHigh] < 2 || bands[reception.UHF] < 6 {
		t.Errorf("bands %v, want some of each", bands)
	}
	var visited []int64
	for _, u := range w.Tuners() {
		s, ok := w.Scale(u.Name)
		if !ok || s.Ceiling < 27 || s.Ceiling > 30 || s.Step != 0.1 {
			t.Errorf("scale of %s: %+v", u.Name, s)
		}
		visited = append(visited, w.Frequencies(u.Name)...)
	}
	slices.Sort(visited)
	if len(slices.Compact(visited)) != len(stations) {
		t.Errorf("tuners visit %d channels, want %d", len(visited), len(stations))
	}
	if _, ok := w.Scale("nobody"); ok || w.Frequencies("nobody") != nil {
		t.Error("an unknown tuner has a scale or channels")
	}
}

// The growth towards a mast must be what stands on its path.
func TestGrowthTowardsMasts(t *testing.T) {
	w := New(1, nows[0])
	want := map[string]reception.Growth{
		mastNames[ridge]: reception.GrowthEvergreen, mastNames[trees]: reception.GrowthDeciduous, mastNames[plain]: reception.GrowthNone,
	}
	for _, x := range w.Transmitters() {
		if g := w.Home().Towards(x.AzimuthDeg); g != want[x.Name] {
			t.Errorf("growth towards %s = %s, want %s", x.Name, g, want[x.Name])
		}
	}
}

func TestAnyInstantByItself(t *testing.T) {
	a, b := New(7, nows[1]), New(7, nows[1])
	from, to := nows[1].Add(-36*time.Hour), nows[1].Add(36*time.Hour)
	var past []reception.Reading
	for r := range a.Past(from, to, Schedule{}) {
		past = append(past, r)
	}
	for i := len(past) - 1; i >= 0; i -= 7 {
		want := past[i]
		if want.Why != reception.Measured {
			continue
		}
		got := b.Visit(want.Tuner, want.FrequencyHz, time.UnixMilli(want.Time), 5*time.Second)
		if !got.Equal(&want) {
			t.Fatalf("visit alone gave %+v, within the past %+v", got, want)
		}
	}
	// A later start continues the same past.
	var tail []reception.Reading
	for r := range b.Past(nows[1], to, Schedule{}) {
		tail = append(tail, r)
	}
	i := len(past) - len(tail)
	if i < 0 || !slices.EqualFunc(past[i:], tail, func(x, y reception.Reading) bool { return x.Equal(&y) }) {
		t.Error("the past from now on differs from the end of a longer one")
	}
	other := New(8, nows[1]).Visit("hall-1", 605e6, nows[1], 5*time.Second)
	same := a.Visit("hall-1", 605e6, nows[1], 5*time.Second)
	if other.Equal(&same) {
		t.Error("another seed gave the same reading")
	}
}

// Eighteen months are made once, for both tests of them.
func TestEighteenMonths(t *testing.T) {
	now := nows[3]
	w := New(1, now)
	form, life := newForm(w), newLife(w)
	for r := range w.Past(now.AddDate(0, -18, 0), now, Schedule{}) {
		if err := form.add(&r); err != nil {
			t.Fatalf("%v: %+v", err, r)
		}
		life.add(&r)
	}
	t.Run("well formed", form.check)
	t.Run("believable", life.check)
}

// A form watches that readings can be.
type form struct {
	w                       *World
	scales                  map[string]bool
	seen                    map[reception.Series]int64
	viewing                 map[int]int // by hour of the day
	n, viewer               int
	last, lastMade, longest int64
}

func newForm(w *World) *form {
	f := &form{w: w, scales: map[string]bool{}, seen: map[reception.Series]int64{}, viewing: map[int]int{}}
	for _, u := range w.Tuners() {
		s, _ := w.Scale(u.Name)
		f.scales[s.ID] = true
	}
	return f
}

func (f *form) add(r *reception.Reading) error {
	f.n++
	if err := r.Validate(); err != nil {
		return err
	}
	if r.Time < f.last || r.Time%1000 != 0 || r.Time == f.seen[r.Series()] {
		return errors.New("out of order, off the second or twice")
	}
	f.seen[r.Series()], f.last = r.Time, r.Time
	if r.Why == reception.WhyViewer {
		f.viewer++
		f.viewing[int(clock(r.Time))]++
		if !f.w.Viewer(r.Tuner, time.UnixMilli(r.Time)) {
			return errors.New("a viewer's reading while nobody watched")
		}
		return nil
	}
	if !f.scales[r.Scale] {
		return errors.New("unknown scale")
	}
	if r.Locked && (r.CNLowDB > r.CNDB || r.CNDB > 30 || r.Identity == "") {
		return errors.New("cannot be")
	}
	if f.lastMade > 0 {
		f.longest = max(f.longest, r.Time-f.lastMade)
	}
	f.lastMade = r.Time
	return nil
}

func (f *form) check(t *testing.T) {
	if f.n < 500e3 || f.n > 700e3 {
		t.Errorf("%d readings in 18 months, want 500,000 to 700,000", f.n)
	}
	if f.viewer < 1000 || f.viewer > 10000 {
		t.Errorf("%d visits met a viewer, want some thousand", f.viewer)
	}
	for h := range f.viewing {
		if h < 18 || h > 23 {
			t.Errorf("somebody watched at %d o'clock", h)
		}
	}
	if f.longest < 25*hourMS || f.longest > 27*hourMS {
		t.Errorf("longest gap %d h, want the day on which holdfast was down", f.longest/hourMS)
	}
}

// A dropout in the sense of the tests here: bad visits less than 45 minutes apart.
type account struct {
	visits, bad, dropouts int
	errored, dwell        float64
	lastBad               int64
}

func (a *account) add(r *reception.Reading) {
	a.visits++
	a.errored += r.ErroredS
	a.dwell += float64(r.DwellMS) / 1000
	if r.ErroredS >= 1 {
		if a.bad++; r.Time-a.lastBad > 45*minuteMS {
			a.dropouts++
		}
		a.lastBad = r.Time
	}
}

func (a *account) held() float64 { return 1 - a.errored/a.dwell }

// A life counts how channels held before and since the fault.
type life struct {
	w             *World
	before, after map[int64]*account
}

func newLife(w *World) *life {
	l := &life{w, map[int64]*account{}, map[int64]*account{}}
	for _, c := range w.Channels() {
		l.before[c.FrequencyHz], l.after[c.FrequencyHz] = &account{}, &account{}
	}
	return l
}

func (l *life) add(r *reception.Reading) {
	switch {
	case r.Why != reception.Measured:
	case r.Time < l.w.faultMS:
		l.before[r.FrequencyHz].add(r)
	default:
		l.after[r.FrequencyHz].add(r)
	}
}

func (l *life) check(t *testing.T) {
	total := 0
	for _, c := range l.w.Channels() {
		b, a := l.before[c.FrequencyHz], l.after[c.FrequencyHz]
		total += b.dropouts + a.dropouts
		t.Logf("RF %2d %-11s held %.4f, %3d dropouts; since the fault %.4f, %3d", c.RF, c.Transmitter, b.held(), b.dropouts, a.held(), a.dropouts)
		if b.held() < 0.99 || b.held() > 0.99999 {
			t.Errorf("RF %d held %.5f before the fault, want 0.99 to 0.99999", c.RF, b.held())
		}
		if c.FrequencyHz == l.w.TruthFaultHz() {
			if a.held() > 0.99 || a.held() < 0.9 {
				t.Errorf("RF %d held %.4f since the fault, want 0.9 to 0.99", c.RF, a.held())
			}
		} else if a.held() < 0.99 {
			t.Errorf("RF %d held %.4f since the fault, want 0.99 and more", c.RF, a.held())
		}
	}
	if total < 80 || total > 600 {
		t.Errorf("%d dropouts in 18 months, want some hundred", total)
	}
}

// What a year of fades requires lies below the margin before the fault and above
// the one after it, whatever the season of now and the seed.
func TestFaultLeavesOneChannelShort(t *testing.T) {
	for i, now := range nows {
		w := New(uint64(i), now)
		fault := w.FaultAt()
		if d := now.Sub(fault); d < 35*24*time.Hour || d > 49*24*time.Hour {
			t.Errorf("fault %v before now, want five to seven weeks", d)
		}
		v := newView(w)
		if g := v.at(fault.UnixMilli()).gust; g < 17 {
			t.Errorf("gust at the fault %.1f m/s, want 17 (whole trees sway) or more", g)
		}
		for _, c := range w.Channels() {
			st := stationAt(c.FrequencyHz)
			rc := stations[st].tuner
			var fades []float64
			for ms := fault.Add(-365 * 24 * time.Hour).UnixMilli(); ms < fault.UnixMilli(); ms += 193 * minuteMS {
				if !w.onAir(st, ms) {
					continue
				}
				r := reception.NewReading()
				v.visit(&r, rc, st, c.FrequencyHz, ms, 5000)
				m := math.Inf(-1)
				if r.Locked {
					m = r.CNDB - w.TruthThresholdDB(receivers[rc].name)
				}
				fades = append(fades, w.TruthSettledMarginDB(c.FrequencyHz, time.UnixMilli(ms))-m)
			}
			slices.Sort(fades)
			const brink = 0.7 // errored seconds begin this far above the failure point
			need := fades[len(fades)*99/100] + brink
			was := w.TruthSettledMarginDB(c.FrequencyHz, fault.Add(-time.Hour))
			is := w.TruthSettledMarginDB(c.FrequencyHz, now)
			t.Logf("RF %2d required %.1f, was %.1f, is %.1f", c.RF, need, was, is)
			if was < need+0.8 {
				t.Errorf("RF %d: margin before the fault %.1f dB, required %.1f", c.RF, was, need)
			}
			short := c.FrequencyHz == w.TruthFaultHz()
			if short && is > need-1 || !short && is < need+0.3 {
				t.Errorf("RF %d: margin now %.1f dB, required %.1f; short should be %v", c.RF, is, need, short)
			}
		}
	}
}

// Two masts change, in opposite directions; the one on the antenna's side hardly.
func TestTurnHasAPattern(t *testing.T) {
	w := New(1, nows[0])
	for _, c := range w.Channels() {
		if c.RF < 7 {
			continue
		}
		d := w.TruthStepDB(c.FrequencyHz)
		ok := map[string]bool{mastNames[ridge]: d > 1 && d < 4, mastNames[plain]: d < -1 && d > -7, mastNames[trees]: math.Abs(d) < 1}[c.Transmitter]
		if !ok {
			t.Errorf("RF %d of %s changed by %.1f dB", c.RF, c.Transmitter, d)
		}
	}
}

func BenchmarkPast(b *testing.B) {
	now := nows[3]
	w := New(1, now)
	from := now.AddDate(0, -1, 0)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for range w.Past(from, now, Schedule{}) {
			n++
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkVisit(b *testing.B) {
	w := New(1, nows[3])
	b.ReportAllocs()
	for b.Loop() {
		w.Visit("hall-1", 605e6, nows[3], 5*time.Second)
	}
}
