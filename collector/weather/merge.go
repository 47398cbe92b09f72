package weather

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/reception"
)

// Merge makes one row for each full UTC hour of which any source says anything,
// ascending; an hour of which none does is absent. rows may come in any order, of
// any sources and intervals; each source's pass through [Check] first.
//
// Sources are asked in the order of prefer, then measured before modelled, then the
// nearer first. Of the first one that has it comes each group whole, so that values
// fit each other: temperature with dew point; pressure; wind with gust and
// direction; precipitation; thunder. A source has a value for an hour if its rows
// cover half of it: temperatures, pressure, wind and rates are means weighted by
// the overlap, the gust is the highest. What nobody has is not available: nothing
// is filled in from hours around.
//
// A merged row names its sources joined by "+". It has the distance of the farthest
// that gave temperature, wind or precipitation (those act on a path; if none did, of
// the others), NaN if one is not known.
func Merge(rows []reception.Weather, prefer []string) []reception.Weather {
	names := map[string]int{}
	var sources []*hourly
	for i := range rows {
		n, ok := names[rows[i].Source]
		if !ok {
			n = len(sources)
			names[rows[i].Source] = n
			sources = append(sources, &hourly{name: rows[i].Source, at: map[int64]*mean{}, distance: rows[i].DistanceKM, modelled: rows[i].Modelled})
		}
		sources[n].rows = append(sources[n].rows, rows[i])
	}
	rank := func(name string) int {
		if i := slices.Index(prefer, name); i >= 0 {
			return i
		}
		return len(prefer)
	}
	slices.SortFunc(sources, func(a, b *hourly) int {
		return cmp.Or(cmp.Compare(rank(a.name), rank(b.name)), compareBool(a.modelled, b.modelled), compareDistance(a.distance, b.distance), cmp.Compare(a.name, b.name))
	})
	var hours []int64
	for _, s := range sources {
		checked, _ := Check(s.rows)
		for i := range checked {
			s.add(&checked[i])
		}
		for h := range s.at {
			hours = append(hours, h)
		}
	}
	slices.Sort(hours)
	var out []reception.Weather
	for _, h := range slices.Compact(hours) {
		if w, ok := one(h, sources); ok {
			out = append(out, w)
		}
	}
	return out
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

func compareDistance(a, b float64) int {
	switch na, nb := math.IsNaN(a), math.IsNaN(b); {
	case na && nb:
		return 0
	case na:
		return 1
	case nb:
		return -1
	}
	return cmp.Compare(a, b)
}

// hourly is one source cut into hours.
type hourly struct {
	name     string
	rows     []reception.Weather
	distance float64 // of its first row, for the order
	modelled bool
	at       map[int64]*mean // by hour since 1970
}

// A mean gathers what falls into one hour. Weights are milliseconds of overlap.
type mean struct {
	temp, dew, pressure, wind, rain, snow weighted
	east, north, dirMS                    float64
	gust                                  float64
	kindMS                                float64
	kind                                  reception.Precipitation
	quietMS                               float64
	thunder                               bool
	distance                              float64
	modelled                              bool
	known                                 int64
}

type weighted struct{ sum, ms float64 }

func (w *weighted) add(v, ms float64) {
	if !math.IsNaN(v) {
		w.sum += v * ms
		w.ms += ms
	}
}

// half an hour makes an hour's value.
const half = reception.HourMS / 2

func (w weighted) value() float64 {
	if w.ms < half {
		return math.NaN()
	}
	return w.sum / w.ms
}

func (s *hourly) add(w *reception.Weather) {
	from, to := w.Time-w.IntervalS*1000, w.Time
	for h := floorDiv(from, reception.HourMS); h*reception.HourMS < to; h++ {
		overlap := min(to, (h+1)*reception.HourMS) - max(from, h*reception.HourMS)
		m := s.at[h]
		if m == nil {
			m = &mean{gust: math.NaN(), distance: math.Inf(-1)}
			s.at[h] = m
		}
		m.add(w, float64(overlap), 2*overlap >= min(to-from, reception.HourMS))
	}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// add takes a row's share. mostly says that the hour has half of the row, or the
// row half of the hour: highest values and kinds, which cannot be shared, go there.
func (m *mean) add(w *reception.Weather, ms float64, mostly bool) {
	m.temp.add(w.TempC, ms)
	m.dew.add(w.DewpointC, ms)
	m.pressure.add(w.PressureHPa, ms)
	m.wind.add(w.WindMPS, ms)
	m.rain.add(w.RainMMPerHour, ms)
	m.snow.add(w.SnowMMPerHour, ms)
	if !math.IsNaN(w.WindDirDeg) && w.WindMPS > 0 {
		sin, cos := math.Sincos(w.WindDirDeg * math.Pi / 180)
		m.east += sin * w.WindMPS * ms
		m.north += cos * w.WindMPS * ms
		m.dirMS += ms
	}
	if !mostly {
		return
	}
	if math.IsNaN(m.gust) || w.GustMPS > m.gust {
		m.gust = w.GustMPS
	}
	if w.Precipitation != reception.PrecipUnknown {
		m.kindMS += ms
		if strength(w.Precipitation) > strength(m.kind) {
			m.kind = w.Precipitation
		}
	}
	if w.Thunder == reception.No {
		m.quietMS += ms
	}
	m.thunder = m.thunder || w.Thunder == reception.Yes
	if math.IsNaN(w.DistanceKM) || w.DistanceKM > m.distance {
		m.distance = w.DistanceKM
	}
	m.modelled = m.modelled || w.Modelled
	m.known = max(m.known, w.Known)
}

func strength(p reception.Precipitation) int {
	return slices.Index([]reception.Precipitation{reception.PrecipUnknown, reception.PrecipNone, reception.PrecipTrace, reception.PrecipAmount}, p)
}

func (m *mean) direction() float64 {
	// A resultant much shorter than its parts has no direction to speak of (ours).
	if m.dirMS < half || math.Hypot(m.east, m.north) < 0.1*m.wind.sum {
		return math.NaN()
	}
	d := math.Atan2(m.east, m.north) * 180 / math.Pi
	if d <= 0 {
		d += 360
	}
	return d
}

func (m *mean) amount() bool { return m.rain.ms >= half || m.snow.ms >= half }

// kindOf is what fell; that nothing did takes half of the hour to say.
func (m *mean) kindOf() reception.Precipitation {
	if m.kind == reception.PrecipNone && m.kindMS < half {
		return reception.PrecipUnknown
	}
	return m.kind
}

func (m *mean) thunderOf() reception.Tristate {
	switch {
	case m.thunder:
		return reception.Yes
	case m.quietMS >= half:
		return reception.No
	}
	return reception.Unknown
}

// acting values act on a path.
const acting = true

// one makes the row of an hour; sources come in the order in which they are asked.
func one(h int64, sources []*hourly) (reception.Weather, bool) {
	w := reception.NewWeather()
	w.Time = (h + 1) * reception.HourMS
	used, acts := make([]bool, len(sources)), make([]bool, len(sources))
	some := false
	first := func(acting bool, has func(m *mean) bool, take func(m *mean)) bool {
		for i, s := range sources {
			if m := s.at[h]; m != nil && has(m) {
				take(m)
				used[i] = true
				acts[i], some = acts[i] || acting, some || acting
				return true
			}
		}
		return false
	}
	first(acting, func(m *mean) bool { return m.temp.ms >= half }, func(m *mean) { w.TempC, w.DewpointC = m.temp.value(), m.dew.value() })
	first(!acting, func(m *mean) bool { return m.pressure.ms >= half }, func(m *mean) { w.PressureHPa = m.pressure.value() })
	first(acting, func(m *mean) bool { return m.wind.ms >= half }, func(m *mean) {
		w.WindMPS, w.GustMPS, w.WindDirDeg = m.wind.value(), m.gust, m.direction()
	})
	fell := func(m *mean) {
		w.RainMMPerHour, w.SnowMMPerHour, w.Precipitation = m.rain.value(), m.snow.value(), m.kindOf()
	}
	if !first(acting, (*mean).amount, fell) {
		first(acting, func(m *mean) bool { return m.kindOf() != reception.PrecipUnknown }, fell)
	}
	first(!acting, func(m *mean) bool { return m.thunderOf() != reception.Unknown }, func(m *mean) { w.Thunder = m.thunderOf() })

	var names []string
	distance := math.Inf(-1)
	for i, s := range sources {
		if !used[i] {
			continue
		}
		m := s.at[h]
		names = append(names, s.name)
		if (acts[i] || !some) && (math.IsNaN(m.distance) || m.distance > distance) { // NaN stays: nothing is above it
			distance = m.distance
		}
		w.Modelled = w.Modelled || m.modelled
		w.Known = max(w.Known, m.known)
	}
	if len(names) == 0 {
		return w, false
	}
	w.Source = strings.Join(names, "+")
	if !math.IsInf(distance, 0) {
		w.DistanceKM = distance
	}
	return w, true
}
