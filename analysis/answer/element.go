package answer

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/decompose"
	"holdfast/analysis/drivers"
	"holdfast/analysis/event"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// binDB is the width of a C/N histogram's bins on a scale in dB.
var binDB = reception.UnitDB.BinWidth()

// An element is one series under one installation: one line of the answer.
type element struct {
	reception.Series
	installation string
	channel      reception.Channel
	every        []*segment
	segments     []*segment // of every, those in dB; all if none is
	inPercent    bool       // none is in dB
	firstDay     int64
	installedMS  int64
	newestScale  string

	threshold limit // of the newest segment in dB: histograms are aligned to it
	rows      []row // every day before the answer's "at"
	span      []row // those in the answer's span, cut to it
	fit       decompose.Fit
	settled   map[int64]float64
	dropouts  []reception.Dropout // before "at", by start
}

// A row is one noon-to-noon day of an element.
type row struct {
	day  int64
	sum  *daySum
	leaf float64 // state at its midnight; NaN where there is no season
}

func (r row) leafOn() bool  { return r.leaf > 0.5 }
func (r row) leafOff() bool { return r.leaf <= 0.5 }

// elements groups the segments that measured before an hour, newest installation
// first, then by series.
func (f *Fold) elements(before int64) []*element {
	var out []*element
	for _, s := range f.segments { // neighbours under one installation are side by side
		i, j := s.window(math.MinInt64/2, f.days.Of(before-1))
		if i == j {
			continue
		}
		n := len(out)
		if n == 0 || out[n-1].Series != s.Series || out[n-1].installation != s.Installation {
			out = append(out, &element{Series: s.Series, installation: s.Installation, firstDay: s.days[i].day})
			n++
		}
		e := out[n-1]
		e.every = append(e.every, s)
		e.firstDay = min(e.firstDay, s.days[i].day)
	}
	opened := map[string]int64{}
	for _, e := range out {
		at, ok := f.installedAt(e.installation, e.Tuner)
		if !ok {
			at = f.days.First(e.firstDay) * reception.HourMS
		}
		e.installedMS = at
		if old, ok := opened[e.installation]; !ok || at < old {
			opened[e.installation] = at
		}
		e.channel = f.channelOf(e.Series)
		for _, s := range e.every {
			if f.scales[s.Scale].Unit != reception.UnitPercent {
				e.segments = append(e.segments, s)
			}
		}
		if e.inPercent = len(e.segments) == 0; e.inPercent {
			e.segments = e.every
		}
	}
	slices.SortStableFunc(out, func(a, b *element) int {
		return cmp.Or(cmp.Compare(opened[b.installation], opened[a.installation]), strings.Compare(a.installation, b.installation), compareSeries(a.Series, b.Series))
	})
	return out
}

func (f *Fold) channelOf(s reception.Series) reception.Channel {
	for _, c := range f.setup.Channels {
		if c.FrequencyHz == s.FrequencyHz && c.Layer == s.Layer {
			return c
		}
	}
	_, rf := f.setup.Home.Region.Key(s.FrequencyHz)
	return reception.Channel{FrequencyHz: s.FrequencyHz, Layer: s.Layer, RF: rf, System: f.setup.Home.Region.DefaultSystem(), ThresholdDB: math.NaN()}
}

// newest returns the segment that measured last before an hour.
func (e *element) newest(f *Fold, before int64) *segment {
	best, bestDay := e.segments[0], int64(math.MinInt64)
	for _, s := range e.segments {
		if i, j := s.window(math.MinInt64/2, f.days.Of(before-1)); j > i && s.days[j-1].day >= bestDay {
			best, bestDay = s, s.days[j-1].day
		}
	}
	return best
}

// load sums the element's days in [from, to) hours, its segments' histograms aligned
// to one threshold.
func (e *element) load(f *Fold, limits map[limitKey]limit, from, to int64, leaf *drivers.Leaf) []row {
	var out []row
	for _, s := range e.every {
		shift := int32(0)
		if t, ok := limits[keyOf(s)]; ok && t.Decided() && e.threshold.Decided() {
			shift = int32(math.Round((e.threshold.Value - t.Value) / binDB))
		}
		i, j := s.window(f.days.Of(from), f.days.Of(to-1))
		for k := i; k < j; k++ {
			sum := f.sumOf(&s.days[k], from, to)
			if !e.inPercent && f.scales[s.Scale].Unit == reception.UnitPercent {
				other := *sum // counts for shares alone
				other.hist, other.dose, other.wetness = [4]stat.Histogram{}, nil, 0
				sum = &other
			}
			at, found := slices.BinarySearchFunc(out, s.days[k].day, func(r row, day int64) int { return cmp.Compare(r.day, day) })
			if found {
				out[at].sum = merge(out[at].sum, sum, shift)
				continue
			}
			if shift != 0 {
				sum = merge(&daySum{}, sum, shift)
			}
			state, _ := leaf.State(s.days[k].day)
			out = slices.Insert(out, at, row{s.days[k].day, sum, state})
		}
	}
	return out
}

// merge returns the sum of two days, the second one's bins moved up.
func merge(a, b *daySum, shift int32) *daySum {
	out := &daySum{
		visits: a.visits + b.visits, dwellMS: a.dwellMS + b.dwellMS, wetness: a.wetness + b.wetness,
		hours: a.hours, dose: slices.Clone(a.dose), riding: a.riding | b.riding,
	}
	out.hours.Date = b.hours.Date
	for i := range out.hours.Hours {
		h, x := &out.hours.Hours[i], b.hours.Hours[i]
		h.Visits, h.DwellMS, h.StoodMS, h.LostMS = h.Visits+x.Visits, h.DwellMS+x.DwellMS, h.StoodMS+x.StoodMS, h.LostMS+x.LostMS
	}
	for i := range out.hist {
		moved := stat.Histogram{Below: b.hist[i].Below}
		for _, c := range b.hist[i].Bins {
			moved.Bins = append(moved.Bins, stat.Bin{At: c.At + shift, W: c.W})
		}
		out.hist[i] = stat.Merge([]stat.Histogram{a.hist[i], moved})
	}
	for _, d := range b.dose {
		d.Bin += shift
		out.dose = addDose(out.dose, d)
	}
	return out
}

