package tally

import (
	"cmp"
	"slices"

	"holdfast/analysis/reception"
)

// plainHour is Hour as it was first written, one reading at a time and without memory
// used again: the oracle of [Folder].
func plainHour(readings, before, after []reception.Reading, regime func(*reception.Reading) reception.Regime, rules Rules) []Keyed {
	if len(readings) == 0 {
		return nil
	}
	h := newPlain(readings, before, after, regime, rules)
	for i := h.from; i < h.to; i++ {
		h.count(i)
	}
	h.seconds(after)
	h.shareOut()
	slices.SortFunc(h.out, func(a, b Keyed) int { return compareRegimes(a.Key.Regime, b.Key.Regime) })
	return h.out
}

// A plain is the state of one call of plainHour: the window of readings looked at, of
// which [from, to) are the hour's own.
type plain struct {
	rules    Rules
	lookup   func(*reception.Reading) reception.Regime
	carry    int64
	win      []*reception.Reading
	regimes  []reception.Regime
	verdicts []plainVerdict
	from, to int
	startMS  int64
	variance float64 // of C/N within the hour's visits, see steadyQuality
	out      []Keyed
	units    []reception.ScaleUnit // of out
	latest   int                   // of out

	lastBase, lastMade int // indices into win, -1 for none
}

// A plainVerdict is how a visit of the window was judged.
type plainVerdict struct {
	made       bool
	bad, wrong bool
	erroredUS  int64
}

func (h *plain) verdict(i int) plainVerdict {
	v := &h.verdicts[i]
	if !v.made {
		r, rules := h.win[i], h.rules.under(h.regimes[i].Installation)
		*v = plainVerdict{true, Bad(r, rules), WrongIdentity(r, rules), ErroredUS(r, rules)}
	}
	return *v
}

func newPlain(readings, before, after []reception.Reading, regime func(*reception.Reading) reception.Regime, rules Rules) *plain {
	if regime == nil {
		regime = func(r *reception.Reading) reception.Regime { return reception.Regime{Mode: r.Mode, Scale: r.Scale} }
	}
	n := HourOf(readings[0].Time)
	h := &plain{rules: rules, lookup: regime, carry: rules.CarryMS(), startMS: n * reception.HourMS, lastBase: -1, lastMade: -1}
	first := len(before)
	for first > 0 && before[first-1].Time >= h.startMS-h.carry {
		first--
	}
	h.win = make([]*reception.Reading, 0, len(before)-first+len(readings)+1)
	for i := first; i < len(before); i++ {
		h.win = append(h.win, &before[i])
	}
	h.from = len(h.win)
	for i := range readings {
		h.win = append(h.win, &readings[i])
	}
	h.to = len(h.win)
	h.variance = meanVariance(readings)
	for i := range after {
		if after[i].Time >= h.startMS+reception.HourMS+h.carry {
			break
		}
		if after[i].Valid() {
			h.win = append(h.win, &after[i])
			break
		}
	}
	h.regimes = plainFill(h.win, regime)
	h.verdicts = make([]plainVerdict, len(h.win))
	for i := range h.from {
		h.passed(i)
	}
	return h
}

// passed notes that the reading i lies behind.
func (h *plain) passed(i int) {
	r := h.win[i]
	if !r.Valid() {
		return
	}
	h.lastMade = i
	if r.Visit == reception.VisitBase {
		h.lastBase = i
	}
}

// plainFill names the regime of each reading of a window.
func plainFill(win []*reception.Reading, regime func(*reception.Reading) reception.Regime) []reception.Regime {
	out := make([]reception.Regime, len(win))
	for i, r := range win {
		out[i] = regime(r)
	}
	for i := 1; i < len(out); i++ {
		plainTake(&out[i], out[i-1])
	}
	for i := len(out) - 2; i >= 0; i-- {
		plainTake(&out[i], out[i+1])
	}
	return out
}

func plainTake(g *reception.Regime, from reception.Regime) {
	if g.Mode == "" {
		g.Mode = from.Mode
	}
	if g.Scale == "" {
		g.Scale = from.Scale
	}
}

// tally returns the tally of the regime of reading i, and its scale's unit.
func (h *plain) tally(i int) (*reception.Tally, reception.ScaleUnit) {
	g := h.regimes[i]
	if len(h.out) > 0 && h.out[h.latest].Key.Regime == g {
		return &h.out[h.latest].Tally, h.units[h.latest]
	}
	for k := range h.out {
		if h.out[k].Key.Regime == g {
			h.latest = k
			return &h.out[k].Tally, h.units[k]
		}
	}
	h.latest = len(h.out)
	h.out = append(h.out, Keyed{Key: reception.TallyKey{
		Series: h.win[i].Series(), Regime: g, Hour: h.startMS / reception.HourMS,
	}})
	u := h.rules.unit(g.Scale)
	h.units = append(h.units, u)
	return &h.out[len(h.out)-1].Tally, u
}

