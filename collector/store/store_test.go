package store_test

import (
	"math"
	"slices"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

func TestHourOf(t *testing.T) {
	for ms, want := range map[int64]int64{-3_600_001: -2, -3_600_000: -1, -1: -1, 0: 0, 3_599_999: 0, 3_600_000: 1} {
		if got := store.HourOf(ms); got != want {
			t.Errorf("HourOf(%d) = %d, want %d", ms, got, want)
		}
	}
}

func TestSeriesOrder(t *testing.T) {
	want := []reception.Series{
		{Tuner: "b", FrequencyHz: 1}, {Tuner: "a", FrequencyHz: 2}, {Tuner: "b", FrequencyHz: 2},
		{Tuner: "a", FrequencyHz: 2, Layer: "A"}, {Tuner: "", FrequencyHz: 10},
	}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, store.CompareSeries)
	if !slices.Equal(got, want) {
		t.Errorf("order is %v, want %v", got, want)
	}
}

func TestQuerySelects(t *testing.T) {
	s := reception.Series{Tuner: "loft", FrequencyHz: 473e6, Layer: "A"}
	a, none := "A", ""
	for _, c := range []struct {
		name string
		q    store.Query
		want bool
	}{
		{"everything", store.Query{}, true},
		{"all fields", store.Query{Tuner: "loft", FrequencyHz: 473e6, Layer: &a}, true},
		{"other tuner", store.Query{Tuner: "shed"}, false},
		{"other frequency", store.Query{FrequencyHz: 479e6}, false},
		{"no layer", store.Query{Layer: &none}, false},
	} {
		if got := c.q.Selects(s); got != c.want {
			t.Errorf("%s: Selects = %v, want %v", c.name, got, c.want)
		}
	}
}

// TestConflictText: both sides name the place, and only what differs.
func TestConflictText(t *testing.T) {
	kept := reception.NewReading()
	kept.Time, kept.Tuner, kept.FrequencyHz, kept.DwellMS, kept.CNDB = 1_772_323_200_500, "loft", 473e6, 5000, 20.5
	given := kept
	given.CNDB, given.Why = math.NaN(), reception.WhyViewer
	got := store.ReadingConflict(3, &kept, &given)
	want := store.Conflict{Index: 3,
		Kept:  `2026-03-01T00:00:00.5Z tuner "loft" 473 MHz: why "", cn_db 20.5`,
		Given: `2026-03-01T00:00:00.5Z tuner "loft" 473 MHz: why "viewer", cn_db not available`}
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	w := reception.NewWeather()
	w.Time, w.Source, w.TempC = 1_772_323_200_000, "roof", 4
	x := w
	x.TempC = 5
	if got, want := store.WeatherConflict(0, &w, &x).String(),
		`kept 2026-03-01T00:00:00Z weather from "roof" over 3600 s: temp_c 4; ignored 2026-03-01T00:00:00Z weather from "roof" over 3600 s: temp_c 5`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
