package answer

import (
	"cmp"
	"math"
	"slices"
	"time"

	"holdfast/analysis/availability"
	"holdfast/analysis/cause"
	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
)

// causes judges every dropout and takes out of the days what was the transmitter's.
func (r *run) causes(elements []*element) {
	r.parts = make([]*series, len(elements))
	r.each(len(elements), func(i int, _ *scratch) { r.parts[i] = r.seriesOf(elements[i]) })
	type job struct{ element, dropout int }
	var jobs []job
	for i, e := range elements {
		e.verdicts = make([]cause.Verdict, len(e.dropouts))
		for k, d := range e.dropouts {
			if d.WrongIdentity > 0 && d.WrongIdentity == d.Visits {
				continue // another transmitter: its own state, not a fault to explain here
			}
			jobs = append(jobs, job{i, k})
		}
	}
	keys := make([][16]byte, len(jobs))
	r.each(len(jobs), func(n int, _ *scratch) {
		e := elements[jobs[n].element]
		keys[n], e.verdicts[jobs[n].dropout] = r.judge(r.episode(r.parts, jobs[n].element, e.dropouts[jobs[n].dropout]))
	})
	r.fresh = make(map[[16]byte]cause.Verdict, len(jobs))
	for n, x := range jobs {
		e := elements[x.element]
		v := e.verdicts[x.dropout]
		r.fresh[keys[n]] = v
		if v.OffAir() >= 0.5 {
			e.offAir = append(e.offAir, e.dropouts[x.dropout])
		}
	}
	r.verdicts = r.fresh
	for _, e := range elements {
		r.takeOut(e, e.rows)
		if len(e.span) > 0 && e.span[0] != e.rows[0] {
			r.takeOut(e, e.span)
		}
	}
}

// takeOut subtracts the visits made while the transmitter was off from the days.
func (r *run) takeOut(e *element, rows []*row) {
	for _, d := range e.offAir {
		for _, s := range e.every {
			end := d.EndMS
			if end == 0 {
				end = r.atMS
			}
			i, j := s.window(r.dayOf(d.StartMS), r.dayOf(end))
			for k := i; k < j; k++ {
				for _, h := range s.days[k].runs {
					for _, x := range h.runs {
						if x.FirstMS >= d.StartMS && x.LastMS <= end {
							r.takeOutRun(rows, s.days[k].day, h.hour, x)
						}
					}
				}
			}
		}
	}
}

func (r *run) takeOutRun(rows []*row, day, hour int64, x reception.BadRun) {
	n, found := slices.BinarySearchFunc(rows, day, func(r *row, day int64) int { return cmp.Compare(r.day, day) })
	if !found || x.BaseVisits == 0 {
		return
	}
	row := rows[n]
	if row.off == nil {
		row.off = new([24]availability.Hour)
		row.full, row.kept = merge(&daySum{}, row.sum(), 0), nil
	}
	at := r.days.HourOfDay(hour)
	h, off := &row.full.hours.Hours[at], &row.off[at]
	if h.DwellMS < x.BaseDwellMS || h.Visits < x.BaseVisits || h.DwellMS == 0 {
		return // a span that cuts the hour
	}
	share := float64(x.BaseDwellMS) / float64(h.DwellMS)
	out := availability.Hour{Visits: x.BaseVisits, DwellMS: x.BaseDwellMS, StoodMS: h.StoodMS * share}
	out.LostMS = math.Min(h.LostMS, out.StoodMS*float64(x.BaseErroredUS)/1000/float64(max(1, x.BaseDwellMS)))
	weight := h.StoodMS / float64(h.Visits) / 1000
	h.Visits, h.DwellMS, h.StoodMS, h.LostMS = h.Visits-out.Visits, h.DwellMS-out.DwellMS, h.StoodMS-out.StoodMS, h.LostMS-out.LostMS
	off.Visits, off.DwellMS, off.StoodMS, off.LostMS = off.Visits+out.Visits, off.DwellMS+out.DwellMS, off.StoodMS+out.StoodMS, off.LostMS+out.LostMS
	row.full.visits -= out.Visits
	dark := weight * float64(min(x.Unlocked, x.BaseVisits))
	hist := &row.full.hist[r.sky.At(hour).Class()]
	hist.Below = math.Max(0, hist.Below-dark)
	if r.isViewing(at) {
		row.full.viewing.Below = math.Max(0, row.full.viewing.Below-dark)
	}
}

