package answer

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"holdfast/analysis/availability"
	"holdfast/analysis/cause"
	"holdfast/analysis/drivers"
	"holdfast/analysis/event"
	"holdfast/analysis/outlook"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
	"holdfast/analysis/tally"
)

const level95 = 0.95

// Days of measurement that figures need; the product's definitions.
const (
	daysForMargin       = 7
	daysForAvailability = 14
	monthsAhead         = 6
)

// Answer runs the questions: shares are over [from, to), thresholds and effects learnt
// from all hours that began before at. Unix ms; 0 means the first hour measured, at,
// and the end of the last hour measured.
//
// First pass: thresholds, dropouts and what caused them. Time in which the transmitter
// was probably off is left out of all that follows: the margins of days taken apart,
// availability, fading, what is required and to spare.
//
// Within an hour in which nothing broke and nothing began, what rests on many visits is
// as of the hour's beginning, if to is at: asked again, only latest and dropouts are
// worked out.
//
// Accuracy: that of the packages that answer each question. Speed: see the benchmark.
func (f *Fold) Answer(from, to, at int64) Answer { return f.answer(from, to, at, false) }

// Alarming is Answer over all that was measured before at, with what alarms need and
// no more: latest, threshold, settled, median and required margin, fade depth, to spare
// and dropouts. What it leaves out is undecided. What moves slowly, leaf effect and
// fading among it, it works out once a week (thresholds every four weeks after the
// first eight). For a replay call it at rising instants: a day of twelve channels takes
// some 8 ms.
func (f *Fold) Alarming(at int64) Answer { return f.answer(0, 0, at, true) }

func (f *Fold) answer(from, to, at int64, alarmsOnly bool) Answer {
	f.refresh()
	first, last := f.extent()
	if at == 0 {
		at = last * reception.HourMS
	}
	if to == 0 || to > at {
		to = at
	}
	if from == 0 || from < first*reception.HourMS {
		from = first * reception.HourMS
	}
	from = min(from, to)
	if hour, ok := f.wholeHours(first, to, at); ok && !alarmsOnly {
		return f.sinceHour(from, hour, at)
	}
	a, _ := f.work(from, to, at, alarmsOnly)
	return a
}

// work runs the questions. It also returns the elements behind the channels.
func (f *Fold) work(from, to, at int64, alarmsOnly bool) (Answer, []*element) {
	a := Answer{
		Home:     Home{f.setup.Home.Name, string(f.setup.Home.Region), f.setup.Home.TimeZone, f.setup.ZoneData},
		AsOf:     Time(at),
		Measured: Measured{From: Time(from), To: Time(to), Share: Num(math.NaN())},
		Channels: []Channel{}, Changes: []Change{}, Comparisons: []Comparison{}, Alarms: []Alarm{},
	}
	fromHour, toHour, before := ceilHour(from), ceilHour(to), ceilHour(at)
	if first, _ := f.extent(); len(f.segments) == 0 || before <= first {
		return a, nil
	}
	run := &run{Fold: f, fromMS: from, toMS: to, atMS: at, from: fromHour, to: toHour, before: before, leaf: f.leafAt(before), alarmsOnly: alarmsOnly}
	if alarmsOnly {
		run.limits = f.slowLimits(before)
		run.slowParts = f.slowPartsAt(before, run.limits)
	} else {
		run.limits = f.limits(before)
	}
	elements := f.elements(before)
	f.each(len(elements), func(i int, m *scratch) {
		if e := elements[i]; run.prepare(e, m) {
			e.findDropouts(f, before, at)
		}
	})
	elements = slices.DeleteFunc(elements, func(e *element) bool { return len(e.span) == 0 })
	if !alarmsOnly {
		run.causes(elements)
	}
	a.Channels = make([]Channel, len(elements))
	stoodMS := make([]float64, len(elements))
	f.each(len(elements), func(i int, m *scratch) {
		elements[i].use(m)
		if a.Channels[i] = run.channel(elements[i]); !alarmsOnly {
			stoodMS[i] = elements[i].stood()
		}
	})
	stood, series := 0.0, map[reception.Series]bool{}
	for i, e := range elements {
		stood += stoodMS[i]
		series[e.Series] = true
	}
	if !alarmsOnly {
		run.lastingChanges(&a, elements)
		f.letGo() // alarms ask soon again, and for less
	}
	if to > from && len(series) > 0 && !alarmsOnly {
		a.Measured.Share = Num(math.Min(1, stood/float64(len(series))/float64(to-from)))
	}
	return a, elements
}

