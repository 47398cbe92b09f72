package tally

import (
	"cmp"
	"slices"
	"strings"

	"holdfast/analysis/reception"
)

// Hour returns the tallies of one hour of one series, one for each regime met, in
// the order of the regimes' names.
//
// readings are all of one hour and one series, ascending by Time, no Time twice;
// visits that were not made are among them. before and after are readings of the
// series before and after the hour, ascending; what lies beyond the carry
// (Rules.CarryMS) from the hour is not looked at, so more may be given. Of after,
// the first visit made and the ten seconds following the hour count. regime names
// the regime of a reading; nil takes mode and scale from the reading. A reading
// without mode or scale (an unlocked one seldom has a mode) takes them from the
// nearest earlier reading that has them, else from the nearest later one.
//
// The time that visits stand for, min(1 h, visits x three base intervals), is
// shared out among the hour's regimes by their visits, so that no hour stands for
// more than itself.
func Hour(readings, before, after []reception.Reading, regime func(*reception.Reading) reception.Regime, rules Rules) []Keyed {
	return new(Folder).Hour(readings, before, after, regime, rules)
}

// A Folder makes the tallies of many hours in memory that it uses again. The zero
// Folder is ready for use, by one goroutine at a time.
type Folder struct {
	rules    Rules
	lookup   func(*reception.Reading) reception.Regime
	carry    int64
	win      []seen // looked at, of which [from, to) are the hour's own
	from, to int
	startMS  int64
	variance float64 // of C/N within the hour's visits, see steadyQuality
	regimes  []regime
	out      []Keyed
	units    []reception.ScaleUnit // of out
	old      []reception.Tally     // whose slices are used again

	lastBase, lastMade int // indices into win, -1 for none
}

// A seen is a reading of the window.
type seen struct {
	*reception.Reading
	regime int // index into regimes
	judged bool
	verdict
	cn    int64 // see quality, once it was counted
	hasCN bool
}

// A regime is one that was met in the window.
type regime struct {
	reception.Regime
	rules Rules // for visits under its installation
	out   int   // place of its tally; -1: there is none yet
}

// Hour is as the function [Hour]. What it returns is valid until the next call.
func (h *Folder) Hour(readings, before, after []reception.Reading, regime func(*reception.Reading) reception.Regime, rules Rules) []Keyed {
	if len(readings) == 0 {
		return nil
	}
	h.begin(readings, before, after, regime, rules)
	for i := h.from; i < h.to; i++ {
		h.count(i)
	}
	h.seconds(after)
	h.shareOut()
	slices.SortFunc(h.out, func(a, b Keyed) int { return compareRegimes(a.Key.Regime, b.Key.Regime) })
	h.old = h.old[:0]
	for i := range h.out {
		t := &h.out[i].Tally
		h.old = append(h.old, *t)
		for _, bins := range histograms(t) {
			if len(*bins) == 0 {
				*bins = nil
			}
		}
		if len(t.Dose) == 0 {
			t.Dose = nil
		}
		if len(t.Runs) == 0 {
			t.Runs = nil
		}
	}
	return h.out
}

func compareRegimes(a, b reception.Regime) int {
	return cmp.Or(strings.Compare(a.Installation, b.Installation), strings.Compare(a.Mode, b.Mode), strings.Compare(a.Scale, b.Scale))
}

// verdict judges a visit of the window, once.
func (h *Folder) verdict(v *seen) *verdict {
	if !v.judged {
		v.judged, v.verdict = true, judge(v.Reading, &h.regimes[v.regime].rules)
	}
	return &v.verdict
}

