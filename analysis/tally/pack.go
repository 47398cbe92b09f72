package tally

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"holdfast/analysis/reception"
)

// ErrVersion: a tally was packed by another version and must be made again.
var ErrVersion = errors.New("tally has another version")

// The packed form. Most of a tally follows from a little of it: the C/N of a tuner that
// shows tenths follows from its histogram, sum and squares and all; the visits of the
// dose are those of the histogram; the plain schedule gives dwell and time stood for.
// So each number is written as what it differs from what those before it let expect,
// mostly by nothing, and the rest bit by bit, in numbers of as many bits as its kind
// usually has. What holds for all is chosen once, in the first byte:
const (
	wholeSeconds = 1 << 0 // all times are whole seconds
	tenthsLevel  = 1 << 1 // all levels are tenths of a dB
	wideBins     = 1 << 2 // bins of C/N are 1000 wide, not 100
	tenthsCN     = 1 << 3 // all C/N are multiples of 100
	wholeCN      = 1 << 4 // of 1000
	doseLikeCN   = 1 << 5 // the dose has the bins of the histogram of C/N
	counted      = 1 << 6 // blocks or bits were counted: two numbers in whole bytes follow
)

// These two, the mean blocks and bits of a visit, are mostly the same hour after hour:
// in whole bytes, packing a day of tallies together finds them again.

// What the plain schedule lets expect. Other schedules cost a few bytes, no more.
const usualDwellMS = 5000

// safe bounds the numbers for which the choices of the first byte are made: differences
// of two such numbers do not wrap round.
const safe = 1 << 61

// A packing is a tally on its way into bytes, or out of them. Writing and reading make
// the same steps, so both are one code: each step hands a number to w, or sets it
// from r.
type packing struct {
	w *bitWriter // nil: reading
	r *bitReader

	seconds, level, cn int64 // units of the choices in the first byte
	width              int64 // of a bin of C/N
}

func packingOf(flags byte) packing {
	p := packing{seconds: 1, level: 1, cn: 1, width: 100}
	if flags&wholeSeconds != 0 {
		p.seconds = 1000
	}
	if flags&tenthsLevel != 0 {
		p.level = 10
	}
	switch {
	case flags&wholeCN != 0:
		p.cn = 1000
	case flags&tenthsCN != 0:
		p.cn = 100
	}
	if flags&wideBins != 0 {
		p.width = 1000
	}
	return p
}

// Pack returns the compact form of a tally, typically 40 to 80 bytes, or 150 with the
// counters of visits each minute.
func Pack(k Keyed) reception.PackedTally {
	w := bitWriter{b: make([]byte, 1, 192)}
	t := &k.Tally
	flags := choose(t, k.Key.Hour*reception.HourMS)
	p := packingOf(flags)
	blocks, preBits := means(t.Dose)
	if blocks != 0 || preBits != 0 {
		flags |= counted
		w.b = binary.AppendVarint(binary.AppendVarint(w.b, blocks), preBits)
	}
	w.b[0] = flags
	p.w = &w
	for i, h := range histograms(t) {
		writeBins(&w, *h, near(i, t.CN))
	}
	writeDose(&w, t, flags, blocks, preBits)
	p.scalars(t)
	p.runs(&t.Runs, k.Key.Hour*reception.HourMS)
	return reception.PackedTally{TallyKey: k.Key, Version: Version, Body: w.end()}
}

// Unpack reads what Pack wrote. It wraps ErrVersion for another version, and
// returns an error naming the key for a damaged body; it never panics.
func Unpack(packed reception.PackedTally) (Keyed, error) {
	if packed.Version != Version {
		return Keyed{}, fmt.Errorf("tally of hour %d of %d Hz: version %d, want %d: %w",
			packed.Hour, packed.FrequencyHz, packed.Version, Version, ErrVersion)
	}
	k := Keyed{Key: packed.TallyKey}
	if !unpack(&k.Tally, packed.Body, packed.Hour*reception.HourMS, nil) {
		return Keyed{}, damaged(&packed)
	}
	return k, nil
}