// stood returns for how long the visits of the span stand, ms.
func (e *element) stood() (ms float64) {
	for _, r := range e.span {
		for h := range r.sum().hours.Hours {
			ms += r.sum().hours.Hours[h].StoodMS
		}
	}
	return ms
}

// extent returns the first hour of all and the hour after the last; 0 when empty.
func (f *Fold) extent() (first, after int64) {
	first, after = math.MaxInt64, 0
	for _, s := range f.segments {
		if len(s.days) == 0 {
			continue // its hours turned out to be of another regime
		}
		d := s.days[0]
		o, _, _ := next(d.hours)
		first = min(first, f.days.First(d.day)+int64(o))
		d = s.days[len(s.days)-1]
		after = max(after, f.days.First(d.day)+int64(lastOffset(d.hours))+1)
	}
	if first == math.MaxInt64 {
		return 0, 0
	}
	return first, after
}

// A run is one call of Answer.
type run struct {
	*Fold
	fromMS, toMS, atMS int64
	from, to, before   int64 // hours
	leaf               *drivers.Leaf
	limits             map[limitKey]limit
	alarmsOnly         bool
	freshLasting       map[[16]byte]cause.LastingVerdict
	parts              []*series                  // of the elements shown
	fresh              map[[16]byte]cause.Verdict // of this answer
	slowParts          map[elementKey]slowPart    // for Alarming
}

// prepare loads an element's days, by means of m, and reports whether any lie in the
// span.
func (r *run) prepare(e *element, m *scratch) bool {
	newest := e.newest(r.Fold, r.before)
	e.threshold = r.limits[keyOf(newest)]
	e.scale = r.scales[newest.Scale].Scale
	everything := int64(math.MinInt64 / 2)
	e.rows = e.load(r.Fold, r.limits, everything, r.before, r.leaf, m)
	e.span = e.rows
	if first := r.days.First(e.rows[0].day); r.from > first || r.to < r.before {
		e.span = nil
		if r.to > r.from {
			e.span = e.load(r.Fold, r.limits, r.from, min(r.to, r.before), r.leaf, m)
		}
	}
	return len(e.span) > 0
}

// channel answers for one element, with memory to do so.
func (r *run) channel(e *element) Channel {
	c := Channel{
		RF: e.channel.RF, FrequencyHz: e.FrequencyHz, Layer: e.Layer, Tuner: e.Tuner, Installation: e.installation,
		Name: e.channel.Name, Screen: e.channel.Screen, Transmitter: e.channel.Transmitter, Wanted: e.channel.Wanted,
		Latest:    r.latestOf(e),
		Threshold: Threshold{Est(e.threshold.Estimate), string(e.threshold.Basis)},
		Dropouts:  r.dropoutsOf(e),
		Outlook:   []Outlook{},
	}
	r.margins(e, &c)
	if r.alarmsOnly {
		r.leaveOut(&c)
		return c
	}
	r.shares(e, &c)
	return c
}

// daysToTurn is how far ahead the leaves' next two turns are looked for: two years and a
// little more.
const daysToTurn = 800

// undecided is an estimate without value that says what it needs.
func undecided(needs string) Est { return Est(reception.Undecided(needs)) }

// inDays says how many measured days something needs and when, at a day each, that
// will be.
func (r *run) inDays(want int, rows []*row) (needs string, short bool) {
	n, last := 0, r.days.Of(r.before-1)
	for _, x := range rows {
		if x.visits() > 0 {
			n++
			last = x.day
		}
	}
	if n >= want {
		return "", false
	}
	return fmt.Sprintf("%d days measured: %d so far, %s at the earliest", want, n, drivers.Date(last+int64(want-n)+1)), true
}

