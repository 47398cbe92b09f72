package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// KindBaseInterval is the ledger's record of the time between base visits to a
// channel in one week. Key: frequency in Hz, layer (percent-encoded) and tuner,
// parted by slashes; Held: start of the week. The package owns its body.
//
// The interval of a week that is over is the median spacing of its base visits that
// were made; in the running week, and where fewer than two visits were made, it is
// the schedule's. A median within 5 % of the schedule's interval is the schedule's:
// visits are deliberately irregular, and a week must not be made again for that. It
// is held within one second and one hour, as a tally stands for no more than its
// hour. The interval follows from the readings stored and the schedule alone, so a
// rebuild finds the same.
const KindBaseInterval = "base-interval"

const weekMS = 7 * 24 * reception.HourMS

// mondayMS is the first Monday after 1970-01-01 00:00 UTC.
const mondayMS = 4 * 24 * reception.HourMS

// weekOf returns the week of an instant; weeks begin on Mondays, 00:00 UTC.
func weekOf(ms int64) int64 {
	w := (ms - mondayMS) / weekMS
	if (ms-mondayMS)%weekMS < 0 {
		w--
	}
	return w
}

func weekStart(week int64) int64 { return mondayMS + week*weekMS }

type weekKey struct {
	reception.Series
	week int64
}

type weekInterval struct{ ms, known int64 }

type intervalBody struct {
	IntervalMS int64 `json:"interval_ms"`
}

func (in *Intake) loadWeeks(ctx context.Context) error {
	entries, err := collect(in.ledger.Entries(ctx, KindBaseInterval))
	if err != nil {
		return err
	}
	for _, e := range entries {
		s, err := parseSeries(e.Key)
		if err != nil {
			return fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		var b intervalBody
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		in.weeks[weekKey{s, weekOf(e.Held)}] = weekInterval{b.IntervalMS, e.Known}
	}
	return nil
}

func seriesName(s reception.Series) string {
	return fmt.Sprintf("%d/%s/%s", s.FrequencyHz, url.PathEscape(s.Layer), s.Tuner)
}

func parseSeries(name string) (reception.Series, error) {
	part := strings.SplitN(name, "/", 3)
	if len(part) != 3 {
		return reception.Series{}, errors.New("the key is not frequency/layer/tuner")
	}
	hz, err := strconv.ParseInt(part[0], 10, 64)
	if err != nil {
		return reception.Series{}, err
	}
	layer, err := url.PathUnescape(part[1])
	return reception.Series{Tuner: part[2], FrequencyHz: hz, Layer: layer}, err
}

// interval returns the base interval in effect in a week, ms.
func (in *Intake) interval(s reception.Series, week, schedule int64) int64 {
	if w, ok := in.weeks[weekKey{s, week}]; ok {
		return w.ms
	}
	return tally.Rules{BaseIntervalMS: schedule}.IntervalMS()
}

// over reports whether the readings decide a week's interval: the week is past, or
// the series has no schedule.
func over(week, schedule, now int64) bool { return schedule <= 0 || weekStart(week+1) <= now }

// A spacing gathers the spacings of base visits within a week.
type spacing struct {
	last int64
	ms   []int64
}

func (s *spacing) add(r *reception.Reading) {
	if !r.Valid() || r.Visit != reception.VisitBase {
		return
	}
	s.visit(r.Time)
}

// visit adds a base visit that was made.
func (s *spacing) visit(at int64) {
	if s.last != 0 {
		s.ms = append(s.ms, at-s.last)
	}
	s.last = at
}

// interval returns the week's base interval.
func (s *spacing) interval(schedule int64) int64 {
	usual := tally.Rules{BaseIntervalMS: schedule}.IntervalMS()
	n := len(s.ms)
	if n == 0 {
		return usual
	}
	m := median(s.ms)
	if d := max(m-usual, usual-m); schedule > 0 && d*20 <= usual {
		return usual
	}
	return min(max(m, 1000), reception.HourMS)
}

// median returns the median of one number or more, the mean of two, and may reorder them.
// Most spacings of a strict schedule are the same, which is found without sorting.
func median(of []int64) int64 {
	n, often, lead := len(of), of[0], 0
	for _, v := range of {
		switch {
		case lead == 0:
			often, lead = v, 1
		case v == often:
			lead++
		default:
			lead--
		}
	}
	less, same := 0, 0
	for _, v := range of {
		switch {
		case v < often:
			less++
		case v == often:
			same++
		}
	}
	if less <= (n-1)/2 && n/2 < less+same {
		return often
	}
	slices.Sort(of)
	return (of[(n-1)/2] + of[n/2]) / 2
}

// decide takes a week's interval as found. It touches the week first if its tallies
// rest on another one, and reports whether it did.
func (in *Intake) decide(ctx context.Context, s reception.Series, week, ms, now int64) (bool, error) {
	k := weekKey{s, week}
	was, ok := in.weeks[k]
	if ok && was.ms == ms && (was.known >= weekStart(week+1) || now < weekStart(week+1)) {
		return false, nil
	}
	changed := in.interval(s, week, in.o.Rules(s).BaseIntervalMS) != ms
	if changed {
		delete(in.lives, s) // its rows reach as far as the carry of another interval
		if err := in.log.Touch(ctx, of(s, weekStart(week), weekStart(week+1))); err != nil {
			return false, err
		}
	}
	w := weekInterval{ms, max(now, was.known+1)}
	e, err := w.entry(k)
	if err != nil {
		return false, err
	}
	if err := in.ledger.Put(ctx, e); err != nil {
		return false, err
	}
	in.weeks[k] = w
	return changed, nil
}

func (w weekInterval) entry(k weekKey) (reception.Entry, error) {
	body, err := json.Marshal(intervalBody{w.ms})
	return reception.Entry{Kind: KindBaseInterval, Key: seriesName(k.Series), Held: weekStart(k.week), Known: w.known, Body: body}, err
}

// settleWeeks decides the intervals of weeks that have ended since.
func (in *Intake) settleWeeks(ctx context.Context, now int64) error {
	for _, s := range sortedSeries(in.spans) {
		sp := in.spans[s]
		w, ok := in.settled[s]
		if !ok {
			w = weekOf(sp.First)
		}
		for ; w <= weekOf(sp.Last) && weekStart(w+1) <= now; w++ {
			if e, ok := in.weeks[weekKey{s, w}]; !ok || e.known < weekStart(w+1) {
				if err := in.settleWeek(ctx, s, w, now); err != nil {
					return err
				}
			}
			in.settled[s] = w + 1
		}
	}
	return nil
}

func (in *Intake) settleWeek(ctx context.Context, s reception.Series, week, now int64) error {
	var sp spacing
	rows := 0
	for chunk, err := range in.log.Readings(ctx, of(s, weekStart(week), weekStart(week+1))) {
		if err != nil {
			return err
		}
		rows += len(chunk)
		for i := range chunk {
			sp.add(&chunk[i])
		}
	}
	if rows == 0 {
		return nil
	}
	_, err := in.decide(ctx, s, week, sp.interval(in.o.Rules(s).BaseIntervalMS), now)
	return err
}
