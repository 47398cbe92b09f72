package weather_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/weather"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC).UnixMilli()

// row is an hour of a source that ends so many minutes after noon.
func row(source string, minutes int, set func(w *reception.Weather)) reception.Weather {
	w := reception.NewWeather()
	w.Time, w.Source, w.DistanceKM = noon+int64(minutes)*60000, source, 10
	set(&w)
	return w
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }

func TestMergeAsksTheBetterSourceFirst(t *testing.T) {
	temp := func(v float64) func(*reception.Weather) {
		return func(w *reception.Weather) { w.TempC = v }
	}
	with := func(w reception.Weather, f func(*reception.Weather)) reception.Weather { f(&w); return w }
	far := func(w *reception.Weather) { w.DistanceKM = 40 }
	unknown := func(w *reception.Weather) { w.DistanceKM = math.NaN() }
	model := func(w *reception.Weather) { w.Modelled, w.DistanceKM = true, 0 }
	for _, c := range []struct {
		name   string
		rows   []reception.Weather
		prefer []string
		want   float64
	}{
		{"nearer", []reception.Weather{with(row("a", 60, temp(1)), far), row("b", 60, temp(2))}, nil, 2},
		{"known distance", []reception.Weather{with(row("a", 60, temp(1)), unknown), with(row("b", 60, temp(2)), far)}, nil, 2},
		{"measured", []reception.Weather{with(row("a", 60, temp(1)), model), with(row("b", 60, temp(2)), far)}, nil, 2},
		{"preferred", []reception.Weather{with(row("a", 60, temp(1)), model), row("b", 60, temp(2))}, []string{"a"}, 1},
		{"the other has it", []reception.Weather{row("a", 60, temp(math.NaN())), with(row("b", 60, temp(2)), far)}, []string{"a"}, 2},
		{"by name", []reception.Weather{row("b", 60, temp(2)), row("a", 60, temp(1))}, nil, 1},
	} {
		got := weather.Merge(c.rows, c.prefer)
		if len(got) != 1 || got[0].TempC != c.want || got[0].Time != noon+reception.HourMS {
			t.Errorf("%s: %+v, want %g", c.name, got, c.want)
		}
	}
}

func TestMergeKeepsGroupsWhole(t *testing.T) {
	rows := []reception.Weather{
		row("shed", 60, func(w *reception.Weather) {
			w.DistanceKM, w.TempC, w.WindMPS, w.Precipitation, w.Known = 0, 4, 2, reception.PrecipAmount, 77
		}),
		row("airport", 60, func(w *reception.Weather) {
			w.TempC, w.DewpointC, w.WindMPS, w.GustMPS, w.PressureHPa, w.RainMMPerHour, w.Precipitation, w.Thunder = 6, 5, 8, 14, 1010, 0.6, reception.PrecipAmount, reception.No
		}),
	}
	got := weather.Merge(rows, nil)
	if len(got) != 1 {
		t.Fatalf("%d rows", len(got))
	}
	w := got[0]
	if w.TempC != 4 || !math.IsNaN(w.DewpointC) {
		t.Errorf("temperature %g with dew point %g: another source's was put beside it", w.TempC, w.DewpointC)
	}
	if w.WindMPS != 2 || !math.IsNaN(w.GustMPS) {
		t.Errorf("wind %g with gust %g", w.WindMPS, w.GustMPS)
	}
	if w.PressureHPa != 1010 || w.RainMMPerHour != 0.6 || w.Thunder != reception.No {
		t.Errorf("what only the farther source has: %+v", w)
	}
	if w.Source != "shed+airport" || w.DistanceKM != 10 || w.Known != 77 || w.Modelled {
		t.Errorf("source %q distance %g known %d", w.Source, w.DistanceKM, w.Known)
	}
}

