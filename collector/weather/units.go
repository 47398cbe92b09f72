package weather

import (
	"fmt"
	"math"
	"slices"

	"holdfast/analysis/reception"
)

// A guess of a unit needs at least so many values, of hours for winds (ours, no
// source): a day, and three days, since a gale may last two.
const (
	enoughValues = 24
	enoughWinds  = 72
)

// A look is a range in which the median of a value can hardly lie, and what it looks
// like then. The ranges are ours, no source: medians over days lie at -45 to 45
// degrees C, 975 to 1045 hPa at sea level, and up to 12 m/s.
type look struct {
	name   string
	of     func(w *reception.Weather) float64
	enough int
	lo, hi float64
	what   string
}

var (
	tempOf     = func(w *reception.Weather) float64 { return w.TempC }
	dewOf      = func(w *reception.Weather) float64 { return w.DewpointC }
	pressureOf = func(w *reception.Weather) float64 { return w.PressureHPa }
	windOf     = func(w *reception.Weather) float64 { return w.WindMPS }
)

var lookList = []look{
	{"temp_c", tempOf, enoughValues, 45, 130, "degrees Fahrenheit; subtract 32 and divide by 1.8"},
	{"temp_c", tempOf, enoughValues, 220, 330, "kelvin; subtract 273.15"},
	{"dewpoint_c", dewOf, enoughValues, 36, 100, "degrees Fahrenheit; subtract 32 and divide by 1.8"},
	{"dewpoint_c", dewOf, enoughValues, 200, 310, "kelvin; subtract 273.15"},
	{"pressure_hpa", pressureOf, enoughValues, 60000, 110000, "pascals; divide by 100"},
	{"pressure_hpa", pressureOf, enoughValues, 60, 110, "kilopascals; multiply by 10"},
	{"pressure_hpa", pressureOf, enoughValues, 20, 33, "inches of mercury; multiply by 33.86"},
	{"pressure_hpa", pressureOf, enoughWinds, 600, 975, "the pressure at the station's own height, or millimetres of mercury; want hPa at sea level"},
	{"wind_mps", windOf, enoughWinds, 12, 200, "km/h, knots or miles an hour; divide by 3.6, 1.94 or 2.24"},
}

// Units says, a line each, which values of one source look as if they were in another
// unit than their name: by themselves, and beside what other sources say of the same
// hours. rows are as they were read, before [Check] or reception.Weather.Discard took
// out what cannot be true; others may be of several sources. A small sample gives no
// line, nor does one that might be right.
func Units(rows, others []reception.Weather) []string {
	if len(rows) == 0 {
		return nil
	}
	var out []string
	said := map[string]bool{}
	say := func(name string, median float64, n int, what string) {
		if !said[name] {
			said[name] = true
			out = append(out, fmt.Sprintf("%s %s has a median of %.1f in %d rows: looks like %s", rows[0].Source, name, median, n, what))
		}
	}
	for _, l := range lookList {
		v := valuesOf(rows, l.of)
		if m := middle(v); len(v) >= l.enough && m >= l.lo && m <= l.hi {
			say(l.name, m, len(v), l.what)
		}
	}
	own, theirs := paired(rows, others, tempOf)
	if len(own) >= enoughValues {
		as, converted := make([]float64, len(own)), make([]float64, len(own))
		for i := range own {
			as[i], converted[i] = math.Abs(own[i]-theirs[i]), math.Abs((own[i]-32)/1.8-theirs[i])
		}
		if middle(as) > 8 && middle(converted) < 3 {
			say("temp_c", middle(own), len(own), fmt.Sprintf("degrees Fahrenheit beside the %.1f of another source; subtract 32 and divide by 1.8", middle(theirs)))
		}
	}
	own, theirs = paired(rows, others, windOf)
	if len(own) >= enoughWinds {
		m, o := middle(own), middle(theirs)
		about := func(factor float64) bool { return math.Abs(m/o/factor-1) < 0.1 }
		switch { // a mast in the open has twice the wind of a yard, but seldom so much of it
		case m > 7 && (about(1.94) || about(2.24)):
			say("wind_mps", m, len(own), fmt.Sprintf("knots or miles an hour beside the %.1f of another source, unless that stands in shelter; divide by 1.94 or 2.24", o))
		case m > 7 && about(3.6):
			say("wind_mps", m, len(own), fmt.Sprintf("km/h beside the %.1f of another source, unless that stands in shelter; divide by 3.6", o))
		}
	}
	return out
}

func valuesOf(rows []reception.Weather, of func(w *reception.Weather) float64) (v []float64) {
	for i := range rows {
		if x := of(&rows[i]); !math.IsNaN(x) {
			v = append(v, x)
		}
	}
	return v
}

// paired are the values that two lists of rows have in the same hours.
func paired(rows, others []reception.Weather, of func(w *reception.Weather) float64) (own, theirs []float64) {
	hour := func(w *reception.Weather) int64 { return floorDiv(w.Time-1, reception.HourMS) }
	at := map[int64]float64{}
	for i := range others {
		if v := of(&others[i]); !math.IsNaN(v) {
			at[hour(&others[i])] = v
		}
	}
	for i := range rows {
		v := of(&rows[i])
		if t, ok := at[hour(&rows[i])]; ok && !math.IsNaN(v) {
			own, theirs = append(own, v), append(theirs, t)
			delete(at, hour(&rows[i]))
		}
	}
	return own, theirs
}

// middle is the median; NaN of nothing.
func middle(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
