package collector

import (
	"math"

	"holdfast/analysis/reception"
)

const (
	// nearDB from the threshold a channel is looked at closer: the width over which
	// 8-VSB goes from no picture to a clean one is 1 to 2 dB (common practice, no
	// published source).
	nearDB = 2
	// extraPart of the base interval lies between an event and a closer look.
	extraPart = 5
	// extraRun closer looks in a row at a channel that stays bad are enough: four
	// intervals show how long a short loss lasts, a longer one the base visits show.
	extraRun = 16
)

// planExtra asks for a closer look after a reading that deserves one.
func (t *Tuner) planExtra(c *channel, r reception.Reading) {
	isBad := bad(c.Channel, r)
	if !isBad {
		c.extras = 0
	}
	switch {
	case isBad && c.extras < extraRun:
		c.extras++
	case isBad:
		return
	case near(c.Channel, r), t.o.Wish != nil && t.o.Wish(c.Channel):
	default:
		return
	}
	gap := t.Interval() / extraPart
	c.extraAt = t.o.Clock.mono().Add(gap + jitter(t.o.Rand, gap))
}

// bad reports whether a viewer would have minded what a visit saw: no lock, the wrong
// transport stream, or errors for 5 % of the dwell and at least a second. Where the
// source does not count seconds, any uncorrected block counts: this only decides
// whether to look again soon.
func bad(c reception.Channel, r reception.Reading) bool {
	switch {
	case !r.Valid():
		return false
	case !r.Locked:
		return true
	case c.Identity != "" && r.Identity != "" && !reception.SameIdentity(r.Identity, c.Identity):
		return true
	case !math.IsNaN(r.ErroredS):
		return r.ErroredS >= max(1, 0.05*float64(r.DwellMS)/1000)
	}
	return r.UncorrectedBlocks > 0
}

func near(c reception.Channel, r reception.Reading) bool {
	th := c.ThresholdDB
	if th == 0 || math.IsNaN(th) {
		th = c.System.StandardThresholdDB(r.Mode)
	}
	return math.Abs(r.CNDB-th) < nearDB
}
