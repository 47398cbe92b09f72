package answer

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/availability"
	"holdfast/analysis/cause"
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
	scale        reception.Scale // of the newest segment; ID "" if nobody described it

	threshold limit  // of the newest segment in dB: histograms are aligned to it
	rows      []*row // every day before the answer's "at"
	span      []*row // those in the answer's span, cut to it
	fit       decompose.Fit
	dry       []float64           // daily dry medians, by row
	failed    int64               // own visits that failed
	dropouts  []reception.Dropout // before "at", by start
	verdicts  []cause.Verdict     // on each; empty ones where nobody judged
	offAir    []reception.Dropout // those that were the transmitter's
	mem       *scratch            // of what is made of the rows
}

// A row is one noon-to-noon day of an element.
type row struct {
	day  int64
	kept *kept                  // nil if full was merged of several segments
	full *daySum                // nil until wanted
	leaf float64                // state at its midnight; NaN where there is no season
	off  *[24]availability.Hour // taken out of full: the transmitter was off; nil for none

	every  stat.Histogram // over all classes of hours, once it was wanted
	merged bool
	mem    *scratch // of full; nil where it is its own
}

func (r *row) sum() *daySum {
	if r.full == nil {
		m := r.mem
		if m == nil {
			m = new(scratch)
		}
		r.full = r.kept.daySum(r.day, m)
	}
	return r.full
}

func (r *row) visits() int64 {
	if r.kept != nil {
		return int64(r.kept.visits)
	}
	return r.full.visits
}

// middles returns the day's medians of C/N.
func (r *row) middles() middles {
	if r.kept != nil {
		return r.kept.middles
	}
	return middlesOf(r.full)
}

func (r *row) leafOn() bool  { return r.leaf > 0.5 }
func (r *row) leafOff() bool { return r.leaf <= 0.5 }

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

// newest returns the segment that measured last before an hour, of those whose mode is
// known if there are any: a channel that is off for long has none.
func (e *element) newest(f *Fold, before int64) *segment {
	var best *segment
	var bestHour int64
	for _, s := range e.segments {
		i, j := s.window(math.MinInt64/2, f.days.Of(before-1))
		if i == j {
			continue
		}
		hour := f.days.First(s.days[j-1].day) + int64(lastOffset(s.days[j-1].hours))
		if best == nil || best.Mode == "" && s.Mode != "" || (best.Mode == "") == (s.Mode == "") && hour >= bestHour {
			best, bestHour = s, hour
		}
	}
	return best
}

// load sums the element's days in [from, to) hours, its segments' histograms aligned
// to one threshold.
func (e *element) load(f *Fold, limits map[limitKey]limit, from, to int64, leaf *drivers.Leaf, m *scratch) []*row {
	n := 0
	for _, s := range e.every {
		i, j := s.window(f.days.Of(from), f.days.Of(to-1))
		n += j - i
	}
	rows, out := make([]row, n), make([]*row, 0, n)
	for _, s := range e.every {
		shift := int32(0)
		if t, ok := limits[keyOf(s)]; ok && t.Decided() && e.threshold.Decided() {
			shift = int32(math.Round((e.threshold.Value - t.Value) / binDB))
		}
		percent := !e.inPercent && f.scales[s.Scale].Unit == reception.UnitPercent
		i, j := s.window(f.days.Of(from), f.days.Of(to-1))
		for k := i; k < j; k++ {
			day := s.days[k].day
			x := &rows[0]
			*x, rows = row{day: day, kept: f.sumOf(&s.days[k], from, to, m)}, rows[1:]
			if percent {
				x.full, x.kept = x.sum(), nil // counts for shares alone
				x.full.hist, x.full.viewing, x.full.dose, x.full.wetness = [4]stat.Histogram{}, stat.Histogram{}, nil, 0
				x.full.above, x.full.calm = 0, 0
			}
			if shift != 0 {
				x.full, x.kept = merge(&daySum{}, x.sum(), shift), nil
			}
			at := len(out) // days of one segment are ascending
			if at > 0 && out[at-1].day >= day {
				var found bool
				at, found = slices.BinarySearchFunc(out, day, func(r *row, day int64) int { return cmp.Compare(r.day, day) })
				if found {
					out[at].full, out[at].kept = merge(out[at].sum(), x.sum(), 0), nil
					continue
				}
			}
			x.leaf, _ = leaf.State(day)
			out = slices.Insert(out, at, x)
		}
	}
	return out
}