func (h *Folder) begin(readings, before, after []reception.Reading, regime func(*reception.Reading) reception.Regime, rules Rules) {
	if regime == nil {
		regime = func(r *reception.Reading) reception.Regime { return reception.Regime{Mode: r.Mode, Scale: r.Scale} }
	}
	h.rules, h.lookup, h.carry = rules, regime, rules.CarryMS()
	h.startMS, h.lastBase, h.lastMade = HourOf(readings[0].Time)*reception.HourMS, -1, -1
	h.win, h.regimes, h.out, h.units = h.win[:0], h.regimes[:0], h.out[:0], h.units[:0]
	first := len(before)
	for first > 0 && before[first-1].Time >= h.startMS-h.carry {
		first--
	}
	h.look(before[first:])
	h.from = len(h.win)
	h.look(readings)
	h.to = len(h.win)
	h.variance = meanVariance(readings)
	for i := range after {
		if after[i].Time >= h.startMS+reception.HourMS+h.carry {
			break
		}
		if after[i].Valid() {
			h.look(after[i : i+1])
			break
		}
	}
	h.fill()
	for i := range h.from {
		h.passed(i)
	}
}

// look takes readings into the window, each with the regime that it tells.
func (h *Folder) look(readings []reception.Reading) {
	n := len(h.win)
	h.win = slices.Grow(h.win, len(readings))[:n+len(readings)]
	g, at := reception.Regime{}, -1 // of the reading before
	for i := range readings {
		r := &readings[i]
		if x := h.lookup(r); at < 0 || x != g {
			g, at = x, h.named(x)
		}
		h.win[n+i] = seen{Reading: r, regime: at}
	}
}

// named returns the index of a regime.
func (h *Folder) named(g reception.Regime) int {
	for i := len(h.regimes) - 1; i >= 0; i-- {
		if h.regimes[i].Regime == g {
			return i
		}
	}
	h.regimes = append(h.regimes, regime{Regime: g, rules: h.rules.under(g.Installation), out: -1})
	return len(h.regimes) - 1
}

// passed notes that the reading i lies behind.
func (h *Folder) passed(i int) {
	r := &h.win[i]
	if !r.Valid() {
		return
	}
	h.lastMade = i
	if r.Visit == reception.VisitBase {
		h.lastBase = i
	}
}

// fill gives readings that tell no mode or scale those of the nearest that do.
func (h *Folder) fill() {
	for i := 1; i < len(h.win); i++ {
		h.take(&h.win[i], &h.win[i-1])
	}
	for i := len(h.win) - 2; i >= 0; i-- {
		h.take(&h.win[i], &h.win[i+1])
	}
}

func (h *Folder) take(v, from *seen) {
	if v.regime == from.regime {
		return
	}
	g, o := h.regimes[v.regime].Regime, &h.regimes[from.regime].Regime
	if g.Mode != "" && g.Scale != "" {
		return
	}
	g.Mode, g.Scale = cmp.Or(g.Mode, o.Mode), cmp.Or(g.Scale, o.Scale)
	v.regime = h.named(g)
}

// tally returns the tally of a visit's regime, and its scale's unit.
func (h *Folder) tally(v *seen) (*reception.Tally, reception.ScaleUnit) {
	g := &h.regimes[v.regime]
	if g.out < 0 {
		g.out = len(h.out)
		h.out = append(h.out, Keyed{Key: reception.TallyKey{
			Series: v.Series(), Regime: g.Regime, Hour: h.startMS / reception.HourMS,
		}})
		h.units = append(h.units, h.rules.unit(g.Scale))
		if t := &h.out[g.out].Tally; g.out < len(h.old) {
			o := &h.old[g.out]
			t.CN, t.Level, t.DarkLevel = o.CN[:0], o.Level[:0], o.DarkLevel[:0]
			t.Steady, t.SteadyFailed = o.Steady[:0], o.SteadyFailed[:0]
			t.Dose, t.Runs = o.Dose[:0], o.Runs[:0]
		}
	}
	return &h.out[g.out].Tally, h.units[g.out]
}

