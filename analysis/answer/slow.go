package answer

import (
	"math"

	"holdfast/analysis/decompose"
	"holdfast/analysis/fading"
	"holdfast/analysis/reception"
)

// slowState is what Alarming keeps between calls: what moves slowly, worked out at the
// beginning of a week, counted from the first hour measured, so that a replay of a year
// takes seconds. It is a function of the facts alone: facts before its hour drop it.
type slowState struct {
	limits   map[limitKey]limit // nil until wanted
	limitsAt int64
	parts    map[elementKey]slowPart
	partsAt  int64
}

type elementKey struct {
	reception.Series
	installation string
}

type slowPart struct {
	median, required, depth Est
	failed                  int64             // own visits that failed
	season                  *decompose.Season // nil if the days were not taken apart
}

// touched drops what an hour's fact may change.
func (s *slowState) touched(hour int64) {
	if hour < s.limitsAt {
		s.limits = nil
	}
	if hour < s.partsAt {
		s.parts = nil
	}
}

const (
	weekHours   = 7 * 24
	weeklyWeeks = 8 // thresholds are learnt weekly for so long, then every four weeks
)

// anchors returns the hours before which thresholds and the slow parts are worked out.
// In the first week that is now.
func (f *Fold) anchors(before int64) (limits, parts int64) {
	first, _ := f.extent()
	week := (before - first) / weekHours
	if week == 0 {
		return before, before
	}
	parts = first + week*weekHours
	if week > weeklyWeeks {
		week -= week % 4
	}
	return first + week*weekHours, parts
}

func (f *Fold) slowLimits(before int64) map[limitKey]limit {
	at, _ := f.anchors(before)
	if f.slow.limits == nil || f.slow.limitsAt != at {
		f.slow.limits, f.slow.limitsAt = f.limits(at), at
	}
	return f.slow.limits
}

func (f *Fold) slowPartsAt(before int64, limits map[limitKey]limit) map[elementKey]slowPart {
	_, at := f.anchors(before)
	if f.slow.parts != nil && f.slow.partsAt == at {
		return f.slow.parts
	}
	r := &run{Fold: f, fromMS: math.MinInt64 / 2, toMS: at * reception.HourMS, atMS: at * reception.HourMS, from: math.MinInt64 / 2, to: at, before: at, leaf: f.leafAt(at), limits: limits, alarmsOnly: true}
	elements := f.elements(at)
	parts := make([]*slowPart, len(elements))
	f.each(len(elements), func(i int, m *scratch) {
		if e := elements[i]; r.prepare(e, m) {
			e.use(m)
			p := r.workOut(e)
			parts[i] = &p
		}
	})
	out := map[elementKey]slowPart{}
	for i, p := range parts {
		if p != nil {
			out[elementKey{elements[i].Series, elements[i].installation}] = *p
		}
	}
	f.slow.parts, f.slow.partsAt = out, at
	return out
}

// workOut answers what Alarming needs of an element and moves slowly.
func (r *run) workOut(e *element) slowPart {
	low, locked := lowest(e.rows)
	if e.inPercent || !locked || !e.threshold.Decided() {
		u := undecided("a visit that locks with a C/N") // margins say it better
		return slowPart{median: u, required: u, depth: u}
	}
	e.decomposed(r.Fold, r.leaf, r.before)
	all := fading.Of(e.fades(e.span, (*row).all))
	out := slowPart{
		median:   r.dated(e.medianMargin(e.span, low, (*row).all), daysForMargin, e.span),
		required: r.dated(Est(all.Required(e.curve(), held(r.setup.Wanted.Availability)).Estimate), daysForFades, e.span),
		depth:    r.dated(Est(all.Depth(0.99)), daysForFades, e.span),
	}
	season := e.fit.Season // a copy: a pointer into the element would keep its days
	out.failed, out.season = e.failed, &season
	return out
}

// slow returns an element's slow part; that of a younger one is undecided.
func (r *run) slow(e *element) slowPart {
	if s, ok := r.slowParts[elementKey{e.Series, e.installation}]; ok {
		return s
	}
	u := undecided("7 days measured")
	return slowPart{median: u, required: u, depth: u}
}

// nowWith is the settled margin now, with the season as it was when the slow part was
// worked out, if it could be.
func (e *element) nowWith(s slowPart, r *run) reception.Estimate {
	days, o := e.daily(r.Fold, r.leaf, r.before)
	if s.season == nil {
		return decompose.Of(days, o).Now
	}
	return decompose.Now(days, *s.season, o)
}
