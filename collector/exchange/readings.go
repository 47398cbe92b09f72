package exchange

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"

	"holdfast/analysis/reception"
)

// Columns of readings, by number.
const (
	rTime = iota
	rTuner
	rChannel
	rFrequency
	rVisit
	rDwell
	rLocked
	rLevelDBm
	rCN
	rQuality
	rErrored
	rPreErrors
	rPreBits
	rUncorrected
	rTotal
	rIdentity
	rMode
	rSystem
	rLayer
	rLockedS
	rCNLow
	rCNSpread
	rLevelPct
	rScale
	rWhy
	rKnown
	rInstallation
	rColumns
)

func readingsForm() form {
	return form{
		name: "readings",
		columns: []string{"time", "tuner", "channel", "frequency_hz", "visit", "dwell_s", "locked", "level_dbm", "cn_db",
			"quality_pct", "errored_s", "pre_errors", "pre_bits", "uncorrected_blocks", "total_blocks", "identity", "mode",
			"system", "layer", "locked_s", "cn_low_db", "cn_spread_db", "level_pct", "scale", "why", "known", "installation"},
		example: "time,tuner,frequency_hz,locked,cn_db",
	}
}

func forms() []form {
	return []form{readingsForm(), weatherForm(), installationsForm(), scalesForm()}
}

// ReadOptions say what the rows of a file leave to be known from elsewhere.
type ReadOptions struct {
	// Region is the home's: it gives channel numbers their frequencies, and the
	// system. Without one a row needs frequency_hz.
	Region reception.Region
	// DefaultTuner names the tuner of rows that name none; "imported" if empty.
	DefaultTuner string
	// Scales are those of the scales file beside the readings, if there is one.
	Scales []reception.Scale
}

// A ReadingRow is one line of a readings file.
type ReadingRow struct {
	Line    int64
	Offset  int64 // of the line in the file, bytes
	Reading reception.Reading
	// Installation is the name in that column; the changes between names are
	// gathered by [Readings.Installations].
	Installation string
}

// Readings reads a readings file once, from front to back, by Rows or by Chunks.
type Readings struct {
	s      *sheet
	o      ReadOptions
	scales map[string]reception.Scale
	used   map[string]bool                // by id: no scales file describes it
	units  map[string]reception.ScaleUnit // by tuner, of rows that name no scale
	stays  map[string][]stay
	parser
	described string // the latest scale that a scales file describes
}

// A stay is a run of rows of one tuner under one installation name.
type stay struct {
	name        string
	first, last int64 // Unix ms
	line        int64
}

// Scales given to rows that name none, by what their figures are.
const (
	scaleDB  = "import-db"
	scalePct = "import-pct"
)

// ReadReadings reads the header of a readings file. The needed columns are time,
// channel or frequency_hz, and one that tells quality: cn_db, quality_pct, locked,
// locked_s, errored_s or uncorrected_blocks.
func ReadReadings(r io.Reader, o ReadOptions) (*Readings, error) {
	s, err := readingsForm().open(r)
	if err != nil {
		return nil, err
	}
	err = errors.Join(
		s.need("time"),
		s.need("channel", "frequency_hz"),
		s.need("cn_db", "quality_pct", "locked", "locked_s", "errored_s", "uncorrected_blocks"),
	)
	if err != nil {
		return nil, err
	}
	if s.has[rChannel] && !s.has[rFrequency] && o.Region == "" {
		return nil, fmt.Errorf("readings: line 1: channel numbers need to know their region: set home.region in the config to one of %v, or give the column frequency_hz", reception.Regions())
	}
	if o.DefaultTuner == "" {
		o.DefaultTuner = "imported"
	}
	rd := &Readings{
		s: s, o: o,
		scales: map[string]reception.Scale{},
		used:   map[string]bool{},
		units:  map[string]reception.ScaleUnit{},
		stays:  map[string][]stay{},
		parser: newParser(s.columns, o),
	}
	for _, sc := range o.Scales {
		rd.scales[sc.ID] = sc
	}
	return rd, nil
}

// Rows yields the rows in the order of the file; a bad one as a *LineError. Any
// other error is of the underlying reader and the last pair.
func (rd *Readings) Rows() iter.Seq2[ReadingRow, error] {
	return rows(rd.s, rd.row)
}

// row fills one row from its fields.
func (rd *Readings) row(row *ReadingRow, fields [][]byte, line int64) error {
	row.Line, row.Offset = line, rd.s.sc.began
	if fault := rd.parse(&row.Reading, &row.Installation, fields, line); fault != nil {
		return fault
	}
	rd.settle(&row.Reading, row.Installation, line)
	return nil
}

// settle does to a good row what depends on the rows before it.
func (rd *Readings) settle(r *reception.Reading, installation string, line int64) {
	rd.scale(r, line)
	rd.stay(r, installation, line)
}

// scale gives a row without a scale one that says what its figures are.
func (rd *Readings) scale(r *reception.Reading, line int64) {
	if r.Scale == "" {
		if !r.Valid() {
			return
		}
		r.Scale = rd.defaultScale(r)
	}
	if r.Scale == rd.described {
		return
	}
	guessed, seen := rd.used[r.Scale]
	if !seen {
		_, ok := rd.scales[r.Scale]
		guessed = !ok
		rd.used[r.Scale] = guessed
	}
	if guessed && r.Scale != scaleDB && r.Scale != scalePct {
		rd.n.add("the scale of %s is not described in a scales.csv beside the file: its step and ceiling are not known", 1, line)
	}
	if !guessed {
		rd.described = r.Scale
	}
	if seen || !guessed {
		return
	}
	s := reception.Scale{ID: r.Scale, Unit: reception.UnitDB, Step: math.NaN(), Ceiling: math.NaN(),
		LevelKind: reception.LevelUnknown, Quantity: reception.QuantityCN, Driver: "import"}
	if r.Scale == scalePct || r.Scale != scaleDB && math.IsNaN(r.CNDB) && !math.IsNaN(r.QualityPct) {
		s.Unit = reception.UnitPercent
	}
	rd.scales[r.Scale] = s
}

// defaultScale is decibels unless the tuner's rows so far had per cent alone.
func (rd *Readings) defaultScale(r *reception.Reading) string {
	switch {
	case !math.IsNaN(r.CNDB):
		rd.units[r.Tuner] = reception.UnitDB
	case !math.IsNaN(r.QualityPct):
		rd.units[r.Tuner] = reception.UnitPercent
	}
	unit, ok := rd.units[r.Tuner]
	if !ok && !rd.s.has[rCN] && rd.s.has[rQuality] {
		unit = reception.UnitPercent
	}
	if unit == reception.UnitPercent {
		return scalePct
	}
	return scaleDB
}

// Scales returns the scales that the rows so far used, described by the scales
// file or else as far as the rows tell, in order of their ids.
func (rd *Readings) Scales() []reception.Scale {
	var out []reception.Scale
	for id := range rd.used {
		out = append(out, rd.scales[id])
	}
	slices.SortFunc(out, func(a, b reception.Scale) int { return compare(a.ID, b.ID) })
	return out
}

// Warnings returns one line for each kind of thing that was assumed or looks odd
// in the rows so far.
func (rd *Readings) Warnings() []string {
	out := append(rd.n.lines(), rd.looks.lines()...)
	if rd.s.rows == 0 {
		out = append(out, "readings: there is no row after the first line")
	}
	_, over := rd.changes()
	return append(out, over...)
}
