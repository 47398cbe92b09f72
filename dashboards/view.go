package dashboards

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/dashboards/words"
)

const (
	hourMS = int64(reception.HourMS)
	dayMS  = 24 * hourMS
	weekMS = 7 * dayMS
)

// A view is what one showing of the Holding page rests on: one answer, so that
// sentence, figures and drawings agree.
type view struct {
	facts  Facts
	answer answer.Answer
	words  words.Facts
	leaf   []LeafDay
	lanes  []words.Lane
	groups []group
	alarms []alerting.Alarm
	health []reception.Health
}

// A group is lanes under one heading.
type group struct {
	Title   string
	Note    string
	Azimuth float64 // NaN: no mark before the title
	Look    bool
	Lanes   []words.Lane
}

// wordFacts gathers what the words need: zone, clock, leaf state, last weather.
func (s *Server) wordFacts(ctx context.Context, f Facts, a answer.Answer) (words.Facts, error) {
	wf := words.Facts{
		Zone: zone(f.Home), NowMS: f.NowMS, Channels: f.Channels, Transmitters: f.Transmitters, Tuners: f.Tuners, Wanted: f.Wanted,
		Sky: words.Sky{GustMPS: math.NaN(), WindMPS: math.NaN(), TempC: math.NaN()},
	}
	if a.AsOf != 0 {
		wf.NowMS = int64(a.AsOf)
	}
	leaf, err := s.backend.Leaf(ctx, wf.NowMS-400*dayMS, wf.NowMS+220*dayMS)
	if err != nil {
		return wf, fmt.Errorf("read the leaf state: %w", err)
	}
	wf.Leaf = leafAt(leaf)
	for w, err := range s.backend.Weather(ctx, wf.NowMS-6*hourMS, wf.NowMS+hourMS) {
		if err != nil {
			return wf, fmt.Errorf("read the weather: %w", err)
		}
		wet := 0.0
		for _, v := range []float64{w.RainMMPerHour, w.SnowMMPerHour} {
			if v > wet { // false for NaN
				wet = v
			}
		}
		wf.Sky = words.Sky{AtMS: w.Time, GustMPS: w.GustMPS, WindMPS: w.WindMPS, TempC: w.TempC, WetMMH: wet, Thunder: w.Thunder == reception.Yes}
	}
	return wf, nil
}

// leafAt interpolates daily leaf states; nil where there is no leaf season.
func leafAt(days []LeafDay) func(int64) (float64, bool) {
	if len(days) == 0 {
		return nil
	}
	return func(ms int64) (float64, bool) {
		i := sort.Search(len(days), func(i int) bool { return days[i].NoonMS >= ms })
		if i == len(days) || i == 0 && days[0].NoonMS-ms > dayMS {
			return math.NaN(), false
		}
		if i == 0 {
			return days[0].State, true
		}
		p, q := days[i-1], days[i]
		part := float64(ms-p.NoonMS) / float64(q.NoonMS-p.NoonMS)
		return p.State + (q.State-p.State)*part, true
	}
}

// load asks the backend for everything that a showing needs but the tallies.
func (s *Server) load(ctx context.Context, r *http.Request) (*view, error) {
	v := &view{}
	var err error
	if v.facts, err = s.backend.Facts(ctx); err != nil {
		return nil, fmt.Errorf("read the home: %w", err)
	}
	if v.answer, err = s.backend.Answer(ctx, 0, 0, 0); err != nil {
		return nil, fmt.Errorf("answer: %w", err)
	}
	if v.words, err = s.wordFacts(ctx, v.facts, v.answer); err != nil {
		return nil, err
	}
	v.words.RFFirst = rfFirst(r)
	now := v.words.NowMS
	if v.leaf, err = s.backend.Leaf(ctx, now-60*weekMS, now+30*weekMS); err != nil {
		return nil, fmt.Errorf("read the leaf state: %w", err)
	}
	if v.alarms, err = s.backend.Alarms(ctx, now-alarmsBack, now+1); err != nil {
		return nil, fmt.Errorf("read alarms: %w", err)
	}
	if v.health, err = s.backend.Health(ctx); err != nil {
		return nil, fmt.Errorf("read health: %w", err)
	}
	v.lanes = words.Lanes(v.answer, v.words)
	v.groups = v.group(mostOpen(r))
	return v, nil
}

// rfFirst reports whether channels are called by RF number: by the address, else by
// the choice kept in a cookie.
func rfFirst(r *http.Request) bool {
	if v := r.URL.Query().Get("first"); v != "" {
		return v == "rf"
	}
	c, err := r.Cookie("first")
	return err == nil && c.Value == "rf"
}

// mostOpen is how many lanes stand under "Look at these": five, on a phone three.
// A script that knows says so; else the browser's own word for being mobile decides.
func mostOpen(r *http.Request) int {
	if n, err := strconv.Atoi(r.URL.Query().Get("most")); err == nil && n >= 1 && n <= 10 {
		return n
	}
	if r.Header.Get("Sec-CH-UA-Mobile") == "?1" || strings.Contains(r.UserAgent(), "Mobile") {
		return 3
	}
	return 5
}