// margins fills what is in dB.
func (r *run) margins(e *element, c *Channel) {
	low, locked := lowest(e.rows)
	switch {
	case e.inPercent:
		r.noMargins(c, "a tuner that shows C/N in dB: this one shows per cent")
		return
	case !e.threshold.Decided():
		r.noMargins(c, e.threshold.Needs)
		return
	case !locked:
		r.noMargins(c, "a visit that locks with a C/N")
		return
	}
	if r.alarmsOnly {
		s := r.slow(e)
		now := Est(e.nowWith(s, r))
		c.SettledMargin = r.dated(e.withThreshold(now), daysForMargin, e.rows)
		c.MedianMargin, c.RequiredMargin, c.FadeDepth99, e.failed = s.median, s.required, s.depth, s.failed
		c.Spare = e.spare(now, c.RequiredMargin)
		return
	}
	e.decomposed(r.Fold, r.leaf, r.before)
	c.SettledMargin = r.dated(e.withThreshold(Est(e.fit.Now)), daysForMargin, e.rows)
	c.MedianMargin = r.dated(e.medianMargin(e.span, low, (*row).all), daysForMargin, e.span)
	r.fadings(e, c, low)
	c.LeafEffect = r.seasonNeeds(Est(e.fit.Leaf), e)
	c.WetLeafEffect = Est(e.fit.WetLeaf)
	c.DriftDBPerMonth = r.seasonNeeds(Est(e.fit.Drift), e)
	c.WindEffect = undecided("hours with a mean wind of 10 m/s in both seasons, compared with calm ones: not worked out yet")
	for _, m := range outlook.Months(reception.Estimate(c.Spare), r.days.Of(r.before-1), e.monthly(), monthsAhead) {
		c.Outlook = append(c.Outlook, Outlook{m.Month, Est(m.Spare), m.Basis})
	}
}

// noMargins leaves everything in dB undecided.
func (r *run) noMargins(c *Channel, needs string) {
	u := undecided(needs)
	c.SettledMargin, c.MedianMargin, c.RequiredMargin, c.Spare, c.RequiredMarginViewing = u, u, u, u, u
	c.FadeDepth99, c.FadeDepth999 = u, u
	split := Split{u, u, u}
	c.LeafOn, c.LeafOff, c.Wet, c.Dry = split, split, split, split
	c.LeafEffect, c.WetLeafEffect, c.WindEffect, c.DriftDBPerMonth = u, u, u, u
	for _, m := range outlook.Months(reception.Undecided(needs), r.days.Of(r.before-1), nil, monthsAhead) {
		c.Outlook = append(c.Outlook, Outlook{m.Month, Est(m.Spare), m.Basis})
	}
}

// dated says when an estimate that lacks measured days will have them.
func (r *run) dated(e Est, want int, rows []*row) Est {
	if !e.Decided() {
		if needs, short := r.inDays(want, rows); short {
			e.Needs = needs
		}
	}
	return e
}

// seasonNeeds adds to "one spring and one autumn" the date by which both will have
// been measured, by the leaf clock.
func (r *run) seasonNeeds(e Est, el *element) Est {
	if e.Decided() || e.Needs != "one spring and one autumn" {
		return e
	}
	turns, phase := el.fit.Turns, 0
	day := r.days.Of(r.before - 1)
	for limit := day + daysToTurn; day < limit; day++ {
		s, _ := r.leaf.State(day)
		p := 0
		if s >= 0.9 {
			p = 1
		} else if s <= 0.1 {
			p = -1
		}
		if p == 0 || p == phase {
			continue
		}
		if phase != 0 {
			turns++
		}
		phase = p
		if turns >= 2 {
			e.Needs += ", about " + drivers.Date(day+10)
			break
		}
	}
	return e
}

// monthly averages the settled margin without its steps by calendar month.
func (e *element) monthly() map[string]outlook.Seen {
	out := map[string]outlook.Seen{}
	for i, r := range e.rows {
		if v := e.fit.Free[i]; !math.IsNaN(v) {
			m := drivers.Month(r.day)
			s := out[m]
			out[m] = outlook.Seen{DB: (s.DB*float64(s.Days) + v) / float64(s.Days+1), Days: s.Days + 1}
		}
	}
	return out
}

// medianMargin is the median of base visits in some rows and hours.
func (e *element) medianMargin(rows []*row, low int32, of func(*row) stat.Histogram) Est {
	days := e.mem.hists.take(len(rows))
	n := 0
	for i, r := range rows {
		if days[i] = of(r); days[i].Total() > 0 {
			n++
		}
	}
	if n < daysForMargin {
		return undecided(fmt.Sprintf("7 such days measured: %d so far", n))
	}
	q := stat.Woodruff(days, 0.5, binDB, level95)
	out := Est{Value: q.Value - e.threshold.Value, Low: q.Low - e.threshold.Value, High: q.High - e.threshold.Value, EffectiveN: q.EffectiveN, Method: q.Method}
	out.Value, out.Bound = e.margin(q.Value, low)
	out.High = math.Max(out.High, out.Value)
	return e.withThreshold(out)
}

