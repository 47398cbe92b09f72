package tally

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"

	"holdfast/analysis/reception"
)

// ErrVersion: a tally was packed by another version and must be made again.
var ErrVersion = errors.New("tally has another version")

// The packed form, all numbers as variable-length integers (unsigned, or zigzag
// where a value may be negative): a bit set of the scalars that are not zero, these
// scalars; the histograms, each as AppendBins has it; the dose as its length, then
// per bin the step from the bin before and the counts, its blocks and bits as what they differ
// from visits times the first bin's mean, as visits of equal dwell do not; the runs,
// their instants from the one before.

// Pack returns the compact form of a tally, typically 70 to 190 bytes.
func Pack(k Keyed) reception.PackedTally {
	e := encoder{b: make([]byte, 0, 256)}
	t := k.Tally
	fields := scalars(&t)
	var set uint64
	for i, f := range fields {
		if *f != 0 {
			set |= 1 << i
		}
	}
	e.unsigned(set)
	for _, f := range fields {
		if *f != 0 {
			e.signed(*f)
		}
	}
	for _, bins := range histograms(&t) {
		e.b = AppendBins(e.b, *bins, 0)
	}
	e.dose(t.Dose)
	e.runs(t.Runs, k.Key.Hour*reception.HourMS)
	return reception.PackedTally{TallyKey: k.Key, Version: Version, Body: e.b}
}

// Unpack reads what Pack wrote. It wraps ErrVersion for another version, and
// returns an error naming the key for a damaged body; it never panics.
func Unpack(p reception.PackedTally) (Keyed, error) {
	if p.Version != Version {
		return Keyed{}, fmt.Errorf("tally of hour %d of %d Hz: version %d, want %d: %w", p.Hour, p.FrequencyHz, p.Version, Version, ErrVersion)
	}
	d := decoder{b: p.Body}
	k := Keyed{Key: p.TallyKey}
	fields := scalars(&k.Tally)
	set := d.unsigned()
	if set>>len(fields) != 0 {
		d.bad = true
	}
	for i, f := range fields {
		if set&(1<<i) != 0 {
			*f = d.signed()
		}
	}
	for _, bins := range histograms(&k.Tally) {
		*bins = d.bins(nil, 0)
	}
	k.Tally.Dose = d.dose()
	k.Tally.Runs = d.runs(p.Hour * reception.HourMS)
	if d.bad || len(d.b) > 0 {
		return Keyed{}, fmt.Errorf("tally of hour %d of %d Hz is damaged: rebuild it from the readings", p.Hour, p.FrequencyHz)
	}
	return k, nil
}

type encoder struct{ b []byte }

func (e *encoder) unsigned(v uint64) { e.b = binary.AppendUvarint(e.b, v) }
func (e *encoder) signed(v int64)    { e.b = binary.AppendVarint(e.b, v) }

// histograms lists the histograms of a tally in the order of the packed form.
func histograms(t *reception.Tally) [5]*[]reception.Bin {
	return [...]*[]reception.Bin{&t.CN, &t.Level, &t.DarkLevel, &t.Steady, &t.SteadyFailed}
}

// AppendBins appends a histogram to dst: its length, then of each bin the step from
// the bin before, times eight, and in the same number the count if that is 1 to 7, or
// else 0 and the count after it. The first step is from the bin near, in zigzag. A bin
// of few visits close to the one before takes one byte.
func AppendBins(dst []byte, bins []reception.Bin, near int32) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(bins)))
	at := int64(near)
	for i, b := range bins {
		step := int64(b.Bin) - at
		at = int64(b.Bin)
		if i == 0 {
			step = step<<1 ^ step>>63
		}
		if b.N >= 1 && b.N <= 7 {
			dst = binary.AppendUvarint(dst, uint64(step<<3|b.N))
			continue
		}
		dst = binary.AppendVarint(binary.AppendUvarint(dst, uint64(step<<3)), b.N)
	}
	return dst
}

// ReadBins reads from the front of b what AppendBins wrote, and appends it to into. It
// returns the histogram and the rest of b; ok is false if b is damaged.
func ReadBins(into []reception.Bin, b []byte, near int32) (bins []reception.Bin, rest []byte, ok bool) {
	d := decoder{b: b}
	bins = d.bins(into, near)
	return bins, d.b, !d.bad
}

func (e *encoder) dose(dose []reception.DoseBin) {
	e.unsigned(uint64(len(dose)))
	if len(dose) == 0 {
		return
	}
	blocks, bits := mean(dose[0].Blocks, dose[0].Visits), mean(dose[0].PreBits, dose[0].Visits)
	e.signed(blocks)
	e.signed(bits)
	var at int64
	for i := range dose {
		d := dose[i]
		e.signed(int64(d.Bin) - at)
		at = int64(d.Bin)
		d.Blocks -= d.Visits * blocks
		d.PreBits -= d.Visits * bits
		var set uint64
		fields := doseFields(&d)
		for k, f := range fields {
			if *f != 0 {
				set |= 1 << k
			}
		}
		e.unsigned(set)
		for _, f := range fields {
			if *f != 0 {
				e.signed(*f)
			}
		}
	}
}

func mean(sum, n int64) int64 {
	if n == 0 {
		return 0
	}
	return sum / n
}

func doseFields(d *reception.DoseBin) [7]*int64 {
	return [...]*int64{&d.Visits, &d.Failed, &d.ErroredUS, &d.ErroredBlocks, &d.Blocks, &d.PreErrors, &d.PreBits}
}