func damaged(p *reception.PackedTally) error {
	return fmt.Errorf("tally of hour %d of %d Hz is damaged: rebuild it from the readings", p.Hour, p.FrequencyHz)
}

// An Unpacker unpacks one tally after another into the same memory: for a fold that
// keeps none, which needs no collecting of garbage then. The zero value is ready.
type Unpacker struct {
	keyed Keyed
	bins  []reception.Bin
	dose  []reception.DoseBin
}

// Unpack is like the function Unpack; the tally is valid until the next call.
func (u *Unpacker) Unpack(packed *reception.PackedTally) (*Keyed, error) {
	if packed.Version != Version {
		_, err := Unpack(*packed)
		return nil, err
	}
	u.keyed = Keyed{Key: packed.TallyKey}
	if !unpack(&u.keyed.Tally, packed.Body, packed.Hour*reception.HourMS, u) {
		return nil, damaged(packed)
	}
	return &u.keyed, nil
}

// unpack reads a body; memory may be nil.
func unpack(t *reception.Tally, b []byte, hourMS int64, memory *Unpacker) bool {
	if len(b) == 0 || b[0]>>7 != 0 {
		return false
	}
	flags := b[0]
	b = b[1:]
	var blocks, preBits int64
	if flags&counted != 0 {
		d := byteReader{b: b}
		blocks, preBits = d.signed(), d.signed()
		if b = d.b; d.bad {
			return false
		}
	}
	r := bitReader{b: b}
	p := packingOf(flags)
	p.r = &r
	readHistograms(&r, t, memory)
	readDose(&r, t, flags, blocks, preBits, memory)
	p.scalars(t)
	p.runs(&t.Runs, hourMS)
	return r.over()
}

// choose looks which choices of the first byte hold for a tally.
func choose(t *reception.Tally, hourMS int64) (flags byte) {
	flags = wholeSeconds | tenthsLevel | tenthsCN | wholeCN
	all := func(flag byte, unit int64, vs ...int64) {
		for _, v := range vs {
			if v%unit != 0 || v <= -safe || v >= safe {
				flags &^= flag
				return
			}
		}
	}
	all(wholeSeconds, 1000, t.DwellMS, t.StoodMS, t.UnlockedMS, t.SpacingMS, hourMS)
	all(wholeSeconds, 1000, t.NotMeasuredMS[:]...)
	for i := range t.Runs {
		b := &t.Runs[i]
		all(wholeSeconds, 1000, b.FirstMS, b.LastMS, b.BeforeMS, b.AfterMS, b.GapMS, b.BaseDwellMS)
	}
	all(tenthsLevel, 10, t.LevelSum, t.DarkLevelSum)
	all(tenthsLevel, 100, t.LevelSumSq)
	all(tenthsCN, 100, t.CNSumMDB)
	all(tenthsCN, 100*100, t.CNSumSqMDB2, t.CNDiffSqMDB2)
	all(wholeCN, 1000, t.CNSumMDB)
	all(wholeCN, 1000*1000, t.CNSumSqMDB2, t.CNDiffSqMDB2)
	if flags&wholeCN != 0 {
		flags &^= tenthsCN
	}
	p := packingOf(flags)
	if t.LevelCN%(p.level*p.cn) != 0 || t.LevelCN <= -safe || t.LevelCN >= safe {
		flags &^= tenthsLevel | tenthsCN | wholeCN
	}
	narrow, wide := p, p
	narrow.width, wide.width = 100, 1000
	if far := func(p packing) uint64 { sum, _ := p.moments(t.CN, 0); return zigzag(t.CNSumMDB - sum) }; far(wide) < far(narrow) {
		flags |= wideBins
	}
	if len(t.Dose) > 0 && len(t.Dose) == len(t.CN) {
		flags |= doseLikeCN
		for i := range t.Dose {
			if t.Dose[i].Bin != t.CN[i].Bin {
				return flags &^ doseLikeCN
			}
		}
	}
	return flags
}

