// Package decompose holds the one model of the daily margin: settled level with
// steps, leaves, temperature and drift, whose terms add up to it, and what wet leaves
// take beyond them.
package decompose

import (
	"math"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A Day is what one noon-to-noon day of one channel in one installation showed.
type Day struct {
	Day    int64           // date number, see package drivers; rows are ascending, gaps allowed
	DryDB  float64         // median margin of dry hours (of all, without weather); NaN if none
	Bound  reception.Bound // DryDB is only a bound: unlocked visits, or a tuner at its ceiling
	WetDB  float64         // median margin of wet hours; NaN if none
	Wet    float64         // mean wetness of these hours, 0.5 to 1
	Leaf   float64         // leaf state 0 to 1; NaN where there is no leaf season
	TempC  float64         // mean of the day, seen; NaN if not
	Visits int64
}

// Options say what else is known.
type Options struct {
	StepDB     float64 // smallest change that the tuner shows; NaN counts as 0.1
	FarWeather bool    // weather from far away: its effects are "at least"
	LeafNeeds  string  // why there is no leaf season; "" where there is one
}

// A Step is a lasting change between two days.
type Step struct {
	Day    int64 // first day after it
	SizeDB float64
}

// A Fit is the margin taken apart. Slices follow the days given.
type Fit struct {
	Settled []float64 // settled margin of each day, dB; NaN where nothing near was measured
	// Free is Settled without the steps: what season and drift alone did.
	Free  []float64
	Steps []Step

	Now      reception.Estimate
	Leaf     reception.Estimate // loss by full dry foliage, dB
	WetLeaf  reception.Estimate // further loss by full wetness, dB
	Drift    reception.Estimate // change of margin, dB a month
	Season   Season             // for [Now] on days soon after
	Measured int                // days with a dry median
	// Turns is how many times the leaves went from bare to full or back between days
	// that were measured.
	Turns int
}

// A Season is what leaves, drift and noise were when a Fit was made. They move slowly.
type Season struct{ r regression }

// Days of measurement below which there is no settled margin, and measured days
// within a season that make it seen; ours, no published source.
const (
	daysForLevel  = 7
	daysForPhase  = 10
	daysForWet    = 8 // dry-downs in leaf
	daysForDrift  = 400
	bare, full    = 0.1, 0.9
	level95       = 0.95
	dampest       = 0.1  // wetness up to which hours count as dry
	wetScale      = 0.15 // share by which a wetness of one half to one may be off, until drying and filling are fitted; ours
	daysPerMonth  = 365.25 / 12
	levelHalfDays = 7  // half width of the running median
	nowDays       = 14 // what the present rests on
	spreadDays    = 60 // what its interval rests on
)

// Of takes the days apart. The settled margin is a running median over two weeks of
// the daily dry medians, with the leaf term taken out before and put back after, that
// does not run across steps. A step needs four days after it to be told from weather:
// until then Now spans both.
//
// Accuracy: Now and Leaf are checked against worlds of known truth in the tests, with
// AR(1) days of coefficient 0.6 and New York's temperatures.
func Of(days []Day, o Options) Fit {
	o = o.withDefaults()
	x, measured := dry(days)
	f := Fit{Measured: measured}
	f.Turns = turns(days)
	// A fall within a fortnight of a turn of the leaves may be leaves: first without
	// such steps, then with those that stand once the leaves are taken out.
	cuts := steps(days, x)
	r := regress(days, x, apartFromTurns(days, cuts), f.Turns)
	leafless := x
	if !math.IsNaN(r.leaf.Value) {
		cuts = steps(days, withoutLeaves(days, x, r))
		// A clock some days off leaves steps at the turns themselves: where these hide the
		// leaf effect, what was found without them stands.
		if again := regress(days, x, cuts, f.Turns); !math.IsNaN(again.leaf.Value) {
			r = again
		}
		leafless = withoutLeaves(days, x, r)
		cuts = steps(days, leafless)
	}
	x = leafless
	f.Settled, f.Steps = levels(days, x, cuts)
	f.Free = make([]float64, len(days))
	for i := range f.Settled {
		if !math.IsNaN(r.leaf.Value) {
			f.Settled[i] -= r.leaf.Value * days[i].Leaf
		}
		f.Free[i] = f.Settled[i]
		for _, s := range f.Steps {
			if days[i].Day >= s.Day {
				f.Free[i] -= s.SizeDB
			}
		}
	}
	f.Season = Season{r}
	f.Now = now(days, x, cuts, measured, r, o)
	f.WetLeaf = wetLeaf(days, f.Settled, o)
	f.Leaf = leafEffect(r, f, o)
	f.Drift = drift(days, r, f, o)
	return f
}

// Now is the Now of a Fit over the days, with what a Fit over most of them said of the
// season: a tenth of the work, for whoever asks every day and fits every week.
func Now(days []Day, s Season, o Options) reception.Estimate {
	x, measured := dry(days)
	if !math.IsNaN(s.r.leaf.Value) {
		x = withoutLeaves(days, x, s.r)
	}
	return now(days, x, steps(days, x), measured, s.r, o.withDefaults())
}

func (o Options) withDefaults() Options {
	if !(o.StepDB > 0) {
		o.StepDB = 0.1
	}
	return o
}

// dry returns the days' dry medians and how many were measured.
func dry(days []Day) (x []float64, measured int) {
	x = make([]float64, len(days))
	for i, d := range days {
		if x[i] = d.DryDB; !math.IsNaN(d.DryDB) {
			measured++
		}
	}
	return x, measured
}

// withoutLeaves returns the margins as they would be with bare trees.
func withoutLeaves(days []Day, x []float64, r regression) []float64 {
	out := make([]float64, len(x))
	for i, d := range days {
		out[i] = x[i] + r.leaf.Value*d.Leaf
	}
	return out
}

// turns counts the changes between phases of at least daysForPhase measured days.
func turns(days []Day) int {
	n, phase, run, seen := 0, 0, 0, 0
	for _, d := range days {
		if math.IsNaN(d.DryDB) || math.IsNaN(d.Leaf) {
			continue
		}
		p := 0
		switch {
		case d.Leaf <= bare:
			p = -1
		case d.Leaf >= full:
			p = 1
		}
		if p == 0 {
			continue
		}
		if p != run {
			run, seen = p, 0
		}
		if seen++; seen == daysForPhase && p != phase {
			if phase != 0 {
				n++
			}
			phase = p
		}
	}
	return n
}

// now is the settled margin at the last day measured.
func now(days []Day, x []float64, cuts []int, measured int, r regression, o Options) reception.Estimate {
	if measured < daysForLevel {
		return reception.Undecided("7 days measured with dry hours")
	}
	start := 0
	if len(cuts) > 0 {
		start = cuts[len(cuts)-1]
	}
	var y []float64
	var at []int
	for i := len(days) - 1; i >= start && len(y) < spreadDays; i-- {
		if !math.IsNaN(x[i]) {
			y, at = append(y, x[i]), append(at, i)
		}
	}
	reverse(y)
	reverse(at)
	last := at[len(at)-1]
	leafNow := 0.0
	if !math.IsNaN(r.leaf.Value) {
		leafNow = r.leaf.Value * days[last].Leaf
	}
	noise := math.Max(r.noise, o.StepDB/2)
	// How days differ is learnt from up to two months since the last step; the level
	// is that of the last two weeks.
	in := stat.MeanInterval(clipped(y), level95)
	n := min(len(y), nowDays)
	half := in.Half() * math.Sqrt(float64(len(y))/float64(n))
	// While leaves come or go, by how much nobody knows yet, two weeks are not one
	// level: one week, and the scatter that the change itself makes.
	moving := math.IsNaN(r.leaf.Value) && math.Abs(days[last].Leaf-days[at[len(at)-n]].Leaf) > 0.05
	if moving {
		own := stat.MeanInterval(y[len(y)-n:], level95).Half()
		m := min(n, levelHalfDays)
		half, n = math.Max(half, own)*math.Sqrt(float64(n)/float64(m)), m
	}
	if math.IsInf(half, 0) {
		// Just after a step: the scatter of the days before it, whose mean over n
		// days errs twice as much as if they were independent (coefficient 0.6).
		half = 1.96 * 2 * noise / math.Sqrt(float64(n))
	}
	y, at = y[len(y)-n:], at[len(at)-n:]
	level := stat.Median(y) - leafNow
	// Days that happened to be alike do not make it better than the scatter of all
	// allows.
	half = math.Max(math.Max(half, 1.96*noise/math.Sqrt(float64(n))), o.StepDB/2)
	// The median of normal values errs by sqrt(pi/2) more than their mean.
	half *= math.Sqrt(math.Pi / 2)
	// What the leaves did within these days: with the leaf effect known its error
	// counts, else 3 dB, the middle of the planning range 1 to 10 dB for UHF behind
	// trees (from memory).
	if leaf := days[last].Leaf; !math.IsNaN(leaf) {
		moved := math.Abs(leaf - days[at[0]].Leaf)
		err := 3.0
		if !math.IsNaN(r.leaf.Value) {
			err = (r.leaf.High - r.leaf.Low) / 2
		}
		half = math.Hypot(half, moved*err)
	}
	e := reception.Estimate{Value: level, Low: level - half, High: level + half, EffectiveN: in.EffectiveN, Method: "median over two weeks of dry daily medians; " + in.Method}
	// The last days may be a step that is not yet told from weather: span both.
	if n := min(3, len(y)); n > 0 && len(y) > n {
		recent := stat.Median(y[len(y)-n:]) - leafNow
		if math.Abs(recent-level) > math.Max(1, 3*noise) {
			h := 1.96 * 2 * noise / math.Sqrt(float64(n))
			e.Low, e.High = math.Min(e.Low, recent-h), math.Max(e.High, recent+h)
			e.Warnings = append(e.Warnings, "the last days differ: a lasting change or a spell of weather, decided within a week")
		}
	}
	e.Bound = boundOf(days, at)
	return e
}

// clipped returns values held within three robust standard deviations of their median:
// the level is a median too, and does not feel how deep a day's fade went.
func clipped(y []float64) []float64 {
	m, s := stat.Median(y), 3*stat.MAD(y)
	out := make([]float64, len(y))
	for i, v := range y {
		out[i] = math.Min(m+s, math.Max(m-s, v))
	}
	return out
}

// boundOf is the bound that at least half of some days share.
func boundOf(days []Day, at []int) reception.Bound {
	var least, most int
	for _, i := range at {
		switch days[i].Bound {
		case reception.AtLeast:
			least++
		case reception.AtMost:
			most++
		}
	}
	switch {
	case 2*least >= len(at) && least > 0:
		return reception.AtLeast
	case 2*most >= len(at) && most > 0:
		return reception.AtMost
	}
	return reception.Exact
}

func leafEffect(r regression, f Fit, o Options) reception.Estimate {
	switch {
	case o.LeafNeeds != "":
		return reception.Undecided(o.LeafNeeds)
	case f.Turns < 2:
		return reception.Undecided("one spring and one autumn")
	case math.IsNaN(r.leaf.Value):
		return reception.Undecided("a season without lasting changes: those seen hide what the leaves take")
	}
	e := r.leaf
	if f.WetLeaf.Decided() {
		// Hours count as dry up to a tenth of full wetness.
		e.Low -= dampest * math.Max(0, f.WetLeaf.Value)
	}
	return e
}

// wetLeaf is what full wetness adds in leaf: the median, over days in full leaf, of the
// settled margin of the day minus the median of its wet hours, over how wet these were.
// A median, for a fade that fills the wet hours of a day is no wet leaf. Its interval is
// that of the share of days below it (R. S. Woodruff, J. Am. Stat. Assoc. 47 (1952)
// 635-646).
func wetLeaf(days []Day, settled []float64, o Options) reception.Estimate {
	if o.LeafNeeds != "" {
		return reception.Undecided(o.LeafNeeds)
	}
	var loss []float64
	bound := reception.Exact
	for i, d := range days {
		if d.Leaf >= full && !math.IsNaN(d.WetDB) && !math.IsNaN(settled[i]) && d.Wet > 0 {
			loss = append(loss, (settled[i]-d.WetDB)/d.Wet)
			if d.Bound == reception.AtLeast {
				bound = reception.AtLeast
			}
		}
	}
	if len(loss) < daysForWet {
		return reception.Undecided("8 days with wet hours in full leaf")
	}
	if o.FarWeather {
		bound = reception.AtLeast
	}
	q := stat.Median(loss)
	below := make([]float64, len(loss))
	for i, x := range loss {
		if x < q {
			below[i] = 1
		}
	}
	in := stat.MeanInterval(below, level95)
	lo, hi := stat.Quantile(loss, math.Max(0, 0.5-in.Half())), stat.Quantile(loss, math.Min(1, 0.5+in.Half()))
	lo, hi = math.Min(lo, q-o.StepDB/2), math.Max(hi, q+o.StepDB/2)
	lo, hi = q-math.Hypot(q-lo, wetScale*q), q+math.Hypot(hi-q, wetScale*q)
	return reception.Estimate{Value: q, Low: lo, High: hi, Bound: bound, EffectiveN: in.EffectiveN, Method: "wet hours against the settled margin of their day; median over days, " + in.Method}
}

func drift(days []Day, r regression, f Fit, o Options) reception.Estimate {
	switch {
	case len(days) == 0 || days[len(days)-1].Day-days[0].Day < daysForDrift:
		return reception.Undecided("13 months measured: in the first year season and drift share the data")
	case o.LeafNeeds == "" && f.Turns < 2:
		return reception.Undecided("one spring and one autumn")
	case math.IsNaN(r.drift.Value):
		return reception.Undecided("a longer time between lasting changes")
	}
	return r.drift
}

func reverse[T any](s []T) {
	for i, j := 0, len(s)-1; i < j; i, j = i+1, j-1 {
		s[i], s[j] = s[j], s[i]
	}
}