// withThreshold widens a margin by the doubt of its threshold.
func (e *element) withThreshold(m Est) Est {
	if !m.Decided() {
		return m
	}
	t := e.threshold
	if t.Bound == reception.AtMost && m.Bound == reception.Exact {
		m.Bound = reception.AtLeast
	}
	m.Low = m.Value - math.Hypot(m.Value-m.Low, t.High-t.Value)
	m.High = m.Value + math.Hypot(m.High-m.Value, t.Value-t.Low)
	return m
}

// dropoutsOf lists the dropouts that touch the span.
func (r *run) dropoutsOf(e *element) []Dropout {
	out := []Dropout{}
	for i, d := range e.dropouts {
		if !r.inSpan(d) {
			continue
		}
		x := Dropout{
			Start: Time(d.StartMS), StartLow: Time(d.StartLowMS), StartHigh: Time(d.StartMS),
			End: Time(d.EndMS), EndLow: Time(d.EndMS), EndHigh: Time(d.EndHighMS),
			Cause: "unknown", Probability: Num(math.NaN()), Also: []Cause{}, Counted: d.Counted(),
			Visits: d.Visits, WrongIdentity: d.WrongIdentity,
		}
		if e.verdicts != nil && len(e.verdicts[i].Ranked) > 0 {
			v := e.verdicts[i]
			x.Cause, x.Probability = v.Ranked[0].Cause, Num(v.Ranked[0].Probability)
			for _, k := range v.Ranked[1:] {
				x.Also = append(x.Also, Cause{k.Cause, Num(k.Probability)})
			}
			x.For, x.Against, x.Alike, x.Part = v.For, v.Against, v.Alike, v.Part
		}
		out = append(out, x)
	}
	return out
}

func (r *run) inSpan(d reception.Dropout) bool {
	return d.StartMS < r.toMS && (d.EndMS == 0 || d.EndMS > r.fromMS)
}

// shares fills what is a share of time.
func (r *run) shares(e *element, c *Channel) {
	days := func(keep func(*row) bool) []availability.Day {
		out := e.mem.days.take(len(e.span))[:0]
		for _, x := range e.span {
			if x.visits() > 0 && keep(x) {
				out = append(out, x.sum().hours)
			}
		}
		return out
	}
	onAir := func(d reception.Dropout) bool { return !slices.Contains(e.offAir, d) }
	spells := func(keep func(reception.Dropout) bool) int {
		return event.Spells(slices.DeleteFunc(slices.Clone(e.dropouts), func(d reception.Dropout) bool { return !r.inSpan(d) || !keep(d) }))
	}
	everyRow := func(*row) bool { return true }
	all := days(everyRow)
	dwell, _ := availability.Measured(all)
	c.Availability.MeasuredS = dwell / 1000
	if needs, short := r.inDays(daysForAvailability, e.span); short {
		c.Availability.Est = undecided(needs)
		c.AvailabilityLeafOn, c.AvailabilityLeafOff = c.Availability.Est, c.Availability.Est
	} else {
		c.Availability.Est = Est(availability.AllHours(all, spells(onAir)))
		season := func(on bool) Est {
			if n := r.leaf.Needs(); n != "" {
				return undecided(n)
			}
			is := func(day int64) bool { s, _ := r.leaf.State(day); return s > 0.5 == on }
			return Est(availability.AllHours(days(func(x *row) bool { return is(x.day) }), spells(func(d reception.Dropout) bool { return onAir(d) && is(r.dayOf(d.StartMS)) })))
		}
		c.AvailabilityLeafOn, c.AvailabilityLeafOff = season(true), season(false)
	}
	c.AvailabilityWithOffAir = c.Availability.Est
	if len(e.offAir) > 0 && c.Availability.Decided() {
		c.AvailabilityWithOffAir = Est(availability.AllHours(r.withOffAir(e, all), spells(func(reception.Dropout) bool { return true })))
		for _, d := range e.offAir {
			if r.inSpan(d) {
				c.Availability.OffAirS += d.BaseDwellMS / 1000
			}
		}
	}
	w := r.setup.Wanted
	c.AvailabilityViewing = Est(availability.Viewing(all, w.ViewingFromHour, w.ViewingToHour, spells(func(d reception.Dropout) bool { return onAir(d) && r.touchesViewing(d) })))
	c.EveningsSpoiled = r.evenings(e)
	c.WorstMonth = r.worstMonth(e)
}

