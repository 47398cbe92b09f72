package drivers

import (
	"cmp"
	"math"
	"slices"

	"holdfast/analysis/reception"
)

// Until they are fitted to the home: the store of water on leaves and roof dries
// with this time constant and is filled by this much rain. The store is the form of
// Rutter et al., Agricultural Meteorology 9 (1971) 367-384; of the values, a canopy
// store of about 1 mm emptied at 0.1 to 0.5 mm/h is from memory.
const (
	dryingHours = 6.0
	fillingMM   = 1.0
)

// A Wet says whether an hour counts as wet or dry.
type Wet uint8

// Classes of hours. WetUnknown: nobody measured precipitation.
const (
	WetUnknown Wet = iota
	WetDry         // wetness below one tenth and no precipitation
	WetWet         // wetness of at least one half
	WetNeither
)

// An Hour is the weather of one UTC hour, NaN where nobody has a value.
type Hour struct {
	TempC, WindMPS, GustMPS float64
	PrecipMM                float64 // fallen in this hour, water equivalent; 0 with Trace may be a trace
	Fell                    bool    // some precipitation, a trace included
	WetLow, WetHigh         float64 // bounds of the wetness, 0 to 1, at the end of the hour; apart after a gap
}

// Wetness returns the expected wetness, the middle of its bounds.
func (h Hour) Wetness() float64 { return (h.WetLow + h.WetHigh) / 2 }

// Class says whether the hour was wet or dry.
func (h Hour) Class() Wet {
	switch {
	case h.WetLow >= 0.5:
		return WetWet
	case h.WetHigh < 0.1 && !h.Fell && !math.IsNaN(h.PrecipMM):
		return WetDry
	case h.WetHigh-h.WetLow > 0.4:
		return WetUnknown
	}
	return WetNeither
}

// A Sky keeps the weather of hours, one row for each, in any order: what several
// sources say of an hour is merged before. The zero value is ready.
type Sky struct {
	rows    []reception.Weather // ascending, one an hour
	hours   []Hour
	first   int64 // UTC hour of hours[0]
	dirty   int64 // first hour to make again
	isDirty bool
}

// Add takes the weather of the hour in which w ends; it replaces what was known of
// that hour. A row without any value says that nothing is known of it any more.
func (s *Sky) Add(w reception.Weather) {
	h := hourOf(w)
	i, found := slices.BinarySearchFunc(s.rows, h, byHour)
	blank := reception.NewWeather()
	blank.Time = w.Time
	switch {
	case found && s.rows[i].Equal(&w):
		return
	case w.Equal(&blank) && !found:
		return
	case w.Equal(&blank):
		s.rows = slices.Delete(s.rows, i, i+1)
	case found:
		s.rows[i] = w
	default:
		s.rows = slices.Insert(s.rows, i, w)
	}
	if !s.isDirty || h < s.dirty {
		s.dirty, s.isDirty = h, true
	}
}

func hourOf(w reception.Weather) int64 { return floorDiv(w.Time-1, hourMS) }

func byHour(w reception.Weather, hour int64) int { return cmp.Compare(hourOf(w), hour) }

// Refresh takes up what was added since and returns the first hour that may differ
// from before; ok is false when none does.
func (s *Sky) Refresh() (from int64, ok bool) {
	if !s.isDirty {
		return 0, false
	}
	s.isDirty = false
	if len(s.rows) == 0 {
		s.first, s.hours = 0, nil
		return s.dirty, true
	}
	last := hourOf(s.rows[len(s.rows)-1])
	if len(s.hours) == 0 || s.dirty <= s.first {
		s.first, s.hours = hourOf(s.rows[0]), s.hours[:0]
	}
	s.hours = s.hours[:max(0, min(s.dirty-s.first, int64(len(s.hours))))]
	low, high := 0.0, 1.0
	if n := len(s.hours); n > 0 {
		low, high = s.hours[n-1].WetLow, s.hours[n-1].WetHigh
	}
	h := s.first + int64(len(s.hours))
	i, _ := slices.BinarySearchFunc(s.rows, h, byHour)
	for ; h <= last; h++ {
		x, fillMM := nothing, math.NaN()
		if hourOf(s.rows[i]) == h {
			x, fillMM = hourFrom(s.rows[i])
			i++
		}
		low, high = wetten(low, fillMM), wetten(high, fillMM)
		if math.IsNaN(x.PrecipMM) {
			high = 1
		}
		x.WetLow, x.WetHigh = low, high
		s.hours = append(s.hours, x)
	}
	return s.dirty, true
}

// nothing is the weather of an hour of which nobody knows any.
var nothing = Hour{TempC: math.NaN(), WindMPS: math.NaN(), GustMPS: math.NaN(), PrecipMM: math.NaN(), WetHigh: 1}

// hourFrom makes an hour of a row, and what fills the store of water in it, mm.
func hourFrom(w reception.Weather) (h Hour, fillMM float64) {
	h = Hour{TempC: w.TempC, WindMPS: w.WindMPS, GustMPS: w.GustMPS, PrecipMM: precipitation(w)}
	h.Fell = h.PrecipMM > 0 || w.Precipitation == reception.PrecipTrace
	if h.TempC <= 0 { // frozen water does not fill the store
		return h, w.RainMMPerHour
	}
	return h, h.PrecipMM
}

// wetten moves the wetness by one hour: drying, then filling by rain.
func wetten(w, mm float64) float64 {
	if math.IsNaN(mm) {
		mm = 0
	}
	return 1 - (1-w*math.Exp(-1/dryingHours))*math.Exp(-mm/fillingMM)
}

// At returns the weather of an hour as of the last Refresh. Where there is none the
// wetness bounds are 0 and 1.
func (s *Sky) At(hour int64) Hour {
	i := hour - s.first
	if i < 0 || i >= int64(len(s.hours)) {
		return nothing
	}
	return s.hours[i]
}

// Row returns what is known of an hour as it was measured; ok is false for nothing.
func (s *Sky) Row(hour int64) (w reception.Weather, ok bool) {
	i, found := slices.BinarySearchFunc(s.rows, hour, byHour)
	if !found {
		return w, false
	}
	return s.rows[i], true
}

// Span returns the first hour with weather and the hour after the last one, as of
// the last Refresh; both 0 when there is none.
func (s *Sky) Span() (from, to int64) { return s.first, s.first + int64(len(s.hours)) }

// farKM is how far weather may be and still speak for the home's own rain; ours, no
// published source: showers are some kilometres wide.
const farKM = 30

// Far reports whether the newest weather before an hour comes from further than that.
func (s *Sky) Far(before int64) bool {
	i, _ := slices.BinarySearchFunc(s.rows, before, byHour)
	return i > 0 && s.rows[i-1].DistanceKM > farKM // NaN: not known
}

// precipitation returns mm/h of rain and snow together; NaN if nobody measured it.
func precipitation(w reception.Weather) float64 {
	switch {
	case w.Precipitation == reception.PrecipNone:
		return 0
	case math.IsNaN(w.RainMMPerHour) && math.IsNaN(w.SnowMMPerHour):
		if w.Precipitation == reception.PrecipTrace {
			return 0
		}
		return math.NaN()
	case math.IsNaN(w.RainMMPerHour):
		return w.SnowMMPerHour
	case math.IsNaN(w.SnowMMPerHour):
		return w.RainMMPerHour
	}
	return w.RainMMPerHour + w.SnowMMPerHour
}