// lowest returns the lowest C/N bin that the rows hold.
func lowest(rows []row) (bin int32, ok bool) {
	bin = math.MaxInt32
	for _, r := range rows {
		for i := range r.sum.hist {
			if b := r.sum.hist[i].Bins; len(b) > 0 {
				bin, ok = min(bin, b[0].At), true
			}
		}
	}
	return bin, ok
}

// all returns a day's histogram over every class of hours.
func (r row) all() stat.Histogram { return stat.Merge(r.sum.hist[:]) }

func (r row) class(w drivers.Wet) stat.Histogram { return r.sum.hist[w] }

// A day's dry median rests on visits that stand for at least half an hour; ours.
const minSeconds = 1800

// decomposed takes the element's days apart.
func (e *element) decomposed(f *Fold, leaf *drivers.Leaf) {
	days := make([]decompose.Day, 0, len(e.rows))
	low, ok := lowest(e.rows)
	scale := f.scales[e.newestScale]
	for _, r := range e.rows {
		d := decompose.Day{Day: r.day, DryDB: math.NaN(), WetDB: math.NaN(), Leaf: r.leaf, TempC: leaf.Temp(r.day), Visits: r.sum.visits}
		if ok && e.threshold.Decided() {
			dry := r.class(drivers.WetDry)
			if dry.Total() < minSeconds && r.sum.hist[drivers.WetUnknown].Total() > 0 {
				// Nobody knows how wet it was: everything but hours known to be wet.
				dry = stat.Merge([]stat.Histogram{dry, r.class(drivers.WetUnknown), r.class(drivers.WetNeither)})
			}
			if dry.Total() >= minSeconds {
				d.DryDB, d.Bound = e.median(dry, low, scale)
			}
			if wet := r.class(drivers.WetWet); wet.Total() >= minSeconds {
				d.WetDB, _ = e.median(wet, low, scale)
				d.Wet = r.sum.wetness / wet.Total()
			}
		}
		days = append(days, d)
	}
	o := decompose.Options{StepDB: math.NaN(), FarWeather: f.sky.Far(), LeafNeeds: leaf.Needs()}
	if scale.ID != "" {
		o.StepDB = scale.Step
	}
	e.fit = decompose.Of(days, o)
	e.settled = map[int64]float64{}
	for i, r := range e.rows {
		e.settled[r.day] = e.fit.Settled[i]
	}
}

// median returns a histogram's median margin. Where most visits were unlocked it is
// at most the lowest C/N ever seen; where it lies at the tuner's ceiling, at least
// that.
func (e *element) median(h stat.Histogram, low int32, scale scaleEntry) (float64, reception.Bound) {
	q := h.Quantile(0.5, binDB)
	if math.IsInf(q, -1) {
		return float64(low)*binDB - e.threshold.Value, reception.AtMost
	}
	if scale.ID != "" && scale.Ceiling > 0 && q >= scale.Ceiling-math.Max(binDB, nonNaN(scale.Step)) {
		return q - e.threshold.Value, reception.AtLeast
	}
	return q - e.threshold.Value, reception.Exact
}

func nonNaN(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// findDropouts joins the bad runs of hours before one into dropouts.
func (e *element) findDropouts(f *Fold, before int64) {
	type hourOf struct {
		key  reception.TallyKey
		runs []reception.BadRun
	}
	var hours []hourOf
	last := int64(math.MinInt64)
	for _, s := range e.every {
		i, j := s.window(math.MinInt64/2, f.days.Of(before-1))
		for k := i; k < j; k++ {
			for _, r := range s.days[k].runs {
				if r.hour < before {
					hours = append(hours, hourOf{reception.TallyKey{Series: s.Series, Regime: s.Regime, Hour: r.hour}, r.runs})
				}
			}
		}
		for k := j - 1; k >= i; k-- {
			if h, ok := f.lastMeasured(&s.days[k], before); ok {
				last = max(last, h)
				break
			}
		}
	}
	if len(hours) == 0 {
		return
	}
	slices.SortStableFunc(hours, func(a, b hourOf) int { return cmp.Compare(a.key.Hour, b.key.Hour) })
	var ev event.Fold
	for _, h := range hours {
		e.dropouts = append(e.dropouts, ev.Step(h.key, &reception.Tally{Runs: h.runs})...)
	}
	if end := hours[len(hours)-1].key; last > end.Hour {
		end.Hour = last
		e.dropouts = append(e.dropouts, ev.Step(end, &reception.Tally{})...)
	}
	e.dropouts = append(e.dropouts, ev.Open(before*reception.HourMS)...)
}

// lastMeasured returns the last hour of a day, before an hour, with a visit made.
func (f *Fold) lastMeasured(d *segmentDay, before int64) (hour int64, ok bool) {
	first := f.days.First(d.day)
	var h hourRec
	for rest := d.hours; len(rest) > 0; {
		var offset byte
		var body []byte
		offset, body, rest = next(rest)
		if first+int64(offset) >= before {
			break
		}
		if h.unpack(body); h.visits+h.extra > 0 {
			hour, ok = first+int64(offset), true
		}
	}
	return hour, ok
}