// withOffAir puts back what takeOut took.
func (r *run) withOffAir(e *element, days []availability.Day) []availability.Day {
	out := slices.Clone(days)
	for i := range out {
		n, found := slices.BinarySearchFunc(e.span, out[i].Date, func(r *row, day int64) int { return cmp.Compare(r.day, day) })
		if !found || e.span[n].off == nil {
			continue
		}
		for h, x := range e.span[n].off {
			y := &out[i].Hours[h]
			y.Visits, y.DwellMS, y.StoodMS, y.LostMS = y.Visits+x.Visits, y.DwellMS+x.DwellMS, y.StoodMS+x.StoodMS, y.LostMS+x.LostMS
		}
	}
	return out
}

// judge is cause.Judge, a pure function, with a memory of what it said last time, and the
// episode's key.
func (r *run) judge(e cause.Episode) ([16]byte, cause.Verdict) {
	key := e.Key()
	v, ok := r.verdicts[key]
	if !ok {
		v = cause.Judge(e)
	}
	return key, v
}

// marginOf is the margin that a C/N is usually, to a tenth of a dB: a threshold moves by
// less from day to day, and what was judged stays as it was.
func (s *series) marginOf(cn float64) float64 { return math.Round((cn-s.threshold.Value)*10) / 10 }

// A series is what the causes look at of one element, hour by hour.
type series struct {
	*element
	first   int64 // UTC hour of means[0]
	means   []hourMean
	mast    reception.Transmitter
	level   bool    // its level is the channel's own
	lowest  float64 // C/N ever seen
	ceiling float64 // C/N, NaN if unknown
}

// An hourMean is an hour in short: means of locked visits, and the level of those
// without lock, in hundredths; none where there were none.
type hourMean struct{ cn, level, dark, visits int16 }

const none = math.MinInt16

var nothing = hourMean{cn: none, level: none, dark: none}

// db returns a mean in dB or dBm, NaN for none.
func db(hundredths int16) float64 {
	if hundredths == none {
		return math.NaN()
	}
	return float64(hundredths) / 100
}

// worstHours: of a long dropout its beginning says what it was.
const worstHours = 6

func (r *run) seriesOf(e *element) *series {
	s := &series{element: e, ceiling: math.NaN(), level: e.scale.LevelKind == reception.LevelInChannel}
	if e.scale.Ceiling > 0 {
		s.ceiling = e.scale.Ceiling
	}
	low, _ := lowest(e.rows)
	s.lowest = float64(low) * binDB
	s.mast = reception.Transmitter{Name: e.channel.Transmitter, AzimuthDeg: math.NaN(), DistanceKM: math.NaN()}
	for _, t := range r.setup.Transmitters {
		if t.Name == e.channel.Transmitter {
			s.mast = t
		}
	}
	s.first = r.days.First(e.firstDay)
	s.means = slices.Repeat([]hourMean{nothing}, int(max(0, r.before-s.first)))
	for _, seg := range e.segments {
		i, j := seg.window(math.MinInt64/2, r.days.Of(r.before-1))
		for k := i; k < j; k++ {
			d := &seg.days[k]
			if d.means == nil {
				d.means = meansOf(d.hours)
			}
			at := r.days.First(d.day) - s.first
			for o, m := range d.means {
				if i := at + int64(o); i >= 0 && i < int64(len(s.means)) && m.visits > s.means[i].visits {
					s.means[i] = m
				}
			}
		}
	}
	return s
}

func meansOf(hours []byte) *[24]hourMean {
	var out [24]hourMean
	var h hourRec
	for rest := hours; len(rest) > 0; {
		var offset byte
		var body []byte
		offset, body, rest = next(rest)
		h.unpack(body)
		out[offset] = h.mean()
	}
	return &out
}

func (h *hourRec) mean() hourMean {
	m := nothing
	m.visits = int16(min(math.MaxInt16, h.visits))
	var n, sum float64
	for _, b := range h.cn {
		n, sum = n+float64(b.N), sum+float64(b.N)*(float64(b.Bin)+0.5)
	}
	if n > 0 {
		m.cn = int16(math.Round(sum / n * binDB * 100))
	}
	if h.levelN > 0 {
		m.level = int16(h.levelSum / h.levelN)
	}
	if h.darkN > 0 {
		m.dark = int16(h.darkSum / h.darkN)
	}
	return m
}

