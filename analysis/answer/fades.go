package answer

import (
	"holdfast/analysis/drivers"
	"holdfast/analysis/stat"
)

// fadings fills what rests on fades below the settled margin.
func (r *run) fadings(e *element, c *Channel, low int32) {
	u := undecided("the distribution of fades: not worked out yet")
	c.RequiredMargin, c.Spare, c.RequiredMarginViewing, c.FadeDepth99, c.FadeDepth999 = u, u, u, u, u
	median := func(keep func(row) bool, of func(row) stat.Histogram) Est {
		var rows []row
		for _, x := range e.span {
			if keep(x) {
				rows = append(rows, x)
			}
		}
		return e.medianMargin(rows, low, of)
	}
	every := func(row) bool { return true }
	season := func(keep func(row) bool) Split {
		if n := r.leaf.Needs(); n != "" {
			return Split{undecided(n), undecided(n), undecided(n)}
		}
		return Split{median(keep, row.all), u, u}
	}
	c.LeafOn, c.LeafOff = season(row.leafOn), season(row.leafOff)
	c.Wet = Split{median(every, func(x row) stat.Histogram { return x.class(drivers.WetWet) }), u, u}
	c.Dry = Split{median(every, func(x row) stat.Histogram { return x.class(drivers.WetDry) }), u, u}
}

// leaveOut says of what Alarming does not work out that it was not asked.
func (r *run) leaveOut(c *Channel) {
	u := undecided("the whole answer: this one is for alarms alone")
	c.Availability.Est, c.AvailabilityWithOffAir, c.AvailabilityViewing, c.AvailabilityLeafOn, c.AvailabilityLeafOff = u, u, u, u, u
	c.WorstMonth.Est, c.EveningsSpoiled.Est = u, u
	c.LeafEffect, c.WetLeafEffect, c.WindEffect, c.DriftDBPerMonth = u, u, u, u
}