// use has what is made of the rows from now on lie in m.
func (e *element) use(m *scratch) {
	e.mem = m
	for _, rows := range [][]*row{e.rows, e.span} {
		for _, r := range rows {
			r.mem = m
		}
	}
}

// merge returns the sum of two days, the second one's bins moved up.
func merge(a, b *daySum, shift int32) *daySum {
	out := &daySum{
		visits: a.visits + b.visits, wetness: a.wetness + b.wetness,
		hours: a.hours, dose: slices.Clone(a.dose), riding: a.riding | b.riding, counts: a.counts || b.counts,
		above: a.above + b.above, calm: a.calm + b.calm,
	}
	out.hours.Date = b.hours.Date
	for i := range out.hours.Hours {
		h, x := &out.hours.Hours[i], b.hours.Hours[i]
		h.Visits, h.DwellMS, h.StoodMS, h.LostMS = h.Visits+x.Visits, h.DwellMS+x.DwellMS, h.StoodMS+x.StoodMS, h.LostMS+x.LostMS
	}
	both := func(x, y stat.Histogram) stat.Histogram {
		moved := stat.Histogram{Below: y.Below}
		for _, c := range y.Bins {
			moved.Bins = append(moved.Bins, stat.Bin{At: c.At + shift, W: c.W})
		}
		return stat.Merge([]stat.Histogram{x, moved})
	}
	for i := range out.hist {
		out.hist[i] = both(a.hist[i], b.hist[i])
	}
	out.viewing = both(a.viewing, b.viewing)
	at := 0
	for _, d := range b.dose {
		d.Bin += shift
		out.dose, at = addDose(out.dose, d, at)
	}
	return out
}

// lowest returns the lowest C/N bin that the rows hold.
func lowest(rows []*row) (bin int32, ok bool) {
	bin = math.MaxInt32
	for _, r := range rows {
		if m := r.middles(); m.locked {
			bin, ok = min(bin, m.low), true
		}
	}
	return bin, ok
}

// all returns a day's histogram over every class of hours.
func (r *row) all() stat.Histogram {
	if !r.merged {
		r.every, r.merged = stat.Merge(r.sum().hist[:]), true
	}
	return r.every
}

func (r *row) class(w drivers.Wet) stat.Histogram { return r.sum().hist[w] }

// daily returns the element's days as the model of the daily margin takes them.
func (e *element) daily(f *Fold, leaf *drivers.Leaf, before int64) ([]decompose.Day, decompose.Options) {
	days := e.mem.daily.take(len(e.rows))[:0]
	low, _ := lowest(e.rows)
	for _, r := range e.rows {
		m := r.middles()
		d := decompose.Day{Day: r.day, Leaf: r.leaf, TempC: leaf.Temp(r.day), Visits: r.visits(), Wet: float64(m.wetness)}
		d.DryDB, d.Bound = e.margin(float64(m.dry), low)
		d.WetDB, _ = e.margin(float64(m.wet), low)
		days = append(days, d)
	}
	o := decompose.Options{StepDB: math.NaN(), FarWeather: f.sky.Far(before), LeafNeeds: leaf.Needs()}
	if e.scale.ID != "" {
		o.StepDB = e.scale.Step
	}
	return days, o
}

// decomposed takes the element's days apart.
func (e *element) decomposed(f *Fold, leaf *drivers.Leaf, before int64) {
	days, o := e.daily(f, leaf, before)
	e.fit = decompose.Of(days, o)
	e.dry = make([]float64, len(days))
	for i, d := range days {
		e.dry[i] = d.DryDB
	}
}

// margin turns a median C/N into a margin. Where most visits were unlocked it is at
// most the lowest C/N ever seen; where it lies at the tuner's ceiling, at least that.
func (e *element) margin(cn float64, low int32) (float64, reception.Bound) {
	switch {
	case math.IsInf(cn, -1):
		return float64(low)*binDB - e.threshold.Value, reception.AtMost
	case e.scale.ID != "" && e.scale.Ceiling > 0 && cn >= e.scale.Ceiling-math.Max(binDB, nonNaN(e.scale.Step)):
		return cn - e.threshold.Value, reception.AtLeast
	}
	return cn - e.threshold.Value, reception.Exact
}

func nonNaN(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// findDropouts joins the bad runs of hours before one into dropouts. Whether the last
// one lasts is judged at atMS, not at the end of an hour that is still under way.
func (e *element) findDropouts(f *Fold, before, atMS int64) {
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
	e.dropouts = append(e.dropouts, ev.Open(atMS)...)
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
