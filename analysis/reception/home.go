package reception

// A Home is one receiving place. A store holds one home.
type Home struct {
	ID        string  // random, from the home's creation
	Name      string  // for people
	Region    Region  // whose raster its channel numbers mean; "" if unknown
	TimeZone  string  // IANA name
	Latitude  float64 // degrees north; NaN if unknown
	Longitude float64 // degrees east; NaN if unknown
	GroundM   float64 // metres above sea level; NaN if unknown
	Growth    []Sector
}

// A Sector says what grows towards a range of azimuths, clockwise from FromDeg to
// ToDeg, degrees from true north.
type Sector struct {
	FromDeg, ToDeg float64
	Growth         Growth
}

// Growth is what stands between the home and a mast.
type Growth string

// The kinds of growth. GrowthUnknown is the zero value's meaning too.
const (
	GrowthUnknown   Growth = "unknown"
	GrowthNone      Growth = "none"
	GrowthDeciduous Growth = "deciduous"
	GrowthEvergreen Growth = "evergreen"
	GrowthMixed     Growth = "mixed"
)

// Towards returns what grows in a direction, degrees from true north. A missing
// azimuth or one that no sector covers is GrowthUnknown. Where sectors overlap the
// first one wins.
func (h Home) Towards(azimuthDeg float64) Growth {
	if Missing(azimuthDeg) {
		return GrowthUnknown
	}
	for _, s := range h.Growth {
		if within(azimuthDeg, s.FromDeg, s.ToDeg) {
			return s.Growth
		}
	}
	return GrowthUnknown
}

func within(az, from, to float64) bool {
	az, from, to = wrap360(az), wrap360(from), wrap360(to)
	if from <= to {
		return az >= from && az <= to
	}
	return az >= from || az <= to
}

func wrap360(d float64) float64 {
	for d < 0 {
		d += 360
	}
	for d >= 360 {
		d -= 360
	}
	return d
}

// A Transmitter is where a channel comes from.
type Transmitter struct {
	Name         string // key, as the config has it
	AzimuthDeg   float64
	DistanceKM   float64
	Latitude     float64
	Longitude    float64
	HeightM      float64
	Polarisation string // horizontal, vertical, mixed, ""
	Note         string // for people: "over the maples"
}

// A Tuner is one demodulator input that visits one RF channel at a time.
type Tuner struct {
	Name    string // key, as the config has it
	Kind    string // source kind: dvb, simulated, replay, ...
	Driver  string // short name of the driver, "" if unknown
	Version string
	Serial  string
}

// Wanted is what the household asks of its channels.
type Wanted struct {
	Availability        float64 // by all hours, 0..1, default 0.99
	AvailabilityViewing float64 // in viewing hours, default 0.999
	ViewingFromHour     int     // local, default 18
	ViewingToHour       int     // local, exclusive, default 23
	DropoutsPerMonth    float64 // agreed rate of dropout spells; NaN if none was agreed
}

// DefaultWanted returns the defaults of the design.
func DefaultWanted() Wanted {
	return Wanted{Availability: 0.99, AvailabilityViewing: 0.999, ViewingFromHour: 18, ViewingToHour: 23, DropoutsPerMonth: nan}
}
