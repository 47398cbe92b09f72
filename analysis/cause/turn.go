package cause

import (
	"math"
	"slices"
)

// A Turn is what is thought of an antenna that turned.
type Turn struct {
	AbsDeg, LowDeg, HighDeg float64 // degrees, 95 %
	Clockwise               float64 // probability of that direction, seen from above
}

// Half-power beamwidths of rooftop antennas by band, degrees, and how far they differ, as
// a standard deviation of the logarithm. UHF: eight to twelve elements; VHF: fewer
// (common practice, no published source).
const (
	beamUHF     = 42.0
	beamHighVHF = 65.0
	beamLowVHF  = 80.0
	beamLn      = 0.35
)

// frontToBackDB ends the main lobe: ITU-R BT.419-3 asks for 16 dB beyond 60 degrees at
// UHF (from memory).
const frontToBackDB = 16.0

func beamwidth(hz int64) float64 {
	switch {
	case hz < lowVHFToHz:
		return beamLowVHF
	case hz < highVHFToHz:
		return beamHighVHF
	}
	return beamUHF
}

// lobe is a gain in dB against the boresight: parabolic in dB, then flat.
func lobe(offDeg, widthDeg float64) float64 {
	x := math.Remainder(offDeg, 360)
	return -math.Min(12*x*x/(widthDeg*widthDeg), frontToBackDB)
}

// TurnDB returns the change in dB towards a direction offDeg clockwise of the boresight
// when an antenna of a half-power beamwidth turns by turnDeg, clockwise positive.
func TurnDB(offDeg, widthDeg, turnDeg float64) float64 {
	return lobe(offDeg-turnDeg, widthDeg) - lobe(offDeg, widthDeg)
}

// The grid of a turn: where the antenna looked before is not known, only that it heard
// the channels.
const (
	turnStep = 2.0
	// shapeDoubt flattens what is said of the angle: real lobes are no parabolas, and all
	// channels share the error. Ours; see the test in the first world.
	shapeDoubt = 0.3
	turnScale  = 25.0
	aimStep    = 6.0
	leastDeg   = 4.0  // a smaller turn changes nothing that matters
	aimSD      = 15.0 // how far beside the nearest mast antennas are aimed
)

// turned is the evidence for a turn, its size, the old aim and the beamwidth integrated
// out, and what it says of the turn. The
// prior of a turn falls off by e in turnScale. All of one azimuth cannot show a turn:
// then ok is false.
func turned(members []weighed) (logEvidence float64, t Turn, ok bool) {
	var azimuths []float64
	for i := range members {
		if az := members[i].AzimuthDeg; known(az) && known(members[i].CN.DB) && !slices.ContainsFunc(azimuths, func(a float64) bool { return math.Abs(math.Remainder(a-az, 360)) < 5 }) {
			azimuths = append(azimuths, az)
		}
	}
	if len(azimuths) < 2 {
		return math.Inf(-1), t, false
	}
	type aimed struct {
		*weighed
		beam, inverse, own float64 // beamwidth; 1 over what is likely anyhow, and its own troubles by it
	}
	var parts []aimed
	for i := range members {
		if m := &members[i]; known(m.AzimuthDeg) && known(m.CN.DB) {
			parts = append(parts, aimed{m, beamwidth(m.FrequencyHz), math.Exp(-m.aside), 0.03 * math.Exp(m.logOwn()-m.aside)})
		}
	}
	widths := []struct{ factor, logWeight float64 }{{math.Exp(-1.5 * beamLn), -1.125}, {math.Exp(-0.5 * beamLn), -0.125}, {math.Exp(0.5 * beamLn), -0.125}, {math.Exp(1.5 * beamLn), -1.125}}
	var turns, weights []float64
	total, cells := math.Inf(-1), 0.0
	prior := 0.0
	for d := -90.0; d <= 90; d += turnStep {
		if math.Abs(d) < leastDeg {
			continue
		}
		p := -math.Abs(d) / turnScale
		prior += math.Exp(p)
		here := math.Inf(-1)
		cells = 0
		for aim := 0.0; aim < 360; aim += aimStep {
			// An installer aims at what is to be received: no more than the lobe's edge
			// off the nearest mast.
			near := 360.0
			for _, az := range azimuths {
				near = math.Min(near, math.Abs(math.Remainder(az-aim, 360)))
			}
			if near > beamUHF {
				continue
			}
			well := -near * near / (2 * aimSD * aimSD)
			cells += math.Exp(well)
			for _, w := range widths {
				sum := well + w.logWeight
				for i := range parts {
					m := &parts[i]
					db := TurnDB(m.AzimuthDeg-aim, m.beam*w.factor, d)
					sum += math.Log(0.97*m.CN.likely(db, 0.5+0.2*math.Abs(db), m.Ceiling && db > 0)*m.inverse + m.own)
				}
				here = logAdd(here, sum)
			}
		}
		if cells == 0 {
			continue
		}
		here += p - math.Log(cells) - math.Log(2*(math.Exp(-1.125)+math.Exp(-0.125)))
		turns, weights = append(turns, d), append(weights, here)
		total = logAdd(total, here)
	}
	if len(turns) == 0 {
		return math.Inf(-1), t, false
	}
	type at struct{ deg, p float64 }
	var sizes []at
	norm := math.Inf(-1)
	for _, w := range weights {
		norm = logAdd(norm, w*shapeDoubt)
	}
	for i, d := range turns {
		p := math.Exp(weights[i]*shapeDoubt - norm)
		if d > 0 {
			t.Clockwise += math.Exp(weights[i] - total)
		}
		sizes = append(sizes, at{math.Abs(d), p})
	}
	slices.SortFunc(sizes, func(a, b at) int { return int(a.deg - b.deg) })
	sum := 0.0
	t.LowDeg, t.AbsDeg, t.HighDeg = -1, -1, -1
	for _, s := range sizes {
		sum += s.p
		for _, q := range []struct {
			p  float64
			to *float64
		}{{0.025, &t.LowDeg}, {0.5, &t.AbsDeg}, {0.975, &t.HighDeg}} {
			if *q.to < 0 && sum >= q.p {
				*q.to = s.deg
			}
		}
	}
	t.LowDeg, t.HighDeg = math.Max(0, t.LowDeg-turnStep/2), t.HighDeg+turnStep/2
	return total - math.Log(prior), t, true
}
