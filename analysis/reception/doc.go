// Package reception holds the words of the domain: what a home, a channel, a
// tuner's scale, a reading and an hour's tally are, with their units and what
// makes them valid. It imports nothing of ours, does no I/O and knows no clock.
//
// Conventions: instants are Unix milliseconds, UTC. A float that is not available
// is NaN, a count that is not available is NotCounted; zero is always a
// measurement.
package reception

import "math"

// NotCounted marks a count (blocks, bits, milliseconds locked) that the source
// could not give.
const NotCounted = -1

// Missing reports whether a float is not available.
func Missing(x float64) bool { return math.IsNaN(x) }
