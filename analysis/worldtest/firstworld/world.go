package firstworld

import (
	"math"
	"time"

	"holdfast/analysis/reception"
)

const (
	secondMS = int64(1000)
	minuteMS = 60 * secondMS
	hourMS   = 60 * minuteMS
	dayMS    = 24 * hourMS
)

// zoneMS is the home's standard time relative to UTC. The household and the sun
// follow it all year.
const zoneMS = -5 * hourMS

// A World is one simulated home. It is immutable and may be used concurrently.
type World struct {
	seed    uint64
	nowMS   int64
	faultMS int64
	downMS  int64 // beginning of the day on which holdfast was not running
	failing waterfall
}

// New returns the world of a seed as it stands at now, which must lie between 1971
// and 2099: the fault came 35 to 49 days before. Everything else depends on the
// seed and the calendar alone.
func New(seed uint64, now time.Time) *World {
	w := &World{seed: mix(seed ^ 0x6a09e667f3bcc909), nowMS: now.UnixMilli(), failing: newWaterfall()}
	w.faultMS = (w.nowMS - int64((35+14*w.uniform(sFaultDate, 0))*float64(dayMS))) / secondMS * secondMS
	w.downMS = (w.nowMS - int64((120+140*w.uniform(sDown, 0))*float64(dayMS))) / secondMS * secondMS
	return w
}

// Now returns the instant the world was made for.
func (w *World) Now() time.Time { return time.UnixMilli(w.nowMS).UTC() }

// Home returns the invented home.
func (w *World) Home() reception.Home {
	return reception.Home{
		ID: "5e1fca57-0000-4000-8000-000000000001", Name: "Quill Lane", Region: reception.RegionUS,
		TimeZone: "America/New_York", Latitude: 43, Longitude: -75, GroundM: 310,
		Growth: []reception.Sector{
			{FromDeg: 100, ToDeg: 160, Growth: reception.GrowthDeciduous},
			{FromDeg: 340, ToDeg: 30, Growth: reception.GrowthEvergreen},
			{FromDeg: 30, ToDeg: 100, Growth: reception.GrowthNone},
		},
	}
}

// A mast is where channels come from and how the way from there behaves.
type mast int

const (
	ridge mast = iota // behind a ridge
	trees             // near, through deciduous trees, on the side of the antenna
	plain             // far, over open ground
)

var mastNames = [...]string{ridge: "Thimble Top", trees: "Bramblecote", plain: "Eastermark"}

var mastAzimuth = [...]float64{ridge: 12, trees: 128, plain: 58}

// Transmitters returns the three masts.
func (w *World) Transmitters() []reception.Transmitter {
	nan := math.NaN()
	mk := func(m mast, km, height float64, note string) reception.Transmitter {
		return reception.Transmitter{Name: mastNames[m], AzimuthDeg: mastAzimuth[m], DistanceKM: km, Latitude: nan, Longitude: nan,
			HeightM: height, Polarisation: "horizontal", Note: note}
	}
	return []reception.Transmitter{
		mk(ridge, 37, 210, "behind the ridge"),
		mk(trees, 18, 150, "through the oaks"),
		mk(plain, 86, 300, "over open ground"),
	}
}

// A station is what the world knows of one channel.
type station struct {
	rf     int
	hz     int64 // centre (47 CFR 73.603(a))
	mast   mast
	tuner  int
	screen string
	name   string
	wanted bool
	cnDB   float64 // C/N behind the preamplifier: bare trees, calm, dry, before the fault
	tsid   string
}

// Stations. cnDB is chosen so that the far channels hold under the fading of an
// 86 km path and that only RF 36 falls short after the antenna has turned.
var stations = [...]station{
	{3, 63e6, ridge, 0, "3.1", "Tinder", true, 25.0, "2103"},
	{5, 79e6, trees, 2, "5.1", "Whistle", true, 24.5, "2105"},
	{8, 183e6, plain, 1, "8.1", "Milestone", true, 27.0, "2108"},
	{12, 207e6, ridge, 3, "12.1", "Coppice", true, 27.0, "2112"},
	{17, 491e6, trees, 1, "41.1", "Ladder", true, 28.5, "2117"},
	{19, 503e6, ridge, 0, "19.1", "Parsnip", false, 24.5, "2119"},
	{22, 521e6, plain, 2, "22.1", "Tollgate", true, 29.0, "2122"},
	{26, 545e6, trees, 3, "9.1", "Orchard", true, 27.5, "2126"},
	{28, 557e6, ridge, 1, "28.1", "Hearthside", true, 23.5, "2128"},
	{31, 575e6, plain, 3, "50.1", "Foolscap", false, 29.8, "2131"},
	{34, 593e6, trees, 2, "34.1", "Gimlet", true, 25.2, "2134"},
	{36, 605e6, plain, 0, "7.1", "Waymark", true, 24.6, "2136"},
}

