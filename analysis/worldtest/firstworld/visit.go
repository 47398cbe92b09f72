package firstworld

import (
	"math"
	"time"

	"holdfast/analysis/reception"
)

// A waterfall is the share of bad blocks by C/N above the tuner's failure point.
//
// 8-VSB sends segments of 207 bytes of which Reed-Solomon mends ten. With wrong
// bytes behind the trellis decoder falling by 0.35 decades a dB and falling on
// segments at random, the share of segments beyond repair is a Poisson tail, set
// here to 1.93e-4 at the failure point (ATSC A/53 framing; from memory): 2.5 bad
// segments a second.
type waterfall struct {
	ratio [waterSteps + 1]float64
}

const (
	waterFrom   = -4.0 // dB
	waterTo     = 3.0
	waterPerDB  = 50
	waterSteps  = int((waterTo - waterFrom) * waterPerDB)
	decadesADB  = 0.35
	rsMends     = 10
	failureRate = 1.93e-4
)

func newWaterfall() waterfall {
	lo, hi := 1.0, 6.0
	for range 60 {
		if m := (lo + hi) / 2; beyondRepair(m) < failureRate {
			lo = m
		} else {
			hi = m
		}
	}
	var w waterfall
	for i := range w.ratio {
		x := waterFrom + float64(i)/waterPerDB
		w.ratio[i] = beyondRepair(lo * math.Pow(10, -decadesADB*x))
	}
	return w
}

// wrongBytes is the mean number of wrong bytes a segment at a C/N above the failure
// point, dB.
func wrongBytes(x float64) float64 { return 2.83 * math.Exp(-decadesADB*math.Ln10*x) }

// beyondRepair is P(more than ten) of a Poisson variate.
func beyondRepair(mean float64) float64 {
	p := math.Exp(-mean)
	term, sum := p, 0.0
	for k := 1; k <= 200; k++ {
		term *= mean / float64(k)
		if k > rsMends {
			sum += term
		}
	}
	return math.Min(1, sum)
}

// at returns the share of bad blocks at x dB above the failure point.
func (w *waterfall) at(x float64) float64 {
	switch {
	case x >= waterTo:
		return 0
	case x <= waterFrom:
		return 1
	}
	f := (x - waterFrom) * waterPerDB
	i := int(f)
	f -= float64(i)
	return w.ratio[i]*(1-f) + w.ratio[i+1]*f
}

const (
	pollMS     = 250
	maxPolls   = 256
	acquireDB  = -1.9 // against the failure point: lock is found above
	holdDB     = -2.6 // and lost below
	segmentsPS = 4.5e6 * 684 / 286 / 832 * 312 / 313
)

// Visit returns what a tuner reads on a frequency during a dwell from an instant: a
// base reading with every figure that the tuner can give. Nothing on the frequency
// is a reading without lock. An unknown tuner or a dwell under a second is a
// caller's bug and panics.
func (w *World) Visit(tuner string, frequencyHz int64, at time.Time, dwell time.Duration) reception.Reading {
	r := receiverOf(tuner)
	if r < 0 || dwell < time.Second {
		panic("firstworld: visit by an unknown tuner or too short")
	}
	out := reception.NewReading()
	newView(w).visit(&out, r, stationAt(frequencyHz), frequencyHz, at.UnixMilli(), dwell.Milliseconds())
	return out
}

// sky is what stands at the preamplifier's output, in terms of the usual noise.
type sky struct {
	signal, noise float64 // powers against the noise floor
	scatterDB     float64
	bursts        float64 // a second
}

func (v *view) sky(i int, ms int64, s *state) sky {
	w, st := v.w, &stations[i]
	var k sky
	k.noise = fromDB(w.noiseRise(st.hz, ms)) + fromDB(w.interferenceDB(i, ms, s.duct))
	k.bursts = w.impulses(st.hz, ms)
	k.scatterDB = w.scatterDB(i, ms, s)
	if w.onAir(i, ms) {
		db := st.cnDB + w.aimDB(st, ms) + w.fadeDB(i, ms, s)
		if st.mast == trees {
			db -= foliageDB(st.hz, s.leaf, s.wet)
		}
		k.signal = fromDB(db)
	}
	return k
}

// visit fills out. i is the station, -1 for none on hz.
func (v *view) visit(out *reception.Reading, rc, i int, hz, ms, dwellMS int64) {
	s := v.at(ms)
	k := sky{noise: 1, scatterDB: 25}
	if i >= 0 {
		k = v.sky(i, ms, &s)
	}
	out.FrequencyHz = hz
	v.w.measure(out, rc, i, ms, dwellMS, k, s.temp)
}

