package answer

import (
	"slices"

	"holdfast/analysis/reception"
)

// A standing is the answer as of the beginning of an hour, for whoever asks again
// within it. It is a function of the facts alone: facts before its hour drop it.
type standing struct {
	from, hour int64 // Unix ms; since 1970
	answer     Answer
	elements   []*element // behind the channels, without their days; nil: there is none
}

// touched drops what an hour's fact may change.
func (f *Fold) touched(hour int64) {
	f.slow.touched(hour)
	if hour < f.standing.hour {
		f.standing = standing{}
	}
}

// wholeHours returns the hour that an instant lies in if what rests on many visits can
// be answered as of its beginning: something was measured before it, and in it no
// visit was bad, and no channel, mode or scale was new.
func (f *Fold) wholeHours(first, to, at int64) (hour int64, ok bool) {
	hour = ceilHour(at) - 1
	if to != at || at%reception.HourMS == 0 || hour <= first {
		return 0, false
	}
	day := f.days.Of(hour)
	for _, s := range f.segments {
		i, found := s.find(day)
		if !found {
			continue
		}
		d := &s.days[i]
		if n := len(d.runs); n > 0 && d.runs[n-1].hour >= hour {
			return 0, false
		}
		if o, _, _ := next(d.hours); i == 0 && f.days.First(day)+int64(o) >= hour {
			return 0, false
		}
	}
	return hour, true
}

// sinceHour answers as of an hour's beginning, with what was seen last.
func (f *Fold) sinceHour(from, hour, at int64) Answer {
	if st := &f.standing; st.elements == nil || st.from != from || st.hour != hour {
		*st = standing{from: from, hour: hour}
		st.answer, st.elements = f.work(from, hour*reception.HourMS, hour*reception.HourMS, false)
		for _, e := range st.elements {
			e.rows, e.span, e.mem, e.dry = nil, nil, nil, nil
			e.fit.Settled, e.fit.Free = nil, nil
		}
	}
	a := f.standing.answer
	a.AsOf, a.Measured.To = Time(at), Time(at)
	a.Channels = slices.Clone(a.Channels)
	r := &run{Fold: f, fromMS: from, toMS: at, atMS: at, before: hour + 1}
	f.each(len(a.Channels), func(i int, _ *scratch) {
		e := *f.standing.elements[i]
		e.dropouts = nil
		e.findDropouts(f, r.before, at)
		if len(e.dropouts) != len(e.verdicts) {
			e.verdicts = nil
		}
		a.Channels[i].Latest, a.Channels[i].Dropouts = r.latestOf(&e), r.dropoutsOf(&e)
	})
	return a
}
