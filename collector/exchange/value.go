package exchange

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"holdfast/analysis/reception"
)

// number reads a decimal number; an empty field is NaN.
func number(b []byte) (float64, error) {
	if len(b) == 0 {
		return math.NaN(), nil
	}
	if v, ok := decimal(b); ok {
		return v, nil
	}
	for _, c := range b {
		switch {
		case c >= '0' && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		case c == ',':
			return 0, fmt.Errorf("%q has a decimal comma; write a point", clip(string(b)))
		default: // NaN, Inf, hexadecimal, units
			return 0, errNumber(b)
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, errNumber(b)
	}
	return v, nil
}

// decimal reads the plain form of nearly every cell: digits with or without sign and
// point, so few that a float64 holds them as a whole number, as it does the power of
// ten that divides it. The quotient is then the float64 next to the decimal, the one
// that ParseFloat finds (its own first step; W. D. Clinger, PLDI 1990).
func decimal(b []byte) (float64, bool) {
	neg := len(b) > 0 && b[0] == '-'
	if neg {
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 15 {
		return 0, false
	}
	var m int64
	point := len(b) // its place
	for i, c := range b {
		switch {
		case c-'0' <= 9:
			m = m*10 + int64(c-'0')
		case c == '.' && point == len(b) && len(b) > 1:
			point = i
		default:
			return 0, false
		}
	}
	v := float64(m)
	if point < len(b)-1 {
		v /= powers[len(b)-1-point]
	}
	if neg {
		v = -v
	}
	return v, true
}

// powers of ten, each exact.
var powers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14}

// digits reads a number of digits alone, at most 18.
func digits(b []byte) (int64, bool) {
	if len(b) == 0 || len(b) > 18 {
		return 0, false
	}
	var v int64
	for _, c := range b {
		if c-'0' > 9 {
			return 0, false
		}
		v = v*10 + int64(c-'0')
	}
	return v, true
}

func errNumber(b []byte) error {
	return fmt.Errorf("%q is not a number; leave it empty if it is not available", clip(string(b)))
}

// whole reads a count; an empty field is reception.NotCounted. "12.0" is 12: many
// programs write counts so once one of them is missing.
func whole(b []byte) (int64, error) {
	if len(b) == 0 {
		return reception.NotCounted, nil
	}
	if v, ok := digits(b); ok {
		return v, nil
	}
	text := b
	if i := bytes.IndexByte(b, '.'); i > 0 && len(bytes.Trim(b[i+1:], "0")) == 0 {
		text = b[:i]
	}
	v, err := strconv.ParseInt(string(text), 10, 64)
	switch {
	case err != nil:
		return 0, fmt.Errorf("%q is not a whole number; leave it empty if it is not available", clip(string(b)))
	case v < 0:
		return 0, fmt.Errorf("%d is negative; leave it empty if it is not available", v)
	}
	return v, nil
}

// millis reads seconds as milliseconds, to the nearest; NotCounted if empty.
func millis(b []byte) (int64, error) {
	v, err := number(b)
	switch {
	case err != nil:
		return 0, err
	case math.IsNaN(v):
		return reception.NotCounted, nil
	case v < 0:
		return 0, fmt.Errorf("%g is negative; leave it empty if it is not available", v)
	case v > 1e9:
		return 0, fmt.Errorf("%g is too long a time; want seconds", v)
	}
	return int64(math.Round(v * 1000)), nil
}

// flag reads 0 or 1; known is false if the field is empty.
func flag(b []byte) (v, known bool, err error) {
	switch string(b) {
	case "":
		return false, false, nil
	case "0":
		return false, true, nil
	case "1":
		return true, true, nil
	}
	return false, false, fmt.Errorf("%q is neither 0 nor 1; leave it empty if it is not available", clip(string(b)))
}

var errNoTime = errors.New("is empty; want the time, such as 2026-03-01T18:00:00Z")

// instant reads a time as Unix ms: RFC 3339 (a blank for its T, as section 5.6
// allows), or Unix seconds or milliseconds told apart by size: the years 2000 to
// 2100 are 9.5e8 to 4.1e9 s and 9.5e11 to 4.1e12 ms. Parts of a millisecond are
// cut off.
func instant(b []byte) (int64, error) {
	if len(b) == 0 {
		return 0, errNoTime
	}
	if len(b) > 5 && b[4] == '-' {
		return stamp(b)
	}
	v, ok := digits(b)
	var err error
	if !ok {
		v, err = strconv.ParseInt(string(b), 10, 64)
	}
	if err != nil {
		sec, ferr := number(b)
		if ferr != nil || bytes.ContainsAny(b, "eE") {
			return 0, fmt.Errorf("%q is not a time; want RFC 3339, such as 2026-03-01T18:00:00Z, or Unix seconds or milliseconds", clip(string(b)))
		}
		if sec < reception.EarliestMS/1000 || sec > reception.LatestMS/1000 {
			return 0, errFarTime(b)
		}
		return int64(math.Floor(sec*1000 + 1e-4)), nil // 1e-4 ms: what a float64 of today's seconds cannot hold
	}
	switch {
	case v >= reception.EarliestMS/1000 && v <= reception.LatestMS/1000:
		return v * 1000, nil
	case v >= reception.EarliestMS && v <= reception.LatestMS:
		return v, nil
	case v >= reception.EarliestMS*1000:
		return 0, fmt.Errorf("%q looks like microseconds or nanoseconds; want Unix seconds or milliseconds", clip(string(b)))
	}
	return 0, errFarTime(b)
}

func errFarTime(b []byte) error {
	return fmt.Errorf("%q is not between the years 2000 and 2100; want RFC 3339, or Unix seconds or milliseconds", clip(string(b)))
}

func stamp(b []byte) (int64, error) {
	if ms, ok := plainStamp(b); ok {
		return ms, nil
	}
	var t time.Time
	err := t.UnmarshalText(b)
	if err != nil && len(b) > 10 && (b[10] == ' ' || b[10] == 't') {
		c := bytes.Clone(b)
		c[10] = 'T'
		err = t.UnmarshalText(bytes.ToUpper(c))
	}
	if err != nil {
		if last := b[len(b)-1]; last != 'Z' && last != 'z' && len(b) >= 16 && bytes.LastIndexAny(b, "+-") < 10 {
			return 0, fmt.Errorf("%q has no time zone; write 2026-03-01T18:00:00Z for UTC, or +01:00 at its end", clip(string(b)))
		}
		return 0, fmt.Errorf("%q is not a time of RFC 3339; want such as 2026-03-01T18:00:00Z", clip(string(b)))
	}
	return t.UnixMilli(), nil
}

// plainStamp reads 2026-03-01T18:00:00Z, with up to three digits of a second's parts.
func plainStamp(b []byte) (int64, bool) {
	if len(b) < 20 || len(b) > 24 || b[len(b)-1] != 'Z' ||
		b[4] != '-' || b[7] != '-' || b[10] != 'T' || b[13] != ':' || b[16] != ':' {
		return 0, false
	}
	century, ok0 := two(b, 0)
	year, ok1 := two(b, 2)
	month, ok2 := two(b, 5)
	day, ok3 := two(b, 8)
	hour, ok4 := two(b, 11)
	minute, ok5 := two(b, 14)
	second, ok6 := two(b, 17)
	year += 100 * century
	if !(ok0 && ok1 && ok2 && ok3 && ok4 && ok5 && ok6) || month < 1 || month > 12 ||
		day < 1 || day > 28 && day > daysOf(year, month) || hour > 23 || minute > 59 || second > 59 {
		return 0, false
	}
	var ms int64
	if len(b) > 20 {
		part, ok := digits(b[20 : len(b)-1])
		if b[19] != '.' || !ok {
			return 0, false
		}
		for range 24 - len(b) {
			part *= 10
		}
		ms = part
	}
	t := time.Date(year, time.Month(month), day, hour, minute, second, 0, time.UTC)
	return t.Unix()*1000 + ms, true
}

func two(b []byte, at int) (int, bool) {
	x, y := b[at]-'0', b[at+1]-'0'
	return int(x)*10 + int(y), x <= 9 && y <= 9
}

func daysOf(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}