// measure fills out with what a tuner makes of a sky.
func (w *World) measure(out *reception.Reading, rc, i int, ms, dwellMS int64, k sky, temp float64) {
	r := &receivers[rc]
	d := dice(w.hash(sVisit+uint64(rc)<<8+uint64(i+1), ms))
	hz := out.FrequencyHz
	out.Time, out.Tuner, out.System = ms, r.name, reception.ATSC1
	out.DwellMS, out.Scale = dwellMS, r.scale
	out.LockedMS, out.ErroredS = 0, float64(dwellMS)/1000
	level := noiseFloor(hz) + toDB(k.signal+k.noise) + gainDB(hz) - r.legDB + r.levelDB + r.perK*(temp-10) + 0.25*d.gauss()
	out.LevelDBm = math.Round(level*10) / 10

	cn, own := k.signal/k.noise, fromDB(-r.implDB)
	seen := func(power float64) float64 { return -toDB(1/(cn*power) + own) }
	if cn < 1 || seen(1)-r.tovDB < acquireDB {
		return
	}
	out.Locked, out.Identity, out.Mode = true, stations[i].tsid, "8vsb"

	polls, step := dwellMS/pollMS, int64(pollMS)
	if polls > maxPolls {
		polls, step = maxPolls, dwellMS/maxPolls
	}
	perPoll := segmentsPS * float64(step) / 1000
	moving := fromDB(-k.scatterDB)
	sd, whole := math.Sqrt(moving/2), 1+moving
	const keep, fresh = 0.6, 0.8 // of the scattered part, from poll to poll
	x, y := d.gauss(), d.gauss()
	var shown [maxPolls]float64
	var n, below, above int
	var bad, pre float64
	locked, second, errored, broken := true, int64(0), 0, false
	for p := range polls {
		if sec := p * step / 1000; sec != second {
			if broken {
				errored++
			}
			second, broken = sec, false
		}
		x, y = keep*x+fresh*d.gauss(), keep*y+fresh*d.gauss()
		a, b := 1+sd*x, sd*y
		db := seen(math.Max(1e-4, (a*a+b*b)/whole))
		over := db - r.tovDB
		if locked {
			if below++; over > holdDB {
				below = 0
			}
			locked = below < 2
		} else {
			if above++; over < acquireDB {
				above = 0
			}
			locked = above >= 2
		}
		if !locked {
			broken = true
			continue
		}
		above = 0
		var wrong float64
		if over < waterTo {
			wrong = float64(d.bursty(perPoll * w.failing.at(over)))
		}
		if k.bursts > 0 {
			if hits := d.poisson(k.bursts * float64(step) / 1000); hits > 0 {
				wrong += float64(hits) * (40 + 240*d.uniform())
				db -= 0.5 + 2*d.uniform()
			}
		}
		wrong = math.Min(math.Floor(perPoll), math.Floor(wrong))
		if wrong > 0 {
			bad += wrong
			broken = true
		}
		if r.pre {
			pre += perPoll * wrongBytes(over) * 1.6
		}
		shown[n] = math.Min(r.ceiling, db+r.offsetDB+r.noiseDB*d.gauss())
		n++
	}
	if broken {
		errored++
	}
	out.LockedMS = min(dwellMS, int64(n)*step)
	if int64(n) == polls {
		out.LockedMS = dwellMS
	}
	out.ErroredS = math.Min(float64(errored), float64(dwellMS)/1000)
	out.TotalBlocks = int64(math.Round(segmentsPS * float64(out.LockedMS) / 1000))
	out.UncorrectedBlocks = min(out.TotalBlocks, int64(bad))
	if r.pre {
		out.PreBits = out.TotalBlocks * 207 * 8
		out.PreErrors = min(out.PreBits, int64(math.Max(0, math.Round(pre+math.Sqrt(pre)*d.gauss()))))
	}
	if n > 0 {
		out.CNDB, out.CNLowDB, out.CNSpreadDB = summary(shown[:n])
	}
}

// bursty draws a number of bad blocks of a mean that come three at a time.
func (d *dice) bursty(mean float64) int64 {
	const size = 3
	if mean > 90 {
		return int64(math.Max(0, math.Round(mean+math.Sqrt(mean*(2*size-1))*d.gauss())))
	}
	var n int64
	for range d.poisson(mean / size) {
		n += 1 + int64(math.Log(1-d.uniform())/math.Log(1-1.0/size))
	}
	return n
}

// summary returns median and lowest in steps of 0.1, and the standard deviation.
// It sorts what it is given.
func summary(v []float64) (median, lowest, sd float64) {
	var sum, sq float64
	for i, x := range v {
		sum, sq = sum+x, sq+x*x
		for ; i > 0 && v[i-1] > x; i-- {
			v[i] = v[i-1]
		}
		v[i] = x
	}
	n := float64(len(v))
	sd = math.Sqrt(math.Max(0, sq/n-sum/n*(sum/n)))
	m := len(v) / 2
	median = v[m]
	if len(v)%2 == 0 {
		median = (v[m-1] + v[m]) / 2
	}
	return math.Round(median*10) / 10, math.Round(v[0]*10) / 10, math.Round(sd*100) / 100
}
