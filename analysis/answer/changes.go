package answer

import (
	"cmp"
	"math"
	"slices"

	"holdfast/analysis/cause"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A lasting change is searched channel by channel, joined over the home, dated by the
// hours around it and judged as one.
const (
	sameChangeDays = 2 // steps of channels within so many days are one change
	sideDays       = 6 // days on either side that say how large it was
	fewSideDays    = 3
	movedDB        = 1.0 // what counts as a channel that changed
	datedHours     = 96  // the hour is searched within so many on either side
	// hourly values are alike: so many of them say as much as one alone; ours.
	hoursAlike = 6
)

// lastingChanges fills in what changed for good.
func (r *run) lastingChanges(a *Answer, elements []*element) {
	var days []int64
	for _, e := range elements {
		for _, s := range e.fit.Steps {
			days = append(days, s.Day)
		}
	}
	slices.Sort(days)
	r.freshLasting = map[[16]byte]cause.LastingVerdict{}
	defer func() { r.lasting = r.freshLasting }()
	for i := 0; i < len(days); {
		j := i + 1
		for j < len(days) && days[j]-days[j-1] <= sameChangeDays {
			j++
		}
		if c, ok := r.change(elements, days[i+(j-i)/2]); ok && int64(c.TimeHigh) > r.fromMS && int64(c.TimeLow) < r.toMS {
			a.Changes = append(a.Changes, c)
		}
		i = j
	}
}

// change describes what happened around a day; ok is false if no channel moved.
func (r *run) change(elements []*element, day int64) (c Change, ok bool) {
	var e cause.Episode
	var who []*series
	var sizes, sds []float64
	for i, el := range elements {
		s := r.parts[i]
		db, sd, moved := el.moved(day)
		if !moved {
			continue
		}
		m := r.member(s)
		m.CN = cause.Change{DB: db, SD: sd}
		if level, sd := s.levelMoved(r.days.First(day)); s.level && !math.IsNaN(level) {
			m.Level, m.Beside = cause.Change{DB: level, SD: sd}, db
		}
		if v := s.ceiling; !math.IsNaN(v) {
			m.Ceiling = el.dryAt(day)+el.threshold.Value > v-0.5
		}
		e.Members = append(e.Members, m)
		who, sizes, sds = append(who, s), append(sizes, db), append(sds, sd)
	}
	at, low, high := r.hourOf(who, sizes, day)
	first, last := low-1, high+1
	for h := first; h <= last; h++ {
		if h == first {
			e.Sky = r.sky.At(h)
		}
		e.Sky = worse(e.Sky, r.sky.At(h))
	}
	key := e.Key()
	v, known := r.lasting[key]
	if !known {
		v = cause.JudgeLasting(e)
	}
	r.freshLasting[key] = v
	u := undecided("antennas of two directions at least, with azimuths in the config")
	c = Change{
		Time: Time(at * reception.HourMS), TimeLow: Time(low * reception.HourMS), TimeHigh: Time((high + 1) * reception.HourMS),
		Cause: v.Ranked[0].Cause, Probability: Num(v.Ranked[0].Probability), Also: []Cause{}, Channels: []int{}, Sizes: []Num{},
		TurnAbsDeg: u, TurnDirection: "undecided", Alike: v.Alike, Part: v.Part,
	}
	for _, x := range v.Ranked[1:] {
		c.Also = append(c.Also, Cause{x.Cause, Num(x.Probability)})
	}
	if slices.ContainsFunc(v.Ranked, func(x cause.Ranked) bool { return x.Cause == "antenna-turned" }) {
		c.TurnAbsDeg = Est(reception.Estimate{Value: v.Turn.AbsDeg, Low: v.Turn.LowDeg, High: v.Turn.HighDeg, EffectiveN: float64(len(who)), Method: "the pattern of gains and losses over directions, old aim and beamwidth integrated out"})
		switch {
		case v.Turn.Clockwise > 0.95:
			c.TurnDirection = "clockwise"
		case v.Turn.Clockwise < 0.05:
			c.TurnDirection = "counterclockwise"
		}
	} else {
		c.TurnAbsDeg.Needs = "a change that looks like a turn"
	}
	// Size: of the channel that lost or gained most.
	best := -1
	for i, db := range sizes {
		if math.Abs(db) < movedDB || math.Abs(db) < 2*sds[i] {
			continue
		}
		if rf := who[i].channel.RF; rf != 0 && !slices.Contains(c.Channels, rf) {
			at, _ := slices.BinarySearch(c.Channels, rf)
			c.Channels, c.Sizes = slices.Insert(c.Channels, at, rf), slices.Insert(c.Sizes, at, Num(math.Round(db*100)/100))
		}
		if best < 0 || math.Abs(db) > math.Abs(sizes[best]) {
			best = i
		}
	}
	if best < 0 {
		return c, false
	}
	c.Size = Est(reception.Estimate{Value: sizes[best], Low: sizes[best] - 1.96*sds[best], High: sizes[best] + 1.96*sds[best], EffectiveN: 2 * sideDays, Method: "median of six days after less that of six days before, of the channel that changed most"})
	return c, true
}

// bare returns the element's daily dry margins with the leaves taken out.
func (e *element) bare(i int) float64 {
	x := e.dry[i]
	if e.fit.Leaf.Decided() && !math.IsNaN(e.rows[i].leaf) {
		x += e.fit.Leaf.Value * e.rows[i].leaf
	}
	return x
}

// moved is by how much the margin changed from the days before a day to those from it
// on, and the standard deviation of that; ok is false where too few were measured.
func (e *element) moved(day int64) (db, sd float64, ok bool) {
	if len(e.dry) == 0 {
		return 0, 0, false
	}
	var before, after []float64
	for i, r := range e.rows {
		x := e.bare(i)
		switch {
		case math.IsNaN(x):
		case r.day >= day-1-sideDays && r.day < day-1:
			before = append(before, x)
		case r.day > day && r.day <= day+sideDays:
			after = append(after, x)
		}
	}
	if len(before) < fewSideDays || len(after) < fewSideDays {
		return 0, 0, false
	}
	spread := math.Max(0.2, math.Max(stat.MAD(before), stat.MAD(after)))
	// Days are alike (coefficient 0.6 or so): their median errs twice as much as if they
	// were not.
	sd = 2 * spread * math.Sqrt(1/float64(len(before))+1/float64(len(after)))
	return stat.Median(after) - stat.Median(before), sd, true
}

// dryAt is the dry margin of a day, NaN if unknown.
func (e *element) dryAt(day int64) float64 {
	i, found := slices.BinarySearchFunc(e.rows, day, func(r *row, day int64) int { return cmp.Compare(r.day, day) })
	if !found || i >= len(e.dry) {
		return math.NaN()
	}
	return e.dry[i]
}

// around returns the hourly values on either side of an hour, that hour's own day left
// out.
func (s *series) around(hour int64, of func(hourMean) int16) (before, after []float64) {
	for k := int64(0); k < 24*sideDays; k++ {
		if v := db(of(s.at(hour - 24 - k))); !math.IsNaN(v) {
			before = append(before, v)
		}
		if v := db(of(s.at(hour + 48 + k))); !math.IsNaN(v) {
			after = append(after, v)
		}
	}
	return before, after
}

func (s *series) levelMoved(hour int64) (level, sd float64) {
	before, after := s.around(hour, func(m hourMean) int16 { return m.level })
	if len(before) < 24*fewSideDays || len(after) < 24*fewSideDays {
		return math.NaN(), math.NaN()
	}
	return stat.Median(after) - stat.Median(before), math.Max(0.2, math.Max(stat.MAD(before), stat.MAD(after))/2)
}

// hourOf finds the hour of a change: the one that parts the hours of all channels best
// into those like before and those like after, and the hours that do nearly as well,
// within a likelihood ratio of e^3.
func (r *run) hourOf(who []*series, sizes []float64, day int64) (at, low, high int64) {
	from := r.days.First(day) - datedHours
	n := 2*datedHours + 24
	gain := make([]float64, n+1) // of calling hours before i "before"
	for k, s := range who {
		if math.Abs(sizes[k]) < movedDB {
			continue
		}
		before, after := s.around(r.days.First(day), func(m hourMean) int16 { return m.cn })
		if len(before) < 24 || len(after) < 24 {
			continue
		}
		old, fresh := stat.Median(before), stat.Median(after)
		sd := math.Max(0.3, math.Max(stat.MAD(before), stat.MAD(after)))
		for i := range n {
			v := db(s.at(from + int64(i)).cn)
			if math.IsNaN(v) {
				continue
			}
			limit := func(z float64) float64 { return math.Min(9, z*z) / 2 }
			x := limit((v-fresh)/sd) - limit((v-old)/sd)
			for j := i + 1; j <= n; j++ {
				gain[j] += x / hoursAlike
			}
		}
	}
	best := 0
	for i := range gain {
		if gain[i] > gain[best] {
			best = i
		}
	}
	first, last := best, best
	for i := range gain {
		if gain[i] > gain[best]-3 {
			first, last = min(first, i), max(last, i)
		}
	}
	return from + int64(best), from + int64(first) - 1, from + int64(last)
}
