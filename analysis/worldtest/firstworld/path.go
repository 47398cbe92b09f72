package firstworld

import (
	"math"

	"holdfast/analysis/reception"
)

// A cohort is a part of the trees that comes into leaf and sheds together.
type cohort struct {
	share          float64
	out, outLong   float64 // days from the year's spring date to the middle of unfolding, and its length
	fall, fallLong float64 // the same from the year's autumn date
}

// Unfolding takes 2 to 4 weeks, leaf fall 3 to 6, oaks late (common practice, no
// published source); between years the date of leaf-out at one forest spreads over
// up to three weeks (Harvard Forest phenology).
var cohorts = [...]cohort{
	{0.45, -6, 17, -9, 24},
	{0.35, 2, 20, 4, 26},
	{0.20, 11, 22, 17, 34},
}

// leaf returns the leaf state at an instant, 0 to 1. A spring 1 K warmer than usual
// brings leaves 2.8 days sooner, an autumn 1 K warmer keeps them 1.5 days longer
// (common practice, no published source).
func (w *World) leaf(ms int64) float64 {
	year, day := season(ms)
	spring := 124 - 2.8*w.warmth(year, 75, 115) + 2*gauss(w.hash(sSpring, year))
	autumn := 293 + 1.5*w.warmth(year, 245, 285) + 3*gauss(w.hash(sAutumn, year))
	sum := 0.0
	for _, c := range cohorts {
		sum += c.share * ramp(day-spring-c.out, c.outLong) * (1 - ramp(day-autumn-c.fall, c.fallLong))
	}
	return sum
}

// warmth is how much warmer than usual a span of a year's days is, K.
func (w *World) warmth(year int64, from, to float64) float64 {
	const looks = 5
	sum := 0.0
	for i := range looks {
		at := reception.EarliestMS + year*yearMS + int64((from+(to-from)*float64(i)/(looks-1))*float64(dayMS))
		sum += w.spell(at)
	}
	return sum / looks
}

// ramp rises from 0 to 1 over a length centred on 0, as a raised cosine.
func ramp(x, long float64) float64 {
	switch u := x / long; {
	case u <= -0.5:
		return 0
	case u >= 0.5:
		return 1
	default:
		return 0.5 + 0.5*math.Sin(math.Pi*u)
	}
}

// throughDB is what full dry leaves take from the way through the crowns at 600
// MHz, dB, beyond bare wood; it grows with frequency to the 0.8. Together with the
// way over the top the loss is 2 to 5 dB at UHF, within the 0.5 to 10 dB that
// measurements span (ITU-R P.833; Reudink and Wazowicz 1973, abstract).
const (
	throughDB = 5.2
	overTop   = 0.22 // share of the power that comes over the crowns
	wetter    = 0.75 // how much more a wet leaf takes
)

// foliageDB is the loss of a path through trees against bare ones.
func foliageDB(hz int64, leaf, wet float64) float64 {
	if leaf == 0 {
		return 0
	}
	a := throughDB * math.Pow(float64(hz)/600e6, 0.8) * leaf * (1 + wetter*wet)
	return -toDB(overTop + (1-overTop)*fromDB(-a))
}

// An aperture is the length of the antenna's active part, in metres; its pattern
// is that of a uniformly lit line. UHF: half-power width near 47 degrees at 600
// MHz; high VHF: near 70 degrees at 195 MHz.
const (
	apertureUHF  = 0.555
	apertureVHF  = 1.19
	sideLevel    = 0.055 // power that comes in from everywhere beyond the main lobe, about -12.6 dB
	boresightDeg = 40
	turnDeg      = -20 // the gust turned it counterclockwise
)

// patternDB is the antenna's gain towards a direction against its boresight.
func patternDB(hz int64, offDeg float64) float64 {
	rad := offDeg * math.Pi / 180
	if hz < 100e6 { // a bent dipole hears nearly all round
		s := math.Sin(rad)
		return toDB(1 - 0.35*s*s)
	}
	length := apertureUHF
	if hz < 300e6 {
		length = apertureVHF
	}
	main := 0.0
	u := math.Pi * length * float64(hz) / 299792458 * math.Abs(math.Sin(rad))
	if math.Abs(offDeg) < 90 && u < math.Pi {
		main = 1
		if u > 1e-6 {
			main = math.Sin(u) / u
			main *= main
		}
	}
	return toDB(sideLevel + (1-sideLevel)*main)
}

// aimDB is the gain towards a station against the antenna as first aimed.
func (w *World) aimDB(s *station, ms int64) float64 {
	if ms < w.faultMS {
		return 0
	}
	x := mastAzimuth[s.mast] - boresightDeg
	return patternDB(s.hz, x-turnDeg) - patternDB(s.hz, x)
}