// number hands over one number: what it differs from what is expected, both multiples
// of a unit, as a number of about k bits.
func (p *packing) number(v *int64, expected, unit int64, k uint) {
	if expected <= -safe || expected >= safe {
		expected = 0
	}
	expected -= expected % unit
	if p.w != nil {
		d := (*v - expected) / unit
		p.w.bit(d != 0)
		if d != 0 {
			p.w.bit(d < 0)
			p.w.gamma(size(d)-1, k)
		}
		return
	}
	*v = expected
	if p.r.bit() {
		negative := p.r.bit()
		d := int64(p.r.gamma(k) + 1)
		if negative {
			d = -d
		}
		*v += d * unit
	}
}

func size(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

// group hands over whether some numbers are there at all, that is, not all zero.
func (p *packing) group(vs ...*int64) bool {
	if p.w == nil {
		return p.r.bit()
	}
	is := false
	for _, v := range vs {
		is = is || *v != 0
	}
	p.w.bit(is)
	return is
}

// moments returns what a histogram of C/N, or with a width of 50 hundredths one of
// level, lets expect of sum and sum of squares, for values that lie `in` above the
// lower end of their bin.
func (p *packing) moments(bins []reception.Bin, in int64) (sum, squares int64) {
	for _, b := range bins {
		v := int64(b.Bin)*p.width + in
		sum += b.N * v
		squares += b.N * v * v
	}
	return sum, squares
}

// shifted returns what a sum of squares of n values is to be when their sum is `by` more.
func shifted(sum, squares, by, n int64) int64 {
	if n == 0 {
		return squares
	}
	return squares + 2*(sum/n)*by + by/n*by
}

func (p *packing) scalars(t *reception.Tally) {
	var inCN, erroredUS int64
	for _, b := range t.CN {
		inCN += b.N
	}
	for i := range t.Dose {
		erroredUS += t.Dose[i].ErroredUS
	}
	if p.group(&t.Unlocked, &t.UnlockedMS, &t.WrongIdentity, &t.NoCN, &t.LockLosses, &t.SevereS, &t.UnavailableS, &t.Bad) {
		p.number(&t.Unlocked, 0, 1, 1)
		p.number(&t.UnlockedMS, t.Unlocked*usualDwellMS, p.seconds, 4)
		p.number(&t.WrongIdentity, 0, 1, 2)
		p.number(&t.NoCN, 0, 1, 2)
		p.number(&t.LockLosses, 0, 1, 1)
		p.number(&t.SevereS, 0, 1, 4)
		p.number(&t.UnavailableS, 0, 1, 4)
		p.number(&t.Bad, t.Unlocked, 1, 1)
	}
	p.number(&t.Visits, inCN+t.Unlocked+t.NoCN, 1, 1)
	p.number(&t.DwellMS, t.Visits*usualDwellMS, p.seconds, 4)
	p.number(&t.StoodMS, min(reception.HourMS, t.Visits*3*DefaultBaseIntervalMS), p.seconds, 10)
	p.number(&t.ErroredUS, t.UnlockedMS*1000+erroredUS, 1, 20)

	sum, squares := p.moments(t.CN, 0)
	p.number(&t.CNSumMDB, sum, p.cn, 8)
	p.number(&t.CNSumSqMDB2, shifted(sum, squares, t.CNSumMDB-sum, inCN), p.cn*p.cn, 14)

	p.number(&t.Pairs, t.Visits, 1, 0)
	var spacing int64
	if t.Pairs > 0 {
		spacing = reception.HourMS
	}
	p.number(&t.SpacingMS, spacing, p.seconds, 5)
	p.number(&t.DiffPairs, t.Pairs, 1, 0)
	p.number(&t.CNDiffSqMDB2, 0, p.cn*p.cn, 7)
	if p.group(&t.GoodToBad, &t.BadToGood) {
		p.number(&t.GoodToBad, 0, 1, 0)
		p.number(&t.BadToGood, t.GoodToBad, 1, 0)
	}

	p.number(&t.LevelN, t.Visits-t.Unlocked, 1, 1)
	level := packing{width: 50}
	sum, squares = level.moments(t.Level, 20)
	p.number(&t.LevelSum, sum, p.level, 3)
	p.number(&t.LevelSumSq, shifted(sum, squares, t.LevelSum-sum, t.LevelN), p.level*p.level, 6)
	var cross int64
	if t.LevelN != 0 && inCN != 0 {
		cross = t.LevelSum * (t.CNSumMDB / inCN)
	}
	p.number(&t.LevelCN, cross, p.level*p.cn, 9)
	if p.group(&t.DarkLevelN, &t.DarkLevelSum) {
		p.number(&t.DarkLevelN, t.Unlocked, 1, 0)
		sum, _ = level.moments(t.DarkLevel, 20)
		p.number(&t.DarkLevelSum, sum, p.level, 3)
	}

	n := &t.NotMeasuredMS
	if p.group(&n[0], &n[1], &n[2], &n[3], &n[4], &n[5]) {
		for i := range n {
			p.number(&n[i], 0, p.seconds, 5)
		}
	}
	if p.group(&t.Extra, &t.ExtraBad, &t.Riding) {
		p.number(&t.Extra, 0, 1, 2)
		p.number(&t.ExtraBad, 0, 1, 2)
		p.number(&t.Riding, 0, 1, 2)
	}
}

// histograms lists the histograms of a tally in the order of the packed form.
func histograms(t *reception.Tally) [5]*[]reception.Bin {
	return [...]*[]reception.Bin{&t.CN, &t.Level, &t.DarkLevel, &t.Steady, &t.SteadyFailed}
}

// near is a bin near which the first one of histogram i is expected.
func near(i int, cn []reception.Bin) int64 {
	switch i {
	case 0:
		return 200 // 20 dB
	case 1:
		return -120 // -60 dBm
	case 2:
		return -170
	}
	if len(cn) == 0 {
		return 200
	}
	return int64(cn[0].Bin)
}

// Kinds of numbers in a histogram: about how many bits they have.
const (
	firstBits  = 4
	lengthBits = 3
)

// writeBins writes how many bins there are, the first from where it is expected, the
// steps to the others, and the counts.
func writeBins(w *bitWriter, bins []reception.Bin, at int64) {
	w.bit(len(bins) > 0)
	if len(bins) == 0 {
		return
	}
	var room [2 * 64]uint64
	counts, steps, negative := room[:0:64], room[64:64], false
	for i, b := range bins {
		negative = negative || b.N < 0
		counts = append(counts, size(b.N)-1)
		if i > 0 {
			steps = append(steps, uint64(int64(b.Bin)-int64(bins[i-1].Bin))-1)
		}
	}
	w.gamma(uint64(len(bins)-1), lengthBits)
	w.gamma(zigzag(int64(bins[0].Bin)-at), firstBits)
	w.bit(negative)
	kc, ks := shortest(counts), shortest(steps)
	w.gamma(uint64(kc), 0)
	if len(bins) > 1 {
		w.gamma(uint64(ks), 0)
	}
	for i, n := range counts {
		if i > 0 {
			w.gamma(steps[i-1], ks)
		}
		w.gamma(n, kc)
		if negative {
			w.bit(bins[i].N < 0)
		}
	}
}

// readHistograms reads all histograms into one piece of memory.
func readHistograms(r *bitReader, t *reception.Tally, memory *Unpacker) {
	var ends [5]int
	if memory != nil {
		memory.bins, ends = readAllBins(r, memory.bins[:0])
		shareOutBins(t, memory.bins, ends)
		return
	}
	var room [96]reception.Bin // an hour of a visit a minute has some 60
	all, ends := readAllBins(r, room[:0])
	if !r.bad && len(all) > 0 {
		kept := make([]reception.Bin, len(all))
		copy(kept, all)
		shareOutBins(t, kept, ends)
	}
}

// readAllBins appends the bins of all histograms and says where each ends.
func readAllBins(r *bitReader, all []reception.Bin) (_ []reception.Bin, ends [5]int) {
	var cn []reception.Bin
	for i := range ends {
		all = readBins(r, all, near(i, cn))
		if ends[i] = len(all); i == 0 {
			cn = all
		}
	}
	return all, ends
}

func shareOutBins(t *reception.Tally, all []reception.Bin, ends [5]int) {
	from := 0
	for i, h := range histograms(t) {
		if ends[i] > from {
			*h = all[from:ends[i]:ends[i]]
		}
		from = ends[i]
	}
}

func readBins(r *bitReader, out []reception.Bin, at int64) []reception.Bin {
	if !r.bit() {
		return out
	}
	n := r.gamma(lengthBits) + 1
	if n == 0 || n > uint64(r.left()) { // each bin takes a bit and more
		r.fail()
		return out
	}
	at += unzigzag(r.gamma(firstBits))
	negative := r.bit()
	kc, ks := uint(min(r.gamma(0), maxBits)), uint(0)
	if n > 1 {
		ks = uint(min(r.gamma(0), maxBits))
	}
	for i := range n {
		if i > 0 {
			step := r.gamma(ks)
			if step > math.MaxUint32 {
				r.fail()
			}
			at += int64(step) + 1
		}
		count := int64(r.gamma(kc) + 1)
		if negative && r.bit() {
			count = -count
		}
		if r.bad || at < math.MinInt32 || at > math.MaxInt32 || count == 0 {
			r.fail()
			return out
		}
		out = append(out, reception.Bin{Bin: int32(at), N: count})
	}
	return out
}

// maxBits is the largest k that is chosen for some numbers.
const maxBits = 40

// shortest returns the k with which gamma writes numbers of one kind shortest.
func shortest(vs []uint64) uint {
	if len(vs) == 0 {
		return 0
	}
	var sum uint64
	for _, v := range vs {
		sum += min(v, 1<<maxBits)
	}
	guess := max(bits.Len64(sum/uint64(len(vs))), 1) - 1
	best, least := uint(0), uint(math.MaxUint32)
	for k := uint(max(guess-1, 0)); k <= uint(guess+1) && k <= maxBits; k++ {
		var n uint
		for _, v := range vs {
			n += gammaBits(v, k)
		}
		if n < least {
			best, least = k, n
		}
	}
	return best
}

func means(dose []reception.DoseBin) (blocks, preBits int64) {
	if len(dose) == 0 || dose[0].Visits == 0 {
		return 0, 0
	}
	return dose[0].Blocks / dose[0].Visits, dose[0].PreBits / dose[0].Visits
}

const doseColumns = 7

// doseColumn lists a field of all bins as it is written: visits as what they differ from
// those of the histogram of C/N, blocks and bits as what they differ from the mean.
func doseColumn(vs []int64, t *reception.Tally, column int, blocks, preBits int64) []int64 {
	at := 0
	for i := range t.Dose {
		d := &t.Dose[i]
		var v int64
		switch column {
		case 0:
			v = d.Visits - visitsAt(t.CN, &at, d.Bin)
		case 1:
			v = d.Failed
		case 2:
			v = d.ErroredUS
		case 3:
			v = d.ErroredBlocks
		case 4:
			v = d.Blocks - d.Visits*blocks
		case 5:
			v = d.PreErrors
		case 6:
			v = d.PreBits - d.Visits*preBits
		}
		vs = append(vs, v)
	}
	return vs
}

// setDoseColumn sets a field of all bins from what doseColumn listed; nil means zeros.
func setDoseColumn(dose []reception.DoseBin, vs []int64, cn []reception.Bin, column int, blocks, preBits int64) {
	switch column {
	case 0:
		at := 0
		for i := range dose {
			dose[i].Visits = visitsAt(cn, &at, dose[i].Bin)
		}
	case 4:
		for i := range dose {
			dose[i].Blocks = dose[i].Visits * blocks
		}
	case 6:
		for i := range dose {
			dose[i].PreBits = dose[i].Visits * preBits
		}
	}
	for i, v := range vs {
		d := &dose[i]
		switch column {
		case 0:
			d.Visits += v
		case 1:
			d.Failed = v
		case 2:
			d.ErroredUS = v
		case 3:
			d.ErroredBlocks = v
		case 4:
			d.Blocks += v
		case 5:
			d.PreErrors = v
		case 6:
			d.PreBits += v
		}
	}
}

// visitsAt returns the visits in a bin of the histogram, of which those up to *i have
// been asked for: bins are asked for in ascending order.
func visitsAt(cn []reception.Bin, i *int, bin int32) int64 {
	for *i < len(cn) && cn[*i].Bin < bin {
		*i++
	}
	if *i < len(cn) && cn[*i].Bin == bin {
		return cn[*i].N
	}
	return 0
}

// writeDose writes the bins, unless they are those of the histogram of C/N, and then
// field by field what is in them.
func writeDose(w *bitWriter, t *reception.Tally, flags byte, blocks, preBits int64) {
	dose := t.Dose
	if flags&doseLikeCN == 0 {
		w.bit(len(dose) > 0)
		if len(dose) == 0 {
			return
		}
		w.gamma(uint64(len(dose)-1), lengthBits)
		w.gamma(zigzag(int64(dose[0].Bin)-near(3, t.CN)), firstBits)
		for i := range dose[1:] {
			w.gamma(uint64(int64(dose[i+1].Bin)-int64(dose[i].Bin))-1, 0)
		}
	}
	vs := make([]int64, 0, 64)
	for c := range doseColumns {
		vs = doseColumn(vs[:0], t, c, blocks, preBits)
		writeColumn(w, vs)
	}
}

// writeColumn writes some numbers of one kind: whether there is more than zeros, and
// then whether some are negative, whether a bit for each says that it is there, whether
// all are multiples of 1000, about how many bits they have, and they.
func writeColumn(w *bitWriter, vs []int64) {
	zeros, signed, thousands := 0, false, true
	for _, v := range vs {
		if v == 0 {
			zeros++
		}
		signed = signed || v < 0
		thousands = thousands && v%1000 == 0
	}
	w.bit(zeros < len(vs))
	if zeros == len(vs) {
		return
	}
	sparse := zeros*3 > len(vs) // a zero costs about three bits otherwise
	w.bit(signed)
	w.bit(sparse)
	w.bit(thousands)
	var room [64]uint64
	there := room[:0]
	for _, v := range vs {
		if sparse {
			w.bit(v != 0)
		}
		if sparse && v == 0 {
			continue
		}
		if thousands {
			v /= 1000
		}
		if signed {
			there = append(there, zigzag(v))
		} else {
			there = append(there, uint64(v))
		}
	}
	k := shortest(there)
	w.gamma(uint64(k), 2)
	for _, v := range there {
		w.gamma(v, k)
	}
}

func readDose(r *bitReader, t *reception.Tally, flags byte, blocks, preBits int64, memory *Unpacker) {
	n := uint64(len(t.CN))
	like := flags&doseLikeCN != 0
	if !like {
		if !r.bit() {
			return
		}
		n = r.gamma(lengthBits) + 1
	}
	if r.bad || n == 0 || !like && n > uint64(r.left()) {
		r.fail()
		return
	}
	var dose []reception.DoseBin
	if memory != nil {
		memory.dose = slices.Grow(memory.dose[:0], int(n))[:n]
		dose = memory.dose
		clear(dose)
	} else {
		dose = make([]reception.DoseBin, n)
	}
	at := int64(0)
	for i := range dose {
		switch {
		case like:
			at = int64(t.CN[i].Bin)
		case i == 0:
			at = near(3, t.CN) + unzigzag(r.gamma(firstBits))
		default:
			step := r.gamma(0)
			if step > math.MaxUint32 {
				r.fail()
			}
			at += int64(step) + 1
		}
		if r.bad || at < math.MinInt32 || at > math.MaxInt32 {
			r.fail()
			return
		}
		dose[i].Bin = int32(at)
	}
	var room [64]int64
	for c := range doseColumns {
		setDoseColumn(dose, readColumn(r, room[:0], len(dose)), t.CN, c, blocks, preBits)
	}
	for i := range dose {
		if dose[i] == (reception.DoseBin{Bin: dose[i].Bin}) {
			r.fail()
		}
	}
	if !r.bad {
		t.Dose = dose
	}
}

// readColumn reads the n numbers of a column; none if all are zero.
func readColumn(r *bitReader, vs []int64, n int) []int64 {
	if !r.bit() {
		return nil
	}
	signed, sparse, thousands := r.bit(), r.bit(), r.bit()
	for range n {
		v := int64(1)
		if sparse {
			v = int64(r.take(1))
		}
		vs = append(vs, v)
	}
	k := uint(min(r.gamma(2), maxBits))
	for i := range vs {
		if vs[i] == 0 {
			continue
		}
		u := r.gamma(k)
		v := int64(u)
		if signed {
			v = unzigzag(u)
		}
		if thousands {
			v *= 1000
		}
		vs[i] = v
	}
	return vs
}

// Places of a run's steps, and about how many bits each has.
const (
	beforeStep = 10
	afterStep  = 11
	runSteps   = 12
)

var runBits = [runSteps]uint{10, 5, 9, 1, 0, 3, 18, 18, 0, 0, 7, 7}

// runs hands over each run as a bit for each field that is there, then the fields as
// steps from those that they mostly follow. The bits of the visits around it say
// "known".
func (p *packing) runs(runs *[]reception.BadRun, hourMS int64) {
	n := uint64(len(*runs))
	if p.w != nil {
		p.w.bit(n > 0)
		if n == 0 {
			return
		}
		p.w.gamma(n-1, 0)
	} else {
		if !p.r.bit() {
			return
		}
		n = p.r.gamma(0) + 1
		if n == 0 || n > uint64(p.r.left()/runSteps) {
			p.r.fail()
			return
		}
		*runs = make([]reception.BadRun, n)
	}
	at, gap := hourMS, int64(0)
	for i := range *runs {
		b := &(*runs)[i]
		if p.w != nil {
			p.writeRun(b, at, gap)
		} else {
			*b = p.readRun(at, gap)
			if p.r.bad || i > 0 && compareRuns((*runs)[i-1], *b) > 0 {
				p.r.fail()
				return
			}
		}
		at, gap = b.FirstMS, b.GapMS
	}
}

// runUnit is the unit of a step.
func (p *packing) runUnit(k int) int64 {
	switch k {
	case 0, 1, 2, 5, beforeStep, afterStep:
		return p.seconds
	}
	return 1
}

func (p *packing) writeRun(b *reception.BadRun, at, gap int64) {
	step := steps(*b, at, gap)
	var set uint64
	for k, v := range step {
		if v != 0 {
			set |= 1 << k
		}
	}
	set = known(set, beforeStep, b.BeforeMS != 0)
	set = known(set, afterStep, b.AfterMS != 0)
	p.w.put(set, runSteps)
	for k, v := range step {
		if set&(1<<k) != 0 {
			p.w.gamma(zigzag(v/p.runUnit(k)), runBits[k]+1)
		}
	}
}

func (p *packing) readRun(at, gap int64) reception.BadRun {
	set := p.r.take(runSteps)
	var step [runSteps]int64
	for k := range step {
		if set&(1<<k) != 0 {
			step[k] = unzigzag(p.r.gamma(runBits[k]+1)) * p.runUnit(k)
		}
	}
	return unsteps(step, set, at, gap)
}

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
