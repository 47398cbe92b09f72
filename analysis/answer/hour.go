package answer

import (
	"encoding/binary"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A fold keeps of each hour tally what the questions need, packed into bytes: about
// 25 to 60 an hour, so that 40 channels and a year of both stay within 20 MB. Keeping
// hours, not days, lets weather and tallies come late and in any order.
//
// An hour is its number within the day (one byte), the length of what follows
// (uvarint), a byte of flags, varints and histograms as package tally packs them.
type hourRec struct {
	counts                              bool // see hasCounts
	visits, dwellMS, stoodMS, erroredUS int64
	unlocked, unlockedMS, noCN          int64
	extra, riding                       int64
	notMeasuredMS                       [6]int64
	levelN, levelSum                    int64 // of locked visits, 0.01 dBm
	darkN, darkSum                      int64 // of unlocked ones
	cn                                  []reception.Bin
	dose                                []reception.DoseBin // bin, visits, failed, errored time
	steady, steadyFailed                []reception.Bin
}

const (
	hasErrored = 1 << iota
	hasUnlocked
	hasNoCN
	hasExtra
	hasGaps
	hasDose   // not simply the base visits without an error
	hasCounts // block errors or errored seconds were counted, not only losses of lock
	hasLevel
)

// packHour appends an hour to packed ones.
func packHour(dst []byte, offset byte, t *reception.Tally) []byte {
	var flags byte
	set := func(f byte, on bool) {
		if on {
			flags |= f
		}
	}
	set(hasErrored, t.ErroredUS != 0)
	set(hasUnlocked, t.Unlocked != 0)
	set(hasNoCN, t.NoCN != 0)
	set(hasExtra, t.Extra != 0 || t.Riding != 0)
	set(hasGaps, t.NotMeasuredMS != [6]int64{})
	set(hasDose, !plainDose(t))
	set(hasCounts, countsErrors(t))
	set(hasLevel, t.LevelN != 0)
	// The length comes before what it counts, which is moved up to it in the end.
	at := len(dst)
	b := append(dst, offset, 0, 0, 0, 0, 0)
	start := len(b)
	b = append(b, flags)
	put := func(v ...int64) {
		for _, x := range v {
			b = binary.AppendVarint(b, x)
		}
	}
	put(t.Visits, t.DwellMS, t.StoodMS)
	if flags&hasErrored != 0 {
		put(t.ErroredUS)
	}
	if flags&hasUnlocked != 0 {
		put(t.Unlocked, t.UnlockedMS, t.DarkLevelN, t.DarkLevelSum)
	}
	if flags&hasNoCN != 0 {
		put(t.NoCN)
	}
	if flags&hasExtra != 0 {
		put(t.Extra, t.Riding)
	}
	if flags&hasGaps != 0 {
		put(t.NotMeasuredMS[:]...)
	}
	if flags&hasLevel != 0 {
		put(t.LevelN, t.LevelSum)
	}
	b = tally.AppendBins(b, t.CN, 0)
	b = tally.AppendBins(b, t.Steady, firstBin(t.CN))
	if flags&hasDose != 0 {
		b = tally.AppendBins(b, t.SteadyFailed, firstBin(t.CN))
		put(int64(len(t.Dose)))
		last := int64(0)
		for _, d := range t.Dose {
			put(int64(d.Bin)-last, d.Visits, d.Failed, d.ErroredUS)
			last = int64(d.Bin)
		}
	}
	n := at + 1 + binary.PutUvarint(b[at+1:start], uint64(len(b)-start))
	n += copy(b[n:], b[start:])
	return b[:n]
}

// firstBin returns the first bin of a histogram, 0 of an empty one.
func firstBin(bins []reception.Bin) int32 {
	if len(bins) == 0 {
		return 0
	}
	return bins[0].Bin
}

// countsErrors reports whether a tally's source could count errors: it told of blocks,
// or of more errored time than stood without lock.
func countsErrors(t *reception.Tally) bool {
	for _, d := range t.Dose {
		if d.Blocks > 0 {
			return true
		}
	}
	return t.ErroredUS > t.UnlockedMS*1000
}

// plainDose reports whether the dose says no more than the base visits' C/N.
func plainDose(t *reception.Tally) bool {
	if len(t.Dose) != len(t.CN) || len(t.SteadyFailed) > 0 {
		return false
	}
	for i, d := range t.Dose {
		if d.Bin != t.CN[i].Bin || d.Visits != t.CN[i].N || d.Failed != 0 || d.ErroredUS != 0 {
			return false
		}
	}
	return true
}

// next splits the first hour off packed hours.
func next(b []byte) (offset byte, body, rest []byte) {
	n, k := binary.Uvarint(b[1:])
	end := 1 + k + int(n)
	return b[0], b[1+k : end], b[end:]
}

// lastOffset returns the last hour's number of packed hours, which are not empty.
func lastOffset(b []byte) (offset byte) {
	for len(b) > 0 {
		offset, _, b = next(b)
	}
	return offset
}

// unpack reads one hour's body into h, whose slices it reuses.
func (h *hourRec) unpack(b []byte) {
	cn, dose, steady, failed := h.cn[:0], h.dose[:0], h.steady[:0], h.steadyFailed[:0]
	*h = hourRec{}
	flags := b[0]
	b = b[1:]
	get := func() int64 {
		v, k := binary.Varint(b)
		b = b[k:]
		return v
	}
	h.visits, h.dwellMS, h.stoodMS = get(), get(), get()
	if flags&hasErrored != 0 {
		h.erroredUS = get()
	}
	if flags&hasUnlocked != 0 {
		h.unlocked, h.unlockedMS, h.darkN, h.darkSum = get(), get(), get(), get()
	}
	if flags&hasNoCN != 0 {
		h.noCN = get()
	}
	if flags&hasExtra != 0 {
		h.extra, h.riding = get(), get()
	}
	if flags&hasGaps != 0 {
		for i := range h.notMeasuredMS {
			h.notMeasuredMS[i] = get()
		}
	}
	h.counts = flags&hasCounts != 0
	if flags&hasLevel != 0 {
		h.levelN, h.levelSum = get(), get()
	}
	cn, b, _ = tally.ReadBins(cn, b, 0)
	steady, b, _ = tally.ReadBins(steady, b, firstBin(cn))
	if flags&hasDose != 0 {
		failed, b, _ = tally.ReadBins(failed, b, firstBin(cn))
		last := int64(0)
		for range get() {
			last += get()
			dose = append(dose, reception.DoseBin{Bin: int32(last), Visits: get(), Failed: get(), ErroredUS: get()})
		}
	} else {
		for _, c := range cn {
			dose = append(dose, reception.DoseBin{Bin: c.Bin, Visits: c.N})
		}
	}
	h.cn, h.dose, h.steady, h.steadyFailed = cn, dose, steady, failed
}