// at returns an hour, of which nothing may be known.
func (s *series) at(hour int64) hourMean {
	if i := hour - s.first; i >= 0 && i < int64(len(s.means)) {
		return s.means[i]
	}
	return nothing
}

// usualDays: the usual value of an hour of day is the median of so many days before,
// and its spread their median absolute deviation.
const (
	usualDays = 14
	fewDays   = 4
)

// usual returns what C/N and level usually are at an hour of day, by the days before.
func (s *series) usual(hour int64) (cn, cnSD, level, levelSD float64) {
	var c, l []float64
	for near := int64(0); near <= 2 && len(c) < fewDays; near++ { // few days: the hours beside it too
		for k := int64(1); k <= usualDays; k++ {
			for _, side := range []int64{-near, near} {
				m := s.at(hour - 24*k + side)
				if v := db(m.cn); !math.IsNaN(v) {
					c = append(c, v)
				}
				if v := db(m.level); !math.IsNaN(v) {
					l = append(l, v)
				}
				if near == 0 {
					break
				}
			}
		}
	}
	cn, cnSD = middle(c)
	level, levelSD = middle(l)
	return cn, cnSD, level, levelSD
}

// middle returns the median and 1.4826 times the median absolute deviation, the
// standard deviation of normal values; NaN of fewer than fewDays. It sorts v.
func middle(v []float64) (median, sd float64) {
	if len(v) < fewDays {
		return math.NaN(), math.NaN()
	}
	slices.Sort(v)
	median = v[len(v)/2]
	for i := range v {
		v[i] = math.Abs(v[i] - median)
	}
	slices.Sort(v)
	return median, math.Max(0.15, 1.4826*v[len(v)/2])
}

// episode gathers what all series did during a dropout of one of them.
func (r *run) episode(all []*series, which int, d reception.Dropout) cause.Episode {
	start, end := d.StartMS, d.EndMS
	if end == 0 {
		end = r.atMS
	}
	end = max(end, start+1)
	if start < reception.HourMS*(r.before-1) {
		end = min(end, r.before*reception.HourMS)
	}
	look := min(end, start+worstHours*reception.HourMS)
	ep := cause.Episode{Conditions: r.conditions(start, look, end)}
	for i, s := range all {
		if i != which && (s.Series == all[which].Series || s.installation != all[which].installation) {
			continue // another installation on the same tuner, or of another time
		}
		var m cause.Member
		var ok bool
		if i == which {
			m, ok = r.struck(s, d, start, look), true
		} else {
			m, ok = r.meanwhile(s, start, look)
		}
		if ok {
			ep.Members = append(ep.Members, m)
		}
	}
	return ep
}

func (r *run) member(s *series) cause.Member {
	nan := cause.Change{DB: math.NaN(), SD: math.NaN()}
	return cause.Member{
		Series: s.Series, Transmitter: s.mast.Name, AzimuthDeg: s.mast.AzimuthDeg, DistanceKM: s.mast.DistanceKM,
		Growth: r.setup.Home.Towards(s.mast.AzimuthDeg), MarginDB: math.NaN(), CN: nan, Level: nan, Edge: nan, Beside: math.NaN(), Overlap: 1,
	}
}

func hoursOf(start, end int64) (first, last int64) {
	return start / reception.HourMS, (end - 1) / reception.HourMS
}

// struck describes the series that dropped out.
func (r *run) struck(s *series, d reception.Dropout, start, end int64) cause.Member {
	m := r.member(s)
	m.Visits, m.Bad, m.Unlocked = float64(d.Visits), float64(d.Visits), float64(d.Unlocked)
	r.changes(s, &m, start, end, d.Visits, d.Unlocked)
	return m
}