// count enters one reading of the hour.
func (h *Folder) count(i int) {
	r := &h.win[i]
	t, unit := h.tally(r)
	if !r.Valid() {
		if k := slices.Index(reception.Reasons(), r.Why); k >= 0 && r.Visit == reception.VisitBase {
			t.NotMeasuredMS[k] += r.DwellMS
		}
		return
	}
	h.verdict(r)
	r.cn, r.hasCN = quality(r.Reading, unit)
	switch r.Visit {
	case reception.VisitBase:
		base(t, r, unit)
		h.pair(t, r, unit)
	default:
		if t.Extra++; r.bad {
			t.ExtraBad++
		}
		if r.Visit == reception.VisitRiding {
			t.Riding++
		}
	}
	h.dose(t, r, unit)
	if r.bad {
		h.run(t, i)
	}
	h.passed(i)
}

func base(t *reception.Tally, r *seen, unit reception.ScaleUnit) {
	t.Visits++
	t.DwellMS += r.DwellMS
	t.ErroredUS += r.erroredUS
	if r.bad {
		t.Bad++
	}
	if LostLock(r.Reading) {
		t.LockLosses++
	}
	if r.wrong {
		t.WrongIdentity++
	}
	switch {
	case !r.Locked:
		t.Unlocked++
		t.UnlockedMS += r.DwellMS
	case !r.hasCN:
		t.NoCN++
	default:
		t.CNSumMDB += r.cn
		t.CNSumSqMDB2 += r.cn * r.cn
		t.CN = addOne(t.CN, cnBin(r.cn, unit))
	}
	level(t, r)
}

// level enters the level in 0.01 dBm, apart for unlocked visits.
func level(t *reception.Tally, r *seen) {
	m, ok := milli(r.LevelDBm)
	if !ok {
		return
	}
	c := floorDiv(m+5, 10)        // 0.01 dBm, rounded
	bin := int32(floorDiv(c, 50)) // 0.5 dB
	if !r.Locked {
		t.DarkLevelN++
		t.DarkLevelSum += c
		t.DarkLevel = addOne(t.DarkLevel, bin)
		return
	}
	t.LevelN++
	t.LevelSum += c
	t.LevelSumSq += c * c
	t.Level = addOne(t.Level, bin)
	if r.hasCN {
		t.LevelCN += c * r.cn
	}
}

// pair enters the pair of a base visit with the one before it, if that lies within
// the carry and in the same regime.
func (h *Folder) pair(t *reception.Tally, r *seen, unit reception.ScaleUnit) {
	if h.lastBase < 0 || h.win[h.lastBase].regime != r.regime {
		return
	}
	p := &h.win[h.lastBase]
	if r.Time-p.Time > h.carry {
		return
	}
	t.Pairs++
	t.SpacingMS += r.Time - p.Time
	switch was := h.verdict(p).bad; {
	case was && !r.bad:
		t.BadToGood++
	case !was && r.bad:
		t.GoodToBad++
	}
	if h.lastBase < h.from {
		p.cn, p.hasCN = quality(p.Reading, unit)
	}
	if p.hasCN && r.hasCN {
		t.DiffPairs++
		t.CNDiffSqMDB2 += (r.cn - p.cn) * (r.cn - p.cn)
	}
}

// dose enters a visit of any kind. One on the wrong identity stays out: its errors
// say nothing of what the wanted signal's C/N would have given.
func (h *Folder) dose(t *reception.Tally, r *seen, unit reception.ScaleUnit) {
	cn, ok := r.cn, r.hasCN
	if !r.Locked || LostLock(r.Reading) {
		cn, ok = doseQuality(r.Reading, unit)
	}
	if !ok || r.wrong {
		return
	}
	dose, i := doseBin(t.Dose, cnBin(cn, unit))
	t.Dose = dose
	d := &dose[i]
	failed := failed(r.Reading, h.rules.System)
	d.Visits++
	if failed {
		d.Failed++
	}
	d.ErroredUS += r.erroredUS
	d.ErroredBlocks += max(r.UncorrectedBlocks, 0)
	d.Blocks += max(r.TotalBlocks, 0)
	d.PreErrors += max(r.PreErrors, 0)
	d.PreBits += max(r.PreBits, 0)
	if x, ok := steadyQuality(r.Reading, cn, unit, h.variance); ok {
		t.Steady = addOne(t.Steady, cnBin(x, unit))
		if failed {
			t.SteadyFailed = addOne(t.SteadyFailed, cnBin(x, unit))
		}
	}
}

