package answer

import (
	"cmp"
	"math"
	"slices"

	"holdfast/analysis/availability"
	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
	"holdfast/analysis/threshold"
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
	hours []byte        // see packHour, ascending
	sum   *kept         // the whole day summed up; nil until wanted
	means *[24]hourMean // for causes; nil until wanted
	runs  []hourRun     // bad runs, ascending by hour
}

type hourRun struct {
	hour int64
	runs []reception.BadRun
}

// A daySum is one day of a segment, summed: histograms are of C/N in the scale's bins,
// weighted by the seconds that visits stand for, unlocked visits below all bins.
type daySum struct {
	visits  int64
	hist    [4]stat.Histogram // by drivers.Wet
	wetness float64           // sum of wetness x weight over wet hours
	hours   availability.Day
	dose    []reception.DoseBin
	steady  []reception.DoseBin // visits and failed of the steady ones; thresholds alone ask for it, of kept
	riding  uint32              // hours of day with a visit riding on a viewer, as bits
	viewing stat.Histogram      // of the viewing hours, all classes
	counts  bool                // errors could be counted
	above   int32               // bins by which medians lay above the C/N of the errors, summed over
	calm    int32               // so many visits, of hours in which all were steady
}

// kept is a daySum as it waits for the next answer: 1 kB instead of 4, so that 40
// channels and a year take 17 MB.
type kept struct {
	visits  int32
	riding  uint32
	wetness float32
	counts  bool
	below   [5]float32 // by class, then viewing hours
	bins    [5]uint16  // how many of cells belong to each
	cells   []keptBin
	middles middles
	dose    []keptDose
	steady  []threshold.Count
	above   int32
	calm    int32
	hours   [24]keptHour
}

// middles are a day's medians of C/N, in the scale's unit: NaN where too little was
// measured, -Inf where most visits were unlocked.
type middles struct {
	dry, wet float32 // of dry hours (of all but wet ones, where weather is unknown), of wet ones
	wetness  float32 // mean in the wet hours
	low      int32   // lowest bin of the day
	locked   bool    // there is one
}

// minSeconds: a day's dry or wet median rests on visits that stand for at least half
// an hour; ours.
const minSeconds = 1800

func middlesOf(s *daySum) middles {
	m := middles{dry: float32(math.NaN()), wet: float32(math.NaN()), low: math.MaxInt32}
	for i := range s.hist {
		if b := s.hist[i].Bins; len(b) > 0 {
			m.low, m.locked = min(m.low, b[0].At), true
		}
	}
	dry := s.hist[drivers.WetDry]
	if dry.Total() < minSeconds && s.hist[drivers.WetUnknown].Total() > 0 {
		dry = stat.Merge([]stat.Histogram{dry, s.hist[drivers.WetUnknown], s.hist[drivers.WetNeither]})
	}
	if dry.Total() >= minSeconds {
		m.dry = float32(dry.Quantile(0.5, binDB))
	}
	if wet := s.hist[drivers.WetWet]; wet.Total() >= minSeconds {
		m.wet = float32(wet.Quantile(0.5, binDB))
		m.wetness = float32(s.wetness / wet.Total())
	}
	return m
}

type keptBin struct {
	at int32
	w  float32
}

type keptDose struct {
	bin, visits, failed int32
	erroredS            float32
}

type keptHour struct {
	visits, dwellMS, stoodMS int32
	lostMS                   float32
}

func (s *daySum) keep() *kept {
	k := &kept{visits: int32(s.visits), riding: s.riding, wetness: float32(s.wetness), counts: s.counts, above: s.above, calm: s.calm, middles: middlesOf(s)}
	n := len(s.viewing.Bins)
	for i := range s.hist {
		n += len(s.hist[i].Bins)
	}
	k.cells = make([]keptBin, 0, n)
	for i := range k.bins {
		h := &s.viewing
		if i < len(s.hist) {
			h = &s.hist[i]
		}
		k.below[i], k.bins[i] = float32(h.Below), uint16(len(h.Bins))
		for _, b := range h.Bins {
			k.cells = append(k.cells, keptBin{b.At, float32(b.W)})
		}
	}
	k.dose = make([]keptDose, len(s.dose))
	for i, d := range s.dose {
		k.dose[i] = keptDose{d.Bin, int32(d.Visits), int32(d.Failed), float32(float64(d.ErroredUS) / 1e6)}
	}
	k.steady = make([]threshold.Count, len(s.steady))
	for i, d := range s.steady {
		k.steady[i] = threshold.Count{Bin: d.Bin, Visits: int32(d.Visits), Failed: int32(d.Failed)}
	}
	for i, h := range s.hours.Hours {
		k.hours[i] = keptHour{int32(h.Visits), int32(h.DwellMS), int32(h.StoodMS), float32(h.LostMS)}
	}
	return k
}