// faultStation is the channel that the turn leaves short.
const faultStation = len(stations) - 1

func stationAt(frequencyHz int64) int {
	for i := range stations {
		if stations[i].hz == frequencyHz {
			return i
		}
	}
	return -1
}

// Channels returns the twelve channels, ascending by frequency.
func (w *World) Channels() []reception.Channel {
	out := make([]reception.Channel, len(stations))
	for i, s := range stations {
		out[i] = reception.Channel{
			FrequencyHz: s.hz, RF: s.rf, System: reception.ATSC1, BandwidthHz: 6e6, Name: s.name, Screen: s.screen,
			Wanted: s.wanted, Transmitter: mastNames[s.mast], ThresholdDB: math.NaN(),
		}
	}
	return out
}

// A receiver is what the world knows of one tuner.
type receiver struct {
	name     string
	scale    string
	ceiling  float64 // dB, highest C/N it shows
	implDB   float64 // its own noise, as C/N of a perfect signal
	tovDB    float64 // C/N at which it fails, true
	offsetDB float64 // what it adds to the C/N it reports
	noiseDB  float64 // sd of one poll
	levelDB  float64 // error of its level
	legDB    float64 // splitter port and lead
	perK     float64 // level, dB per kelvin
	pre      bool    // counts errors before correction
	viewers  float64 // share of evenings on which somebody watches on it
}

// Receivers: two twin tuners. tovDB lies in the credible spread of 14.9 to 15.8 dB
// around the 15.19 dB of the prototype (OET-69, from memory); ceilings are what
// 8-VSB demodulators show (common practice, no published source).
var receivers = [...]receiver{
	{"hall-1", "sim-hall/0.1/30", 30.0, 33, 15.2, 0.2, 0.14, 0.8, 7.5, -0.02, true, 0},
	{"hall-2", "sim-hall/0.1/30", 30.0, 33, 15.3, 0.1, 0.14, 0.3, 7.8, -0.02, true, 0},
	{"den-1", "sim-den/0.1/27.5", 27.5, 31, 15.5, -0.3, 0.20, -1.6, 9.6, -0.05, false, 0.28},
	{"den-2", "sim-den/0.1/27.5", 27.5, 31, 15.4, -0.4, 0.20, -1.1, 9.6, -0.05, false, 0.06},
}

// Tuners returns the four tuners.
func (w *World) Tuners() []reception.Tuner {
	out := make([]reception.Tuner, len(receivers))
	for i, r := range receivers {
		out[i] = reception.Tuner{Name: r.name, Kind: "simulated", Driver: r.driver(), Version: "1", Serial: "sim-" + r.name}
	}
	return out
}

func (r *receiver) driver() string {
	if r.pre {
		return "sim-hall"
	}
	return "sim-den"
}

func receiverOf(tuner string) int {
	for i := range receivers {
		if receivers[i].name == tuner {
			return i
		}
	}
	return -1
}

// Frequencies returns the channels, Hz, that a tuner visits, ascending; nil for a
// tuner that is not there.
func (w *World) Frequencies(tuner string) []int64 {
	var out []int64
	for _, s := range stations {
		if receivers[s.tuner].name == tuner {
			out = append(out, s.hz)
		}
	}
	return out
}

// Scale returns a tuner's scale; false for a tuner that is not there.
func (w *World) Scale(tuner string) (reception.Scale, bool) {
	i := receiverOf(tuner)
	if i < 0 {
		return reception.Scale{}, false
	}
	r := &receivers[i]
	return reception.Scale{ID: r.scale, Unit: reception.UnitDB, Step: 0.1, Ceiling: r.ceiling,
		LevelKind: reception.LevelInChannel, Quantity: reception.QuantityCN, Driver: r.driver() + " 1"}, true
}
