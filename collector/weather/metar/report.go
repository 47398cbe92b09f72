// Package metar reads aerodrome weather reports: METAR and SPECI text as of
// WMO-No. 306, FM 15 and FM 16, with the remarks of the US Federal Meteorological
// Handbook No. 1 (FCM-H1-1995, chapters 5, 10 and 12). It is also a source of
// hourly weather from such text, in a file or behind an address.
//
// Groups that it does not know are kept and never stop a report. A value that was
// not reported is NaN; it is not zero: a report without a gust is not one of calm,
// and one without rain may come from a station without a gauge.
package metar

import (
	"math"
	"time"
)

// A Report is one decoded report, in m/s, m, hPa, mm and degrees Celsius. Every
// number may be NaN, every time zero: not reported. Times are UTC.
type Report struct {
	Raw     string // the report's text, blanks made single
	Station string // location indicator, four letters or digits
	Time    time.Time
	// Special: a SPECI, made for a change between the routine reports.
	Special     bool
	Auto        bool // no human took part
	Corrected   bool
	Nil         bool // nothing was reported
	Maintenance bool // the station asks for it ($)

	Wind       Wind
	Visibility Visibility
	Weather    []Phenomenon // present weather, in the order given
	Clouds     []string     // as given: BKN015, OVC010CB, ///
	RVR        []string     // runway visual range, as given

	// TempC and DewpointC are the tenths of the remarks where there are any, else
	// the body's whole degrees, which round half towards plus infinity.
	TempC, DewpointC float64
	QNHHPa           float64 // altimeter setting, printed to 0.01 inHg or 1 hPa
	SLPHPa           float64
	// SLPSuspect: the remarks' pressure is too far from QNH to be of this place.
	SLPSuspect bool

	StationType string // AO1 (cannot tell rain from snow) or AO2; "" if not said
	Peak        Peak
	WindShift   time.Time
	// Hour is what fell since the last routine report: an hour only in a routine
	// report. Hours3or6 covers PeriodH hours.
	Hour, Hours3or6, Hours24 Amount
	PeriodH                  int     // 3 or 6 by the hour of the report; 0 if neither
	SnowDepthM               float64 // on the ground
	SnowWaterMM              float64 // water in it
	Max6C, Min6C             float64
	Max24C, Min24C           float64
	Tendency3HPa             float64 // change of pressure in three hours
	Events                   []Event // beginnings and ends of precipitation and thunder
	// Sensors that are out: what they would tell is then not known.
	NoThunder, NoGauge, NoFreezingRain bool

	Unknown []string // groups not understood, remarks too
}

// Wind is the mean (over 2 minutes in the United States, 10 elsewhere).
type Wind struct {
	DirDeg   float64 // true north; NaN if calm, variable or missing
	MPS      float64
	GustMPS  float64 // NaN: not reported; the United States report gusts from 10 kt between peak and lull
	Calm     bool
	Variable bool // VRB
	AtLeast  bool // P: the mean or gust is beyond what can be coded
	FromDeg  float64
	ToDeg    float64 // direction varies clockwise between the two
}

// Visibility is the prevailing one.
type Visibility struct {
	M           float64
	AtLeast     bool // 9999, P6SM, CAVOK
	LessThan    bool // M1/4SM
	LowestM     float64
	LowestAtDeg float64 // direction of the lowest; NaN if not said
}

// A Phenomenon is one group of present weather.
type Phenomenon struct {
	Raw       string
	Intensity string // "-", "", "+"
	Vicinity  bool
	Thunder   bool
	Rain      bool // falls as water: DZ, RA
	Frozen    bool // falls frozen: SN, SG, IC, PL, GR, GS
	Unclear   bool // falls, unknown as what: UP
}

// Precipitation reports whether something falls at the station.
func (p Phenomenon) Precipitation() bool { return !p.Vicinity && (p.Rain || p.Frozen || p.Unclear) }

// Peak is the strongest instant wind since the last routine report, reported above
// 25 kt.
type Peak struct {
	DirDeg, MPS float64
	Time        time.Time
}

// An Amount is precipitation as water. Reported tells an amount (or trace) from
// silence, which means none or no gauge.
type Amount struct {
	MM            float64 // NaN if not reported or indeterminate; 0 for a trace
	Reported      bool
	Trace         bool // fell, less than 0.01 inch
	Indeterminate bool // fell, nobody knows how much
}

// An Event is the beginning or end of something in the remarks.
type Event struct {
	What  string // RA, SN, FZRA, TS, ...
	Began bool
	Time  time.Time
}

var nan = math.NaN()

// NewReport returns a report that says nothing: every number is NaN.
func NewReport() Report {
	a := Amount{MM: nan}
	return Report{
		Wind:       Wind{DirDeg: nan, MPS: nan, GustMPS: nan, FromDeg: nan, ToDeg: nan},
		Visibility: Visibility{M: nan, LowestM: nan, LowestAtDeg: nan},
		TempC:      nan, DewpointC: nan, QNHHPa: nan, SLPHPa: nan,
		Peak: Peak{DirDeg: nan, MPS: nan}, Hour: a, Hours3or6: a, Hours24: a,
		SnowDepthM: nan, SnowWaterMM: nan, Max6C: nan, Min6C: nan, Max24C: nan, Min24C: nan, Tendency3HPa: nan,
	}
}

// Units. The knot, statute mile and inch are exact by definition; the inch of
// mercury is the conventional one at 0 C (NIST SP 811, appendix B.8: 3386.389 Pa).
const (
	mpsPerKnot  = 1852.0 / 3600
	mpsPerKMH   = 1 / 3.6
	mPerMile    = 1609.344
	mmPerInch   = 25.4
	hPaPerInHg  = 33.86389
	farFromQNH  = 12.0 // hPa between sea-level pressure and QNH that are not believed (ours, no source)
	longestText = 4096
)