func (r *run) dayOf(ms int64) int64 { return r.days.Of(ms / reception.HourMS) }

// worstMonth gathers calendar months; a noon-to-noon day belongs to the one it begins in.
func (r *run) worstMonth(e *element) WorstMonth {
	var months []availability.Month
	for i, x := range e.span {
		at := time.Unix(x.day*86400, 0).UTC()
		year, month := at.Year(), int(at.Month())
		if i == 0 || months[len(months)-1].Month != month || months[len(months)-1].Year != year {
			start := time.Date(year, at.Month(), 1, 0, 0, 0, 0, time.UTC)
			months = append(months, availability.Month{Year: year, Month: month, LengthMS: float64(start.AddDate(0, 1, 0).Sub(start).Milliseconds())})
		}
		m := &months[len(months)-1]
		for h := range x.sum().hours.Hours {
			m.StoodMS += x.sum().hours.Hours[h].StoodMS
			m.LostMS += x.sum().hours.Hours[h].LostMS
		}
	}
	for i := range months {
		in := func(d reception.Dropout) bool {
			at := time.Unix(r.dayOf(d.StartMS)*86400, 0).UTC()
			return at.Year() == months[i].Year && int(at.Month()) == months[i].Month && r.inSpan(d)
		}
		months[i].Spells = event.Spells(slices.DeleteFunc(slices.Clone(e.dropouts), func(d reception.Dropout) bool { return !in(d) }))
	}
	w := availability.WorstMonth(months)
	out := WorstMonth{Est: Est(w.Estimate)}
	if w.Decided() {
		out.Month = fmt.Sprintf("%04d-%02d", w.Month.Year, w.Month.Month)
	} else if len(months) > 0 {
		// Twelve months in a row from the first that can count.
		m := months[len(months)-1]
		have := 0
		for _, x := range months {
			if have++; x.StoodMS < x.LengthMS/2 {
				have = 0
			}
		}
		end := time.Date(m.Year, time.Month(m.Month)+1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 12-have, 0)
		out.Needs = fmt.Sprintf("12 months in a row, each measured for half of its time; %s at the earliest", end.Format("2006-01"))
	}
	return out
}

// viewing returns the viewing hours of the evening of a date, Unix ms.
func (r *run) viewing(day int64) (from, to int64) {
	w := r.setup.Wanted
	d := time.Unix(day*86400, 0).UTC()
	end := w.ViewingToHour
	if end <= w.ViewingFromHour {
		end += 24
	}
	at := func(hour int) int64 {
		return time.Date(d.Year(), d.Month(), d.Day(), hour, 0, 0, 0, r.setup.Zone).UnixMilli()
	}
	return at(w.ViewingFromHour), at(end)
}

func (r *run) touchesViewing(d reception.Dropout) bool {
	end := d.EndMS
	if end == 0 {
		end = r.atMS
	}
	for day := r.dayOf(d.StartMS) - 1; day <= r.dayOf(end)+1; day++ {
		if a, b := r.viewing(day); d.StartMS < b && end > a {
			return true
		}
	}
	return false
}

