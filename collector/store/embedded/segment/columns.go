package segment

import (
	"math"
	"strconv"
	"strings"

	"holdfast/analysis/reception"
)

// An effort says how hard zstd tries on a column.
type effort int

const (
	quick  effort = iota
	steady        // quick, but hard in a merged file
	better        // always hard
)

// An intColumn holds whole numbers.
type intColumn struct {
	name      string
	wide      bool // INT64, else INT32
	optional  bool
	missing   int64 // in memory, for null, if optional
	timestamp bool
	dict      bool // few different values, else deltas
	bounds    bool // statistics with the smallest and largest value
	bare      bool // not compressed: one value a group, which zstd would only make longer
	effort    effort
	rest      bool                            // null everywhere if it is 0 everywhere
	at        func(*reception.Reading) *int64 // nil for what floats give
}

// A textColumn holds words, of which there are few.
type textColumn struct {
	name     string
	optional bool // "" is null
	bare     bool // as of intColumn
	get      func(*reception.Reading) string
	set      func(*reception.Reading, string)
}

// A floatColumn is a measurement. Its coarse part and the rest, or its thousandths
// alone, are intColumns.
type floatColumn struct {
	name   string // as in the column exact
	at     func(*reception.Reading) *float64
	step   int64 // thousandths that one of the coarse part is, 0: there is none
	coarse int   // index of an intColumn
	rest   int   // index of an intColumn, of thousandths
	below  bool  // kept as how far it lies below the C/N
}

const null32 = math.MinInt32 // is no number of tenths or thousandths

const notCounted = reception.NotCounted

// The columns in the order of the file: intColumns first, then locked, then text.
// (The time leads, so that it can be read alone at the start of a group.)
var intColumns = []intColumn{
	{name: "time_s", wide: true, bounds: true, effort: steady},
	{name: "time_ms", optional: true, missing: null32, rest: true},
	{name: "frequency_hz", wide: true, dict: true, bounds: true, bare: true, at: func(r *reception.Reading) *int64 { return &r.FrequencyHz }},
	{name: "tuned_hz", wide: true, optional: true, dict: true, at: func(r *reception.Reading) *int64 { return &r.TunedHz }},
	{name: "known", wide: true, optional: true, timestamp: true, dict: true, at: func(r *reception.Reading) *int64 { return &r.Known }},
	{name: "dwell_ms", wide: true, dict: true, effort: better, at: func(r *reception.Reading) *int64 { return &r.DwellMS }},
	{name: "locked_ms", wide: true, optional: true, missing: notCounted, dict: true, effort: better, at: func(r *reception.Reading) *int64 { return &r.LockedMS }},
	{name: "level_ddbm", optional: true, missing: null32, effort: steady},
	{name: "level_rest_mdb", optional: true, missing: null32, rest: true},
	{name: "level_mpct", optional: true, missing: null32, dict: true},
	{name: "cn_ddb", optional: true, missing: null32, effort: steady},
	{name: "cn_rest_mdb", optional: true, missing: null32, rest: true},
	{name: "cn_drop_ddb", optional: true, missing: null32, effort: steady},
	{name: "cn_drop_rest_mdb", optional: true, missing: null32, rest: true},
	{name: "cn_spread_cdb", optional: true, missing: null32, effort: steady},
	{name: "cn_spread_rest_mdb", optional: true, missing: null32, rest: true},
	{name: "quality_mpct", optional: true, missing: null32, dict: true},
	{name: "errored_ms", optional: true, missing: null32, dict: true},
	{name: "pre_errors", wide: true, optional: true, missing: notCounted, effort: steady, at: func(r *reception.Reading) *int64 { return &r.PreErrors }},
	{name: "pre_bits", wide: true, optional: true, missing: notCounted, dict: true, effort: better, at: func(r *reception.Reading) *int64 { return &r.PreBits }},
	{name: "uncorrected_blocks", wide: true, optional: true, missing: notCounted, at: func(r *reception.Reading) *int64 { return &r.UncorrectedBlocks }},
	{name: "total_blocks", wide: true, optional: true, missing: notCounted, dict: true, effort: better, at: func(r *reception.Reading) *int64 { return &r.TotalBlocks }},
}

// The time's columns: seconds since 1970, and the rest. In milliseconds alone neither
// packing nor compression would see that visits begin on whole seconds, which costs 1.3
// bytes a reading where they are scattered on purpose.
const secondColumn, milliColumn = 0, 1

const lockedName = "locked"

