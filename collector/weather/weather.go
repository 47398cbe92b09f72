// Package weather holds the contract of weather sources, and makes one row an hour
// out of what several of them say.
package weather

import (
	"context"

	"holdfast/analysis/reception"
)

// A Source is one place that weather comes from: a file, an address.
//
// Observe returns rows that it has not returned before, ascending by time, units
// made one; none is a proper answer. An error names the place and what to do, and
// does not take back the rows beside it: a file with one bad line yields the
// others. After an error a later call may succeed, and nothing that could be read
// in between is lost for having failed once. Rows may hold values that cannot be true: who
// uses them passes them through [Check].
//
// A Source is used by one goroutine at a time. String names it for people.
type Source interface {
	Observe(ctx context.Context) ([]reception.Weather, error)
	String() string
}