// changes fills in how far C/N and level lay from the usual while some visits of the
// hours were bad: of a source's hour tally the bad visits are the lowest ones.
func (r *run) changes(s *series, m *cause.Member, start, end, bad, unlocked int64) {
	if s.inPercent {
		return
	}
	first, last := hoursOf(start, end)
	var usualCN, usualSD, n, level, levelSD, levelN, beside, dark, darkN float64
	var hist []reception.Bin
	for h := first; h <= last; h++ {
		cn, sd, l, lsd := s.usual(h)
		if !math.IsNaN(cn) {
			usualCN, usualSD, n = usualCN+cn, usualSD+sd, n+1
		}
		if got := db(s.at(h).level); s.level && !math.IsNaN(l) && !math.IsNaN(got) {
			level, levelSD, levelN = level+got-l, levelSD+lsd, levelN+1
			beside += db(s.at(h).cn) - cn
		}
		if got := db(s.at(h).dark); s.level && !math.IsNaN(l) && !math.IsNaN(got) {
			dark, levelSD, darkN = dark+got-l, levelSD+lsd, darkN+1
		}
		hist = append(hist, r.histogram(s, h)...)
	}
	for _, h := range []int64{first, last} {
		cn, sd, _, _ := s.usual(h)
		if good := r.goodMean(s, h); !math.IsNaN(good - cn) {
			m.Edge = cause.Change{DB: good - cn, SD: sd}
		}
	}
	if n == 0 {
		return
	}
	usualCN, usualSD = usualCN/n, usualSD/n
	if s.threshold.Decided() {
		m.MarginDB = s.marginOf(usualCN)
	}
	m.Ceiling = usualCN > s.ceiling-0.5
	m.CN.SD = usualSD
	if unlocked*2 >= bad {
		m.CN.DB, m.CN.AtMost = s.lowest-usualCN, true
	} else {
		slices.SortFunc(hist, func(a, b reception.Bin) int { return int(a.Bin) - int(b.Bin) })
		left, sum, got := bad-unlocked, 0.0, 0.0
		for _, b := range hist {
			take := min(left, b.N)
			sum, got = sum+float64(take)*(float64(b.Bin)+0.5)*binDB, got+float64(take)
			if left -= take; left <= 0 {
				break
			}
		}
		if got > 0 {
			m.CN.DB = sum/got - usualCN
		}
	}
	if unlocked*2 >= bad && darkN > 0 {
		m.Level = cause.Change{DB: dark / darkN, SD: levelSD / (levelN + darkN)}
		return
	}
	if levelN > 0 && unlocked*2 < bad {
		m.Level, m.Beside = cause.Change{DB: level / levelN, SD: levelSD / levelN}, beside/levelN
	}
}

// goodMean is the mean C/N of an hour's visits that were good: the upper bins of its
// histogram, as many as the hour's dropouts leave.
func (r *run) goodMean(s *series, hour int64) float64 {
	hist, bad := r.histogram(s, hour), int64(0)
	for _, seg := range s.every {
		i, found := seg.find(r.days.Of(hour))
		if !found {
			continue
		}
		for _, h := range seg.days[i].runs {
			for _, x := range h.runs {
				if h.hour == hour {
					bad += x.BaseVisits - min(x.Unlocked, x.BaseVisits)
				}
			}
		}
	}
	var n, sum float64
	for _, b := range hist {
		took := min(bad, b.N)
		bad -= took
		left := float64(b.N - took)
		n, sum = n+left, sum+left*(float64(b.Bin)+0.5)*binDB
	}
	return sum / n // NaN for none
}

// histogram returns the C/N of an hour's base visits.
func (r *run) histogram(s *series, hour int64) []reception.Bin {
	var out []reception.Bin
	var h hourRec
	for _, seg := range s.segments {
		day := r.days.Of(hour)
		i, found := seg.find(day)
		if !found {
			continue
		}
		for rest := seg.days[i].hours; len(rest) > 0; {
			var offset byte
			var body []byte
			offset, body, rest = next(rest)
			if r.days.First(day)+int64(offset) == hour {
				h.unpack(body)
				out = append(out, h.cn...)
			}
		}
	}
	return out
}

