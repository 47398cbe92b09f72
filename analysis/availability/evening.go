package availability

import (
	"fmt"
	"math"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// An Evening is one evening of viewing hours.
type Evening struct {
	Date     int64 // days from 1970-01-01 to its local date
	Measured bool  // at least half of it was
	Spoiled  bool  // had a dropout on a channel that counts; true also where not measured
}

// EveningsSpoiled counts the evenings spoiled among those measured. Evenings that were
// not measured widen the count upwards by as many as they may have held, at the upper
// 95 % limit of the share seen; a spoiled evening counts even if it was measured for
// less than half. Undecided while no evening was measured.
//
// Source: the limit is Clopper and Pearson's (stat.ClopperPearson).
func EveningsSpoiled(evenings []Evening) (count reception.Estimate, measured int) {
	spoiled, unseen := 0, 0
	for _, e := range evenings {
		switch {
		case e.Spoiled:
			spoiled++
			measured++
		case e.Measured:
			measured++
		default:
			unseen++
		}
	}
	if measured == 0 {
		return reception.Undecided("a measured evening"), 0
	}
	_, share := stat.ClopperPearson(spoiled, measured, level)
	return reception.Estimate{
		Value: float64(spoiled), Low: float64(spoiled), High: float64(spoiled) + math.Ceil(share*float64(unseen)),
		EffectiveN: float64(measured), Method: fmt.Sprintf("count over %d measured evenings, %d not measured", measured, unseen),
	}, measured
}
