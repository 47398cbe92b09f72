package drivers

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

func TestDaysRunFromNoonToNoon(t *testing.T) {
	for _, c := range []struct{ zone, at, day string }{
		{"America/New_York", "2025-07-01T16:59:00Z", "2025-06-30"}, // 12:59 summer time is 11:59 standard
		{"America/New_York", "2025-07-01T17:00:00Z", "2025-07-01"},
		{"America/New_York", "2025-07-02T04:00:00Z", "2025-07-01"}, // the night belongs to the evening before
		{"Europe/Berlin", "2025-01-10T10:59:00Z", "2025-01-09"},
		{"Europe/Berlin", "2025-01-10T11:00:00Z", "2025-01-10"},
		{"Asia/Kolkata", "2025-01-10T05:59:00Z", "2025-01-09"}, // +5:30 rounds to 6 h
		{"Asia/Kolkata", "2025-01-10T06:00:00Z", "2025-01-10"},
		{"Australia/Sydney", "2025-01-10T01:59:00Z", "2025-01-09"},
		{"Australia/Sydney", "2025-01-10T02:00:00Z", "2025-01-10"},
		{"UTC", "1969-12-31T11:00:00Z", "1969-12-30"},
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		d := NewDays(zone(t, c.zone))
		day := d.Of(floorDiv(at.UnixMilli(), hourMS))
		if got := Date(day); got != c.day {
			t.Errorf("%s in %s lies in day %s, want %s", c.at, c.zone, got, c.day)
		}
		if f := d.First(day); d.Of(f) != day || d.Of(f-1) != day-1 || d.Of(f+23) != day || d.DateOf(f+12) != day+1 || d.DateOf(f+11) != day {
			t.Errorf("day %s of %s does not hold its own hours", c.day, c.zone)
		}
	}
}

func rain(hour int64, mm float64) reception.Weather {
	w := reception.NewWeather()
	w.Time, w.RainMMPerHour = (hour+1)*hourMS, mm
	return w
}

// The store's own arithmetic by hand: 1 mm fills 1 - 1/e of an empty store of 1 mm,
// six hours dry it to 1/e of what it was.
func TestWetness(t *testing.T) {
	s := new(Sky)
	for h := range int64(100) {
		mm := 0.0
		if h == 48 {
			mm = 1
		}
		s.Add(rain(h, mm))
	}
	s.Refresh()
	full := 1 - math.Exp(-1)
	for _, c := range []struct {
		hour int64
		want float64
		cls  Wet
	}{{47, 0, WetDry}, {48, full, WetWet}, {49, full * math.Exp(-1.0/6), WetWet}, {54, full * math.Exp(-1), WetNeither}, {66, full * math.Exp(-3), WetDry}} {
		h := s.At(c.hour)
		if math.Abs(h.Wetness()-c.want) > 1e-3 || h.Class() != c.cls {
			t.Errorf("hour %d: wetness %.4f class %d, want %.4f class %d", c.hour, h.Wetness(), h.Class(), c.want, c.cls)
		}
	}
	// Nothing is known before anything was measured, nor after a gap.
	if c := s.At(0).Class(); c != WetUnknown {
		t.Errorf("first hour has class %d, want unknown", c)
	}
	s.Add(rain(200, 0))
	s.Refresh()
	for h, want := range map[int64]Wet{120: WetUnknown, 200: WetUnknown, 300: WetUnknown} {
		if c := s.At(h).Class(); c != want {
			t.Errorf("hour %d has class %d, want unknown", h, c)
		}
	}
}

func TestTraceIsNotDry(t *testing.T) {
	s := new(Sky)
	for h := range int64(40) {
		w := rain(h, 0)
		if h == 39 {
			w.Precipitation = reception.PrecipTrace
		}
		s.Add(w)
	}
	s.Refresh()
	if a, b := s.At(38).Class(), s.At(39).Class(); a != WetDry || b != WetNeither {
		t.Errorf("classes before and in a trace = %d, %d, want dry, neither", a, b)
	}
}

func TestLaterRowOfAnHourReplaces(t *testing.T) {
	s := new(Sky)
	for h := range int64(48) {
		s.Add(rain(h, 0))
	}
	s.Refresh()
	s.Add(rain(30, 0))
	if from, ok := s.Refresh(); ok {
		t.Errorf("the same row again changed hour %d", from)
	}
	late := rain(30, 2)
	late.TempC = 7
	s.Add(late)
	if from, ok := s.Refresh(); !ok || from != 30 || s.At(30).TempC != 7 || s.At(30).Class() != WetWet || s.At(29).Class() != WetDry || s.At(31).Class() != WetWet {
		t.Errorf("changed from %d (%v): hours 29 to 31 %+v %+v %+v", from, ok, s.At(29), s.At(30), s.At(31))
	}
	blank := reception.NewWeather()
	withdraw := func(hour int64) {
		blank.Time = (hour + 1) * hourMS
		s.Add(blank)
	}
	withdraw(30)
	withdraw(90) // never known
	s.Refresh()
	if h := s.At(30); !math.IsNaN(h.TempC) || !math.IsNaN(h.PrecipMM) || h.WetHigh != 1 {
		t.Errorf("withdrawn: %+v", h)
	}
	if from, to := s.Span(); from != 0 || to != 48 {
		t.Errorf("span %d to %d, want 0 to 48", from, to)
	}
	withdraw(0)
	withdraw(47)
	s.Refresh()
	if from, to := s.Span(); from != 1 || to != 47 {
		t.Errorf("span %d to %d without both ends, want 1 to 47", from, to)
	}
	for h := range int64(48) {
		withdraw(h)
	}
	s.Refresh()
	if from, to := s.Span(); from != 0 || to != 0 || s.Far(100) || s.At(5).Class() != WetUnknown {
		t.Errorf("all withdrawn: span %d to %d", from, to)
	}
}

// Order and repetitions do not matter, whether taken up at once or as they come.
func TestSkyIgnoresOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var rows []reception.Weather
	for h := int64(0); h < 400; h++ {
		w := rain(h, math.Max(0, r.Float64()*4-3.5))
		w.TempC, w.Source = r.Float64()*20, "a"
		if r.IntN(5) > 0 {
			rows = append(rows, w)
		}
	}
	want := new(Sky)
	for _, w := range rows {
		want.Add(w)
	}
	want.Refresh()
	for trial := range 5 {
		got := new(Sky)
		for i, j := range r.Perm(len(rows)) {
			got.Add(rows[j])
			if i%17 == trial {
				got.Refresh()
			}
			got.Add(rows[r.IntN(len(rows))])
		}
		got.Refresh()
		for h := int64(-8); h < 410; h++ {
			a, b := want.At(h), got.At(h)
			if a.Class() != b.Class() || a.WetLow != b.WetLow || a.WetHigh != b.WetHigh || a.TempC != b.TempC && !math.IsNaN(a.TempC) {
				t.Fatalf("trial %d hour %d: %+v, want %+v", trial, h, b, a)
			}
		}
	}
}

func TestFar(t *testing.T) {
	s := new(Sky)
	if s.Far(100) {
		t.Error("no weather at all is called far")
	}
	w := rain(10, 0)
	w.DistanceKM = 80
	s.Add(w)
	n := rain(20, 0)
	n.DistanceKM = 4
	s.Add(n)
	for before, want := range map[int64]bool{5: false, 15: true, 30: false} {
		if got := s.Far(before); got != want {
			t.Errorf("Far(%d) = %v, want %v", before, got, want)
		}
	}
}
