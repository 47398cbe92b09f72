package metar

import (
	"math"
	"slices"
	"time"

	"holdfast/analysis/reception"
)

// Hours gathers the reports of one station into rows of an hour. A routine report
// made in the last quarter of an hour, or on its stroke, closes it and stands for
// it, as in the hourly archives that are made from such reports; what comes after
// belongs to the next one. So the amount of precipitation, which counts from one
// routine report to the next, is taken from the last report and never summed. The
// zero value is ready.
type Hours struct {
	reports []Report  // of hours not yet closed, ascending by time
	done    int64     // end of the last hour returned, Unix s
	last    time.Time // of the last report in it
}

// Keep holds reports for hours that were not returned yet. Of two with one time the
// later given wins: it corrects the other.
func (h *Hours) Keep(r Report) {
	if r.Nil || !r.Time.After(h.last) {
		return
	}
	i, found := slices.BinarySearchFunc(h.reports, r, func(a, b Report) int { return a.Time.Compare(b.Time) })
	if found {
		h.reports[i] = r
		return
	}
	h.reports = slices.Insert(h.reports, i, r)
}

// closing reports whether a report ends its hour.
func closing(r Report) bool {
	return !r.Special && (r.Time.Minute() >= 45 || r.Time.Minute() == 0)
}

// end is the full hour at or after t, Unix s.
func end(t time.Time) int64 { return (t.Unix() + 3599) / 3600 * 3600 }

// Rows returns the hours that are closed: by their routine report, or by a report
// of a later one. Their reports are forgotten.
func (h *Hours) Rows() []reception.Weather {
	var out []reception.Weather
	for len(h.reports) > 0 {
		n, at := h.first()
		if n == 0 {
			break
		}
		if at > h.done {
			out = append(out, row(h.reports[:n], at))
			h.done = at
		}
		h.last = h.reports[n-1].Time
		h.reports = h.reports[n:]
	}
	h.reports = slices.Clone(h.reports)
	return out
}

// first returns how many reports the first hour has and its end; 0 if it is open.
func (h *Hours) first() (n int, at int64) {
	at = end(h.reports[0].Time)
	if !closing(h.reports[0]) && at <= h.done { // after the routine report of its hour
		at = h.done + 3600
	}
	for i, r := range h.reports {
		if end(r.Time) > at {
			return i, at
		}
		if closing(r) && end(r.Time) == at {
			return i + 1, at
		}
	}
	return 0, at
}

// row makes one hour of its reports, the last of which is the newest.
func row(rs []Report, endS int64) reception.Weather {
	w := reception.NewWeather()
	w.Time = endS * 1000
	last := rs[len(rs)-1]
	var s seen
	for _, r := range rs {
		s.add(r)
		latest(&w.TempC, r.TempC)
		latest(&w.DewpointC, r.DewpointC)
		latest(&w.PressureHPa, pressureOf(r))
		if !math.IsNaN(r.Wind.MPS) {
			w.WindMPS, w.WindDirDeg = r.Wind.MPS, r.Wind.DirDeg
		}
		highest(&w.GustMPS, r.Wind.GustMPS)
		highest(&w.GustMPS, r.Peak.MPS)
	}
	s.fell(&w, last)
	w.Thunder = s.thunder(last)
	return w
}

func latest(p *float64, v float64) {
	if !math.IsNaN(v) {
		*p = v
	}
}

func highest(p *float64, v float64) {
	if math.IsNaN(*p) || v > *p {
		*p = v
	}
}

// pressureOf is the pressure at sea level, or the altimeter setting, which differs
// from it by the air's temperature alone.
func pressureOf(r Report) float64 {
	if math.IsNaN(r.SLPHPa) || r.SLPSuspect {
		return r.QNHHPa
	}
	return r.SLPHPa
}

// seen is what the reports of an hour said of weather.
type seen struct{ rain, frozen, unclear, thunderSeen bool }

func (s *seen) add(r Report) {
	for _, p := range r.Weather {
		s.thunderSeen = s.thunderSeen || p.Thunder
		if p.Precipitation() {
			s.rain, s.frozen, s.unclear = s.rain || p.Rain, s.frozen || p.Frozen, s.unclear || p.Unclear
		}
	}
	for _, e := range r.Events {
		if e.What == "TS" {
			s.thunderSeen = true
			continue
		}
		if p, ok := Present(e.What); ok && r.Time.Sub(e.Time) < time.Hour {
			s.thunderSeen = s.thunderSeen || p.Thunder
			s.rain, s.frozen, s.unclear = s.rain || p.Rain, s.frozen || p.Frozen, s.unclear || p.Unclear
		}
	}
}

// fell settles the hour's precipitation. An hour with rain and snow counts as rain,
// and its snow is not known.
func (s *seen) fell(w *reception.Weather, last Report) {
	some := s.rain || s.frozen || s.unclear
	a := last.Hour
	if !closing(last) && !a.Trace { // a part of the hour: that it fell is known, how much is not
		a.MM = nan
	}
	switch {
	case last.NoGauge && !some:
		return
	case last.NoGauge, a.Indeterminate, a.Reported && math.IsNaN(a.MM):
		w.Precipitation = reception.PrecipAmount
		return
	case a.Reported && (a.Trace || a.MM == 0 && some):
		w.Precipitation = reception.PrecipTrace
	case a.Reported && a.MM == 0: // no METAR says so, other forms of its reports do
		w.Precipitation = reception.PrecipNone
	case a.Reported:
		w.Precipitation = reception.PrecipAmount
	case some:
		w.Precipitation = reception.PrecipAmount
		return // of a station without a gauge, or not yet enough for one
	case last.StationType == "AO2" && closing(last):
		w.Precipitation, a.MM = reception.PrecipNone, 0
	default:
		return // nobody said that there is a gauge
	}
	switch {
	case s.frozen && !s.rain:
		w.SnowMMPerHour, w.RainMMPerHour = a.MM, 0
	case s.frozen:
		w.RainMMPerHour = a.MM
	default:
		w.RainMMPerHour, w.SnowMMPerHour = a.MM, 0
	}
}

// thunder is no only where somebody would have said yes: a human observer, or an
// automatic station of type AO1 or AO2 whose thunder sensor works (FMH-1 has it
// report TSNO otherwise).
func (s *seen) thunder(last Report) reception.Tristate {
	switch {
	case s.thunderSeen:
		return reception.Yes
	case last.NoThunder, last.Auto && last.StationType == "":
		return reception.Unknown
	}
	return reception.No
}
