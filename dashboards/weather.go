package dashboards

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"holdfast/analysis/reception"
	"holdfast/dashboards/chart"
	"holdfast/dashboards/words"
)

func noSky(from, to int64) chart.Sky {
	nan := math.NaN()
	return chart.Sky{FromMS: from, ToMS: to, RainMMH: nan, SnowMMH: nan, WindMPS: nan, GustMPS: nan, TempLowC: nan, TempHiC: nan}
}

// skies gathers the weather of the span by bins, for rain, wind and the read-out,
// and by local days for the band of temperature.
func (s *Server) skies(ctx context.Context, v *view, sh shown) (bins, days []chart.Sky, err error) {
	end := min(sh.to, sh.now)
	if end <= sh.from {
		return nil, nil, nil
	}
	for at := sh.from; at < end; at += sh.step {
		bins = append(bins, noSky(at, min(at+sh.step, end)))
	}
	z := v.words.Zone
	dayStep := 1
	if sh.to-sh.from <= 3*dayMS {
		dayStep = 0 // by bins: a day is too coarse for a day
	}
	if dayStep > 0 {
		for d := midnight(sh.from, z); d.UnixMilli() < end; d = d.AddDate(0, 0, 1) {
			days = append(days, noSky(d.UnixMilli(), d.AddDate(0, 0, 1).UnixMilli()))
		}
	}
	any := false
	day := 0
	for w, err := range s.backend.Weather(ctx, sh.from, end+1) {
		if err != nil {
			return nil, nil, fmt.Errorf("read the weather: %w", err)
		}
		mid := w.Time - w.IntervalS*500
		i := int((mid - sh.from) / sh.step)
		if mid < sh.from || i >= len(bins) {
			continue
		}
		any = true
		addSky(&bins[i], w)
		for day < len(days) && days[day].ToMS <= mid {
			day++
		}
		if day < len(days) && mid >= days[day].FromMS {
			addSky(&days[day], w)
		}
	}
	if !any {
		return nil, nil, nil
	}
	if dayStep == 0 {
		days = bins
	}
	return bins, days, nil
}

func addSky(k *chart.Sky, w reception.Weather) {
	up := func(p *float64, v float64) {
		if !math.IsNaN(v) && !(v <= *p) { // takes v where *p is NaN
			*p = v
		}
	}
	up(&k.RainMMH, w.RainMMPerHour)
	up(&k.SnowMMH, w.SnowMMPerHour)
	up(&k.WindMPS, w.WindMPS)
	up(&k.GustMPS, w.GustMPS)
	up(&k.TempHiC, w.TempC)
	if !math.IsNaN(w.TempC) && !(w.TempC >= k.TempLowC) {
		k.TempLowC = w.TempC
	}
	if w.Precipitation == reception.PrecipNone {
		up(&k.RainMMH, 0)
	}
}

// weatherLabel is what a screen reader says of the ribbon.
func weatherLabel(days []chart.Sky) string {
	if len(days) == 0 {
		return "No weather is known for this span."
	}
	rain, wind, known := 0, math.NaN(), 0
	for _, d := range days {
		if d.RainMMH > 0 || d.SnowMMH > 0 {
			rain++
		}
		if !math.IsNaN(d.RainMMH) || !math.IsNaN(d.TempLowC) {
			known++
		}
		g := d.GustMPS
		if math.IsNaN(g) {
			g = d.WindMPS
		}
		if !(g <= wind) && !math.IsNaN(g) {
			wind = g
		}
	}
	s := "Weather: rain or snow in " + strconv.Itoa(rain) + " of " + strconv.Itoa(known) + " parts of the span"
	if !math.IsNaN(wind) {
		s += ", strongest wind " + words.Decimal(wind, 0) + " m/s"
	}
	return s + "."
}