// count enters one reading of the hour.
func (h *plain) count(i int) {
	r := h.win[i]
	t, unit := h.tally(i)
	if !r.Valid() {
		if k := slices.Index(reception.Reasons(), r.Why); k >= 0 && r.Visit == reception.VisitBase {
			t.NotMeasuredMS[k] += r.DwellMS
		}
		return
	}
	v := h.verdict(i)
	switch r.Visit {
	case reception.VisitBase:
		plainBase(t, r, unit, v)
		h.pair(t, i, unit, v.bad)
	default:
		if t.Extra++; v.bad {
			t.ExtraBad++
		}
		if r.Visit == reception.VisitRiding {
			t.Riding++
		}
	}
	h.dose(t, r, unit, v)
	if v.bad {
		h.run(t, i)
	}
	h.passed(i)
}

func plainBase(t *reception.Tally, r *reception.Reading, unit reception.ScaleUnit, v plainVerdict) {
	t.Visits++
	t.DwellMS += r.DwellMS
	t.ErroredUS += v.erroredUS
	if v.bad {
		t.Bad++
	}
	if LostLock(r) {
		t.LockLosses++
	}
	if v.wrong {
		t.WrongIdentity++
	}
	cn, hasCN := quality(r, unit)
	switch {
	case !r.Locked:
		t.Unlocked++
		t.UnlockedMS += r.DwellMS
	case !hasCN:
		t.NoCN++
	default:
		t.CNSumMDB += cn
		t.CNSumSqMDB2 += cn * cn
		t.CN = plainBin(t.CN, cnBin(cn, unit))
	}
	plainLevel(t, r, cn, hasCN)
}

// plainLevel enters the level in 0.01 dBm, apart for unlocked visits.
func plainLevel(t *reception.Tally, r *reception.Reading, cn int64, hasCN bool) {
	m, ok := milli(r.LevelDBm)
	if !ok {
		return
	}
	c := floorDiv(m+5, 10)        // 0.01 dBm, rounded
	bin := int32(floorDiv(c, 50)) // 0.5 dB
	if !r.Locked {
		t.DarkLevelN++
		t.DarkLevelSum += c
		t.DarkLevel = plainBin(t.DarkLevel, bin)
		return
	}
	t.LevelN++
	t.LevelSum += c
	t.LevelSumSq += c * c
	t.Level = plainBin(t.Level, bin)
	if hasCN {
		t.LevelCN += c * cn
	}
}

// pair enters the pair of a base visit with the one before it, if that lies within
// the carry and in the same regime.
func (h *plain) pair(t *reception.Tally, i int, unit reception.ScaleUnit, bad bool) {
	if h.lastBase < 0 || h.regimes[h.lastBase] != h.regimes[i] {
		return
	}
	r, p := h.win[i], h.win[h.lastBase]
	if r.Time-p.Time > h.carry {
		return
	}
	t.Pairs++
	t.SpacingMS += r.Time - p.Time
	switch was := h.verdict(h.lastBase).bad; {
	case was && !bad:
		t.BadToGood++
	case !was && bad:
		t.GoodToBad++
	}
	a, okA := quality(p, unit)
	b, okB := quality(r, unit)
	if okA && okB {
		t.DiffPairs++
		t.CNDiffSqMDB2 += (b - a) * (b - a)
	}
}

// dose enters a visit of any kind. One on the wrong identity stays out: its errors
// say nothing of what the wanted signal's C/N would have given.
func (h *plain) dose(t *reception.Tally, r *reception.Reading, unit reception.ScaleUnit, v plainVerdict) {
	cn, ok := doseQuality(r, unit)
	if !ok || v.wrong {
		return
	}
	d := reception.DoseBin{Bin: cnBin(cn, unit), Visits: 1, ErroredUS: v.erroredUS}
	if Failed(r, h.rules) {
		d.Failed = 1
	}
	if x, ok := steadyQuality(r, cn, unit, h.variance); ok {
		t.Steady = plainBin(t.Steady, cnBin(x, unit))
		if d.Failed > 0 {
			t.SteadyFailed = plainBin(t.SteadyFailed, cnBin(x, unit))
		}
	}
	d.ErroredBlocks = max(r.UncorrectedBlocks, 0)
	d.Blocks = max(r.TotalBlocks, 0)
	d.PreErrors = max(r.PreErrors, 0)
	d.PreBits = max(r.PreBits, 0)
	t.Dose = addDose(t.Dose, d, 1)
}

