//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"time"

	"holdfast/analysis/reception"
)

// The eight statistics in the order in which they are asked for.
const (
	strength = iota
	cnr
	preErr
	preTotal
	postErr
	postTotal
	blockErr
	blockTotal
	nStats
)

// absent stands for a counter that is not there.
const absent = -1

// A sample is one look at the frontend.
type sample struct {
	at     time.Duration // planned, from the start of the dwell
	err    error         // of FE_READ_STATUS: nothing else was read
	status uint32
	raw    [nStats]figure // as the kernel gave them, of the channel's layer
	there  [nStats]bool   // the statistic has a value for the layer

	cnDB, cnPct         float64
	levelDBm, levelPct  float64
	count               [nStats]int64 // counters; absent where there is none
	ucb                 int64         // FE_READ_UNCORRECTED_BLOCKS; absent
	frequency           uint32        // what the kernel is tuned to
	rejectedCN, badUnit bool
	rejectedLevel       bool
}

func (s *sample) locked() bool { return s.err == nil && s.status&hasLock != 0 }

// believable reports whether C/N may be believed: some drivers leave the last value in
// place when the carrier has gone.
func (s *sample) believable() bool { return s.err == nil && s.status&(hasLock|hasViterbi) != 0 }

// A query says what a look is for.
type query struct {
	sys    reception.System
	layer  int           // place in a statistic
	at     time.Duration // planned, from the start of the dwell
	riding bool          // somebody else holds the tuner: nothing that reading empties
}

// answers are what the kernel says at one look.
type answers struct {
	err                       error // of the status, or of the statistics
	status                    uint32
	stats                     [nStats][]figure
	frequency, system, stream uint32
}

// look reads the frontend once: the status, which makes the driver refresh its
// statistics, then all of them in one call, then the older calls for what is missing.
// The error is one that ends the visit; a status that cannot be read is in the sample.
func (s *Source) look(fd int, f *frontend, q query) (sample, error) {
	a, err := s.read(fd)
	if err != nil {
		return sample{}, err
	}
	return s.sampleOf(fd, f, a, q)
}

// read asks status and statistics.
func (s *Source) read(fd int) (a answers, err error) {
	a.status, a.err = u32(s.kernel, fd, feReadStatus)
	if a.err == nil {
		ps := ask(dtvStatStrength, dtvStatCNR, dtvStatPreErr, dtvStatPreTotal, dtvStatPostErr, dtvStatPostTot,
			dtvStatBlockErr, dtvStatBlockTot, dtvFrequency, dtvSystem, dtvStreamID)
		if a.err = exchange(s.kernel, fd, feGetProperty, ps); a.err == nil {
			for i := range nStats {
				a.stats[i] = ps[i].stats()
			}
			a.frequency, a.system, a.stream = ps[nStats].data(), ps[nStats+1].data(), ps[nStats+2].data()
		}
	}
	if isGone(a.err) {
		return a, a.err
	}
	return a, nil
}

// sampleOf makes a layer's sample of what was read.
func (s *Source) sampleOf(fd int, f *frontend, a answers, q query) (sample, error) {
	m := sample{at: q.at, err: a.err, status: a.status, frequency: a.frequency, ucb: absent, cnDB: nan, cnPct: nan, levelDBm: nan, levelPct: nan}
	for i := range m.count {
		m.count[i] = absent
	}
	if m.err != nil {
		return m, nil
	}
	for i, st := range a.stats {
		n := q.layer
		// Level and C/N that a driver gives once are those of all layers, which share one
		// spectrum. Errors are not.
		if len(st) == 1 && (i == strength || i == cnr) {
			n = 0
		}
		if n < len(st) {
			m.raw[i], m.there[i] = st[n], true
		}
	}
	m.decode(f, q.sys)
	return m, s.older(fd, f, &m, q)
}

// decode turns raw statistics into values with units.
func (m *sample) decode(f *frontend, sys reception.System) {
	for i := preErr; i < nStats; i++ {
		if m.there[i] && m.raw[i].scale == scaleCounter && m.raw[i].v >= 0 {
			m.count[i] = m.raw[i].v
		}
	}
	if st := m.raw[strength]; m.there[strength] {
		switch st.scale {
		case scaleDecibel:
			m.setLevel(float64(st.v) / 1000)
		case scaleRelative:
			m.levelPct = percent(st.v)
		}
	}
	if st := m.raw[cnr]; m.there[cnr] && m.believable() {
		switch st.scale {
		case scaleDecibel:
			v := float64(st.v) / 1000
			// a kernel that has the driver mended gives a value that needs no correction
			if t := f.driver.cnrTimes; t > 0 && v < 1 {
				v *= t
			}
			m.setCN(v, f.driver.top, sys)
		case scaleRelative:
			m.cnPct = percent(st.v)
		}
	}
}

// tooLowFor8VSB, in dB: no demodulator locks to 8-VSB so far below its threshold of
// 15 dB; a lower value is in another unit (ours, no source).
const tooLowFor8VSB = 5

// setCN takes a C/N in dB; top is the highest that the driver can show, NaN if none is
// known. What lies above comes from somewhere else.
func (m *sample) setCN(v, top float64, sys reception.System) {
	switch {
	case v == 0: // drivers say 0 for "not available"
	case v < reception.CNMinDB || v > reception.CNMaxDB || v > top+0.05:
		m.rejectedCN = true
	case sys == reception.ATSC1 && m.locked() && v < tooLowFor8VSB:
		m.badUnit = true
	case v > top: // by a rounding of units
		m.cnDB = top
	default:
		m.cnDB = v
	}
}

func (m *sample) setLevel(v float64) {
	if v == 0 { // what a driver says after tuning, until it has measured
		return
	}
	if v < reception.LevelMinDBm || v > reception.LevelMaxDBm {
		m.rejectedLevel = true
		return
	}
	m.levelDBm = v
}

func percent(v int64) float64 { return 100 * float64(min(max(v, 0), 65535)) / 65535 }

// older asks the calls before version 5 for what the statistics do not have. A driver
// that lacks one answers with errno 524, which has no name in user space; whatever the
// error, there is merely no value.
func (s *Source) older(fd int, f *frontend, m *sample, q query) error {
	read := func(request uintptr) (float64, bool, error) {
		v, err := u16(s.kernel, fd, request)
		if isGone(err) {
			return 0, false, err
		}
		return float64(v), err == nil, nil
	}
	// A driver that has given C/N in dB before merely has none now: what an old call of
	// unknown unit says instead would be another scale.
	if m.believable() && reception.Missing(m.cnDB) && reception.Missing(m.cnPct) && !m.rejectedCN && !m.badUnit &&
		(f.driver.snrDB > 0 || !f.known && !f.hadDB) {
		v, ok, err := read(feReadSNR)
		switch {
		case err != nil:
			return err
		case ok && f.driver.snrDB > 0:
			m.setCN(v*f.driver.snrDB, f.driver.top, q.sys)
		case ok && v > 0:
			m.cnPct = percent(int64(v))
		}
	}
	if !m.there[strength] && !f.driver.levelFromCN {
		v, ok, err := read(feReadSignal)
		if err != nil {
			return err
		}
		if ok {
			m.levelPct = percent(int64(v))
		}
	}
	if !m.there[blockErr] && f.driver.ucbBits > 0 && !q.riding {
		v, err := u32(s.kernel, fd, feReadUCB)
		if isGone(err) {
			return err
		}
		if err == nil {
			m.ucb = int64(v)
		}
	}
	return nil
}
