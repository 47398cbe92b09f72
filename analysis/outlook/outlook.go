// Package outlook says what will be to spare in the months to come: what is to spare
// now, changed as the settled margin changed between the same months a year ago. A
// month whose like was not measured is undecided. Nothing is forecast from weather.
package outlook

import (
	"fmt"
	"math"
	"time"

	"holdfast/analysis/reception"
)

// A Month is what will be to spare in one calendar month.
type Month struct {
	Month string // 2026-06
	Spare reception.Estimate
	Basis string // measured or prior
}

// Bases.
const (
	Measured = "measured"
	Prior    = "prior"
)

// A Seen is the settled margin of a past calendar month, steps taken out.
type Seen struct {
	DB   float64 // mean
	Days int     // with a settled margin
}

// betweenYearsDB is how far one year's month may lie from the next year's, as a
// standard deviation; ours, no published source. Leaf dates alone move by up to three
// weeks between years at one forest (Harvard Forest phenology).
const betweenYearsDB = 0.75

// minDays is how many days of a month must have been measured to stand for it.
const minDays = 10

// Months looks ahead over n calendar months after the one in which the day lies
// (days since 1970). To spare in a month is what is to spare now plus the difference
// that the settled margin showed between the same two months a year before; a fault
// that stands stays. Months without that are undecided.
//
// Accuracy: the interval adds the difference between years to that of now; coverage
// at three months is not yet known.
func Months(now reception.Estimate, day int64, seen map[string]Seen, n int) []Month {
	at := time.Unix(day*86400, 0).UTC()
	first := time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC)
	out := []Month{}
	for k := 1; k <= n; k++ {
		m := first.AddDate(0, k, 0)
		was, base := m.AddDate(-1, 0, 0), first.AddDate(-1, 0, 0)
		x, y := seen[name(was)], seen[name(base)]
		o := Month{Month: name(m), Basis: Prior}
		switch {
		case !now.Decided():
			o.Spare = reception.Undecided(now.Needs)
		case x.Days < minDays || y.Days < minDays:
			missing := name(was)
			if y.Days < minDays {
				missing = name(base)
			}
			o.Spare = reception.Undecided(fmt.Sprintf("a year of history (%s was not measured), or the month itself: known by %s", missing, lastDay(m)))
		default:
			d := x.DB - y.DB
			widen := 1.96 * math.Sqrt2 * betweenYearsDB
			o.Basis = Measured
			o.Spare = reception.Estimate{
				Value: now.Value + d, Low: now.Value + d - math.Hypot(now.Value-now.Low, widen), High: now.Value + d + math.Hypot(now.High-now.Value, widen),
				Bound: now.Bound, EffectiveN: math.NaN(), Method: "now, and the difference between these months a year ago",
			}
		}
		out = append(out, o)
	}
	return out
}

func name(t time.Time) string { return t.Format("2006-01") }

// lastDay is the day on which a month will have been measured.
func lastDay(m time.Time) string { return m.AddDate(0, 1, 0).Format(time.DateOnly) }
