package answer

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"holdfast/analysis/drivers"
	"holdfast/analysis/fading"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
	"holdfast/analysis/threshold"
)

// fadings fills what rests on fades below the settled margin.
func (r *run) fadings(e *element, c *Channel, low int32) {
	curve := e.curve()
	w := r.setup.Wanted
	all := fading.Of(e.fades(e.span, (*row).all))
	need := func(f *fading.Fades, wanted float64) Est { return Est(f.Required(curve, held(wanted)).Estimate) }
	c.RequiredMargin = r.dated(need(all, w.Availability), daysForFades, e.span)
	c.Spare = r.dated(e.spare(Est(e.fit.Now), c.RequiredMargin), daysForFades, e.span)
	c.FadeDepth99 = r.dated(Est(all.Depth(0.99)), daysForFades, e.span)
	c.FadeDepth999 = r.dated(Est(all.Depth(0.999)), daysForRareFades, e.span)
	c.RequiredMarginViewing = undecided(fmt.Sprintf("a tuner that is free in the evening: %d measured evenings", eveningsForViewing))
	viewing := func(x *row) stat.Histogram { return x.sum().viewing }
	if days := e.fades(e.span, viewing); len(days) >= eveningsForViewing {
		c.RequiredMarginViewing = need(fading.Of(days), w.AvailabilityViewing)
	}
	split := func(rows []*row, of func(*row) stat.Histogram, settled Est) Split {
		s := Split{MedianMargin: e.medianMargin(rows, low, of), RequiredMargin: need(fading.Of(e.fades(rows, of)), w.Availability)}
		s.Spare = e.spare(settled, s.RequiredMargin)
		return s
	}
	season := func(keep func(*row) bool) Split {
		if n := r.leaf.Needs(); n != "" {
			return Split{undecided(n), undecided(n), undecided(n)}
		}
		rows := e.mem.list.take(len(e.span))[:0]
		for _, x := range e.span {
			if keep(x) {
				rows = append(rows, x)
			}
		}
		return split(rows, (*row).all, e.settledIn(keep))
	}
	c.LeafOn, c.LeafOff = season((*row).leafOn), season((*row).leafOff)
	c.Wet = split(e.span, func(x *row) stat.Histogram { return x.class(drivers.WetWet) }, Est(e.fit.Now))
	c.Dry = split(e.span, func(x *row) stat.Histogram { return x.class(drivers.WetDry) }, Est(e.fit.Now))
}

// Days that package fading asks for, up to 99.5 % of the time and above.
const (
	daysForFades     = 14
	daysForRareFades = 28
)

// eveningsForViewing: below so many measured evenings figures for viewing hours say
// nothing; the product's definition.
const eveningsForViewing = 30

// held keeps a wanted availability where the required margin is defined.
func held(wanted float64) float64 { return math.Min(0.99999, math.Max(0.5, wanted)) }

// curve is the share of errored seconds by margin, from all that was seen. Margins are of
// medians, and the threshold is of steady reception; where nothing was measured the
// standard's curve stands in, as far higher as the medians lie.
func (e *element) curve() *fading.Curve {
	e.failed = 0
	d := fading.Doses{System: e.channel.System, ThresholdDB: e.threshold.Value}
	var dwellMS, visits int64
	var above, calm float64
	counts := false
	for _, r := range e.rows {
		above, calm = above+float64(r.sum().above), calm+float64(r.sum().calm)
		d.Days = append(d.Days, r.sum().dose)
		for _, b := range r.sum().dose {
			e.failed += b.Failed
		}
		counts = counts || r.sum().counts
		for h := range r.sum().hours.Hours {
			dwellMS += r.sum().hours.Hours[h].DwellMS
			visits += r.sum().hours.Hours[h].Visits
		}
	}
	if visits > 0 {
		d.DwellS = float64(dwellMS) / 1000 / float64(visits)
	}
	if calm > 0 {
		d.AboveDB = above / calm * binDB
	}
	d.Standard = !counts && e.threshold.Basis != threshold.Learnt
	return fading.NewCurve(d)
}