// daySum unpacks a day into m.
func (k *kept) daySum(day int64, m *scratch) *daySum {
	s := &m.sums.take(1)[0]
	s.visits, s.riding, s.wetness, s.counts, s.above, s.calm = int64(k.visits), k.riding, float64(k.wetness), k.counts, k.above, k.calm
	s.hours.Date = day
	bins := m.bins.take(len(k.cells))
	for i, c := range k.cells {
		bins[i] = stat.Bin{At: c.at, W: float64(c.w)}
	}
	for i := range k.bins {
		n := int(k.bins[i])
		h := stat.Histogram{Below: float64(k.below[i]), Bins: bins[:n:n]}
		bins = bins[n:]
		if i < len(s.hist) {
			s.hist[i] = h
		} else {
			s.viewing = h
		}
	}
	s.dose = m.dose.take(len(k.dose))
	for i, d := range k.dose {
		s.dose[i] = reception.DoseBin{Bin: d.bin, Visits: int64(d.visits), Failed: int64(d.failed), ErroredUS: int64(math.Round(float64(d.erroredS) * 1e6))}
	}
	for i, h := range k.hours {
		s.hours.Hours[i] = availability.Hour{Visits: int64(h.visits), DwellMS: int64(h.dwellMS), StoodMS: float64(h.stoodMS), LostMS: float64(h.lostMS)}
	}
	return s
}

// put stores an hour as packed, in place of an earlier one of the same hour.
func (s *segment) put(day int64, offset byte, hour int64, packed []byte, runs []reception.BadRun) {
	i, found := s.find(day)
	if !found {
		if i > 0 && i == len(s.days) { // the day before is over: no room for more
			last := &s.days[i-1]
			last.hours = slices.Clone(last.hours)
		}
		s.days = slices.Insert(s.days, i, segmentDay{day: day})
	}
	d := &s.days[i]
	d.sum, d.means = nil, nil
	d.hours = replaceHour(d.hours, offset, packed)
	j, had := slices.BinarySearchFunc(d.runs, hour, func(r hourRun, at int64) int { return cmp.Compare(r.hour, at) })
	switch {
	case had && len(runs) == 0:
		d.runs = slices.Delete(d.runs, j, j+1)
	case had:
		d.runs[j].runs = slices.Clone(runs)
	case len(runs) > 0:
		d.runs = slices.Insert(d.runs, j, hourRun{hour, slices.Clone(runs)})
	}
}

// holds reports whether an hour was put.
func (s *segment) holds(day int64, offset byte) bool {
	i, found := s.find(day)
	if !found {
		return false
	}
	for rest := s.days[i].hours; len(rest) > 0; {
		var o byte
		if o, _, rest = next(rest); o == offset {
			return true
		}
	}
	return false
}

// drop takes an hour out again.
func (s *segment) drop(day int64, offset byte, hour int64) {
	i, found := s.find(day)
	if !found {
		return
	}
	d := &s.days[i]
	var out []byte
	for rest := d.hours; len(rest) > 0; {
		o, _, after := next(rest)
		if o != offset {
			out = append(out, rest[:len(rest)-len(after)]...)
		}
		rest = after
	}
	d.hours, d.sum, d.means = out, nil, nil
	d.runs = slices.DeleteFunc(d.runs, func(r hourRun) bool { return r.hour == hour })
	if len(out) == 0 {
		s.days = slices.Delete(s.days, i, i+1)
	}
}

func (s *segment) find(day int64) (int, bool) {
	return slices.BinarySearchFunc(s.days, day, func(d segmentDay, at int64) int { return cmp.Compare(d.day, at) })
}