// meanwhile describes another series; ok is false if it was not measured then.
func (r *run) meanwhile(s *series, start, end int64) (m cause.Member, ok bool) {
	m = r.member(s)
	var bad, unlocked int64
	for _, d := range s.dropouts {
		if e := d.EndMS; d.StartMS < end+quarter && (e == 0 || e > start-quarter) {
			bad, unlocked = bad+d.Visits, unlocked+d.Unlocked
		}
	}
	first, last := hoursOf(start, end)
	visits := 0.0
	for h := first; h <= last; h++ {
		visits += float64(s.at(h).visits)
	}
	if visits == 0 && bad == 0 {
		return m, false
	}
	hours := float64(last - first + 1)
	m.Overlap = math.Min(1, float64(end-start)/(hours*float64(reception.HourMS)))
	if bad > 0 {
		m.Visits, m.Bad, m.Unlocked = math.Max(float64(bad), visits*m.Overlap), float64(bad), float64(unlocked)
		m.Overlap = 1
		r.changes(s, &m, start, end, bad, unlocked)
		return m, true
	}
	m.Visits = visits * m.Overlap
	if s.inPercent {
		return m, true
	}
	var dc, sc, dl, sl, nc, nl, usualCN float64
	for h := first; h <= last; h++ {
		cn, cnSD, level, levelSD := s.usual(h)
		got := s.at(h)
		if v := db(got.cn) - cn; !math.IsNaN(v) {
			dc, sc, nc, usualCN = dc+v, sc+cnSD, nc+1, usualCN+cn
		}
		if v := db(got.level) - level; s.level && !math.IsNaN(v) {
			dl, sl, nl = dl+v, sl+levelSD, nl+1
		}
	}
	if nc > 0 {
		m.CN = cause.Change{DB: dc / nc, SD: sc / nc}
		m.Ceiling = usualCN/nc > s.ceiling-0.5
		if s.threshold.Decided() {
			m.MarginDB = s.marginOf(usualCN / nc)
		}
	}
	if nl > 0 {
		m.Level = cause.Change{DB: dl / nl, SD: sl / nl}
	}
	return m, true
}

// quarter: dropouts that begin or end so near to another's are its own; tuners take
// turns.
const quarter = 15 * 60 * 1000

// conditions gathers weather, season and hour: of weather the hour that says most.
func (r *run) conditions(start, look, end int64) cause.Conditions {
	first, last := hoursOf(start, look)
	local := time.UnixMilli(start).UTC().Add(time.Duration(r.days.Offset()) * time.Hour)
	c := cause.Conditions{
		LocalHour: float64(local.Hour()) + float64(local.Minute())/60, Month: int(local.Month()),
		South:   r.setup.Home.Latitude < 0,
		Weekend: local.Weekday() == time.Saturday || local.Weekday() == time.Sunday,
		Leaf:    math.NaN(), HPa: math.NaN(), SpreadC: math.NaN(), DistanceKM: math.NaN(), LastsMS: float64(end - start),
	}
	if r.leaf.Needs() == "" {
		c.Leaf, _ = r.leaf.State(r.dayOf(start))
	}
	c.Sky = r.sky.At(first)
	for h := first; h <= last; h++ {
		c.Sky = worse(c.Sky, r.sky.At(h))
		w, ok := r.sky.Row(h)
		if !ok {
			continue
		}
		c.SnowFell = c.SnowFell || w.SnowMMPerHour > 0
		if !math.IsNaN(w.PressureHPa) {
			c.HPa = w.PressureHPa
		}
		if !math.IsNaN(w.TempC - w.DewpointC) {
			c.SpreadC = w.TempC - w.DewpointC
		}
		if w.Thunder != reception.Unknown && c.Thunder != reception.Yes {
			c.Thunder = w.Thunder
		}
		if !math.IsNaN(w.DistanceKM) {
			c.DistanceKM = w.DistanceKM
		}
	}
	return c
}

// worse joins two hours: the wetter, the windier, and some precipitation in either.
func worse(a, b drivers.Hour) drivers.Hour {
	larger := func(x, y float64) float64 {
		if math.IsNaN(x) || y > x {
			return y
		}
		return x
	}
	if b.Wetness() > a.Wetness() && b.WetHigh-b.WetLow <= a.WetHigh-a.WetLow+0.1 {
		a.WetLow, a.WetHigh = b.WetLow, b.WetHigh
	}
	a.WindMPS, a.GustMPS, a.PrecipMM = larger(a.WindMPS, b.WindMPS), larger(a.GustMPS, b.GustMPS), larger(a.PrecipMM, b.PrecipMM)
	a.Fell = a.Fell || b.Fell
	if math.IsNaN(a.TempC) {
		a.TempC = b.TempC
	}
	return a
}
