package words

import (
	"math"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// Decimal prints v with so many decimals and a true minus sign; never "-0.0". A
// missing value is "not known".
func Decimal(v float64, decimals int) string {
	if math.IsNaN(v) {
		return "not known"
	}
	if math.IsInf(v, 0) {
		return "without bound"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if v < 0 && strings.Trim(s, "0.") != "" {
		s = Minus + s
	}
	return s
}

// DB prints a value in dB.
func DB(v float64) string { return Decimal(v, 1) + Nbsp + "dB" }

// SignedDB prints a change in dB, with its sign.
func SignedDB(v float64) string {
	s := DB(v)
	if v > 0 && !strings.HasPrefix(s, "0.0") {
		return "+" + s
	}
	return s
}

// Range prints an interval in dB without its unit: "5.4 to 7.1". An open side says
// so: "over 5.4", "under 7.1"; both open is "".
func Range(low, high float64) string { return span(low, high, 1) }

func span(low, high float64, decimals int) string {
	lo, hi := !math.IsNaN(low) && !math.IsInf(low, 0), !math.IsNaN(high) && !math.IsInf(high, 0)
	switch {
	case lo && hi:
		return Decimal(low, decimals) + Nbsp + "to" + Nbsp + Decimal(high, decimals)
	case lo:
		return "over" + Nbsp + Decimal(low, decimals)
	case hi:
		return "under" + Nbsp + Decimal(high, decimals)
	}
	return ""
}

// Figure splits an estimate in dB into its figure and its interval: "6.2 dB" and
// "5.4 to 7.1"; a bound has no second part: "at least 11.8 dB". An undecided one
// gives two empty strings.
func Figure(e answer.Est) (figure, interval string) {
	if !e.Decided() {
		return "", ""
	}
	switch e.Bound {
	case reception.AtLeast:
		return "at least " + DB(e.Value), ""
	case reception.AtMost:
		return "at most " + DB(e.Value), ""
	}
	return DB(e.Value), Range(e.Low, e.High)
}

// Estimate prints an estimate in dB with its interval: "6.2 dB, 5.4 to 7.1".
func Estimate(e answer.Est) string {
	if !e.Decided() {
		return "not known yet"
	}
	f, i := Figure(e)
	return join(f, i)
}

func join(figure, interval string) string {
	if interval == "" {
		return figure
	}
	return figure + ", " + interval
}

// Share splits a share of time, 0 to 1, into a percentage with as many decimals as
// its interval bears and the interval: "97.8 %" and "96.9 to 98.6". Without any
// loss seen it is "100 %" and "over 99.97".
func Share(e answer.Est) (figure, interval string) {
	if !e.Decided() {
		return "", ""
	}
	half := (e.High - e.Low) / 2 * 100
	d := 2
	if half > 0 {
		d = min(3, max(0, int(math.Ceil(-math.Log10(half)))))
	}
	if e.Value >= 1 {
		i := ""
		if !math.IsNaN(e.Low) {
			i = "over" + Nbsp + roundDown(e.Low*100, max(2, d))
		}
		return "100" + Nbsp + "%", i
	}
	v := Decimal(e.Value*100, d)
	if strings.HasPrefix(v, "100") { // some was lost: never round it away
		v = roundDown(e.Value*100, max(2, d))
	}
	prefix := ""
	switch e.Bound {
	case reception.AtLeast:
		prefix = "at least "
	case reception.AtMost:
		prefix = "at most "
	}
	i := span(e.Low*100, e.High*100, d)
	if e.High >= 1 && d > 0 {
		i = strings.TrimSuffix(i, strings.TrimPrefix(Decimal(100, d), "100")) // "98.3 to 100"
	}
	return prefix + v + Nbsp + "%", i
}

func roundDown(v float64, decimals int) string {
	p := math.Pow(10, float64(decimals))
	return strconv.FormatFloat(math.Floor(v*p)/p, 'f', decimals, 64)
}

// Percent prints a share, 0 to 1, as a whole percentage.
func Percent(v float64) string { return Decimal(v*100, 0) + Nbsp + "%" }

// Of prints a count among others: "3 of 28", kept on one line.
func Of(k, n int64) string {
	return strconv.FormatInt(k, 10) + Nbsp + "of" + Nbsp + strconv.FormatInt(n, 10)
}

// Duration prints a length of time: "40 s", "14 min", "4 h 30", "31 h", "12 days".
func Duration(d time.Duration) string {
	switch {
	case d < 0:
		return "not known"
	case d < 90*time.Second:
		return strconv.Itoa(int(d.Round(time.Second)/time.Second)) + Nbsp + "s"
	case d < time.Hour:
		return strconv.Itoa(int(d.Round(time.Minute)/time.Minute)) + Nbsp + "min"
	case d < 10*time.Hour:
		m := int(d.Round(time.Minute) / time.Minute)
		if m%60 == 0 {
			return strconv.Itoa(m/60) + Nbsp + "h"
		}
		return strconv.Itoa(m/60) + Nbsp + "h" + Nbsp + twoDigits(m%60)
	case d < 72*time.Hour:
		return strconv.Itoa(int(d.Round(time.Hour)/time.Hour)) + Nbsp + "h"
	}
	return strconv.Itoa(int(d.Round(24*time.Hour)/(24*time.Hour))) + Nbsp + "days"
}

// Hours prints measured time: "40 min", "31 h", "1,204 h".
func Hours(seconds int64) string {
	if seconds < 3600 {
		return Duration(time.Duration(seconds) * time.Second)
	}
	return thousands((seconds+1800)/3600) + Nbsp + "h"
}

func thousands(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

func twoDigits(n int) string {
	if n < 10 {
		return "0" + strconv.Itoa(n)
	}
	return strconv.Itoa(n)
}

var small = []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

// Count prints a small number as a word, larger ones in figures.
func Count(n int) string {
	if n >= 0 && n < len(small) {
		return small[n]
	}
	return strconv.Itoa(n)
}

// Plural returns the count and the noun: "one tuner", "two tuners".
func Plural(n int, noun string) string {
	if n == 1 {
		return "one " + noun
	}
	return Count(n) + " " + noun + "s"
}
