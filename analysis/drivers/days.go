// Package drivers turns weather and place into what acts on a path: the sun, the
// home's days, how wet the foliage and the roof are, and the state of the leaves.
// Everything here is an estimate from weather, never a measurement at the path.
//
// Instants are Unix ms UTC, hours are whole UTC hours since 1970, missing floats
// are NaN.
package drivers

import (
	"math"
	"time"
)

// Days cuts time into days that run from noon to noon of local standard time,
// rounded to whole UTC hours, so that nights and storms stay whole.
type Days struct {
	zone   *time.Location
	offset int64 // standard time minus UTC, whole hours
}

// NewDays returns the days of a zone. Standard time is the smaller offset of
// January and July 2025: a zone that changed its standard time before or after
// keeps these borders, which then lie an hour beside noon.
func NewDays(zone *time.Location) Days {
	_, jan := time.Date(2025, 1, 15, 12, 0, 0, 0, zone).Zone()
	_, jul := time.Date(2025, 7, 15, 12, 0, 0, 0, zone).Zone()
	return Days{zone, int64(math.Round(float64(min(jan, jul)) / 3600))}
}

// Offset returns the hours by which standard time is ahead of UTC.
func (d Days) Offset() int64 { return d.offset }

// Of returns the day an hour belongs to. It is named by the date (days since
// 1970-01-01) on which it begins at noon, so its evening is that date's evening.
func (d Days) Of(hour int64) int64 { return floorDiv(hour+d.offset-12, 24) }

// First returns the first hour of a day; the day holds 24 hours.
func (d Days) First(day int64) int64 { return day*24 + 12 - d.offset }

// DateOf returns the calendar date in standard time that an hour belongs to.
func (d Days) DateOf(hour int64) int64 { return floorDiv(hour+d.offset, 24) }

// MidnightMS returns the local midnight in the middle of a day, Unix ms.
func (d Days) MidnightMS(day int64) int64 { return (d.First(day) + 12) * hourMS }

// HourOfDay returns the wall-clock hour, 0 to 23, at the start of an hour.
func (d Days) HourOfDay(hour int64) int {
	return time.UnixMilli(hour * hourMS).In(d.zone).Hour()
}

// Date returns the calendar date of a day's beginning, as 2026-06-30.
func Date(day int64) string { return time.Unix(day*86400, 0).UTC().Format(time.DateOnly) }

// Month returns the calendar month of a day's beginning, as 2026-06.
func Month(day int64) string { return time.Unix(day*86400, 0).UTC().Format("2006-01") }

const hourMS = 3600 * 1000

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
