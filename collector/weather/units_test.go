package weather_test

import (
	"slices"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/weather"
)

// Newark's two weeks of February 2013 in their true units, and in wrong ones: the
// factors are the units' definitions.
func TestUnits(t *testing.T) {
	truth := excerpt(t)
	change := func(do func(w *reception.Weather)) []reception.Weather {
		rows := slices.Clone(truth)
		for i := range rows {
			do(&rows[i])
		}
		return rows
	}
	sheltered := change(func(w *reception.Weather) { w.Source, w.WindMPS, w.TempC = "shed", w.WindMPS*0.5, w.TempC+1.5 })
	for _, c := range []struct {
		name         string
		rows, others []reception.Weather
		want         string // what the one line holds; "": no line
	}{
		{"true", truth, nil, ""},
		{"true beside a yard", truth, sheltered, ""},
		{"the yard beside the truth", sheltered, truth, ""},
		{"F as C, beside others", change(func(w *reception.Weather) { w.TempC = w.TempC*1.8 + 32 }), sheltered, "temp_c has a median of"},
		{"F as C in summer", change(func(w *reception.Weather) { w.TempC = (w.TempC+22)*1.8 + 32 }), nil, "temp_c has a median of"},
		{"kelvin", change(func(w *reception.Weather) { w.TempC += 273.15 }), nil, "looks like kelvin"},
		{"Pa as hPa", change(func(w *reception.Weather) { w.PressureHPa *= 100 }), nil, "looks like pascals"},
		{"inches of mercury", change(func(w *reception.Weather) { w.PressureHPa /= 33.86389 }), nil, "looks like inches of mercury"},
		{"not at sea level, 1600 m", change(func(w *reception.Weather) { w.PressureHPa -= 175 }), nil, "the station's own height"},
		{"km/h as m/s", change(func(w *reception.Weather) { w.WindMPS *= 3.6 }), nil, "looks like km/h, knots"},
		{"knots as m/s, beside others", change(func(w *reception.Weather) { w.WindMPS *= 3600.0 / 1852 }), truth, "looks like knots"},
		{"miles an hour as m/s, beside others", change(func(w *reception.Weather) { w.WindMPS /= 0.44704 }), truth, "looks like knots or miles an hour"},
		{"a few rows say nothing", change(func(w *reception.Weather) { w.TempC += 273.15 })[:20], nil, ""},
		{"a gale of two days", change(func(w *reception.Weather) { w.WindMPS = 20 })[:48], nil, ""},
		{"nothing", nil, truth, ""},
	} {
		got := weather.Units(c.rows, c.others)
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: %q, want no line", c.name, got)
		case c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want) || !strings.HasPrefix(got[0], "EWR ")):
			t.Errorf("%s: %q, want one line with %q", c.name, got, c.want)
		}
	}
}
