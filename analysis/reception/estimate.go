package reception

import "math"

// Bound says on which side a value is only a bound.
type Bound string

// Bounds.
const (
	Exact   Bound = ""
	AtLeast Bound = "at_least"
	AtMost  Bound = "at_most"
)

// An Estimate is a value with its 95 % interval and how it was got. An undecided
// one has NaN values and says in Needs what would decide it.
type Estimate struct {
	Value, Low, High float64
	Bound            Bound
	Needs            string  // in words for people, "" when decided
	EffectiveN       float64 // independent days behind it; NaN if that has no meaning
	Method           string  // short: "EWC over 120 days"
	Warnings         []string
}

// Undecided returns an estimate without a value.
func Undecided(needs string) Estimate {
	return Estimate{Value: nan, Low: nan, High: nan, Needs: needs, EffectiveN: nan}
}

// Decided reports whether the estimate has a value.
func (e Estimate) Decided() bool { return !math.IsNaN(e.Value) }