// runs writes each run as a bit set of what is there, then its fields as steps from
// those that they mostly follow. The bits of the visits around it say "known".
func (e *encoder) runs(runs []reception.BadRun, hourMS int64) {
	e.unsigned(uint64(len(runs)))
	at, gap := hourMS, int64(0)
	for i := range runs {
		r := runs[i]
		step := steps(r, at, gap)
		at, gap = r.FirstMS, r.GapMS
		var set uint64
		for k, v := range step {
			if v != 0 {
				set |= 1 << k
			}
		}
		set = known(set, beforeStep, r.BeforeMS != 0)
		set = known(set, afterStep, r.AfterMS != 0)
		e.unsigned(set)
		for k, v := range step {
			if set&(1<<k) != 0 {
				e.signed(v)
			}
		}
	}
}

// Places of a run's steps.
const (
	beforeStep = 10
	afterStep  = 11
	runSteps   = 12
)

func known(set uint64, k int, is bool) uint64 {
	set &^= 1 << k
	if is {
		set |= 1 << k
	}
	return set
}

func steps(r reception.BadRun, at, gap int64) [runSteps]int64 {
	return [...]int64{
		r.FirstMS - at, r.LastMS - r.FirstMS, r.GapMS - gap, r.Visits, r.BaseVisits - r.Visits,
		r.BaseDwellMS, r.BaseErroredUS - r.BaseDwellMS*1000, r.ErroredUS - r.BaseErroredUS,
		r.Unlocked - r.Visits, r.WrongIdentity, r.BeforeMS - r.FirstMS, r.AfterMS - r.LastMS,
	}
}

func unsteps(s [runSteps]int64, set uint64, at, gap int64) reception.BadRun {
	r := reception.BadRun{FirstMS: at + s[0], GapMS: gap + s[2], Visits: s[3], BaseDwellMS: s[5], WrongIdentity: s[9]}
	r.LastMS = r.FirstMS + s[1]
	r.BaseVisits = r.Visits + s[4]
	r.BaseErroredUS = r.BaseDwellMS*1000 + s[6]
	r.ErroredUS = r.BaseErroredUS + s[7]
	r.Unlocked = r.Visits + s[8]
	if set&(1<<beforeStep) != 0 {
		r.BeforeMS = r.FirstMS + s[beforeStep]
	}
	if set&(1<<afterStep) != 0 {
		r.AfterMS = r.LastMS + s[afterStep]
	}
	return r
}

// A decoder reads a body; after the first fault it yields zeros and is bad.
type decoder struct {
	b   []byte
	bad bool
}

func (d *decoder) unsigned() uint64 {
	v, n := binary.Uvarint(d.b)
	if n <= 0 {
		d.b, d.bad = nil, true
		return 0
	}
	d.b = d.b[n:]
	return v
}

func (d *decoder) signed() int64 {
	v, n := binary.Varint(d.b)
	if n <= 0 {
		d.b, d.bad = nil, true
		return 0
	}
	d.b = d.b[n:]
	return v
}

// count reads a length; each element takes at least size bytes, so a damaged length
// cannot ask for more memory than the body warrants.
func (d *decoder) count(size int) int {
	n := d.unsigned()
	if n > uint64(len(d.b)/size) {
		d.b, d.bad = nil, true
		return 0
	}
	return int(n)
}

// bin reads the step to the next bin; steps go up, after the first.
func (d *decoder) bin(at int64, first bool) int64 {
	step := d.signed()
	v := at + step
	if !first && step <= 0 || v < math.MinInt32 || v > math.MaxInt32 {
		d.bad = true
		return at
	}
	return v
}

func (d *decoder) bins(out []reception.Bin, near int32) []reception.Bin {
	n := d.count(1)
	if n == 0 {
		return out
	}
	out = slices.Grow(out, n)
	at := int64(near)
	for i := range n {
		v := d.unsigned()
		step, count := int64(v>>3), int64(v&7)
		if count == 0 {
			count = d.signed()
		}
		if step == 0 && i > 0 || step > 2*math.MaxUint32 || count == 0 {
			d.bad = true
			return out
		}
		if i == 0 {
			step = step>>1 ^ -(step & 1)
		}
		if at += step; at < math.MinInt32 || at > math.MaxInt32 {
			d.bad = true
			return out
		}
		out = append(out, reception.Bin{Bin: int32(at), N: count})
	}
	return out
}

func (d *decoder) dose() []reception.DoseBin {
	n := d.count(2)
	if n == 0 {
		return nil
	}
	out := make([]reception.DoseBin, n)
	blocks, bits := d.signed(), d.signed()
	var at int64
	for i := range out {
		at = d.bin(at, i == 0)
		b := &out[i]
		b.Bin = int32(at)
		set := d.unsigned()
		for k, f := range doseFields(b) {
			if set&(1<<k) != 0 {
				*f = d.signed()
			}
		}
		b.Blocks += b.Visits * blocks
		b.PreBits += b.Visits * bits
		if *b == (reception.DoseBin{Bin: b.Bin}) || set>>7 != 0 {
			d.bad = true
		}
	}
	return out
}

func (d *decoder) runs(hourMS int64) []reception.BadRun {
	n := d.count(1)
	if n == 0 {
		return nil
	}
	out := make([]reception.BadRun, 0, min(n, 64))
	at, gap := hourMS, int64(0)
	for range n {
		set := d.unsigned()
		if set>>runSteps != 0 {
			d.bad = true
		}
		var step [runSteps]int64
		for k := range step {
			if set&(1<<k) != 0 {
				step[k] = d.signed()
			}
		}
		r := unsteps(step, set, at, gap)
		if len(out) > 0 && compareRuns(out[len(out)-1], r) > 0 {
			d.bad = true
		}
		out = append(out, r)
		at, gap = r.FirstMS, r.GapMS
	}
	return out
}