// fades measures the visits of some rows and hours from the settled margin of their day.
func (e *element) fades(rows []*row, of func(*row) stat.Histogram) []fading.Day {
	out := e.mem.fades.take(len(rows))[:0]
	for _, r := range rows {
		settled, ok := e.settledOn(r.day)
		if !ok || math.IsNaN(settled) {
			continue
		}
		h := of(r)
		if h.Total() <= 0 {
			continue
		}
		d := fading.Day{Date: r.day, Unlocked: h.Below / 3600, LockDB: settled, Fades: e.mem.bins.take(len(h.Bins))[:0]}
		for i := len(h.Bins) - 1; i >= 0; i-- {
			fade := settled + e.threshold.Value - (float64(h.Bins[i].At)+0.5)*binDB
			b := stat.Bin{At: int32(math.Floor(fade / fading.Width)), W: h.Bins[i].W / 3600}
			if n := len(d.Fades); n > 0 && d.Fades[n-1].At >= b.At { // rounding put two into one
				d.Fades[n-1].W += b.W
				continue
			}
			d.Fades = append(d.Fades, b)
		}
		out = append(out, d)
	}
	return out
}

// settledOn returns the settled margin of one of the element's days.
func (e *element) settledOn(day int64) (db float64, ok bool) {
	i, ok := slices.BinarySearchFunc(e.rows, day, func(r *row, day int64) int { return cmp.Compare(r.day, day) })
	if !ok {
		return 0, false
	}
	return e.fit.Settled[i], true
}

// settledIn is the mean settled margin over the days of a season that lie in the span.
func (e *element) settledIn(keep func(*row) bool) Est {
	var level, raw []float64
	span := e.span
	for i, r := range e.rows { // both ascending
		for len(span) > 0 && span[0].day < r.day {
			span = span[1:]
		}
		in := len(span) > 0 && span[0].day == r.day
		if v := e.fit.Settled[i]; in && keep(r) && !math.IsNaN(v) && !math.IsNaN(e.dry[i]) {
			level, raw = append(level, v), append(raw, e.dry[i])
		}
	}
	if len(level) < daysForMargin {
		return undecided(fmt.Sprintf("7 such days measured: %d so far", len(level)))
	}
	// The settled margin is smooth; how sure its mean is the daily medians say.
	v, half := stat.Mean(level), stat.MeanInterval(raw, level95).Half()
	return Est{Value: v, Low: v - half, High: v + half, EffectiveN: float64(len(level)), Method: "mean of the settled margin"}
}

// ownFailures is how many failed visits of its own make a channel's threshold and its
// share of errored seconds one piece of knowledge; ours, as in package threshold.
const ownFailures = 10

// spare is settled less required. Where the channel's own visits failed often enough,
// the doubt about its threshold is in neither: the losses that taught it lie at the same
// C/N whatever it is called. Otherwise the standard's curve of errors was put at the
// threshold, and its doubt counts.
func (e *element) spare(settled, required Est) Est {
	switch {
	case !settled.Decided():
		return undecided(settled.Needs)
	case !required.Decided():
		return undecided(required.Needs)
	}
	if e.failed < ownFailures || e.threshold.Basis == threshold.Standard {
		settled = e.withThreshold(settled)
	}
	s := Est{Value: settled.Value - required.Value, EffectiveN: settled.EffectiveN, Method: "settled margin less required margin"}
	s.Low = s.Value - math.Hypot(settled.Value-settled.Low, required.High-required.Value)
	s.High = s.Value + math.Hypot(settled.High-settled.Value, required.Value-required.Low)
	switch {
	case settled.Bound == reception.AtLeast && required.Bound == reception.AtLeast, settled.Bound == reception.AtMost && required.Bound == reception.AtMost:
		s.Low, s.High = math.Inf(-1), math.Inf(1) // nothing bounds it
	case settled.Bound == reception.AtLeast || required.Bound == reception.AtMost:
		s.Bound = reception.AtLeast
	case settled.Bound == reception.AtMost || required.Bound == reception.AtLeast:
		s.Bound = reception.AtMost
	}
	return s
}

// leaveOut says of what Alarming does not work out that it was not asked.
func (r *run) leaveOut(c *Channel) {
	u := undecided("the whole answer: this one is for alarms alone")
	for _, e := range []*Est{
		&c.Availability.Est, &c.AvailabilityWithOffAir, &c.AvailabilityViewing, &c.AvailabilityLeafOn, &c.AvailabilityLeafOff, &c.WorstMonth.Est, &c.EveningsSpoiled.Est,
		&c.RequiredMarginViewing, &c.FadeDepth999, &c.LeafEffect, &c.WetLeafEffect, &c.WindEffect, &c.DriftDBPerMonth,
		&c.LeafOn.MedianMargin, &c.LeafOn.RequiredMargin, &c.LeafOn.Spare, &c.LeafOff.MedianMargin, &c.LeafOff.RequiredMargin, &c.LeafOff.Spare,
		&c.Wet.MedianMargin, &c.Wet.RequiredMargin, &c.Wet.Spare, &c.Dry.MedianMargin, &c.Dry.RequiredMargin, &c.Dry.Spare,
	} {
		*e = u
	}
}
