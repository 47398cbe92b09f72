// Package answer runs the questions over tallies, dropouts, weather and facts, and
// holds the one value that alarms, pages, reports and the answer command all show.
package answer

import (
	"encoding/json"
	"math"
	"time"

	"holdfast/analysis/reception"
)

// Est is an estimate as programs read it.
type Est reception.Estimate

// MarshalJSON writes value, low and high with null for what is not there, and bound
// and needs where they say something.
func (e Est) MarshalJSON() ([]byte, error) { return json.Marshal(e.wire()) }

type estWire struct {
	Value *float64        `json:"value"`
	Low   *float64        `json:"low"`
	High  *float64        `json:"high"`
	Bound reception.Bound `json:"bound,omitempty"`
	Needs string          `json:"needs,omitempty"`
}

func (e Est) wire() estWire {
	return estWire{num(e.Value), num(e.Low), num(e.High), e.Bound, e.Needs}
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (e *Est) UnmarshalJSON(b []byte) error {
	var w estWire
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*e = Est{Value: val(w.Value), Low: val(w.Low), High: val(w.High), Bound: w.Bound, Needs: w.Needs, EffectiveN: math.NaN()}
	return nil
}

// Decided reports whether there is a value.
func (e Est) Decided() bool { return !math.IsNaN(e.Value) }

// Num is a plain number that may be missing: NaN is null.
type Num float64

// MarshalJSON writes null for NaN and infinities.
func (n Num) MarshalJSON() ([]byte, error) { return json.Marshal(num(float64(n))) }

// UnmarshalJSON reads what MarshalJSON wrote.
func (n *Num) UnmarshalJSON(b []byte) error {
	var p *float64
	if err := json.Unmarshal(b, &p); err != nil {
		return err
	}
	*n = Num(val(p))
	return nil
}

// num turns a missing number into null and rounds to six significant decimals, so
// that equal inputs print equal bytes.
func num(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	r := math.Round(v*1e6) / 1e6
	if r == 0 {
		r = 0 // no minus zero
	}
	return &r
}

func val(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

// Time is an instant that programs read as RFC 3339 UTC; the zero value is null.
type Time int64

// MarshalJSON writes RFC 3339 with seconds, in UTC.
func (t Time) MarshalJSON() ([]byte, error) {
	if t == 0 {
		return []byte("null"), nil
	}
	return json.Marshal(time.UnixMilli(int64(t)).UTC().Format(time.RFC3339))
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (t *Time) UnmarshalJSON(b []byte) error {
	var s *string
	if err := json.Unmarshal(b, &s); err != nil || s == nil {
		*t = 0
		return err
	}
	at, err := time.Parse(time.RFC3339, *s)
	*t = Time(at.UnixMilli())
	return err
}

// An Answer is everything holdfast has to say about a home over a span. Its JSON is
// the contract that programs rely on.
type Answer struct {
	Home        Home         `json:"home"`
	AsOf        Time         `json:"as_of"`
	Measured    Measured     `json:"measured"`
	Channels    []Channel    `json:"channels"`
	Changes     []Change     `json:"changes"`
	Comparisons []Comparison `json:"comparisons"`
	Alarms      []Alarm      `json:"alarms"`
}

// Home names the home.
type Home struct {
	Name     string `json:"name"`
	Region   string `json:"region"`
	TimeZone string `json:"time_zone"`
	ZoneData string `json:"time_zone_data"` // edition of the zone data, such as 2025c
}

// Measured is the span and the share of it that was measured, 0 to 1.
type Measured struct {
	From  Time `json:"from"`
	To    Time `json:"to"`
	Share Num  `json:"share"`
}

// A Channel is one frequency, layer, tuner and installation.
type Channel struct {
	RF           int    `json:"rf"`
	FrequencyHz  int64  `json:"frequency_hz"`
	Layer        string `json:"layer"`
	Tuner        string `json:"tuner"`
	Installation string `json:"installation"`
	Name         string `json:"name"`
	Screen       string `json:"screen"`
	Transmitter  string `json:"transmitter"`
	Wanted       bool   `json:"wanted"`

	Latest    Latest    `json:"latest"`
	Threshold Threshold `json:"threshold_db"`

	SettledMargin         Est `json:"settled_margin_db"`
	MedianMargin          Est `json:"median_margin_db"`
	RequiredMargin        Est `json:"required_margin_db"`
	Spare                 Est `json:"spare_db"`
	RequiredMarginViewing Est `json:"required_margin_viewing_db"`
	FadeDepth99           Est `json:"fade_depth_99_db"`
	FadeDepth999          Est `json:"fade_depth_999_db"`

	Availability           Availability    `json:"availability"`
	AvailabilityWithOffAir Est             `json:"availability_with_offair"`
	AvailabilityViewing    Est             `json:"availability_viewing"`
	AvailabilityLeafOn     Est             `json:"availability_leaf_on"`
	AvailabilityLeafOff    Est             `json:"availability_leaf_off"`
	WorstMonth             WorstMonth      `json:"worst_month"`
	EveningsSpoiled        EveningsSpoiled `json:"evenings_spoiled"`

	LeafOn  Split `json:"leaf_on"`
	LeafOff Split `json:"leaf_off"`
	Wet     Split `json:"wet"`
	Dry     Split `json:"dry"`

	LeafEffect      Est `json:"leaf_effect_db"`
	WetLeafEffect   Est `json:"wet_leaf_effect_db"`
	WindEffect      Est `json:"wind_effect_db"`
	DriftDBPerMonth Est `json:"drift_db_per_month"`

	Dropouts []Dropout `json:"dropouts"`
	Outlook  []Outlook `json:"outlook"`
}

// Latest is the last visit that was made.
type Latest struct {
	Time     Time `json:"time"`
	Locked   bool `json:"locked"`
	LevelDBm Num  `json:"level_dbm"`
	CNDB     Num  `json:"cn_db"`
	MarginDB Num  `json:"margin_db"`
	// Identity is what the signal called itself, "" if it was not read.
	Identity string `json:"identity"`
	// ExpectedIdentity is the config's, else what the first visits agreed on; "" accepts
	// any, and where the visit itself is not known.
	ExpectedIdentity string `json:"expected_identity"`
	// WrongIdentity: locked, but to another signal than the expected one.
	WrongIdentity bool `json:"wrong_identity"`
}

// Threshold is an estimate with its basis.
type Threshold struct {
	Est
	Basis string // learnt, standard or user
}

// MarshalJSON adds basis to the estimate's fields.
func (t Threshold) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		estWire
		Basis string `json:"basis"`
	}{t.wire(), t.Basis})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (t *Threshold) UnmarshalJSON(b []byte) error {
	var x struct {
		Basis string `json:"basis"`
	}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	t.Basis = x.Basis
	return t.Est.UnmarshalJSON(b)
}

// Availability is a share of time with what it rests on.
type Availability struct {
	Est
	MeasuredS int64
	OffAirS   int64
}

// MarshalJSON adds measured_s and offair_s to the estimate's fields.
func (a Availability) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		estWire
		MeasuredS int64 `json:"measured_s"`
		OffAirS   int64 `json:"offair_s"`
	}{a.wire(), a.MeasuredS, a.OffAirS})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (a *Availability) UnmarshalJSON(b []byte) error {
	var x struct {
		MeasuredS int64 `json:"measured_s"`
		OffAirS   int64 `json:"offair_s"`
	}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	a.MeasuredS, a.OffAirS = x.MeasuredS, x.OffAirS
	return a.Est.UnmarshalJSON(b)
}

