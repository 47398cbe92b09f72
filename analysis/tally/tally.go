// Package tally turns the readings of an hour into its exact summary, and adds and
// subtracts such summaries. What it sums are integers, so any order gives the same
// bytes.
package tally

import "holdfast/analysis/reception"

// Version is the version of the packed form and of the rules that fill it. A store
// holding tallies of an older version has them rebuilt.
const Version = 3

// Rules say how the visits of a series are judged.
type Rules struct {
	System   reception.System // of readings that do not name theirs
	Unit     reception.ScaleUnit
	Identity string // expected; "" accepts any
	// BaseIntervalMS is the time between base visits to the channel; 0 means
	// DefaultBaseIntervalMS.
	BaseIntervalMS int64
	BurstBlocks    float64 // mean number of bad blocks in a burst; 0 means the prior of 3
	// Units gives the unit of a scale by its id. nil, or "" from it, means Unit.
	Units func(scale string) reception.ScaleUnit
	// Expected gives the identity expected under an installation, where Identity is
	// "". nil, or "" from it, accepts any. Hour alone heeds it.
	Expected func(installation string) string
}

// DefaultBaseIntervalMS is the interval of the plain schedule.
const DefaultBaseIntervalMS = 5 * 60 * 1000

// LookAheadMS is how far after its hour a tally looks in any case, for the seconds
// that decide unavailable time.
const LookAheadMS = decisive * 1000

// minCarryMS: runs of bad visits apart by less than the longer of this and three
// base intervals are one.
const minCarryMS = 10 * 60 * 1000

// IntervalMS returns the base interval that the rules mean, ms.
func (r Rules) IntervalMS() int64 {
	if r.BaseIntervalMS <= 0 {
		return DefaultBaseIntervalMS
	}
	return r.BaseIntervalMS
}

// CarryMS returns how far outside its hour a tally looks, ms: the longer of three
// base intervals and 10 minutes. Visits further apart are neighbours no more.
func (r Rules) CarryMS() int64 { return max(3*r.IntervalMS(), minCarryMS) }

func (r Rules) unit(scale string) reception.ScaleUnit {
	if r.Units != nil {
		if u := r.Units(scale); u != "" {
			return u
		}
	}
	return r.Unit
}

// under returns the rules for visits under an installation.
func (r Rules) under(installation string) Rules {
	if r.Identity == "" && r.Expected != nil {
		r.Identity = r.Expected(installation)
	}
	return r
}

// A Keyed is a tally with its key.
type Keyed struct {
	Key   reception.TallyKey
	Tally reception.Tally
}

// HourOf returns the hour, since 1970-01-01 00:00 UTC, that an instant in Unix ms
// lies in.
func HourOf(ms int64) int64 { return floorDiv(ms, reception.HourMS) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
