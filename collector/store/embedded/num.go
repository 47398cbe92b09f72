package embedded

import (
	"math"

	"holdfast/analysis/reception"
)

// minusZero stands for -0, which SQLite would give back as 0.
const minusZero = "-0"

// packFloat returns what a column keeps of a measurement: nil for NaN, an integer
// of thousandths if that gives v back bit by bit, else v.
func packFloat(v float64) any {
	switch {
	case math.IsNaN(v):
		return nil
	case v == 0 && math.Signbit(v):
		return minusZero
	}
	const most = 1 << 31
	if m := math.Round(v * 1000); m > -most && m < most && math.Float64bits(m/1000) == math.Float64bits(v) {
		return int64(m)
	}
	return v
}

func unpackFloat(x any) float64 {
	switch x := x.(type) {
	case int64:
		return float64(x) / 1000
	case float64:
		return x
	case string:
		if x == minusZero {
			return math.Copysign(0, -1)
		}
	}
	return math.NaN()
}

func packCount(n int64) any {
	if n == reception.NotCounted {
		return nil
	}
	return n
}

func unpackCount(x any) int64 {
	if n, ok := x.(int64); ok {
		return n
	}
	return reception.NotCounted
}

// packUnlocked returns how much of the dwell was not locked, nil if nobody watched.
// Differences wrap round, so that any pair of values comes back.
func packUnlocked(r *reception.Reading) any {
	if r.LockedMS == reception.NotCounted {
		return nil
	}
	return r.DwellMS - r.LockedMS
}

func unpackLocked(dwellMS int64, x any) int64 {
	if n, ok := x.(int64); ok {
		return dwellMS - n
	}
	return reception.NotCounted
}

func packBool(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

func unpackInt(x any) int64 {
	n, _ := x.(int64)
	return n
}