// WorstMonth is the share of time available in the worst month.
type WorstMonth struct {
	Est
	Month string // "2026-06"
}

// MarshalJSON adds month to the estimate's fields.
func (m WorstMonth) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		estWire
		Month string `json:"month"`
	}{m.wire(), m.Month})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (m *WorstMonth) UnmarshalJSON(b []byte) error {
	var x struct {
		Month string `json:"month"`
	}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	m.Month = x.Month
	return m.Est.UnmarshalJSON(b)
}

// EveningsSpoiled counts evenings with a dropout among those measured.
type EveningsSpoiled struct {
	Est
	EveningsMeasured int64
	Evenings         []string // local dates of the spoiled ones; not part of the JSON contract
}

// MarshalJSON adds evenings_measured to the estimate's fields.
func (e EveningsSpoiled) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		estWire
		EveningsMeasured int64    `json:"evenings_measured"`
		Evenings         []string `json:"evenings,omitempty"`
	}{e.wire(), e.EveningsMeasured, e.Evenings})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (e *EveningsSpoiled) UnmarshalJSON(b []byte) error {
	var x struct {
		EveningsMeasured int64    `json:"evenings_measured"`
		Evenings         []string `json:"evenings"`
	}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	e.EveningsMeasured, e.Evenings = x.EveningsMeasured, x.Evenings
	return e.Est.UnmarshalJSON(b)
}