// What acts on a path says how far the weather is: a pressure from far away does not
// make it far.
func TestMergeDistance(t *testing.T) {
	of := func(source string, km float64, set func(w *reception.Weather)) reception.Weather {
		w := row(source, 60, set)
		w.DistanceKM = km
		return w
	}
	near := of("shed", 0, func(w *reception.Weather) { w.TempC, w.WindMPS, w.RainMMPerHour = 5, 2, 0 })
	far := of("airport", 80, func(w *reception.Weather) { w.TempC, w.PressureHPa, w.Thunder = 6, 1010, reception.No })
	gusty := of("mast", 50, func(w *reception.Weather) { w.WindMPS = 6 })
	for _, c := range []struct {
		rows []reception.Weather
		want float64
	}{{[]reception.Weather{near, far}, 0}, {[]reception.Weather{far}, 80}, {[]reception.Weather{far, gusty}, 80}, {[]reception.Weather{near, gusty}, 0}} {
		if got := weather.Merge(c.rows, nil); len(got) != 1 || got[0].DistanceKM != c.want {
			t.Errorf("%d rows, the first of %s: %+v, want %g km", len(c.rows), c.rows[0].Source, got, c.want)
		}
	}
}

func TestMergeKeepsGaps(t *testing.T) {
	temp := func(w *reception.Weather) { w.TempC = 5 }
	got := weather.Merge([]reception.Weather{row("a", 240, temp), row("a", 60, temp), row("a", 120, func(*reception.Weather) {})}, nil)
	if len(got) != 2 || got[0].Time != noon+reception.HourMS || got[1].Time != noon+4*reception.HourMS {
		t.Errorf("rows %+v, want hours 1 and 4 alone", got)
	}
	if got := weather.Merge(nil, nil); len(got) != 0 {
		t.Errorf("nothing gave %+v", got)
	}
}

// Rates over other spans: the amount that fell is the same.
func TestMergeByOverlap(t *testing.T) {
	ten := func(minutes int, rate float64) reception.Weather {
		return row("a", minutes, func(w *reception.Weather) {
			w.IntervalS, w.RainMMPerHour, w.GustMPS, w.WindMPS, w.Precipitation = 600, rate, 5+rate, 4, reception.PrecipNone
			if rate > 0 {
				w.Precipitation = reception.PrecipAmount
			}
		})
	}
	var rows []reception.Weather
	for m := 10; m <= 60; m += 10 {
		rate := 0.0
		if m == 30 {
			rate = 6 // 1 mm in ten minutes
		}
		rows = append(rows, ten(m, rate))
	}
	rows = append(rows, ten(70, 60), ten(80, 0)) // a third of the next hour: too little to speak of
	got := weather.Merge(rows, nil)
	if len(got) != 2 || !near(got[0].RainMMPerHour, 1) || got[0].Precipitation != reception.PrecipAmount || got[0].GustMPS != 11 {
		t.Fatalf("rows %+v", got)
	}
	if w := got[1]; !math.IsNaN(w.RainMMPerHour) || !math.IsNaN(w.WindMPS) || w.Precipitation != reception.PrecipAmount {
		t.Errorf("a third of an hour: %+v", w)
	}

	six := row("a", 360, func(w *reception.Weather) { w.IntervalS, w.RainMMPerHour = 6*3600, 0.5 })
	got = weather.Merge([]reception.Weather{six}, nil)
	total := 0.0
	for _, w := range got {
		total += w.RainMMPerHour
	}
	if len(got) != 6 || !near(total, 3) {
		t.Errorf("six hours in one row: %d rows, %g mm", len(got), total)
	}

	late := row("a", 53, func(w *reception.Weather) { w.TempC = 7; w.GustMPS = 9; w.WindMPS = 3 }) // 11:53 to 12:53
	got = weather.Merge([]reception.Weather{late}, nil)
	if len(got) != 1 || got[0].Time != noon+reception.HourMS || got[0].GustMPS != 9 {
		t.Errorf("seven minutes made an hour: %+v", got)
	}
	before := row("a", 0, func(w *reception.Weather) { w.GustMPS = 6; w.WindMPS = 3 })
	if got = weather.Merge([]reception.Weather{before, late}, nil); len(got) != 2 || got[0].GustMPS != 6 || got[1].GustMPS != 9 {
		t.Errorf("a gust went to the hour of which its row has seven minutes: %+v", got)
	}
}