// group puts the lanes that need a look first, soonest first, then the others by
// mast, masts by number of channels.
func (v *view) group(most int) []group {
	look := words.Look(v.lanes)
	more := 0
	if len(look) > most {
		more = len(look) - most
		look = look[:most]
	}
	open := map[string]bool{}
	for _, l := range look {
		open[l.Key] = true
	}
	byMast := map[string][]words.Lane{}
	var masts []string
	for _, l := range v.lanes {
		if open[l.Key] {
			continue
		}
		if byMast[l.Transmitter] == nil {
			masts = append(masts, l.Transmitter)
		}
		byMast[l.Transmitter] = append(byMast[l.Transmitter], l)
	}
	slices.SortStableFunc(masts, func(a, b string) int {
		if (a == "") != (b == "") { // unknown masts last
			return len(b) - len(a)
		}
		return len(byMast[b]) - len(byMast[a])
	})
	var out []group
	if len(look) > 0 {
		g := group{Title: "Look at these " + words.Count(len(look)), Azimuth: math.NaN(), Look: true, Lanes: look}
		if len(look) == 1 {
			g.Title = "Look at this one"
		}
		if more > 0 {
			g.Note = "and " + words.Count(more) + " more below"
		}
		out = append(out, g)
	}
	for _, m := range masts {
		ls := byMast[m]
		slices.SortStableFunc(ls, func(a, b words.Lane) int { return compareLanes(a, b, v.words.RFFirst) })
		g := group{Title: "From " + m, Azimuth: math.NaN(), Lanes: ls}
		if m == "" {
			g.Title = "Channels"
			if len(masts) > 1 {
				g.Title = "Mast not named"
			}
		}
		for _, t := range v.facts.Transmitters {
			if t.Name == m && m != "" {
				g.Azimuth = t.AzimuthDeg
				g.Note = words.Mast(t)
			}
		}
		out = append(out, g)
	}
	return out
}

// compareLanes sorts by the number on screen, or by RF number, then frequency.
func compareLanes(a, b words.Lane, rf bool) int {
	if rf {
		if c := cmp.Compare(a.RF, b.RF); c != 0 {
			return c
		}
	} else if c := cmp.Compare(screen(a), screen(b)); c != 0 {
		return c
	}
	return cmp.Compare(a.FrequencyHz, b.FrequencyHz)
}

// screen turns "12.1" into 12001; lanes without a number come last, by RF.
func screen(l words.Lane) int {
	major, minor, _ := strings.Cut(l.Screen, ".")
	n, err := strconv.Atoi(major)
	if err != nil {
		return 1_000_000 + l.RF
	}
	m, err := strconv.Atoi(minor)
	if err != nil {
		m = 0
	}
	return n*1000 + m
}

// A span shown: what of time the page covers.
type shown struct {
	from, to int64
	now      int64
	step     int64 // width of a bin, ms
	ahead    bool  // something to come is drawn
}

// window chooses what is shown. Where an outlook is decided it is 8 weeks back and 8
// ahead (on a phone 5 and 9); where nothing can be expected yet the past has it all.
func (v *view) window(from, to int64, phone bool, w float64) shown {
	now := v.words.NowMS
	back, ahead := 8*weekMS, 8*weekMS
	if phone {
		back, ahead = 5*weekMS, 9*weekMS
	}
	decided := v.decided()
	if !decided {
		back, ahead = back+ahead, 0
		switch first := v.facts.FirstMS; {
		case first == 0:
			back = dayMS
		case now-first < back:
			back = max(now-first, dayMS)
		}
	}
	s := shown{from: from, to: to, now: now}
	if s.from == 0 && s.to == 0 {
		s.from, s.to = now-back, now+ahead
	} else if s.to == 0 {
		s.to = max(now, s.from+hourMS)
	} else if s.from == 0 {
		s.from = s.to - back
	}
	s.ahead = decided && s.to > now
	// No more bins than the width can show, none finer than an hour.
	most := int64(max(24, w/1.5))
	for _, h := range []int64{1, 3, 6, 12, 24, 72, 168, 720} {
		s.step = h * hourMS
		if (s.to-s.from)/s.step <= most && (h >= 6 || s.to-s.from <= 17*dayMS) {
			break
		}
	}
	// Bins begin on the home's clock, so that they stay where they are as time goes on.
	_, offset := time.UnixMilli(s.from).In(v.words.Zone).Zone()
	local := s.from + int64(offset)*1000
	s.from -= ((local % s.step) + s.step) % s.step
	return s
}

// decided reports whether anything can be drawn for the time to come.
func (v *view) decided() bool {
	for _, l := range v.lanes {
		for _, o := range l.Of.Outlook {
			if o.Spare.Decided() && l.Of.Spare.Decided() {
				return true
			}
		}
	}
	return false
}

// midnight returns the local midnight that begins the day of an instant.
func midnight(ms int64, z *time.Location) time.Time {
	t := time.UnixMilli(ms).In(z)
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, z)
}