// run enters a bad visit into the run of bad visits that it belongs to: one with no
// good visit, no change of regime and no gap as long as the carry in between.
func (h *plain) run(t *reception.Tally, i int) {
	r := h.win[i]
	end := r.Time + r.DwellMS
	near := h.lastMade >= 0 && r.Time-h.endMS(h.lastMade) < h.carry
	if near && h.lastMade >= h.from && h.regimes[h.lastMade] == h.regimes[i] && h.verdict(h.lastMade).bad {
		b := &t.Runs[len(t.Runs)-1]
		b.LastMS = max(b.LastMS, end)
		h.add(b, i)
		return
	}
	b := reception.BadRun{FirstMS: r.Time, LastMS: end, GapMS: h.carry}
	if near {
		b.BeforeMS = h.endMS(h.lastMade)
	}
	t.Runs = append(t.Runs, b)
	h.add(&t.Runs[len(t.Runs)-1], i)
}

func (h *plain) endMS(i int) int64 { return h.win[i].Time + h.win[i].DwellMS }

// add counts the bad visit i and looks up the visit after it.
func (h *plain) add(b *reception.BadRun, i int) {
	r, v := h.win[i], h.verdict(i)
	b.Visits++
	b.ErroredUS += v.erroredUS
	if r.Visit == reception.VisitBase {
		b.BaseVisits++
		b.BaseDwellMS += r.DwellMS
		b.BaseErroredUS += v.erroredUS
	}
	if !r.Locked {
		b.Unlocked++
	}
	if v.wrong {
		b.WrongIdentity++
	}
	b.AfterMS = 0
	for _, n := range h.win[i+1:] {
		if n.Valid() {
			if n.Time-b.LastMS < h.carry {
				b.AfterMS = n.Time
			}
			return
		}
	}
}

// seconds enters severely errored and unavailable seconds where base visits came
// each second: at most a second long, a second apart, ten or more in a row.
func (h *plain) seconds(after []reception.Reading) {
	var seq []int // indices into all
	all := h.win[:h.to:h.to]
	for i := range after {
		if after[i].Time >= h.startMS+reception.HourMS+LookAheadMS {
			break
		}
		all = append(all, &after[i])
	}
	flush := func() {
		if len(seq) >= decisive {
			h.tenSecond(all, seq)
		}
		seq = seq[:0]
	}
	for i, r := range all {
		if !r.Valid() || r.Visit != reception.VisitBase {
			continue
		}
		if r.DwellMS > 1000 {
			flush()
			continue
		}
		if n := len(seq); n > 0 {
			if d := r.Time - all[seq[n-1]].Time; d < 500 || d >= 1500 {
				flush()
			}
		}
		seq = append(seq, i)
	}
	flush()
}

func (h *plain) tenSecond(all []*reception.Reading, seq []int) {
	if seq[len(seq)-1] < h.from || seq[0] >= h.to {
		return
	}
	ses := make([]bool, len(seq))
	for k, i := range seq {
		ses[k] = plainSevere(all[i], h.rules.under(h.lookup(all[i]).Installation))
	}
	down := unavailable(ses)
	for k, i := range seq {
		if i < h.from || i >= h.to {
			continue
		}
		t, _ := h.tally(i)
		switch {
		case down[k]:
			t.UnavailableS++
		case ses[k]:
			t.SevereS++
		}
	}
}

// plainSevere reports whether a second was severely errored: without lock or the wanted
// signal, or with at least 30 % bad blocks.
func plainSevere(r *reception.Reading, rules Rules) bool {
	return !r.Locked || LostLock(r) || WrongIdentity(r, rules) ||
		r.TotalBlocks > 0 && float64(r.UncorrectedBlocks) >= severeShare*float64(r.TotalBlocks)
}

// shareOut sets the time that the visits stand for.
func (h *plain) shareOut() {
	var visits int64
	for i := range h.out {
		visits += h.out[i].Tally.Visits
	}
	if visits == 0 {
		return
	}
	slices.SortFunc(h.out, func(a, b Keyed) int { return compareRegimes(a.Key.Regime, b.Key.Regime) })
	stood := min(int64(reception.HourMS), visits*3*h.rules.IntervalMS())
	var sum, given int64
	for i := range h.out {
		sum += h.out[i].Tally.Visits
		upto := stood * sum / visits
		h.out[i].Tally.StoodMS = upto - given
		given = upto
	}
}

func plainBin(bins []reception.Bin, bin int32) []reception.Bin {
	i, ok := slices.BinarySearchFunc(bins, bin, func(b reception.Bin, at int32) int { return cmp.Compare(b.Bin, at) })
	if !ok {
		return slices.Insert(bins, i, reception.Bin{Bin: bin, N: 1})
	}
	bins[i].N++
	return bins
}
