package exchange

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"

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

// Readings reads a readings file once, from front to back.
type Readings struct {
	s       *sheet
	o       ReadOptions
	scales  map[string]reception.Scale
	used    map[string]bool                // by id: no scales file describes it
	units   map[string]reception.ScaleUnit // by tuner, of rows that name no scale
	stays   map[string][]stay
	n       notices
	looks   looks
	bare    bool // has a channel column and no frequency column
	centres map[int]int64
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
	rd := &Readings{
		s: s, o: o,
		scales:  map[string]reception.Scale{},
		used:    map[string]bool{},
		units:   map[string]reception.ScaleUnit{},
		stays:   map[string][]stay{},
		bare:    s.has[rChannel] && !s.has[rFrequency],
		centres: map[int]int64{},
	}
	if rd.bare && o.Region == "" {
		return nil, fmt.Errorf("readings: line 1: channel numbers need to know their region: set home.region in the config to one of %v, or give the column frequency_hz", reception.Regions())
	}
	if rd.o.DefaultTuner == "" {
		rd.o.DefaultTuner = "imported"
	}
	for _, rf := range o.Region.RFNumbers() {
		rd.centres[rf], _, _ = o.Region.CentreHz(rf)
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
	r := &row.Reading
	*r = reception.NewReading()
	r.DwellMS = reception.NotCounted
	rf, tuned := int64(reception.NotCounted), int64(reception.NotCounted)
	locked, lockedKnown := false, false
	for i, b := range fields {
		col := rd.s.columns[i]
		if len(b) == 0 {
			continue
		}
		var err error
		switch col {
		case rTime:
			r.Time, err = instant(b)
		case rTuner:
			r.Tuner, err = rd.s.text(b)
		case rChannel:
			if rf, err = whole(b); err != nil {
				err = fmt.Errorf("%q is not an RF channel number (the number on screen, such as 12.1, is another thing)", clip(string(b)))
			}
		case rFrequency:
			tuned, err = whole(b)
		case rVisit:
			var v string
			v, err = rd.s.text(b)
			r.Visit = reception.VisitKind(v)
		case rDwell:
			r.DwellMS, err = millis(b)
		case rLocked:
			locked, lockedKnown, err = flag(b)
		case rLevelDBm:
			r.LevelDBm, err = number(b)
		case rCN:
			r.CNDB, err = number(b)
		case rQuality:
			r.QualityPct, err = number(b)
		case rErrored:
			r.ErroredS, err = number(b)
		case rPreErrors:
			r.PreErrors, err = whole(b)
		case rPreBits:
			r.PreBits, err = whole(b)
		case rUncorrected:
			r.UncorrectedBlocks, err = whole(b)
		case rTotal:
			r.TotalBlocks, err = whole(b)
		case rIdentity:
			r.Identity, err = rd.s.text(b)
		case rMode:
			r.Mode, err = rd.s.text(b)
		case rSystem:
			var v string
			v, err = rd.s.text(b)
			r.System = reception.System(v)
			if err == nil && !slices.Contains(reception.Systems(), r.System) {
				err = fmt.Errorf("%q is not known; want one of %v", clip(v), reception.Systems())
			}
		case rLayer:
			r.Layer, err = rd.s.text(b)
		case rLockedS:
			r.LockedMS, err = millis(b)
		case rCNLow:
			r.CNLowDB, err = number(b)
		case rCNSpread:
			r.CNSpreadDB, err = number(b)
		case rLevelPct:
			r.LevelPct, err = number(b)
		case rScale:
			r.Scale, err = rd.s.text(b)
		case rWhy:
			var v string
			v, err = rd.s.text(b)
			r.Why = reception.Reason(v)
			if err == nil && !slices.Contains(reception.Reasons(), r.Why) {
				err = fmt.Errorf("%q is not a reason; want one of %v, or empty for a visit that was made", clip(v), reception.Reasons())
			}
		case rKnown:
			r.Known, err = instant(b)
		case rInstallation:
			row.Installation, err = rd.s.text(b)
		}
		if err != nil {
			return bad(line, rd.s.form.columns[col], err)
		}
	}
	if r.Time == 0 {
		return bad(line, "time", errNoTime)
	}
	if r.Tuner == "" {
		r.Tuner = rd.o.DefaultTuner
	}
	if err := rd.frequency(r, rf, tuned); err != nil {
		return bad(line, "", err)
	}
	rd.looks.see(r)
	if r.DwellMS == reception.NotCounted {
		r.DwellMS = 1000
		rd.n.add("dwell_s is missing: one second assumed for %s", line)
	}
	if err := rd.state(r, locked, lockedKnown, line); err != nil {
		return bad(line, "", err)
	}
	if err := r.Validate(); err != nil {
		return bad(line, "", err)
	}
	rd.scale(r, line)
	rd.stay(row)
	return nil
}

// frequency finds the channel's key and system.
func (rd *Readings) frequency(r *reception.Reading, rf, tuned int64) error {
	switch {
	case tuned >= 0:
		key, n := rd.o.Region.Key(tuned)
		if r.FrequencyHz = key; key != tuned {
			r.TunedHz = tuned
		}
		if want, ok := rd.centres[int(rf)]; ok && int64(n) != rf {
			return fmt.Errorf("channel %d is at %s MHz in region %q, but frequency_hz says %s MHz; correct one of them",
				rf, mhz(want), string(rd.o.Region), mhz(tuned))
		}
		return nil
	case rf < 0:
		return errors.New("channel and frequency_hz are empty; want one of them")
	case rd.o.Region == "":
		return fmt.Errorf("channel %d needs to know its region: set home.region in the config to one of %v, or give frequency_hz", rf, reception.Regions())
	case r.System == reception.DTMB:
		return fmt.Errorf("channel %d of system dtmb has no frequency known here; give frequency_hz", rf)
	}
	f, ok := rd.centres[int(rf)]
	if !ok {
		_, _, err := rd.o.Region.CentreHz(int(rf))
		if err == nil {
			err = errors.New("is not an RF channel")
		}
		return fmt.Errorf("channel: %w; give frequency_hz if it is right", err)
	}
	r.FrequencyHz = f
	return nil
}

func mhz(hz int64) string { return strconv.FormatFloat(float64(hz)/1e6, 'f', -1, 64) }

// state settles what a row says of lock, or of a visit that was not made.
func (rd *Readings) state(r *reception.Reading, locked, known bool, line int64) error {
	quality := !math.IsNaN(r.CNDB) || !math.IsNaN(r.CNLowDB) || !math.IsNaN(r.QualityPct) || !math.IsNaN(r.ErroredS) ||
		r.UncorrectedBlocks >= 0 || r.PreErrors >= 0
	if !r.Valid() {
		if quality || known || r.LockedMS >= 0 || !math.IsNaN(r.LevelDBm) || !math.IsNaN(r.LevelPct) || r.TotalBlocks >= 0 {
			return fmt.Errorf("why says %q, not measured, but the row has measured values; empty the one or the other", string(r.Why))
		}
		return nil
	}
	switch {
	case known:
		r.Locked = locked
	case r.LockedMS >= 0:
		r.Locked = r.LockedMS > 0
	case quality:
		r.Locked = true
		if r.CNDB == 0 || r.QualityPct == 0 {
			rd.n.add("locked is missing and the quality is 0 in %s: taken as locked; if the tuner shows 0 without a signal, give the column locked", line)
		}
	default:
		rd.n.add("locked and quality are missing in %s: taken as not measured", line)
		n := reception.NewReading()
		n.Time, n.Tuner, n.FrequencyHz, n.TunedHz, n.Layer = r.Time, r.Tuner, r.FrequencyHz, r.TunedHz, r.Layer
		n.Visit, n.Known, n.DwellMS = r.Visit, r.Known, r.DwellMS
		n.Why = reception.WhyOther
		*r = n
		return nil
	}
	if r.System == "" {
		r.System = rd.o.Region.DefaultSystem()
	}
	if r.UncorrectedBlocks >= 0 && r.TotalBlocks < 0 {
		rd.n.add("total_blocks is missing: no block error ratio for %s", line)
	}
	if r.System == "" {
		rd.n.add("the transmission system of %s is not known, so neither is its threshold: set home.region in the config, or give the column system", line)
	}
	if r.System == reception.DTMB {
		rd.n.add("%s of system dtmb, for which no threshold is known: give the channel one in the config", line)
	}
	return nil
}

// scale gives a row without a scale one that says what its figures are.
func (rd *Readings) scale(r *reception.Reading, line int64) {
	if r.Scale == "" {
		if !r.Valid() {
			return
		}
		r.Scale = rd.defaultScale(r)
	}
	guessed, seen := rd.used[r.Scale]
	if !seen {
		_, ok := rd.scales[r.Scale]
		guessed = !ok
		rd.used[r.Scale] = guessed
	}
	if guessed && r.Scale != scaleDB && r.Scale != scalePct {
		rd.n.add("the scale of %s is not described in a scales.csv beside the file: its step and ceiling are not known", line)
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
