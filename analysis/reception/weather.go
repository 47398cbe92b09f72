package reception

import (
	"fmt"
	"math"
)

// Weather is one interval of weather from one source, units made one.
type Weather struct {
	Time       int64 // Unix ms UTC, end of the interval
	IntervalS  int64
	Source     string // key together with Time
	DistanceKM float64
	Modelled   bool  // a reanalysis or forecast, not a measurement
	Known      int64 // Unix ms; 0: known when it happened

	TempC, DewpointC float64
	PressureHPa      float64 // at sea level
	WindMPS          float64 // mean
	GustMPS          float64 // highest; NaN is "not reported", not calm
	WindDirDeg       float64 // NaN when calm or variable
	RainMMPerHour    float64 // water equivalent of what fell as rain, per hour
	SnowMMPerHour    float64 // water equivalent of what fell as snow, per hour
	Precipitation    Precipitation
	Thunder          Tristate
}

// Precipitation tells "none fell" from "nobody measured".
type Precipitation string

// Kinds.
const (
	PrecipUnknown Precipitation = ""
	PrecipNone    Precipitation = "none"
	PrecipTrace   Precipitation = "trace"
	PrecipAmount  Precipitation = "amount"
)

// Tristate is yes, no, or not known.
type Tristate string

// Values.
const (
	Unknown Tristate = ""
	Yes     Tristate = "yes"
	No      Tristate = "no"
)

// NewWeather returns a row whose every optional value is not available.
func NewWeather() Weather {
	return Weather{IntervalS: 3600, DistanceKM: nan, TempC: nan, DewpointC: nan, PressureHPa: nan, WindMPS: nan,
		GustMPS: nan, WindDirDeg: nan, RainMMPerHour: nan, SnowMMPerHour: nan}
}

// Equal reports whether two rows hold the same values; NaN equals NaN.
func (w *Weather) Equal(o *Weather) bool {
	a, b := *w, *o
	fa, fb := a.floats(), b.floats()
	for i := range fa {
		if x, y := *fa[i], *fb[i]; x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
			return false
		}
		*fa[i], *fb[i] = 0, 0
	}
	return a == b
}

func (w *Weather) floats() []*float64 {
	return []*float64{&w.DistanceKM, &w.TempC, &w.DewpointC, &w.PressureHPa, &w.WindMPS, &w.GustMPS, &w.WindDirDeg, &w.RainMMPerHour, &w.SnowMMPerHour}
}

// Discard replaces values that cannot be true by "not available" and returns one
// line for each. Bounds: temperature -60 to 60 C, dew point no more than 1 C above
// it, sea-level pressure 850 to 1090 hPa (world records 870 and 1085), mean wind to
// 75 m/s and gust to 115 m/s (world record 113.2, WMO archive of extremes), rain to
// 350 mm/h (record 305 mm in 42 min).
func (w *Weather) Discard() []string {
	var out []string
	check := func(name string, p *float64, lo, hi float64) {
		if !math.IsNaN(*p) && (*p < lo || *p > hi) {
			out = append(out, fmt.Sprintf("%s %.1f is outside %g to %g: not used", name, *p, lo, hi))
			*p = nan
		}
	}
	check("temp_c", &w.TempC, -60, 60)
	check("dewpoint_c", &w.DewpointC, -80, 40)
	if w.DewpointC > w.TempC+1 {
		out = append(out, fmt.Sprintf("dewpoint_c %.1f lies above temp_c %.1f: not used", w.DewpointC, w.TempC))
		w.DewpointC = nan
	}
	check("pressure_hpa", &w.PressureHPa, 850, 1090)
	check("wind_mps", &w.WindMPS, 0, 75)
	check("gust_mps", &w.GustMPS, 0, 115)
	check("wind_dir_deg", &w.WindDirDeg, 0, 360)
	check("rain_mm_h", &w.RainMMPerHour, 0, 350)
	check("snow_mm_h", &w.SnowMMPerHour, 0, 100)
	return out
}

// Validate returns an error if the row's place in time cannot be true.
func (w *Weather) Validate() error {
	if w.Time < EarliestMS || w.Time > LatestMS {
		return fmt.Errorf("time %d is not between the years 2000 and 2100; want Unix milliseconds", w.Time)
	}
	if w.IntervalS <= 0 || w.IntervalS > 86400 {
		return fmt.Errorf("interval_s %d is outside 1 to 86400", w.IntervalS)
	}
	return nil
}
