package fading

import (
	"math"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// Doses is what a channel's visits lost at each C/N.
type Doses struct {
	System      reception.System
	ThresholdDB float64               // C/N; margins are counted from it
	DwellS      float64               // mean dwell of a visit, seconds
	Days        [][]reception.DoseBin // of 0.1 dB, by day; a channel of a tuner in dB
	Standard    bool                  // the tuner cannot count errors: the standard's curve alone
	// AboveDB is how far the C/N that visits are counted at, a median of each, lies above
	// the steady C/N that would have given their errors: 0 to 1 dB, 0 if unknown. The
	// standard's curve, which is of steady reception, is put that much higher.
	AboveDB float64
}

// Margins at which a curve is kept, in bins of Width: below them everything is lost,
// above them the last value holds.
const (
	lowest  = -100
	highest = 600
)

// The standard's curve stands beside what was measured as so many seconds of dwell in
// each bin where it expects errors (ours). Errors fall by three decades per dB, 2 to 4 in
// receivers (common practice, no published source); where only that curve speaks, its
// place is uncertain by 0.2 dB.
const (
	priorS      = 60.0
	decadesDB   = 3.0
	priorErrDB  = 0.2
	leastErrors = 1e-6
	// The highest margins are taken together until they hold this much dwell (ours): a
	// share of 1e-3 is then more than one errored second.
	plateauS = 1800.0
	// otherBlocksPerS is the packet rate of 24.128 Mbit/s, DVB-T's 64-QAM 2/3 in 8 MHz
	// with guard interval 1/32 (ETSI EN 300 744), for systems whose rate is not fixed.
	otherBlocksPerS = 24.128e6 / 188 / 8
)

// standardShare returns the share of errored seconds at a margin by the standard: block
// errors at the picture-failure ratio at margin 0, Poisson within a second. For 8-VSB
// 0.917 at the threshold, which closes on 2.5 segment errors a second.
func standardShare(s reception.System, marginDB float64) float64 {
	ratio, ok := s.PictureFailure()
	if !ok {
		ratio = 1e-4
	}
	blocks := s.BlocksPerSecond()
	if math.IsNaN(blocks) {
		blocks = otherBlocksPerS
	}
	return -math.Expm1(-ratio * blocks * math.Pow(10, -decadesDB*math.Max(-5, marginDB)))
}

// A Curve is the share of errored seconds by margin, never rising with margin.
type Curve struct {
	share  []float64 // by bin from lowest to highest
	block  []int32   // bins pooled to one value share a number, from the highest down
	prior  []float64 // part of the bin's value that is the standard's
	blocks int
	pool   []float64 // seconds of dwell in each pooled block, the standard's included

	daily  [][]float64 // by day and pooled block: errored less expected seconds
	FloorS float64     // dwell that the share at the highest margins rests on
}

// NewCurve returns the curve of a channel. Tables that make no sense (a dwell or threshold
// that is not a number) give the standard's curve.
//
// Source: stat.Isotonic over bins of 0.1 dB.
func NewCurve(d Doses) *Curve {
	const n = highest - lowest
	lost, dwell, expect, weight := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	place := func(b reception.DoseBin) (bin int, seconds, bad float64, ok bool) {
		m := (float64(b.Bin)+0.5)*reception.UnitDB.BinWidth() - d.ThresholdDB
		bin = int(math.Floor(m/Width)) - lowest
		if b.Visits <= 0 || bin < 0 || bin >= n {
			return 0, 0, 0, false
		}
		seconds = float64(b.Visits) * d.DwellS
		return bin, seconds, math.Min(seconds, math.Max(0, float64(b.ErroredUS)/1e6)), true
	}
	if !(d.AboveDB >= 0 && d.AboveDB <= 1) {
		d.AboveDB = 0
	}
	days := d.Days
	if d.Standard || !(d.DwellS > 0) || math.IsInf(d.DwellS, 0) || math.IsNaN(d.ThresholdDB) || math.IsInf(d.ThresholdDB, 0) {
		days = nil
	}
	top := -1
	for _, day := range days {
		for _, b := range day {
			if bin, s, bad, ok := place(b); ok {
				dwell[bin] += s
				lost[bin] += bad
				top = max(top, bin)
			}
		}
	}
	for i := range n {
		e := standardShare(d.System, (float64(i+lowest)+0.5)*Width-d.AboveDB)
		expect[i] = e
		if e > leastErrors {
			weight[i] = priorS
			top = max(top, i)
		}
	}
	c := &Curve{share: make([]float64, n), block: make([]int32, n), prior: make([]float64, n)}
	// From the highest margin down, so that the fit must not fall; the first bins
	// together until they hold enough to speak of a floor.
	from := top
	var plateau, plateauLost float64
	for from > 0 && plateau < plateauS && weight[from] == 0 {
		plateau += dwell[from]
		plateauLost += lost[from]
		from--
	}
	y, w := []float64{0}, []float64{plateau}
	if plateau > 0 {
		y[0] = plateauLost / plateau
	}
	c.FloorS = plateau
	for i := from; i >= 0; i-- {
		total := dwell[i] + weight[i]
		v := 0.0
		if total > 0 {
			v = (lost[i] + weight[i]*expect[i]) / total
			c.prior[i] = weight[i] / total
		}
		y, w = append(y, v), append(w, total)
	}
	fit := stat.Isotonic(y, w)
	id := int32(0)
	at := func(i int) int { // place in fit of a bin
		if i > from {
			return 0
		}
		return 1 + from - i
	}
	for i := n - 1; i >= 0; i-- {
		k := at(min(i, top))
		if i < top && k > 0 && fit[k] != fit[k-1] {
			id++
		}
		c.share[i], c.block[i] = fit[k], id
	}
	c.blocks = int(id) + 1
	c.pool = make([]float64, c.blocks)
	for i := range n {
		c.pool[c.block[i]] += dwell[i] + weight[i]
	}
	for _, day := range days {
		z := make([]float64, c.blocks)
		for _, b := range day {
			if bin, s, bad, ok := place(b); ok {
				z[c.block[bin]] += bad - c.share[bin]*s
			}
		}
		c.daily = append(c.daily, z)
	}
	return c
}

// At returns the share of errored seconds at a margin, dB.
func (c *Curve) At(marginDB float64) float64 {
	if math.IsNaN(marginDB) {
		return math.NaN()
	}
	return c.bin(int(math.Floor(marginDB/Width)) - lowest)
}

// bin returns the share in a bin counted from lowest.
func (c *Curve) bin(i int) float64 {
	if i < 0 {
		return 1
	}
	return c.share[min(i, len(c.share)-1)]
}

// under returns the share of errored seconds in the middle of a fade bin when the settled
// margin is so many widths.
func (c *Curve) under(margin int, fade int32) float64 { return c.bin(margin - int(fade) - 1 - lowest) }

// mean returns the expected share of errored seconds under a distribution of fades.
func (c *Curve) mean(d distribution, margin int) float64 {
	s := 0.0
	for k, p := range d.p {
		s += p * c.under(margin, d.at+int32(k))
	}
	return s
}

// weights returns how much each bin of the curve counts in that mean.
func (c *Curve) weights(d distribution, margin int) []float64 {
	w := make([]float64, len(c.share))
	for k, p := range d.p {
		if i := margin - int(d.at) - k - 1 - lowest; i >= 0 {
			w[min(i, len(w)-1)] += p
		}
	}
	return w
}

// Floor returns the share of errored seconds that no margin takes away: that at the
// highest margins seen. It is undecided where less than half an hour of dwell lies there.
func (c *Curve) Floor() reception.Estimate {
	if c.FloorS < plateauS {
		return reception.Undecided("half an hour of visits at a high margin")
	}
	v := c.share[len(c.share)-1]
	top := c.block[len(c.block)-1]
	z := make([]float64, len(c.daily))
	for k := range c.daily {
		z[k] = c.daily[k][top] * float64(len(z)) / c.pool[top]
	}
	half := stat.MeanInterval(z, level).Half()
	return reception.Estimate{Value: v, Low: math.Max(0, v-half), High: math.Min(1, v+half), EffectiveN: math.NaN(), Method: "errored seconds at the highest margins"}
}

// byBlock sums weights of bins (from the lowest) into the curve's pooled blocks.
func (c *Curve) byBlock(weight []float64) []float64 {
	out := make([]float64, c.blocks)
	for i, w := range weight {
		out[c.block[i]] += w
	}
	return out
}

// influence returns by day what the day's errors did to the mean share under weights of
// bins.
func (c *Curve) influence(weight []float64) []float64 {
	a := c.byBlock(weight)
	z := make([]float64, len(c.daily))
	for k, day := range c.daily {
		for b, v := range day {
			if v != 0 && c.pool[b] > 0 {
				z[k] += a[b] * v / c.pool[b]
			}
		}
	}
	return z
}

// priorPart returns how much of the mean share under weights of bins is the standard's.
func (c *Curve) priorPart(weight []float64) float64 {
	var part, all float64
	for i, w := range weight {
		part += w * c.share[i] * c.prior[i]
		all += w * c.share[i]
	}
	if all == 0 {
		return 0
	}
	return part / all
}