// leaves draws the lens with its words.
func (v *view) leaves(win chart.Window, h float64, phone bool) chart.Leaves {
	l := chart.Leaves{Window: win, H: h, NowMS: v.words.NowMS, Label: "Leaf state", None: "no leaf season known here"}
	at := leafAt(v.leaf)
	if at == nil {
		return l
	}
	step := max((win.ToMS-win.FromMS)/160, hourMS)
	for ms := win.FromMS; ms <= win.ToMS; ms += step {
		if s, ok := at(ms); ok {
			l.Points = append(l.Points, chart.LeafPoint{MS: ms, State: s})
		}
	}
	if len(l.Points) < 2 {
		l.Points = nil
		return l
	}
	// Words where the state passes "first leaves" and "full leaf", or one at the left.
	said := false
	say := func(ms int64, text, anchor string, above float64) {
		l.Words = append(l.Words, chart.Word{MS: ms, Text: text, Anchor: anchor, Above: above})
		said = true
	}
	first := l.Points[0].State
	switch {
	case first < 0.05:
		say(win.FromMS, "bare", "", 4)
	case first > 0.95:
		say(win.FromMS, "full leaf", "", h/2+2)
	}
	for i := 1; i < len(l.Points); i++ {
		p, q := l.Points[i-1], l.Points[i]
		switch {
		case p.State < 0.1 && q.State >= 0.1 && !phone:
			say(q.MS, "first leaves "+v.words.ShortDay(q.MS), "end", 5)
		case p.State < 0.9 && q.State >= 0.9:
			say(q.MS, "full leaf "+v.words.ShortDay(q.MS), "middle", h/2+2)
		case p.State > 0.9 && q.State <= 0.9:
			say(q.MS, "turning "+v.words.ShortDay(q.MS), "middle", h/2+2)
		case p.State > 0.1 && q.State <= 0.1:
			say(q.MS, "bare from "+v.words.ShortDay(q.MS), "", 5)
		}
	}
	// The word at the left gives way to one that follows at once.
	if len(l.Words) > 1 && l.Words[0].MS == win.FromMS && win.X(l.Words[1].MS) < 130 {
		l.Words = l.Words[1:]
	}
	if !said {
		say(win.FromMS, words.Percent(first)+" in leaf", "", h/2+2)
	}
	return l
}

// ticks places dates: hours within three days, days within three weeks, Mondays
// within a year, else months. Labels come as often as they fit.
func (v *view) ticks(win chart.Window) []chart.Tick {
	z := v.words.Zone
	span := win.ToMS - win.FromMS
	var at []time.Time
	form, room := "2 Jan", 46.0
	t := midnight(win.FromMS, z)
	var next func(time.Time) time.Time
	switch {
	case span <= 3*dayMS:
		form, room = "15:04", 40
		next = func(t time.Time) time.Time { return t.Add(3 * time.Hour) }
	case span <= 3*weekMS:
		next = func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }
	case span <= 60*weekMS:
		for t.Weekday() != time.Monday {
			t = t.AddDate(0, 0, 1)
		}
		next = func(t time.Time) time.Time { return t.AddDate(0, 0, 7) }
	default:
		form, room = "Jan 2006", 60
		t = time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, z)
		next = func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }
	}
	for ; t.UnixMilli() <= win.ToMS; t = next(t) {
		if t.UnixMilli() >= win.FromMS {
			at = append(at, t)
		}
	}
	if len(at) == 0 {
		return nil
	}
	per := win.W / max(1, float64(len(at)))
	every := max(1, int(math.Ceil(room/per)))
	if form == "15:04" { // midnights keep their labels
		for every&(every-1) != 0 {
			every++
		}
	}
	var out []chart.Tick
	for i, t := range at {
		k := chart.Tick{MS: t.UnixMilli()}
		if i%every == 0 && form != "15:04" || form == "15:04" && t.Hour()%(3*every) == 0 {
			k.Label = t.Format(form)
			if form == "15:04" && t.Hour() == 0 {
				k.Label = t.Format("2 Jan")
			}
		}
		out = append(out, k)
	}
	return out
}