// A Split answers for a part of the time.
type Split struct {
	MedianMargin   Est `json:"median_margin_db"`
	RequiredMargin Est `json:"required_margin_db"`
	Spare          Est `json:"spare_db"`
}

// A Dropout is one event; ends are null while it lasts.
type Dropout struct {
	Start       Time    `json:"start"`
	StartLow    Time    `json:"start_low"`
	StartHigh   Time    `json:"start_high"`
	End         Time    `json:"end"`
	EndLow      Time    `json:"end_low"`
	EndHigh     Time    `json:"end_high"`
	Cause       string  `json:"cause"`
	Probability Num     `json:"probability"`
	Also        []Cause `json:"also"`
	// For and Against say in words what speaks for the cause and against it; Alike are
	// causes that no further data of this kind would part from it, Part says what would,
	// indoors.
	For     []string `json:"for,omitempty"`
	Against []string `json:"against,omitempty"`
	Alike   []string `json:"alike,omitempty"`
	Part    string   `json:"part,omitempty"`
	Counted bool     `json:"counted"`
	// Visits saw it, of every kind, WrongIdentity of them locked to another signal than
	// the config expects.
	Visits        int64 `json:"visits"`
	WrongIdentity int64 `json:"wrong_identity_visits"`
}

// A Cause is a runner-up.
type Cause struct {
	Cause       string `json:"cause"`
	Probability Num    `json:"probability"`
}

// An Outlook is what will be to spare in a month.
type Outlook struct {
	Month string `json:"month"`
	Spare Est    `json:"spare_db"`
	Basis string `json:"basis"` // measured or prior
}

// A Change is a lasting change.
type Change struct {
	Time          Time    `json:"time"`
	TimeLow       Time    `json:"time_low"`
	TimeHigh      Time    `json:"time_high"`
	Until         Time    `json:"until"`
	Cause         string  `json:"cause"`
	Probability   Num     `json:"probability"`
	Also          []Cause `json:"also"`
	Channels      []int   `json:"channels"`
	Sizes         []Num   `json:"sizes_db"` // of each of Channels
	Size          Est     `json:"size_db"`  // of the one that changed most
	TurnAbsDeg    Est     `json:"turn_abs_deg"`
	TurnDirection string  `json:"turn_direction"`
	// Alike are causes that look the same, Part says what would part them, indoors.
	Alike []string `json:"alike,omitempty"`
	Part  string   `json:"part,omitempty"`
}

// A Comparison sets installation B against A.
type Comparison struct {
	RF            int    `json:"rf"`
	A             string `json:"a"`
	B             string `json:"b"`
	Median        Est    `json:"median_db"`
	FadeDepth99   Est    `json:"fade_depth_99_db"`
	Availability  Est    `json:"availability"`
	EquivalenceDB Num    `json:"equivalence_db"`
	Verdict       string `json:"verdict"`
	Steadier      string `json:"steadier"`
	DaysNeeded    Num    `json:"days_needed"`
}

// An Alarm is filled in by the handler, from the journal or from replay.
type Alarm struct {
	Since        Time   `json:"since"` // when what it is about began
	Raised       Time   `json:"raised"`
	Cleared      Time   `json:"cleared"`
	Acknowledged Time   `json:"acknowledged"`
	Severity     string `json:"severity"`
	Condition    string `json:"condition"`
	Cause        string `json:"cause"`
	Channels     []int  `json:"channels"`
	Text         string `json:"text"`
	Origin       string `json:"origin"`
}
