package words

import (
	"math"
	"strings"
	"time"

	"holdfast/analysis/reception"
)

func (f Facts) at(ms int64) time.Time { return time.UnixMilli(ms).In(f.zone()) }

// Moment prints an instant in full: "Tuesday 14 April 2026, 19:00".
func (f Facts) Moment(ms int64) string { return f.at(ms).Format("Monday 2 January 2006, 15:04") }

// Date prints a day: "3 June", with the year when it is not this one.
func (f Facts) Date(ms int64) string {
	t := f.at(ms)
	if f.NowMS != 0 && t.Year() != f.at(f.NowMS).Year() {
		return t.Format("2 January 2006")
	}
	return t.Format("2 January")
}

// DateTime prints a day and a time: "9 April, 14:05"; today it is the time alone.
func (f Facts) DateTime(ms int64) string {
	t := f.at(ms)
	if f.NowMS != 0 && t.Format(time.DateOnly) == f.at(f.NowMS).Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return f.Date(ms) + ", " + t.Format("15:04")
}

// Day is a date for names of files: 2026-06-03.
func (f Facts) Day(ms int64) string { return f.at(ms).Format(time.DateOnly) }

// ShortDay prints a day for an axis: "16 Mar".
func (f Facts) ShortDay(ms int64) string { return f.at(ms).Format("2 Jan") }

// Month prints a month given as "2026-06": "June", with the year when it is neither
// this one nor within the eleven months to come.
func (f Facts) Month(m string) string {
	t, err := time.ParseInLocation("2006-01", m, f.zone())
	if err != nil {
		return m
	}
	now := f.at(f.NowMS)
	if f.NowMS != 0 && (t.Year() == now.Year() || t.After(now) && t.Before(now.AddDate(0, 11, 0))) {
		return t.Format("January")
	}
	return t.Format("January 2006")
}

// Compass names a direction, degrees from true north, by eight points.
func Compass(azimuthDeg float64) string {
	points := []string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	i := int((azimuthDeg+22.5)/45) % 8
	if i < 0 {
		i += 8
	}
	return points[i]
}

// Mast describes where a mast stands: "north-west, 312°, 41 km, over the maples". What
// is not known is left out.
func Mast(t reception.Transmitter) string {
	var p []string
	if !math.IsNaN(t.AzimuthDeg) {
		p = append(p, Compass(t.AzimuthDeg), Decimal(math.Mod(t.AzimuthDeg+360, 360), 0)+"°")
	}
	if !math.IsNaN(t.DistanceKM) && t.DistanceKM > 0 {
		p = append(p, Decimal(t.DistanceKM, 0)+Nbsp+"km")
	}
	if t.Note != "" {
		p = append(p, t.Note)
	}
	return strings.Join(p, ", ")
}

// Sentence makes a sentence of a phrase: a capital first, a full stop last.
func Sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	r := []rune(s)
	if r[0] >= 'a' && r[0] <= 'z' {
		r[0] += 'A' - 'a'
	}
	s = string(r)
	if strings.ContainsRune(".?:", rune(s[len(s)-1])) {
		return s
	}
	return s + "."
}

// FirstSentence cuts a text after its first sentence.
func FirstSentence(s string) (first, rest string) {
	s = strings.TrimSpace(s)
	for i := 0; i+1 < len(s); i++ {
		if (s[i] == '.' || s[i] == '?') && s[i+1] == ' ' {
			return s[:i+1], strings.TrimSpace(s[i+2:])
		}
	}
	return s, ""
}
