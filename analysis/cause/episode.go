package cause

import (
	"math"

	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
)

// A Member is what one series of the home did during an episode. Series that were not
// measured then are no members.
type Member struct {
	reception.Series
	Transmitter string  // "" if unknown
	AzimuthDeg  float64 // NaN if unknown
	DistanceKM  float64 // NaN if unknown
	Growth      reception.Growth
	MarginDB    float64 // usual at that hour of day; NaN if unknown
	Visits      float64 // made in the episode
	Bad         float64 // of them, bad
	Unlocked    float64 // of them, without lock
	CN          Change
	Level       Change // of the tuner's in-channel level; NaN where it is none
	// Beside is by how much C/N changed over the same visits as Level, dB; NaN if they
	// had none. Level and C/N of an hour tell more together than either alone.
	Beside float64
	// Edge is how C/N lay in the good visits of the same hours, just before and after:
	// what comes and goes slowly shows there, what is switched does not.
	Edge Change
	// Overlap is the share of what the changes were taken over that the episode
	// lasted: 1 for the series that dropped out, less where only hourly means are
	// known of the others.
	Overlap float64
	Ceiling bool // usually at the tuner's ceiling, where a fall can stay unseen
}

// A Change is how far a value lay from what it usually is at that hour of day.
type Change struct {
	DB     float64 // NaN if unknown
	SD     float64 // how much it varies from day to day, dB
	AtMost bool    // it fell at least so far: visits without lock
}

// Conditions are the weather, season and hour of an episode; NaN where unknown.
type Conditions struct {
	LocalHour  float64 // 0 to 24, standard time
	Month      int     // 1 to 12
	South      bool    // the southern half of the earth
	Weekend    bool
	Leaf       float64 // leaf state, 0 bare to 1 full
	Sky        drivers.Hour
	HPa        float64 // at sea level
	SpreadC    float64 // temperature less dew point
	SnowFell   bool
	Thunder    reception.Tristate
	LastsMS    float64
	DistanceKM float64 // of the weather; far weather says less
}

// An Episode is one dropout, or several that overlap, and all that was measured
// meanwhile.
type Episode struct {
	Conditions
	Members []Member
}

// A Ranked is a cause with its probability.
type Ranked struct {
	Cause       string
	Probability float64 // 0 to 0.95
	// Struck names what the cause struck: a transmitter, tuner or RF frequency in Hz as
	// text, or "" for the whole home.
	Struck string
}

// A Verdict is what is thought of an episode: causes by falling probability, those
// under 2 % left out, and in words what speaks for and against the first.
type Verdict struct {
	Ranked       []Ranked
	For, Against []string
	// Alike are causes that share every test with the first, so that no more data of
	// this kind will part them; Part says what would, indoors.
	Alike []string
	Part  string
	// Witnessed: something besides the missing lock says whether a channel was off.
	Witnessed bool
}

// OffAir returns the probability that the transmitter was off, as far as something
// besides the missing lock bears witness: a level that fell to the noise, or another
// tuner. A deep fade looks alike to a tuner alone.
func (v Verdict) OffAir() float64 {
	for _, r := range v.Ranked {
		if r.Cause == "transmitter-off" && v.Witnessed {
			return r.Probability
		}
	}
	return 0
}

// witnessed reports whether more than one tuner's lock says that a channel was off.
func witnessed(members []Member) bool {
	dark := map[int64]int{}
	for i := range members {
		m := &members[i]
		if m.Bad == 0 || m.Unlocked < m.Bad {
			continue
		}
		if known(m.Level.DB) && known(m.MarginDB) && m.Level.DB < -(m.MarginDB+9) {
			return true
		}
		if dark[m.FrequencyHz]++; dark[m.FrequencyHz] > 1 {
			return true
		}
	}
	return false
}

// lowVHF, highVHF and UHF meet at these frequencies.
const (
	lowVHFToHz  = 108e6
	highVHFToHz = 300e6
)

func known(v float64) bool { return !math.IsNaN(v) }
