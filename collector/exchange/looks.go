package exchange

import (
	"fmt"
	"math"

	"holdfast/analysis/reception"
)

// looks gathers the range of a few columns over the whole file, bad rows included:
// a wrong unit spoils every row alike and shows there.
type looks struct{ frequency, cn, level, quality, dwell span }

type span struct {
	n      int64
	lo, hi float64
}

func (s *span) see(v float64) {
	if math.IsNaN(v) {
		return
	}
	if s.n == 0 {
		s.lo, s.hi = v, v
	}
	s.n++
	s.lo, s.hi = min(s.lo, v), max(s.hi, v)
}

// take adds what another one saw, and empties it.
func (l *looks) take(o *looks) {
	l.frequency.take(o.frequency)
	l.cn.take(o.cn)
	l.level.take(o.level)
	l.quality.take(o.quality)
	l.dwell.take(o.dwell)
	*o = looks{}
}

func (s *span) take(o span) {
	switch {
	case o.n == 0:
	case s.n == 0:
		*s = o
	default:
		*s = span{s.n + o.n, min(s.lo, o.lo), max(s.hi, o.hi)}
	}
}

func (l *looks) see(r *reception.Reading) {
	l.frequency.see(float64(r.FrequencyHz))
	l.cn.see(r.CNDB)
	l.level.see(r.LevelDBm)
	l.quality.see(r.QualityPct)
	if r.DwellMS >= 0 {
		l.dwell.see(float64(r.DwellMS) / 1000)
	}
}

// A guess of a unit needs at least so many values (ours, no source).
const enough = 10

// lines says which columns seem to be in another unit than their name. The ranges
// are ours, no source: rooftop television lies at 5 to 45 dB of C/N and -95 to
// -5 dBm. In 75 ohm 0 dBmV is -48.75 dBm and 0 dBuV is -108.75 dBm
// (10 log10 of (1 mV)^2/75 ohm in mW).
func (l *looks) lines() []string {
	var out []string
	look := func(s span, lo, hi float64, column, what string) {
		if s.n >= enough && s.lo >= lo && s.hi <= hi {
			out = append(out, fmt.Sprintf("%s lies between %g and %g in all %d rows that have it: looks like %s", column, s.lo, s.hi, s.n, what))
		}
	}
	look(l.frequency, 30, 4000, "frequency_hz", "MHz; multiply by 1000000")
	look(l.frequency, 30e3, 4e6, "frequency_hz", "kHz; multiply by 1000")
	look(l.cn, 60.001, 99, "cn_db", "a maker's per cent; give it as quality_pct")
	look(l.cn, 100, 600, "cn_db", "tenths of a dB; divide by 10")
	look(l.cn, 1000, 65535, "cn_db", "thousandths of a dB or a maker's own scale; divide by 1000, or give it as quality_pct (0 to 100)")
	look(l.level, -9500, -200, "level_dbm", "tenths or hundredths of a dBm; divide by 10 or 100")
	look(l.level, 0, 20, "level_dbm", "dBmV; subtract 48.75 (75 ohm)")
	look(l.level, 20.001, 130, "level_dbm", "dBuV or a maker's per cent; subtract 108.75 (75 ohm), or give it as level_pct")
	look(l.quality, 100.001, 65535, "quality_pct", "a maker's scale of 0 to 255 or 65535; make it 0 to 100")
	if l.quality.hi > 0 {
		look(l.quality, 0, 1, "quality_pct", "a share of 0 to 1; multiply by 100")
	}
	look(l.dwell, 500, 1e9, "dwell_s", "milliseconds; divide by 1000")
	return out
}