// replaceHour returns packed hours with a packed one put in its place.
func replaceHour(b []byte, offset byte, packed []byte) []byte {
	rest := b
	for len(rest) > 0 {
		o, _, after := next(rest)
		if o >= offset {
			if o > offset {
				after = rest
			}
			return slices.Concat(b[:len(b)-len(rest)], packed, after)
		}
		rest = after
	}
	return append(b, packed...)
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
func (f *Fold) sumOf(d *segmentDay, from, to int64, m *scratch) *kept {
	first := f.days.First(d.day)
	whole := from <= first && to >= first+24
	if whole && d.sum != nil {
		return d.sum
	}
	sum, h := &m.sum, &m.hour
	sum.reset()
	for rest := d.hours; len(rest) > 0; {
		var body []byte
		var offset byte
		offset, body, rest = next(rest)
		hour := first + int64(offset)
		if hour < from || hour >= to {
			continue
		}
		h.unpack(body)
		hourOfDay := f.days.HourOfDay(hour)
		sum.add(h, f.sky.At(hour), hourOfDay, f.isViewing(hourOfDay))
	}
	out := sum.keep()
	if whole {
		d.sum = out
	}
	return out
}

// reset empties a day for the next one, in the same memory.
func (s *daySum) reset() {
	was := *s
	*s = daySum{dose: was.dose[:0], steady: was.steady[:0]}
	for i := range s.hist {
		s.hist[i].Bins = was.hist[i].Bins[:0]
	}
	s.viewing.Bins = was.viewing.Bins[:0]
}

func (s *daySum) add(h *hourRec, sky drivers.Hour, hourOfDay int, viewing bool) {
	s.visits += h.visits
	s.counts = s.counts || h.counts
	s.dose = addDoses(s.dose, h.dose)
	at := 0
	for _, b := range h.steady {
		s.steady, at = addDose(s.steady, reception.DoseBin{Bin: b.Bin, Visits: b.N}, at)
	}
	at = 0
	for _, b := range h.steadyFailed {
		s.steady, at = addDose(s.steady, reception.DoseBin{Bin: b.Bin, Failed: b.N}, at)
	}
	s.addAbove(h)
	if h.riding > 0 {
		s.riding |= 1 << hourOfDay
	}
	if h.visits <= 0 {
		return
	}
	s.hours.Hours[hourOfDay].Add(&reception.Tally{Visits: h.visits, DwellMS: h.dwellMS, StoodMS: h.stoodMS, ErroredUS: h.erroredUS})
	weight := float64(h.stoodMS) / 1000 / float64(h.visits)
	class := sky.Class()
	into := func(hist *stat.Histogram) {
		hist.Below += weight * float64(h.unlocked)
		addBins(hist, h.cn, weight)
	}
	into(&s.hist[class])
	if viewing {
		into(&s.viewing)
	}
	if class == drivers.WetWet {
		s.wetness += sky.Wetness() * weight * float64(h.visits-h.noCN)
	}
}

// addAbove compares medians with the C/N of the errors, visits of an hour together: the
// two histograms pair only where every visit is in both.
func (s *daySum) addAbove(h *hourRec) {
	var visits, steady, bins int64
	for _, d := range h.dose {
		visits, bins = visits+d.Visits, bins+d.Visits*int64(d.Bin)
	}
	for _, b := range h.steady {
		steady, bins = steady+b.N, bins-b.N*int64(b.Bin)
	}
	if visits == steady {
		s.above, s.calm = s.above+int32(bins), s.calm+int32(visits)
	}
}

// addBins adds ascending bins, so much weight a visit.
func addBins(h *stat.Histogram, bins []reception.Bin, weight float64) {
	i := 0
	for _, b := range bins {
		for i < len(h.Bins) && h.Bins[i].At < b.Bin {
			i++
		}
		if i == len(h.Bins) || h.Bins[i].At != b.Bin {
			h.Bins = slices.Insert(h.Bins, i, stat.Bin{At: b.Bin})
		}
		h.Bins[i].W += weight * float64(b.N)
	}
}

// addDoses adds ascending bins to others.
func addDoses(dose, more []reception.DoseBin) []reception.DoseBin {
	at := 0
	for _, d := range more {
		dose, at = addDose(dose, d, at)
	}
	return dose
}

// addDose adds a bin to ascending ones; all before the index lie below it. It returns
// where the bin is.
func addDose(dose []reception.DoseBin, d reception.DoseBin, from int) ([]reception.DoseBin, int) {
	for from < len(dose) && dose[from].Bin < d.Bin {
		from++
	}
	if from == len(dose) || dose[from].Bin != d.Bin {
		return slices.Insert(dose, from, d), from
	}
	dose[from].Visits += d.Visits
	dose[from].Failed += d.Failed
	dose[from].ErroredUS += d.ErroredUS
	return dose, from
}

// isViewing reports whether an hour of day is one of the viewing hours.
func (f *Fold) isViewing(hour int) bool {
	from, to := f.setup.Wanted.ViewingFromHour, f.setup.Wanted.ViewingToHour
	if from <= to {
		return hour >= from && hour < to
	}
	return hour >= from || hour < to
}
