package firstworld

import "math"

// Every random quantity is a hash of (seed, stream, index), so that any instant
// can be asked for by itself, in any order, with the same result.

// mix is the finaliser of the splitmix64 generator (Steele, Lea, Flood, OOPSLA
// 2014; constants from memory).
func mix(z uint64) uint64 {
	z ^= z >> 30
	z *= 0xbf58476d1ce4e5b9
	z ^= z >> 27
	z *= 0x94d049bb133111eb
	return z ^ z>>31
}

// Streams keep quantities apart; a channel or tuner adds its own number.
const (
	sPressureSlow uint64 = iota << 16
	sPressureFast
	sTempSeason
	sTempWeek
	sTempDays
	sRainLong
	sRainShort
	sConvection
	sWindLong
	sWindShort
	sGust
	sDirection
	sStorm
	sSpring
	sAutumn
	sFaultDate
	sPathLong
	sPathMid
	sPathShort
	sOwnPath
	sCrown
	sGusting
	sDuctGate
	sDuctRipple
	sNoiseFloor
	sImpulseDay
	sImpulseSpell
	sImpulseBurst
	sOffAir
	sViewer
	sVisit
	sOrder
	sJitter
	sReboot
	sDown
	sStation
	sStationGap
	sStationHole
)

func (w *World) hash(stream uint64, i int64) uint64 {
	return mix(w.seed + mix(stream+0x9e3779b97f4a7c15) + uint64(i)*0x9e3779b97f4a7c15)
}

// uniform returns a number in [0, 1).
func (w *World) uniform(stream uint64, i int64) float64 { return unit(w.hash(stream, i)) }

func unit(h uint64) float64 { return float64(h>>11) / (1 << 53) }

// gauss turns one hash into a variate of mean 0 and variance 1: the sum of four
// uniform 16-bit lanes (Irwin-Hall), which ends at 3.46 sd. Sums of several have
// longer tails.
func gauss(h uint64) float64 {
	s := h&0xffff + h>>16&0xffff + h>>32&0xffff + h>>48
	return (float64(s)/65536 - 2 + 2.0/65536) * 1.7320508075688772
}

// wave is a smooth noise of mean 0 and variance 1 at an instant: variates at knots
// a period apart, blended. Values more than two periods apart are independent.
func (w *World) wave(stream uint64, ms, period int64) float64 {
	i := ms / period
	f := float64(ms%period) / float64(period)
	s := f * f * (3 - 2*f)
	r := 1 - s
	return (gauss(w.hash(stream, i))*r + gauss(w.hash(stream, i+1))*s) / math.Sqrt(r*r+s*s)
}

// A dice is a short random sequence of its own, for what happens within a visit.
type dice uint64

func (d *dice) next() uint64 {
	*d += 0x9e3779b97f4a7c15
	return mix(uint64(*d))
}

func (d *dice) gauss() float64 { return gauss(d.next()) }

func (d *dice) uniform() float64 { return unit(d.next()) }

// poisson draws a count of the given mean, by inversion for small means and by the
// normal approximation above 30.
func (d *dice) poisson(mean float64) int64 {
	if mean <= 0 {
		return 0
	}
	if mean > 30 {
		return int64(math.Max(0, math.Round(mean+math.Sqrt(mean)*d.gauss())))
	}
	p := math.Exp(-mean)
	u, n, c := d.uniform(), int64(0), p
	for u > c && n < 200 {
		n++
		p *= mean / float64(n)
		c += p
	}
	return n
}

func clamp01(x float64) float64 { return math.Max(0, math.Min(1, x)) }

func fromDB(x float64) float64 { return math.Exp(x * (math.Ln10 / 10)) }

func toDB(x float64) float64 { return math.Log(x) * (10 / math.Ln10) }