// evenings says which evenings were spoiled. A dropout counts if a base visit saw it,
// or if visits rode on a viewer in that hour: then somebody was watching.
func (r *run) evenings(e *element) EveningsSpoiled {
	if slices.ContainsFunc(r.setup.Channels, func(c reception.Channel) bool { return c.Wanted }) && !e.channel.Wanted {
		return EveningsSpoiled{Est: undecided("this channel among those the home wants")}
	}
	riding := map[int64]uint32{}
	stood := map[int64]float64{}
	w := r.setup.Wanted
	for _, x := range e.span {
		riding[x.day] = x.sum().riding
		for h := w.ViewingFromHour; h != w.ViewingToHour%24; h = (h + 1) % 24 {
			s := x.sum().hours.Hours[h].StoodMS
			if x.sum().riding&(1<<h) != 0 {
				s = reception.HourMS
			}
			stood[x.day] += s
		}
	}
	seen := func(d reception.Dropout) bool {
		h := r.days.HourOfDay(d.StartMS / reception.HourMS)
		return d.Counted() || riding[r.dayOf(d.StartMS)]&(1<<h) != 0
	}
	var evenings []availability.Evening
	out := EveningsSpoiled{}
	for day := e.span[0].day; day <= e.span[len(e.span)-1].day; day++ {
		from, to := r.viewing(day)
		if from < r.fromMS || from >= min(r.toMS, r.atMS) {
			continue
		}
		ev := availability.Evening{Date: day, Measured: stood[day] >= float64(to-from)/2}
		ev.Spoiled = slices.ContainsFunc(e.dropouts, func(d reception.Dropout) bool {
			return d.StartMS < to && (d.EndMS == 0 || d.EndMS > from) && seen(d)
		})
		if to > r.atMS && !ev.Spoiled {
			continue // still running
		}
		if ev.Spoiled {
			out.Evenings = append(out.Evenings, drivers.Date(day))
		}
		evenings = append(evenings, ev)
	}
	x, n := availability.EveningsSpoiled(evenings)
	out.Est, out.EveningsMeasured = Est(x), int64(n)
	return out
}

// latestOf is the last visit made before "at": the reading itself where the fold was
// given it, else what the tally of its hour says.
func (r *run) latestOf(e *element) Latest {
	out := Latest{LevelDBm: Num(math.NaN()), CNDB: Num(math.NaN()), MarginDB: Num(math.NaN())}
	hour, h, runs := e.lastHour(r.Fold, r.before)
	reading, ok := r.latest[e.Series]
	switch {
	case ok && reading.Time < r.atMS && reading.Time >= hour*reception.HourMS:
		out.Time, out.Locked = Time(reading.Time), reading.Locked
		out.Identity, out.ExpectedIdentity = reading.Identity, cmp.Or(e.channel.Identity, reading.expected)
		out.WrongIdentity = tally.WrongIdentity(&reading.Reading, tally.Rules{Identity: out.ExpectedIdentity})
		out.LevelDBm = Num(reading.LevelDBm)
		if reading.Locked {
			out.CNDB = Num(reading.CNDB)
		}
	case h.visits+h.extra > 0:
		out.Time = Time(min((hour+1)*reception.HourMS, r.atMS))
		out.Locked = h.visits > h.unlocked
		if n := len(runs); n > 0 && runs[n-1].AfterMS == 0 && runs[n-1].Unlocked > 0 {
			out.Locked = false
		}
		if n := len(runs); n > 0 && runs[n-1].AfterMS == 0 && runs[n-1].WrongIdentity > 0 {
			out.WrongIdentity = out.Locked
		}
		var n, sum float64
		for _, b := range h.cn {
			n, sum = n+float64(b.N), sum+float64(b.N)*(float64(b.Bin)+0.5)*binDB
		}
		if n > 0 && out.Locked {
			out.CNDB = Num(math.Round(sum/n*100) / 100)
		}
		if h.levelN > 0 {
			out.LevelDBm = Num(math.Round(float64(h.levelSum)/float64(h.levelN)) / 100)
		}
	}
	if e.inPercent {
		out.CNDB = Num(math.NaN())
	}
	if e.threshold.Decided() {
		out.MarginDB = out.CNDB - Num(e.threshold.Value)
	}
	return out
}

// lastHour returns the last hour in which a visit was made.
func (e *element) lastHour(f *Fold, before int64) (hour int64, h hourRec, runs []reception.BadRun) {
	hour = math.MinInt64
	for _, s := range e.every {
		i, j := s.window(math.MinInt64/2, f.days.Of(before-1))
		for k := j - 1; k >= i; k-- {
			at, ok := f.lastMeasured(&s.days[k], before)
			if !ok {
				continue
			}
			if at > hour {
				hour, runs = at, nil
				for rest := s.days[k].hours; len(rest) > 0; {
					var o byte
					var body []byte
					if o, body, rest = next(rest); f.days.First(s.days[k].day)+int64(o) == at {
						h.unpack(body)
					}
				}
				if n, found := slices.BinarySearchFunc(s.days[k].runs, at, func(r hourRun, at int64) int { return cmp.Compare(r.hour, at) }); found {
					runs = s.days[k].runs[n].runs
				}
			}
			break
		}
	}
	return hour, h, runs
}
