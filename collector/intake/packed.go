package intake

import (
	"math"
	"slices"
	"sort"

	"holdfast/analysis/reception"
)

// A packed is a reading of an import in a quarter of the memory, without pointers. What
// it has in common with many others of its series is a form; floats are thousandths.
// What does not fit is kept whole: such a row is odd.
type packed struct {
	time, line      int64 // the line is storedLine if it is stored already
	form            int32 // index into forms, or into the odd ones if it is negative, from -1 down
	dwell, lockedMS int32
	floats          [7]int32
	counts          [4]int32
}

// storedLine is the line of rows that are stored already and stay as neighbours.
const storedLine = -1

// notThere is a float that is not available.
const notThere = math.MinInt32

func (p *packed) stored() bool { return p.line == storedLine }

// forms are readings without what packed tells itself.
type forms []reception.Reading

// A formBook numbers forms. One serves a whole import; readers may use the list as it was
// while it grows.
type formBook struct {
	list forms
	at   map[reception.Reading]int32
}

// maxForms is how many forms there may be: what comes beyond is odd.
const maxForms = 4096

// oddRows is how many packed rows an odd one counts for in memory.
const oddRows = 5

// rows are packed readings of one series.
type rows struct {
	of   []packed
	odd  []reception.Reading
	form int32 // the latest
}

func (r *rows) len() int { return len(r.of) }

// from returns the index of the first row at or after ms.
func (r *rows) from(ms int64) int {
	return sort.Search(len(r.of), func(i int) bool { return r.of[i].time >= ms })
}

// add packs a reading; it returns for how many it counts.
func (r *rows) add(f *formBook, x *reception.Reading, line int64) int {
	r.of = append(r.of, packed{})
	p := &r.of[len(r.of)-1]
	p.time, p.line = x.Time, line
	if r.pack(f, p, x) {
		return 1
	}
	p.form = int32(^len(r.odd))
	r.odd = append(r.odd, *x)
	return oddRows
}

func (r *rows) pack(f *formBook, p *packed, x *reception.Reading) bool {
	ok := true
	p.dwell, p.lockedMS = small(x.DwellMS, &ok), small(x.LockedMS, &ok)
	p.floats = [...]int32{
		thousandths(x.LevelDBm, &ok), thousandths(x.LevelPct, &ok), thousandths(x.CNDB, &ok), thousandths(x.CNLowDB, &ok),
		thousandths(x.CNSpreadDB, &ok), thousandths(x.QualityPct, &ok), thousandths(x.ErroredS, &ok),
	}
	p.counts = [...]int32{small(x.PreErrors, &ok), small(x.PreBits, &ok), small(x.UncorrectedBlocks, &ok), small(x.TotalBlocks, &ok)}
	if !ok || x.Known != 0 {
		return false
	}
	if int(r.form) >= len(f.list) || !sameForm(x, &f.list[r.form]) {
		n, ok := f.number(x)
		if !ok {
			return false
		}
		r.form = n
	}
	p.form = r.form
	return true
}

// number returns the number of a reading's form.
func (f *formBook) number(x *reception.Reading) (int32, bool) {
	form := reception.Reading{
		Tuner: x.Tuner, FrequencyHz: x.FrequencyHz, Layer: x.Layer, TunedHz: x.TunedHz, Visit: x.Visit, Why: x.Why,
		Locked: x.Locked, Identity: x.Identity, Mode: x.Mode, System: x.System, Scale: x.Scale,
	}
	n, ok := f.at[form]
	if !ok && len(f.list) < maxForms {
		if f.at == nil {
			f.at = map[reception.Reading]int32{}
		}
		n, ok = int32(len(f.list)), true
		f.list, f.at[form] = append(f.list, form), n
	}
	return n, ok
}

// sameForm compares forms.
func sameForm(x, y *reception.Reading) bool {
	return x.FrequencyHz == y.FrequencyHz && x.Tuner == y.Tuner && x.Layer == y.Layer && x.Locked == y.Locked && x.Visit == y.Visit && x.Why == y.Why && x.TunedHz == y.TunedHz &&
		x.Identity == y.Identity && x.Mode == y.Mode && x.System == y.System && x.Scale == y.Scale
}

func small(v int64, ok *bool) int32 {
	*ok = *ok && v == int64(int32(v))
	return int32(v)
}

func thousandths(v float64, ok *bool) int32 {
	if v != v {
		return notThere
	}
	m := int32(math.RoundToEven(min(max(v*1000, -math.MaxInt32), math.MaxInt32)))
	*ok = *ok && math.Float64bits(float64(m)/1000) == math.Float64bits(v)
	return m
}

func float(m int32) float64 {
	if m == notThere {
		return math.NaN()
	}
	return float64(m) / 1000
}

// unpack appends the readings of some rows.
func (r *rows) unpack(dst []reception.Reading, f forms, of []packed) []reception.Reading {
	dst = slices.Grow(dst, len(of))
	for i := range of {
		p := &of[i]
		if p.form < 0 {
			dst = append(dst, r.odd[^p.form])
			continue
		}
		dst = append(dst, f[p.form])
		x := &dst[len(dst)-1]
		x.Time, x.DwellMS, x.LockedMS = p.time, int64(p.dwell), int64(p.lockedMS)
		x.LevelDBm, x.LevelPct, x.CNDB, x.CNLowDB = float(p.floats[0]), float(p.floats[1]), float(p.floats[2]), float(p.floats[3])
		x.CNSpreadDB, x.QualityPct, x.ErroredS = float(p.floats[4]), float(p.floats[5]), float(p.floats[6])
		x.PreErrors, x.PreBits, x.UncorrectedBlocks, x.TotalBlocks = int64(p.counts[0]), int64(p.counts[1]), int64(p.counts[2]), int64(p.counts[3])
	}
	return dst
}

// at returns one reading.
func (r *rows) at(f forms, i int) reception.Reading {
	return r.unpack(nil, f, r.of[i:i+1])[0]
}

// base reports whether a row is of a base visit that was made.
func (r *rows) base(f forms, i int) bool {
	x, k := f, r.of[i].form
	if k < 0 {
		x, k = r.odd, ^k
	}
	return x[k].Valid() && x[k].Visit == reception.VisitBase
}

// begin empties rows and takes those of others from an index on.
func (r *rows) begin(from *rows, first int) {
	r.of, r.odd, r.form = append(r.of[:0], from.of[first:]...), r.odd[:0], from.form
	for i := range r.of {
		if p := &r.of[i]; p.form < 0 {
			r.odd = append(r.odd, from.odd[^p.form])
			p.form = int32(^(len(r.odd) - 1))
		}
	}
}
