// Package tally turns the readings of an hour into its exact summary, and adds and
// subtracts such summaries. Integers only: any order gives the same bytes.
package tally

import "holdfast/analysis/reception"

// Version is the version of the packed form and of the rules that fill it. A store
// holding tallies of an older version has them rebuilt.
const Version = 1

// Rules say how the visits of a series are judged.
type Rules struct {
	System         reception.System
	Unit           reception.ScaleUnit
	Identity       string  // expected; "" accepts any
	BaseIntervalMS int64   // between base visits to the channel
	BurstBlocks    float64 // mean number of bad blocks in a burst; 0 means the prior of 3
}

// A Keyed is a tally with its key.
type Keyed struct {
	Key   reception.TallyKey
	Tally reception.Tally
}
