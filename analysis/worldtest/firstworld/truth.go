package firstworld

import (
	"math"
	"time"
)

// What is true in the world, for tests that hold estimates against it.

// FaultAt returns when the gust turned the antenna.
func (w *World) FaultAt() time.Time { return time.UnixMilli(w.faultMS).UTC() }

// TruthTurnDeg returns by how much, degrees, clockwise positive.
func (w *World) TruthTurnDeg() float64 { return turnDeg }

// TruthFaultHz returns the channel, Hz, that the turn leaves short.
func (w *World) TruthFaultHz() int64 { return stations[faultStation].hz }

// TruthStepDB returns by how much the turn changed a channel's signal, dB.
func (w *World) TruthStepDB(frequencyHz int64) float64 {
	return w.aimDB(&stations[mustStation(frequencyHz)], math.MaxInt64)
}

// TruthThresholdDB returns the C/N on the tuner's own scale at which the mean share
// of bad blocks is 1.93e-4.
func (w *World) TruthThresholdDB(tuner string) float64 {
	r := &receivers[receiverOf(tuner)]
	return r.tovDB + r.offsetDB
}

// TruthLeaf returns the leaf state, 0 to 1.
func (w *World) TruthLeaf(at time.Time) float64 { return w.leaf(at.UnixMilli()) }

// TruthWetness returns the wet share of the leaf surface, 0 to 1.
func (w *World) TruthWetness(at time.Time) float64 {
	return newView(w).at(at.UnixMilli()).wet
}

// TruthOnAir tells whether a channel's transmitter is on.
func (w *World) TruthOnAir(frequencyHz int64, at time.Time) bool {
	return w.onAir(mustStation(frequencyHz), at.UnixMilli())
}

// TruthLeafEffectDB returns what full leaves take from a channel's margin with the
// antenna as it stands at an instant, dB, dry or with every leaf wet. A tuner near
// the end of its scale shows less than the path loses.
func (w *World) TruthLeafEffectDB(frequencyHz int64, at time.Time, wet bool) float64 {
	share := 0.0
	if wet {
		share = 1
	}
	i := mustStation(frequencyHz)
	return w.settled(i, at.UnixMilli(), 0, 0) - w.settled(i, at.UnixMilli(), 1, share)
}

// TruthSettledMarginDB returns the margin of a channel on its own tuner in dry calm
// air at an instant, dB: leaves and the turn are in it, weather and fading are not.
// It ends where the tuner's scale ends.
func (w *World) TruthSettledMarginDB(frequencyHz int64, at time.Time) float64 {
	return w.settled(mustStation(frequencyHz), at.UnixMilli(), w.leaf(at.UnixMilli()), 0)
}

func (w *World) settled(i int, ms int64, leaf, wet float64) float64 {
	st := &stations[i]
	r := &receivers[st.tuner]
	db := st.cnDB + w.aimDB(st, ms)
	if st.mast == trees {
		db -= foliageDB(st.hz, leaf, wet)
	}
	cn := -toDB(fromDB(-db) + fromDB(-r.implDB))
	return math.Min(cn, r.ceiling-r.offsetDB) - r.tovDB
}

func mustStation(frequencyHz int64) int {
	i := stationAt(frequencyHz)
	if i < 0 {
		panic("firstworld: no such channel")
	}
	return i
}

// TruthCause returns what broke a channel on a tuner at an instant, in the machine
// words of causes, and its share of the loss, 0 to 1: each influence is taken away
// alone, and the one that gives back most counts. "" where the picture holds.
func (w *World) TruthCause(tuner string, frequencyHz int64, at time.Time) (cause string, share float64) {
	i, ms := mustStation(frequencyHz), at.UnixMilli()
	r := &receivers[receiverOf(tuner)]
	v := newView(w)
	s := v.at(ms)
	// What is left of the margin in the deepest hundredth of fast fades.
	left := func(k sky) float64 {
		cn := k.signal / k.noise
		if cn <= 0 {
			return -40
		}
		return -toDB(1/cn+fromDB(-r.implDB)) - r.tovDB - 2.5*6.14*fromDB(-k.scatterDB/2)
	}
	k := v.sky(i, ms, &s)
	now := left(k)
	if !w.onAir(i, ms) {
		return "transmitter-off", 1
	}
	if k.bursts > 0 && now > 1 {
		return "impulse-noise", 1
	}
	if now > 0.8 {
		return "", 0
	}
	st := &stations[i]
	gains := map[string]float64{}
	with := func(name string, change func(*state), fix func(*sky)) {
		x := s
		if change != nil {
			change(&x)
		}
		y := v.sky(i, ms, &x)
		if fix != nil {
			fix(&y)
		}
		gains[name] += math.Max(0, left(y)-now)
	}
	with("wet-leaves", func(x *state) { x.wet = 0 }, nil)
	with("wind-trees", func(x *state) { x.wind, x.gust = 0, 0 }, nil)
	with("ducting", nil, func(y *sky) { y.noise -= fromDB(w.interferenceDB(i, ms, s.duct)) - fromDB(-40) })
	fade := w.fadeDB(i, ms, &s)
	name := "ordinary-fading"
	if st.mast == plain {
		name = "tropospheric-fading"
	}
	if st.mast == trees {
		calm := s
		calm.wind = 0
		fade = w.fadeDB(i, ms, &calm)
	}
	with(name, nil, func(y *sky) { y.signal *= fromDB(-fade) })
	best, sum := "", 0.0
	for _, n := range []string{"wet-leaves", "wind-trees", "ducting", "tropospheric-fading", "ordinary-fading"} {
		sum += gains[n]
		if gains[n] > gains[best] {
			best = n
		}
	}
	if sum <= 0 {
		return "", 0
	}
	return best, gains[best] / sum
}