// run enters a bad visit into the run of bad visits that it belongs to: one with no
// good visit, no change of regime and no gap as long as the carry in between.
func (h *Folder) run(t *reception.Tally, i int) {
	r := &h.win[i]
	end := r.Time + r.DwellMS
	near := h.lastMade >= 0 && r.Time-h.endMS(h.lastMade) < h.carry
	if near && h.lastMade >= h.from && h.win[h.lastMade].regime == r.regime && h.verdict(&h.win[h.lastMade]).bad {
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

func (h *Folder) endMS(i int) int64 { return h.win[i].Time + h.win[i].DwellMS }

// add counts the bad visit i and looks up the visit after it.
func (h *Folder) add(b *reception.BadRun, i int) {
	r := &h.win[i]
	b.Visits++
	b.ErroredUS += r.erroredUS
	if r.Visit == reception.VisitBase {
		b.BaseVisits++
		b.BaseDwellMS += r.DwellMS
		b.BaseErroredUS += r.erroredUS
	}
	if !r.Locked {
		b.Unlocked++
	}
	if r.wrong {
		b.WrongIdentity++
	}
	b.AfterMS = 0
	for k := i + 1; k < len(h.win); k++ {
		if n := &h.win[k]; n.Valid() {
			if n.Time-b.LastMS < h.carry {
				b.AfterMS = n.Time
			}
			return
		}
	}
}

// seconds enters severely errored and unavailable seconds where base visits came
// each second: at most a second long, a second apart, ten or more in a row.
func (h *Folder) seconds(after []reception.Reading) {
	end := 0
	for end < len(after) && after[end].Time < h.startMS+reception.HourMS+LookAheadMS {
		end++
	}
	reading := func(i int) *reception.Reading {
		if i < h.to {
			return h.win[i].Reading
		}
		return &after[i-h.to]
	}
	short := 0
	for i := range h.to + end {
		if r := reading(i); r.DwellMS <= 1000 && r.Valid() && r.Visit == reception.VisitBase {
			short++
		}
	}
	if short < decisive {
		return
	}
	var seq []int
	flush := func() {
		if len(seq) >= decisive {
			h.tenSecond(reading, seq)
		}
		seq = seq[:0]
	}
	for i := range h.to + end {
		r := reading(i)
		if !r.Valid() || r.Visit != reception.VisitBase {
			continue
		}
		if r.DwellMS > 1000 {
			flush()
			continue
		}
		if n := len(seq); n > 0 {
			if d := r.Time - reading(seq[n-1]).Time; d < 500 || d >= 1500 {
				flush()
			}
		}
		seq = append(seq, i)
	}
	flush()
}

func (h *Folder) tenSecond(reading func(int) *reception.Reading, seq []int) {
	if seq[len(seq)-1] < h.from || seq[0] >= h.to {
		return
	}
	ses := make([]bool, len(seq))
	for k, i := range seq {
		r := reading(i)
		rules := h.rules.under(h.lookup(r).Installation)
		ses[k] = severe(r, &rules)
	}
	down := unavailable(ses)
	for k, i := range seq {
		if i < h.from || i >= h.to {
			continue
		}
		t, _ := h.tally(&h.win[i])
		switch {
		case down[k]:
			t.UnavailableS++
		case ses[k]:
			t.SevereS++
		}
	}
}

// severe reports whether a second was severely errored: without lock or the wanted
// signal, or with at least 30 % bad blocks.
func severe(r *reception.Reading, rules *Rules) bool {
	return !r.Locked || LostLock(r) || wrongIdentity(r, rules) ||
		r.TotalBlocks > 0 && float64(r.UncorrectedBlocks) >= severeShare*float64(r.TotalBlocks)
}

// shareOut sets the time that the visits stand for.
func (h *Folder) shareOut() {
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
