package reception

import (
	"errors"
	"fmt"
	"math"
)

// VisitKind says why a tuner visited a channel.
type VisitKind string

// Visit kinds. Shares are computed from base visits alone.
const (
	VisitBase   VisitKind = "base"
	VisitExtra  VisitKind = "extra"
	VisitRiding VisitKind = "riding"
)

// Reason says why a visit was not made. "" is a visit that was made.
type Reason string

// Reasons.
const (
	Measured   Reason = ""
	WhyViewer  Reason = "viewer"
	WhyKeepOut Reason = "keep-out"
	WhyDown    Reason = "down" // holdfast itself was not running
	WhyFailing Reason = "failing"
	WhyClock   Reason = "clock"
	WhyOther   Reason = "other"
)

// Reasons lists the reasons in the fixed order that tallies use.
func Reasons() []Reason {
	return []Reason{WhyViewer, WhyKeepOut, WhyDown, WhyFailing, WhyClock, WhyOther}
}

// A Series names one run of readings: one tuner on one layer of one frequency.
type Series struct {
	Tuner       string
	FrequencyHz int64
	Layer       string
}

// A Reading is one visit of a tuner to a channel, made or not made. It is
// identified by its series and Time.
type Reading struct {
	Time        int64 // Unix ms UTC, start of the dwell (or of the visit not made)
	Tuner       string
	FrequencyHz int64 // the channel's key
	TunedHz     int64 // what was tuned, if it differs from FrequencyHz; else 0
	Layer       string
	Visit       VisitKind
	Why         Reason // set: nothing was measured, only Time..Visit and DwellMS (planned) count
	Known       int64  // Unix ms; 0: known when it happened

	DwellMS  int64
	Locked   bool
	LockedMS int64 // time locked within the dwell; NotCounted if not watched
	LevelDBm float64
	LevelPct float64 // a level on the maker's own scale
	CNDB     float64 // C/N or MER, by the scale; median of the dwell
	CNLowDB  float64 // lowest while locked in this visit
	// CNSpreadDB is the standard deviation within the visit.
	CNSpreadDB float64
	QualityPct float64 // quality on the maker's own scale
	ErroredS   float64 // errored seconds as counted by a source that polls each second

	PreErrors, PreBits int64 // before error correction
	UncorrectedBlocks  int64
	TotalBlocks        int64

	Identity string // transport stream id as the signal gives it
	Mode     string // such as "64qam-3/4"
	System   System
	Scale    string // Scale.ID
}

// NewReading returns a reading whose every optional number is not available.
func NewReading() Reading {
	return Reading{
		Visit: VisitBase, LockedMS: NotCounted,
		LevelDBm: nan, LevelPct: nan, CNDB: nan, CNLowDB: nan, CNSpreadDB: nan, QualityPct: nan, ErroredS: nan,
		PreErrors: NotCounted, PreBits: NotCounted, UncorrectedBlocks: NotCounted, TotalBlocks: NotCounted,
	}
}

// Series returns the series a reading belongs to.
func (r *Reading) Series() Series { return Series{r.Tuner, r.FrequencyHz, r.Layer} }

// Valid reports whether something was measured.
func (r *Reading) Valid() bool { return r.Why == Measured }

// Equal reports whether two readings hold the same values; NaN equals NaN.
func (r *Reading) Equal(o *Reading) bool {
	a, b := *r, *o
	f := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	ok := f(a.LevelDBm, b.LevelDBm) && f(a.LevelPct, b.LevelPct) && f(a.CNDB, b.CNDB) && f(a.CNLowDB, b.CNLowDB) &&
		f(a.CNSpreadDB, b.CNSpreadDB) && f(a.QualityPct, b.QualityPct) && f(a.ErroredS, b.ErroredS)
	a.LevelDBm, a.LevelPct, a.CNDB, a.CNLowDB, a.CNSpreadDB, a.QualityPct, a.ErroredS = 0, 0, 0, 0, 0, 0, 0
	b.LevelDBm, b.LevelPct, b.CNDB, b.CNLowDB, b.CNSpreadDB, b.QualityPct, b.ErroredS = 0, 0, 0, 0, 0, 0, 0
	return ok && a == b
}

// Plausible bounds of what a tuner can measure. Values outside come from drivers
// that report garbage with a valid scale (see the dvb source).
const (
	CNMinDB, CNMaxDB         = -10, 60
	LevelMinDBm, LevelMaxDBm = -120, 20
)

// Instants outside these are a clock that was never set or a unit error.
const (
	EarliestMS = 946684800000  // 2000-01-01
	LatestMS   = 4102444800000 // 2100-01-01
)

// Validate returns an error naming the first field that cannot be true.
func (r *Reading) Validate() error {
	rng := func(name string, v, lo, hi float64) error {
		if !math.IsNaN(v) && (v < lo || v > hi || math.IsInf(v, 0)) {
			return fmt.Errorf("%s %g is outside %g to %g", name, v, lo, hi)
		}
		return nil
	}
	switch {
	case r.Time < EarliestMS || r.Time > LatestMS:
		return fmt.Errorf("time %d is not between the years 2000 and 2100; want Unix milliseconds", r.Time)
	case r.FrequencyHz < 30e6 || r.FrequencyHz > 4e9:
		return fmt.Errorf("frequency_hz %d is outside 30 MHz to 4 GHz", r.FrequencyHz)
	case r.DwellMS < 0 || r.DwellMS > 3600e3:
		return fmt.Errorf("dwell %d ms is outside 0 to 3600 s", r.DwellMS)
	case r.Visit != VisitBase && r.Visit != VisitExtra && r.Visit != VisitRiding:
		return fmt.Errorf("visit %q is not base, extra or riding", string(r.Visit))
	case r.Why == Measured && r.DwellMS == 0:
		return errors.New("dwell is 0 in a visit that was made")
	case r.LockedMS > r.DwellMS:
		return fmt.Errorf("locked time %d ms is longer than the dwell %d ms", r.LockedMS, r.DwellMS)
	case r.UncorrectedBlocks < NotCounted || r.TotalBlocks < NotCounted || r.PreErrors < NotCounted || r.PreBits < NotCounted || r.LockedMS < NotCounted:
		return errors.New("a count is negative")
	case r.TotalBlocks >= 0 && r.UncorrectedBlocks > r.TotalBlocks:
		return fmt.Errorf("uncorrected_blocks %d is more than total_blocks %d", r.UncorrectedBlocks, r.TotalBlocks)
	}
	return errors.Join(
		rng("cn_db", r.CNDB, CNMinDB, CNMaxDB), rng("cn_low_db", r.CNLowDB, CNMinDB, CNMaxDB), rng("cn_spread_db", r.CNSpreadDB, 0, 60),
		rng("level_dbm", r.LevelDBm, LevelMinDBm, LevelMaxDBm), rng("level_pct", r.LevelPct, 0, 100),
		rng("quality_pct", r.QualityPct, 0, 100), rng("errored_s", r.ErroredS, 0, float64(r.DwellMS)/1000+1))
}