func TestMergeDirection(t *testing.T) {
	wind := func(minutes int, from, speed float64) reception.Weather {
		return row("a", minutes, func(w *reception.Weather) { w.IntervalS, w.WindDirDeg, w.WindMPS = 1800, from, speed })
	}
	for _, c := range []struct {
		a, b reception.Weather
		want float64
	}{
		{wind(30, 350, 4), wind(60, 10, 4), 360},
		{wind(30, 90, 4), wind(60, 180, 4), 135},
		{wind(30, 90, 4), wind(60, 270, 4), math.NaN()},
		{wind(30, math.NaN(), 0), wind(60, 200, 4), 200},
	} {
		got := weather.Merge([]reception.Weather{c.a, c.b}, nil)
		if len(got) != 1 || !(math.Abs(got[0].WindDirDeg-c.want) < 1e-6 || math.IsNaN(c.want) && math.IsNaN(got[0].WindDirDeg)) {
			t.Errorf("%g and %g degrees: %g, want %g", c.a.WindDirDeg, c.b.WindDirDeg, got[0].WindDirDeg, c.want)
		}
	}
}

// The same rows in any order give the same bits, and are not changed.
func TestMergeOrder(t *testing.T) {
	rows := excerpt(t)
	for i := range rows {
		if i%3 == 0 {
			w := rows[i]
			w.Source, w.IntervalS, w.Time, w.WindMPS = "shed", 5400, w.Time-1234567, 3.3
			rows = append(rows, w)
		}
	}
	before := slices.Clone(rows)
	want := weather.Merge(rows, []string{"shed"})
	for i := range rows {
		if !rows[i].Equal(&before[i]) {
			t.Fatal("the rows given were changed")
		}
	}
	slices.Reverse(rows)
	got := weather.Merge(rows, []string{"shed"})
	if !slices.EqualFunc(got, want, func(a, b reception.Weather) bool { return a.Equal(&b) }) {
		t.Error("the order of the rows changes the result")
	}
}

func TestCheckJumpsAndStuckSensors(t *testing.T) {
	var rows []reception.Weather
	for h := range 80 {
		rows = append(rows, row("a", 60*h, func(w *reception.Weather) {
			w.TempC, w.PressureHPa = 5+float64(h%7), 1000+float64(h%5)
			w.WindMPS, w.WindDirDeg, w.GustMPS = 3+float64(h%2), 200, 8
		}))
	}
	said := func(change func(rows []reception.Weather)) string {
		c := slices.Clone(rows)
		change(c)
		checked, notes := weather.Check(c)
		return strings.Join(differences(c[:3], checked[:3]), "; ") + " | " + strings.Join(notes, "; ")
	}
	for _, c := range []struct {
		name   string
		change func(r []reception.Weather)
		want   string
	}{
		{"nothing", func(r []reception.Weather) {}, " | "},
		{"a jump and back", func(r []reception.Weather) { r[1].TempC = 36 }, "2026-03-01 13Z temp 36.0 -> NaN | a 2026-03-01T13:00:00Z: temp_c 36.0 stands alone between 5.0 and 7.0: not used"},
		{"a step that stays", func(r []reception.Weather) {
			for i := range r[10:] {
				r[10+i].TempC += 25
			}
		}, " | "},
		{"up and up again", func(r []reception.Weather) {
			r[1].TempC = 30
			for i := range r[2:] {
				r[2+i].TempC += 48
			}
		}, " | "},
		{"after a gap", func(r []reception.Weather) {
			r[1].TempC = 36
			r[0].Time -= 3 * reception.HourMS
		}, " | "},
		{"pressure", func(r []reception.Weather) { r[1].PressureHPa = 980 }, "2026-03-01 13Z pressure 980.0 -> NaN | a 2026-03-01T13:00:00Z: pressure_hpa 980.0 stands alone between 1000.0 and 1002.0: not used"},
		{"gust front", func(r []reception.Weather) { r[1].WindMPS, r[1].GustMPS = 25, 38 }, " | "},
		{"a day without a change", func(r []reception.Weather) {
			for i := range 25 {
				r[40+i].TempC = 5.5
			}
		}, " | a 2026-03-03T04:00:00Z: temp_c stays at 5.5 in 25 rows: not used"},
		{"not yet a day", func(r []reception.Weather) {
			for i := range 24 {
				r[40+i].TempC = 5.5
			}
		}, " | "},
		{"wind stuck", func(r []reception.Weather) {
			for i := range 25 {
				r[40+i].WindMPS = 5
			}
		}, " | a 2026-03-03T04:00:00Z: wind stays at 5.0 m/s from 200 degrees in 25 rows: not used"},
		{"calm for days", func(r []reception.Weather) {
			for i := range r {
				r[i].WindMPS, r[i].WindDirDeg = 0, math.NaN()
			}
		}, " | "},
	} {
		if got := said(c.change); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}
