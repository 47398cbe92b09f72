package fields

import (
	"fmt"
	"math"

	"holdfast/analysis/reception"
)

// A Doubt is a figure that cannot be true and was left out.
type Doubt struct {
	Field string
	What  string // what was got, and what to do
	Unit  bool   // it looks like a figure in another unit: no glitch, the mapping is wrong
}

// tooLowFor8VSB, in dB: no demodulator locks to 8-VSB so far below its threshold of
// 15 dB (ours, no source).
const tooLowFor8VSB = 5

// Doubts takes out figures that cannot be true, and says which and why. ceiling is the
// highest C/N in dB that the tuner can show, NaN if not known. A C/N of exactly 0 is
// what devices say that have none, and is left out without a word.
func (s *Status) Doubts(system reception.System, ceiling float64) []Doubt {
	var ds []Doubt
	doubt := func(field string, unit bool, format string, a ...any) {
		ds = append(ds, Doubt{field, field + " " + fmt.Sprintf(format, a...), unit})
	}
	cn := func(field string, v *float64) {
		x := *v
		switch {
		case x == 0:
		case x >= 150 && x <= 600:
			doubt(field, true, "%g looks like tenths of a dB; divide it by 10", x)
		case x >= 1500 && x <= 6000:
			doubt(field, true, "%g looks like hundredths of a dB; divide it by 100", x)
		case x < reception.CNMinDB || x > reception.CNMaxDB:
			doubt(field, false, "%g is outside %d to %d dB", x, reception.CNMinDB, reception.CNMaxDB)
		case system == reception.ATSC1 && s.Locked && x < tooLowFor8VSB:
			doubt(field, true, "%g of a locked 8-VSB channel is in another unit: none locks below %d dB", x, tooLowFor8VSB)
		case x > ceiling:
			doubt(field, false, "%g is above ceiling_db %g; correct that, or remove it", x, ceiling)
		default:
			return
		}
		*v = math.NaN()
	}
	cn("cn_db", &s.CNDB)
	cn("cn_low_db", &s.CNLowDB)
	if s.CNLowDB > s.CNDB {
		doubt("cn_low_db", false, "%g is above cn_db %g", s.CNLowDB, s.CNDB)
		s.CNLowDB = math.NaN()
	}
	if x := s.CNSpreadDB; x < 0 || x > 60 {
		doubt("cn_spread_db", false, "%g is outside 0 to 60 dB", x)
		s.CNSpreadDB = math.NaN()
	}
	s.level(doubt)
	percent := func(field string, v *float64) {
		x := *v
		switch {
		case x > 100 && x <= 255:
			doubt(field, true, "%g looks like 0 to 255; multiply it by 100 and divide by 255", x)
		case x > 255 && x <= 65535:
			doubt(field, true, "%g looks like 0 to 65535; multiply it by 100 and divide by 65535", x)
		case x < 0 || x > 100:
			doubt(field, false, "%g is outside 0 to 100 %%", x)
		default:
			return
		}
		*v = math.NaN()
	}
	percent("level_pct", &s.LevelPct)
	percent("quality_pct", &s.QualityPct)
	s.counts(doubt)
	return ds
}

func (s *Status) level(doubt func(string, bool, string, ...any)) {
	x := s.LevelDBm
	switch {
	case x > reception.LevelMaxDBm && x <= 130:
		// 1 uV across 75 ohm is (1e-6 V)^2 / 75 ohm = -108.75 dBm
		doubt("level_dbm", true, "%g looks like dBuV; subtract 108.75 (at 75 ohm)", x)
	case x < -150 && x >= 10*reception.LevelMinDBm:
		doubt("level_dbm", true, "%g looks like tenths of a dBm; divide it by 10", x)
	case x < reception.LevelMinDBm || x > reception.LevelMaxDBm:
		doubt("level_dbm", false, "%g is outside %d to %d dBm", x, reception.LevelMinDBm, reception.LevelMaxDBm)
	default:
		return
	}
	s.LevelDBm = math.NaN()
}

func (s *Status) counts(doubt func(string, bool, string, ...any)) {
	for _, c := range []struct {
		field string
		n     *int64
	}{
		{"uncorrected_blocks", &s.UncorrectedBlocks}, {"total_blocks", &s.TotalBlocks},
		{"pre_errors", &s.PreErrors}, {"pre_bits", &s.PreBits},
	} {
		if *c.n < reception.NotCounted { // -1 is what devices say that do not count
			doubt(c.field, false, "%d is negative", *c.n)
			*c.n = reception.NotCounted
		}
	}
	switch hz := s.FrequencyHz; {
	case hz == 0 || hz >= 30e6 && hz <= 4e9:
		return
	case hz >= 30e3 && hz <= 4e6:
		doubt("frequency_hz", true, "%d looks like kHz; multiply it by 1000", hz)
	case hz >= 30 && hz <= 4e3:
		doubt("frequency_hz", true, "%d looks like MHz; multiply it by 1000000", hz)
	default:
		doubt("frequency_hz", false, "%d is outside 30 MHz to 4 GHz", hz)
	}
	s.FrequencyHz = 0
}

// Whole makes the figures of a visit agree with each other, and says which were left
// out. The dwell is in DwellMS.
func (s *Status) Whole() []Doubt {
	var ds []Doubt
	doubt := func(field, format string, a ...any) {
		ds = append(ds, Doubt{field, field + " " + fmt.Sprintf(format, a...), false})
	}
	if s.TotalBlocks >= 0 && s.UncorrectedBlocks > s.TotalBlocks {
		doubt("uncorrected_blocks", "%d is more than total_blocks %d", s.UncorrectedBlocks, s.TotalBlocks)
		s.UncorrectedBlocks, s.TotalBlocks = reception.NotCounted, reception.NotCounted
	}
	if s.PreBits >= 0 && s.PreErrors > s.PreBits {
		doubt("pre_errors", "%d is more than pre_bits %d", s.PreErrors, s.PreBits)
		s.PreErrors, s.PreBits = reception.NotCounted, reception.NotCounted
	}
	const rounding = 1000 // ms: devices count whole seconds
	switch {
	case s.LockedMS > s.DwellMS+rounding:
		doubt("locked_s", "%g is more than the dwell of %g s", float64(s.LockedMS)/1000, float64(s.DwellMS)/1000)
		s.LockedMS = reception.NotCounted
	case s.Locked && s.LockedMS == 0:
		doubt("locked_s", "is 0 in a visit that was locked")
		s.LockedMS = reception.NotCounted
	}
	s.LockedMS = min(s.LockedMS, s.DwellMS)
	if e := s.ErroredS; e < 0 || e > float64(s.DwellMS+rounding)/1000 {
		doubt("errored_s", "%g is outside the dwell of %g s", e, float64(s.DwellMS)/1000)
		s.ErroredS = math.NaN()
	}
	if !s.Locked { // it is the lowest while locked
		s.CNLowDB, s.CNSpreadDB = math.NaN(), math.NaN()
	}
	return ds
}