// fadeDB is the slow variation of a path at an instant, dB, shared by the channels
// of a mast but for a part of its own. The far path: hourly medians of an 86 km
// path over land spread by 3 to 6 dB at their 90 % point, enhancements more than
// fades, growing with frequency (NTIA model values for 70 km; ITU-R P.1546 for the
// enhancements), more by night and in the warm season.
func (w *World) fadeDB(i int, ms int64, s *state) float64 {
	st := &stations[i]
	m := uint64(st.mast)
	own := w.wave(sOwnPath+uint64(i), ms, 70*minuteMS)
	switch st.mast {
	case plain:
		x := 0.60*w.wave(sPathLong+m, ms, 4*hourMS) + 0.53*w.wave(sPathMid+m, ms, 50*minuteMS) +
			0.28*w.wave(sPathShort+uint64(i), ms, 11*minuteMS) + 0.42*own
		_, day := season(ms)
		size := 2.5 * math.Pow(float64(st.hz)/600e6, 0.35)
		size *= 1 + 0.25*math.Cos((clock(ms)-3)/24*2*math.Pi) + 0.15*swing(day, 210)
		if x > 0 {
			size *= 1.4
		}
		return size*x + 3*s.duct
	case ridge:
		return 0.55*w.wave(sPathLong+m, ms, 9*hourMS) + 0.25*own
	default: // trees: crowns lean for minutes at a time
		lean := 0.09 * s.wind * (0.3 + s.leaf) * math.Sqrt(float64(st.hz)/600e6)
		return 0.3*w.wave(sPathLong+m, ms, 9*hourMS) + 0.2*own + lean*w.wave(sCrown+uint64(i), ms, 4*minuteMS)
	}
}

// scatterDB is the Rician K of a path at an instant, dB: how far the steady part
// stands above what moves. Among trees it falls as wind grows, leaves on more than
// bare (Meng, Lee and Ng 2009, abstract); elsewhere only the mast moves.
func (w *World) scatterDB(i int, ms int64, s *state) float64 {
	st := &stations[i]
	gust := s.gust * (0.8 + 0.2*w.wave(sGusting, ms, 90*secondMS))
	if gust < 0 {
		gust = 0
	}
	if st.mast == trees {
		return 25 - gust*(0.22+0.78*s.leaf)*math.Sqrt(float64(st.hz)/600e6)
	}
	return 25 - 0.3*gust
}

// interferenceDB is what a duct brings in from afar on a channel, relative to the
// noise, dB; -40 for nothing. Not every channel has a far twin in every night.
func (w *World) interferenceDB(i int, ms int64, duct float64) float64 {
	if duct <= 0.02 {
		return -40
	}
	night := localDay(ms + 12*hourMS)
	gate := w.uniform(sDuctGate+uint64(i), night)
	if stations[i].mast != plain {
		gate *= 0.45 // from the antenna's side
	}
	return -22 + 62*duct*gate*gate + 3*w.wave(sDuctRipple+uint64(i), ms, 15*minuteMS)
}

// noiseRise is what the surroundings add to the noise on a frequency, dB: low VHF
// lives in man-made noise (ITU-R P.372), which varies.
func (w *World) noiseRise(hz int64, ms int64) float64 {
	if hz >= 100e6 {
		return 0
	}
	evening := math.Max(0, math.Cos((clock(ms)-20)/24*2*math.Pi))
	return 0.7*w.wave(sNoiseFloor, ms, 2*hourMS) + 0.5*evening
}

// noiseFloor is the noise at the antenna terminals, dBm in 6 MHz: k T0 B, the
// preamplifier's 3.9 dB, and outside noise by ITU-R P.372, rural, for VHF.
func noiseFloor(hz int64) float64 {
	switch {
	case hz < 100e6:
		return -106.2 + 17
	case hz < 300e6:
		return -106.2 + 6.5
	}
	return -106.2 + 3.9
}

// gainDB is preamplifier less cable, from antenna terminals to the splitter.
func gainDB(hz int64) float64 { return 20 - 4.2*math.Sqrt(float64(hz)/600e6) }

// impulses returns the mean number of noise bursts a second on a frequency at an
// instant: something is switched on for a spell on some evenings. Low VHF hears it.
func (w *World) impulses(hz int64, ms int64) float64 {
	if hz >= 100e6 {
		return 0
	}
	day := localDay(ms)
	d := dice(w.hash(sImpulseDay, day))
	if d.uniform() > 0.08 {
		return 0
	}
	from := localMS(day, 17.5+4.5*d.uniform())
	long := int64((10 + 45*d.uniform()) * float64(minuteMS))
	if ms < from || ms >= from+long {
		return 0
	}
	rate := 0.08 + 0.5*d.uniform()
	if hz > 70e6 {
		rate *= 0.45
	}
	return rate
}

// onAir tells whether a station's transmitter is on: it is off for some of a night
// now and then.
func (w *World) onAir(i int, ms int64) bool {
	const span = 90
	day := localDay(ms)
	d := dice(w.hash(sOffAir+uint64(i), day/span))
	if d.uniform() > 0.55 {
		return true
	}
	from := localMS(day/span*span+int64(d.uniform()*span), 0.5*float64(1+int(d.uniform()*6)))
	from += int64(d.uniform() * float64(4*minuteMS))
	long := int64((20 + 170*d.uniform()*d.uniform()) * float64(minuteMS))
	return ms < from || ms >= from+long
}
