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

// An Hour is the merged weather of one UTC hour, each value from the nearest source
// that has it, NaN where none has.
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

// A Sky gathers weather rows of any source, order and interval, and merges them
// into hours. The zero value is ready.
type Sky struct {
	rows    []reception.Weather // ascending by end, source, interval
	longest int64               // longest interval among rows, ms
	hours   []Hour
	first   int64 // UTC hour of hours[0]
	dirty   int64 // first hour to merge again
	isDirty bool
}

// Add gathers one row. A row with the time, source and interval of one that is
// there changes nothing: as in the log, the first one stays.
func (s *Sky) Add(w reception.Weather) {
	i, found := slices.BinarySearchFunc(s.rows, w, compareRows)
	if found {
		return
	}
	s.rows = slices.Insert(s.rows, i, w)
	s.longest = max(s.longest, w.IntervalS*1000)
	h := floorDiv(w.Time-w.IntervalS*1000, hourMS)
	if !s.isDirty || h < s.dirty {
		s.dirty, s.isDirty = h, true
	}
}

func compareRows(a, b reception.Weather) int {
	return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.Source, b.Source), cmp.Compare(a.IntervalS, b.IntervalS))
}

// Refresh merges what was added since and returns the first hour that may differ
// from before; ok is false when none does.
func (s *Sky) Refresh() (from int64, ok bool) {
	if !s.isDirty {
		return 0, false
	}
	s.isDirty = false
	last := floorDiv(s.rows[len(s.rows)-1].Time-1, hourMS)
	if len(s.hours) == 0 || s.dirty < s.first {
		s.first, s.hours = s.dirty, s.hours[:0]
	}
	s.hours = s.hours[:min(s.dirty-s.first, int64(len(s.hours)))]
	low, high := 0.0, 1.0
	if n := len(s.hours); n > 0 {
		low, high = s.hours[n-1].WetLow, s.hours[n-1].WetHigh
	}
	for h := s.first + int64(len(s.hours)); h <= last; h++ {
		x := s.merge(h)
		low, high = wetten(low, x.fillMM), wetten(high, x.fillMM)
		if math.IsNaN(x.PrecipMM) {
			high = 1
		}
		x.WetLow, x.WetHigh = low, high
		s.hours = append(s.hours, x.Hour)
	}
	return s.dirty, true
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
		return Hour{TempC: math.NaN(), WindMPS: math.NaN(), GustMPS: math.NaN(), PrecipMM: math.NaN(), WetHigh: 1}
	}
	return s.hours[i]
}

// Span returns the first hour with weather and the hour after the last one, as of
// the last Refresh; both 0 when there is none.
func (s *Sky) Span() (from, to int64) { return s.first, s.first + int64(len(s.hours)) }

// farKM is how far weather may be and still speak for the home's own rain; ours, no
// published source: showers are some kilometres wide.
const farKM = 30

// Far reports whether the newest weather before an hour comes from further than that.
func (s *Sky) Far(before int64) bool {
	i, _ := slices.BinarySearchFunc(s.rows, before*hourMS+1, func(r reception.Weather, t int64) int { return cmp.Compare(r.Time, t) })
	far := i > 0
	for j := i - 1; j >= 0 && s.rows[j].Time == s.rows[i-1].Time; j-- {
		if d := s.rows[j].DistanceKM; math.IsNaN(d) || d <= farKM {
			far = false
		}
	}
	return far
}

type merged struct {
	Hour
	fillMM float64
}

// merge joins the rows that overlap an hour.
func (s *Sky) merge(hour int64) merged {
	start, end := hour*hourMS, (hour+1)*hourMS
	i, _ := slices.BinarySearchFunc(s.rows, start+1, func(r reception.Weather, t int64) int { return cmp.Compare(r.Time, t) })
	j := i
	for j < len(s.rows) && s.rows[j].Time-s.longest < end {
		j++
	}
	rows := s.rows[i:j]
	out := merged{Hour{
		TempC:    pick(rows, start, end, meanOf, func(w reception.Weather) float64 { return w.TempC }),
		WindMPS:  pick(rows, start, end, meanOf, func(w reception.Weather) float64 { return w.WindMPS }),
		GustMPS:  pick(rows, start, end, maxOf, func(w reception.Weather) float64 { return w.GustMPS }),
		PrecipMM: pick(rows, start, end, meanOf, precipitation),
	}, math.NaN()}
	out.fillMM = out.PrecipMM
	if out.TempC <= 0 { // frozen water does not fill the store
		out.fillMM = pick(rows, start, end, meanOf, func(w reception.Weather) float64 { return w.RainMMPerHour })
	}
	out.Fell = out.PrecipMM > 0
	for _, r := range rows {
		if overlap(r, start, end) > 0 && r.Precipitation == reception.PrecipTrace {
			out.Fell = true
		}
	}
	return out
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

func overlap(w reception.Weather, start, end int64) int64 {
	return min(w.Time, end) - max(w.Time-w.IntervalS*1000, start)
}

type how uint8

const (
	meanOf how = iota
	maxOf
)

// pick joins one value over the rows of the best source that covers at least a
// third of the hour with it: measured before modelled, near before far, and within
// a source the shorter interval, where all up to an hour count alike (an hourly
// report and the special ones between).
func pick(rows []reception.Weather, start, end int64, as how, value func(reception.Weather) float64) float64 {
	best, bestRank := math.NaN(), rank{}
	for i, r := range rows {
		if overlap(r, start, end) <= 0 || math.IsNaN(value(r)) {
			continue
		}
		k := rankOf(r)
		if !math.IsNaN(best) && !k.before(bestRank) {
			continue
		}
		var sum, weight, top float64
		top = math.Inf(-1)
		for _, q := range rows[i:] {
			v, w := value(q), float64(overlap(q, start, end))
			if w <= 0 || math.IsNaN(v) || rankOf(q) != k {
				continue
			}
			sum, weight, top = sum+v*w, weight+w, max(top, v)
		}
		if weight < hourMS/3 {
			continue
		}
		best, bestRank = sum/weight, k
		if as == maxOf {
			best = top
		}
	}
	return best
}

type rank struct {
	modelled   bool
	distanceKM float64
	source     string
	intervalS  int64
}

func rankOf(w reception.Weather) rank {
	d := w.DistanceKM
	if math.IsNaN(d) {
		d = math.Inf(1)
	}
	return rank{w.Modelled, d, w.Source, max(w.IntervalS, 3600)}
}

func (a rank) before(b rank) bool {
	if a.modelled != b.modelled {
		return b.modelled
	}
	return cmp.Or(cmp.Compare(a.distanceKM, b.distanceKM), cmp.Compare(a.source, b.source), cmp.Compare(a.intervalS, b.intervalS)) < 0
}