var textColumns = []textColumn{
	{name: "tuner", bare: true, get: func(r *reception.Reading) string { return r.Tuner }, set: func(r *reception.Reading, s string) { r.Tuner = s }},
	{name: "layer", bare: true, get: func(r *reception.Reading) string { return r.Layer }, set: func(r *reception.Reading, s string) { r.Layer = s }},
	{name: "visit", get: func(r *reception.Reading) string { return string(r.Visit) }, set: func(r *reception.Reading, s string) { r.Visit = reception.VisitKind(s) }},
	{name: "why", get: func(r *reception.Reading) string { return string(r.Why) }, set: func(r *reception.Reading, s string) { r.Why = reception.Reason(s) }},
	{name: "identity", get: func(r *reception.Reading) string { return r.Identity }, set: func(r *reception.Reading, s string) { r.Identity = s }},
	{name: "mode", get: func(r *reception.Reading) string { return r.Mode }, set: func(r *reception.Reading, s string) { r.Mode = s }},
	{name: "system", bare: true, get: func(r *reception.Reading) string { return string(r.System) }, set: func(r *reception.Reading, s string) { r.System = reception.System(s) }},
	{name: "scale", get: func(r *reception.Reading) string { return r.Scale }, set: func(r *reception.Reading, s string) { r.Scale = s }},
	{name: "exact", optional: true, get: exact, set: setExact},
}

var floatColumns = []floatColumn{
	{"level_dbm", func(r *reception.Reading) *float64 { return &r.LevelDBm }, 100, named("level_ddbm"), named("level_rest_mdb"), false},
	{"level_pct", func(r *reception.Reading) *float64 { return &r.LevelPct }, 0, 0, named("level_mpct"), false},
	{"cn_db", func(r *reception.Reading) *float64 { return &r.CNDB }, 100, named("cn_ddb"), named("cn_rest_mdb"), false},
	{"cn_low_db", func(r *reception.Reading) *float64 { return &r.CNLowDB }, 100, named("cn_drop_ddb"), named("cn_drop_rest_mdb"), true},
	{"cn_spread_db", func(r *reception.Reading) *float64 { return &r.CNSpreadDB }, 10, named("cn_spread_cdb"), named("cn_spread_rest_mdb"), false},
	{"quality_pct", func(r *reception.Reading) *float64 { return &r.QualityPct }, 0, 0, named("quality_mpct"), false},
	{"errored_s", func(r *reception.Reading) *float64 { return &r.ErroredS }, 0, 0, named("errored_ms"), false},
}

// cnColumn is the index of the C/N among floatColumns.
const cnColumn = 2

func named(name string) int {
	for i := range intColumns {
		if intColumns[i].name == name {
			return i
		}
	}
	panic("no column " + name)
}

// columnCount is how many columns a file has.
var columnCount = len(intColumns) + 1 + len(textColumns)

// columnNames are the names in the order of the file.
var columnNames = func() []string {
	var out []string
	for i := range intColumns {
		out = append(out, intColumns[i].name)
	}
	out = append(out, lockedName)
	for i := range textColumns {
		out = append(out, textColumns[i].name)
	}
	return out
}()

// thousandths returns a number rounded to thousandths, null32 if it is not available
// or too large for that, and whether that gives back its very bits.
func thousandths(v float64) (m int64, same bool) {
	if math.IsNaN(v) {
		return null32, true
	}
	r := math.Round(v * 1000)
	if !(r > -math.MaxInt32 && r < math.MaxInt32) {
		return null32, false
	}
	return int64(r), math.Float64bits(float64(int64(r))/1000) == math.Float64bits(v) // an integer has no minus zero
}

// number returns the number that a column keeps of a reading, in thousandths, and
// whether it gives back the very bits.
func (f *floatColumn) number(r *reception.Reading) (m int64, same bool) {
	m, same = thousandths(*f.at(r))
	if !f.below || m == null32 {
		return m, same
	}
	cn, _ := thousandths(r.CNDB)
	if d := cn - m; cn != null32 && d > -math.MaxInt32 && d < math.MaxInt32 {
		return d, same
	}
	return null32, false
}

// split cuts a number into steps and a rest from minus half a step on.
func split(m, step int64) (coarse, rest int64) {
	coarse = (m + step/2) / step
	if (m+step/2)%step < 0 {
		coarse--
	}
	return coarse, m - step*coarse
}

// exact returns what the numeric columns lose of a reading.
func exact(r *reception.Reading) string {
	var out []byte
	for i := range floatColumns {
		f := &floatColumns[i]
		if _, same := f.number(r); same {
			continue
		}
		if out != nil {
			out = append(out, ' ')
		}
		out = append(append(out, f.name...), '=')
		out = strconv.AppendFloat(out, *f.at(r), 'g', -1, 64)
	}
	return string(out)
}

// setExact gives a reading the numbers that exact returned.
func setExact(r *reception.Reading, s string) {
	for word := range strings.FieldsSeq(s) {
		name, number, _ := strings.Cut(word, "=")
		for i := range floatColumns {
			if f := &floatColumns[i]; f.name == name {
				if v, err := strconv.ParseFloat(number, 64); err == nil {
					*f.at(r) = v
				}
			}
		}
	}
}
