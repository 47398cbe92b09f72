package answer

import (
	"cmp"
	"slices"

	"holdfast/analysis/availability"
	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A segment is what one series measured in one regime: its hours packed by day, with
// what has been summed up of whole days.
type segment struct {
	reception.Series
	reception.Regime
	days []segmentDay // ascending
}

type segmentDay struct {
	day   int64
	hours []byte    // see packHour, ascending
	sum   *daySum   // of the whole day; nil until wanted
	runs  []hourRun // bad runs, ascending by hour
}

type hourRun struct {
	hour int64
	runs []reception.BadRun
}

// A daySum is one day of a segment, summed: histograms are of C/N in the scale's bins,
// weighted by the seconds that visits stand for, unlocked visits below all bins.
type daySum struct {
	visits        int64
	dwellMS       int64
	hist          [4]stat.Histogram // by drivers.Wet
	wetness       float64           // sum of wetness x weight over wet hours
	hours         availability.Day
	dose          []reception.DoseBin
	notMeasuredMS [6]int64
	diffSqMDB2    int64
	diffPairs     int64
	riding        uint32 // hours of day with a visit riding on a viewer, as bits
}

// put stores an hour's tally, in place of an earlier one of the same hour.
func (s *segment) put(day int64, offset byte, hour int64, t *reception.Tally) {
	i, found := slices.BinarySearchFunc(s.days, day, func(d segmentDay, at int64) int { return cmp.Compare(d.day, at) })
	if !found {
		s.days = slices.Insert(s.days, i, segmentDay{day: day})
	}
	d := &s.days[i]
	d.sum = nil
	d.hours = replaceHour(d.hours, offset, t)
	j, had := slices.BinarySearchFunc(d.runs, hour, func(r hourRun, at int64) int { return cmp.Compare(r.hour, at) })
	switch {
	case had && len(t.Runs) == 0:
		d.runs = slices.Delete(d.runs, j, j+1)
	case had:
		d.runs[j].runs = slices.Clone(t.Runs)
	case len(t.Runs) > 0:
		d.runs = slices.Insert(d.runs, j, hourRun{hour, slices.Clone(t.Runs)})
	}
}

// replaceHour returns packed hours with one put in its place.
func replaceHour(b []byte, offset byte, t *reception.Tally) []byte {
	rest := b
	for len(rest) > 0 {
		o, _, after := next(rest)
		if o >= offset {
			before := b[:len(b)-len(rest)]
			if o > offset {
				after = rest
			}
			out := append(make([]byte, 0, len(b)+64), before...)
			return append(packHour(out, offset, t), after...)
		}
		rest = after
	}
	return packHour(b, offset, t)
}

// window returns the indices of the days from..to, to included.
func (s *segment) window(from, to int64) (i, j int) {
	at := func(d segmentDay, day int64) int { return cmp.Compare(d.day, day) }
	i, _ = slices.BinarySearchFunc(s.days, from, at)
	j, _ = slices.BinarySearchFunc(s.days, to+1, at)
	return i, j
}

// forget drops what was summed of days from one on.
func (s *segment) forget(from int64) {
	for i := len(s.days) - 1; i >= 0 && s.days[i].day >= from; i-- {
		s.days[i].sum = nil
	}
}

// sumOf sums the hours of a day that lie in [from, to), or returns the sum of the
// whole day made before.
func (f *Fold) sumOf(d *segmentDay, from, to int64) *daySum {
	first := f.days.First(d.day)
	whole := from <= first && to >= first+24
	if whole && d.sum != nil {
		return d.sum
	}
	out := &daySum{}
	out.hours.Date = d.day
	var h hourRec
	for rest := d.hours; len(rest) > 0; {
		var body []byte
		var offset byte
		offset, body, rest = next(rest)
		hour := first + int64(offset)
		if hour < from || hour >= to {
			continue
		}
		h.unpack(body)
		out.add(&h, f.sky.At(hour), f.days.HourOfDay(hour))
	}
	if whole {
		d.sum = out
	}
	return out
}

func (s *daySum) add(h *hourRec, sky drivers.Hour, hourOfDay int) {
	s.visits += h.visits
	s.dwellMS += h.dwellMS
	for i, v := range h.notMeasuredMS {
		s.notMeasuredMS[i] += v
	}
	s.diffSqMDB2 += h.diffSqMDB2
	s.diffPairs += h.diffPairs
	for _, d := range h.dose {
		s.dose = addDose(s.dose, d)
	}
	if h.riding > 0 {
		s.riding |= 1 << hourOfDay
	}
	if h.visits <= 0 {
		return
	}
	s.hours.Hours[hourOfDay].Add(&reception.Tally{Visits: h.visits, DwellMS: h.dwellMS, StoodMS: h.stoodMS, ErroredUS: h.erroredUS})
	weight := float64(h.stoodMS) / 1000 / float64(h.visits)
	class := sky.Class()
	hist := &s.hist[class]
	hist.Below += weight * float64(h.unlocked)
	for _, c := range h.cn {
		addBin(hist, c.Bin, weight*float64(c.N))
	}
	if class == drivers.WetWet {
		s.wetness += sky.Wetness() * weight * float64(h.visits-h.noCN)
	}
}

func addBin(h *stat.Histogram, bin int32, w float64) {
	i, ok := slices.BinarySearchFunc(h.Bins, bin, func(b stat.Bin, at int32) int { return cmp.Compare(b.At, at) })
	if ok {
		h.Bins[i].W += w
		return
	}
	h.Bins = slices.Insert(h.Bins, i, stat.Bin{At: bin, W: w})
}

func addDose(dose []reception.DoseBin, d reception.DoseBin) []reception.DoseBin {
	i, ok := slices.BinarySearchFunc(dose, d.Bin, func(b reception.DoseBin, at int32) int { return cmp.Compare(b.Bin, at) })
	if !ok {
		return slices.Insert(dose, i, d)
	}
	dose[i].Visits += d.Visits
	dose[i].Failed += d.Failed
	dose[i].ErroredUS += d.ErroredUS
	return dose
}
