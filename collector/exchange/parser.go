package exchange

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"holdfast/analysis/reception"
)

// A parser turns the fields of rows into readings, one row for itself alone, and
// keeps count of what it assumes. It is used by one goroutine at a time.
type parser struct {
	columns []int // number of the column at each place
	o       ReadOptions
	centres map[int]int64 // by channel number
	system  reception.System
	keys    [64]keyed // the latest one at each place, by its MHz
	n       notices
	looks   looks
	texts
}

func newParser(columns []int, o ReadOptions) parser {
	p := parser{columns: columns, o: o, centres: map[int]int64{}}
	for _, rf := range o.Region.RFNumbers() {
		p.centres[rf], _, _ = o.Region.CentreHz(rf)
	}
	return p
}

// A keyed is a frequency with its channel's key and number.
type keyed struct {
	tunedHz, key int64
	rf           int
}

// key is [reception.Region.Key], which files ask for few frequencies again and again.
func (p *parser) key(tunedHz int64) (frequencyHz int64, rf int) {
	k := &p.keys[tunedHz/1e6%int64(len(p.keys))]
	if k.tunedHz != tunedHz {
		k.tunedHz = tunedHz
		k.key, k.rf = p.o.Region.Key(tunedHz)
	}
	return k.key, k.rf
}

// isSystem remembers the last one that it found.
func (p *parser) isSystem(s reception.System) bool {
	if s != p.system && slices.Contains(reception.Systems(), s) {
		p.system = s
	}
	return s == p.system
}

// parse fills a reading from the fields of its row.
func (p *parser) parse(r *reception.Reading, installation *string, fields [][]byte, line int64) *LineError {
	*r = reception.NewReading()
	r.DwellMS = reception.NotCounted
	rf, tuned := int64(reception.NotCounted), int64(reception.NotCounted)
	locked, lockedKnown := false, false
	for i, b := range fields {
		col := p.columns[i]
		if len(b) == 0 {
			continue
		}
		var err error
		switch col {
		case rTime:
			r.Time, err = instant(b)
		case rTuner:
			r.Tuner, err = p.text(b)
		case rChannel:
			if rf, err = whole(b); err != nil {
				err = fmt.Errorf("%q is not an RF channel number (the number on screen, such as 12.1, is another thing)", clip(string(b)))
			}
		case rFrequency:
			tuned, err = whole(b)
		case rVisit:
			var v string
			v, err = p.text(b)
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
			r.Identity, err = p.text(b)
		case rMode:
			r.Mode, err = p.text(b)
		case rSystem:
			var v string
			v, err = p.text(b)
			r.System = reception.System(v)
			if err == nil && !p.isSystem(r.System) {
				err = fmt.Errorf("%q is not known; want one of %v", clip(v), reception.Systems())
			}
		case rLayer:
			r.Layer, err = p.text(b)
		case rLockedS:
			r.LockedMS, err = millis(b)
		case rCNLow:
			r.CNLowDB, err = number(b)
		case rCNSpread:
			r.CNSpreadDB, err = number(b)
		case rLevelPct:
			r.LevelPct, err = number(b)
		case rScale:
			r.Scale, err = p.text(b)
		case rWhy:
			var v string
			v, err = p.text(b)
			r.Why = reception.Reason(v)
			if err == nil && !slices.Contains(reception.Reasons(), r.Why) {
				err = fmt.Errorf("%q is not a reason; want one of %v, or empty for a visit that was made", clip(v), reception.Reasons())
			}
		case rKnown:
			r.Known, err = instant(b)
		case rInstallation:
			*installation, err = p.text(b)
		}
		if err != nil {
			return bad(line, readingsForm().columns[col], err)
		}
	}
	if r.Time == 0 {
		return bad(line, "time", errNoTime)
	}
	if r.Tuner == "" {
		r.Tuner = p.o.DefaultTuner
	}
	if err := p.frequency(r, rf, tuned); err != nil {
		return bad(line, "", err)
	}
	p.looks.see(r)
	if r.DwellMS == reception.NotCounted {
		r.DwellMS = 1000
		p.n.add("dwell_s is missing: one second assumed for %s", 1, line)
	}
	if err := p.state(r, locked, lockedKnown, line); err != nil {
		return bad(line, "", err)
	}
	if err := r.Validate(); err != nil {
		return bad(line, "", err)
	}
	return nil
}

// frequency finds the channel's key and system.
func (p *parser) frequency(r *reception.Reading, rf, tuned int64) error {
	switch {
	case tuned >= 0:
		key, n := p.key(tuned)
		if r.FrequencyHz = key; key != tuned {
			r.TunedHz = tuned
		}
		if want, ok := p.centres[int(rf)]; ok && int64(n) != rf {
			return fmt.Errorf("channel %d is at %s MHz in region %q, but frequency_hz says %s MHz; correct one of them",
				rf, mhz(want), string(p.o.Region), mhz(tuned))
		}
		return nil
	case rf < 0:
		return errors.New("channel and frequency_hz are empty; want one of them")
	case p.o.Region == "":
		return fmt.Errorf("channel %d needs to know its region: set home.region in the config to one of %v, or give frequency_hz", rf, reception.Regions())
	case r.System == reception.DTMB:
		return fmt.Errorf("channel %d of system dtmb has no frequency known here; give frequency_hz", rf)
	}
	f, ok := p.centres[int(rf)]
	if !ok {
		_, _, err := p.o.Region.CentreHz(int(rf))
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
func (p *parser) state(r *reception.Reading, locked, known bool, line int64) error {
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
			p.n.add("locked is missing and the quality is 0 in %s: taken as locked; if the tuner shows 0 without a signal, give the column locked", 1, line)
		}
	default:
		p.n.add("locked and quality are missing in %s: taken as not measured", 1, line)
		n := reception.NewReading()
		n.Time, n.Tuner, n.FrequencyHz, n.TunedHz, n.Layer = r.Time, r.Tuner, r.FrequencyHz, r.TunedHz, r.Layer
		n.Visit, n.Known, n.DwellMS = r.Visit, r.Known, r.DwellMS
		n.Why = reception.WhyOther
		*r = n
		return nil
	}
	if r.System == "" {
		r.System = p.o.Region.DefaultSystem()
	}
	if r.UncorrectedBlocks >= 0 && r.TotalBlocks < 0 {
		p.n.add("total_blocks is missing: no block error ratio for %s", 1, line)
	}
	if r.System == "" {
		p.n.add("the transmission system of %s is not known, so neither is its threshold: set home.region in the config, or give the column system", 1, line)
	}
	if r.System == reception.DTMB {
		p.n.add("%s of system dtmb, for which no threshold is known: give the channel one in the config", 1, line)
	}
	return nil
}
