package cause

import (
	"encoding/binary"
	"hash/fnv"
	"math"
)

// Key is a hash of all that Judge looks at: episodes of one key have one verdict.
func (e Episode) Key() [16]byte {
	var b []byte
	num := func(v ...float64) {
		for _, x := range v {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
	}
	text := func(s string) { b = append(binary.AppendUvarint(b, uint64(len(s))), s...) }
	flag := func(v ...bool) {
		for _, x := range v {
			if x {
				b = append(b, 1)
			} else {
				b = append(b, 0)
			}
		}
	}
	c := &e.Conditions
	num(c.LocalHour, float64(c.Month), c.Leaf, c.HPa, c.SpreadC, c.LastsMS, c.DistanceKM)
	num(c.Sky.TempC, c.Sky.WindMPS, c.Sky.GustMPS, c.Sky.PrecipMM, c.Sky.WetLow, c.Sky.WetHigh)
	flag(c.South, c.Weekend, c.SnowFell, c.Sky.Fell)
	text(string(c.Thunder))
	for i := range e.Members {
		m := &e.Members[i]
		text(m.Tuner)
		text(m.Layer)
		text(m.Transmitter)
		text(string(m.Growth))
		num(float64(m.FrequencyHz), m.AzimuthDeg, m.DistanceKM, m.MarginDB, m.Visits, m.Bad, m.Unlocked, m.CN.DB, m.CN.SD, m.Level.DB, m.Level.SD, m.Edge.DB, m.Edge.SD, m.Beside, m.Overlap)
		flag(m.CN.AtMost, m.Level.AtMost, m.Ceiling)
	}
	h := fnv.New128a()
	_, _ = h.Write(b) // a hash takes everything
	return [16]byte(h.Sum(nil))
}
