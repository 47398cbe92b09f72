// Package availability answers "does it hold?": the share of measured time without an
// errored second, over all hours and over the viewing hours, the worst month, and the
// evenings spoiled.
//
// Everything is computed from base visits. Within an hour tally all of them weigh
// alike, and the tally counts for the time it stands for; shares are therefore weighted
// over tallies, not over dwell. Time that was not measured is in neither numerator nor
// denominator.
package availability

import (
	"math"

	"holdfast/analysis/reception"
)

// An Hour is what base visits measured in one local hour of one day (of one channel in
// one regime, or several summed).
type Hour struct {
	Visits  int64
	DwellMS int64   // measured
	StoodMS float64 // time the visits stand for
	LostMS  float64 // of that, errored or without lock
}

// Add puts the base visits of a tally into the hour. What a tally stands for is lost in
// the proportion in which its dwell was errored.
func (h *Hour) Add(t *reception.Tally) {
	if t.DwellMS <= 0 || t.Visits <= 0 {
		return
	}
	h.Visits += t.Visits
	h.DwellMS += t.DwellMS
	h.StoodMS += float64(t.StoodMS)
	lost := float64(t.ErroredUS) / 1000 / float64(t.DwellMS)
	h.LostMS += float64(t.StoodMS) * math.Min(1, math.Max(0, lost))
}

// A Day is one statistical day, from local noon to local noon.
type Day struct {
	Date  int64    // days from 1970-01-01 to the local date of the noon that opens it
	Hours [24]Hour // by local hour of day: Hours[0] is the hour from midnight
}

// Measured returns the time in ms that base visits dwelt on the channel, and the time
// they stand for.
func Measured(days []Day) (dwellMS int64, stoodMS float64) {
	for i := range days {
		for h := range days[i].Hours {
			dwellMS += days[i].Hours[h].DwellMS
			stoodMS += days[i].Hours[h].StoodMS
		}
	}
	return dwellMS, stoodMS
}
