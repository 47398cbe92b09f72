package calendar

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/teambition/rrule-go"
)

// An event is one VEVENT (RFC 5545, 3.6.1).
type event struct {
	uid      string
	start    moment
	length   time.Duration
	rules    []rule
	dates    []moment // RDATE
	periods  []span   // RDATE of value PERIOD
	except   []moment // EXDATE
	replaces *moment  // RECURRENCE-ID: the start of the occurrence that this one stands for
	void     bool     // cancelled
}

// A rule is an RRULE, to be worked out on the zone's clock on the wall: a recording at
// eight stays at eight when the clocks change.
type rule struct{ option rrule.ROption }

// longest is how long one event may last: no recording does, longer.
const longest = 31 * 24 * time.Hour

// mostEvents of a calendar, and of them those that recur: one takes a millisecond to work
// out.
const mostEvents, mostSeries = 50000, 2000

// parse reads a calendar. left names events that are not understood.
func parse(text []byte, local *time.Location) (es []event, left []string, err error) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	whole := bytes.ToUpper(bytes.TrimSpace(text))
	switch {
	case len(whole) == 0:
		return nil, nil, errors.New("is empty; want an iCalendar, from BEGIN:VCALENDAR to END:VCALENDAR")
	case !bytes.HasPrefix(whole, []byte("BEGIN:VCALENDAR")):
		return nil, nil, fmt.Errorf("is no iCalendar: it begins with %q, not with BEGIN:VCALENDAR", oneLine(string(text[:min(len(text), 200)])))
	case !bytes.HasSuffix(whole, []byte("END:VCALENDAR")):
		return nil, nil, errors.New("ends in the middle, without END:VCALENDAR")
	}
	cal, err := ics.ParseCalendarWithOptions(bytes.NewReader(text), ics.WithUnknownPropertyHandler(ics.AcceptUnknownPropertyHandler))
	if err != nil {
		return nil, nil, fmt.Errorf("is no good iCalendar: %s", oneLine(err.Error()))
	}
	zs := zoneNames{local: place{local}, own: map[string]zone{}, iana: map[string]zone{}}
	for _, c := range cal.Components {
		if tz, ok := c.(*ics.VTimezone); ok {
			zs.learn(tz)
		}
	}
	evs := cal.Events()
	if len(evs) > mostEvents {
		return nil, nil, fmt.Errorf("has %d events; want at most %d", len(evs), mostEvents)
	}
	series := 0
	for _, v := range evs {
		if v.HasProperty("RRULE") {
			series++
		}
		if series > mostSeries {
			return nil, nil, fmt.Errorf("has more than %d events that recur; no recorder does", mostSeries)
		}
		e, err := zs.event(v)
		if err != nil {
			left = append(left, fmt.Sprintf("event %q: %v", oneLine(e.uid), err))
			continue
		}
		es = append(es, e)
	}
	return es, left, nil
}

func value(v *ics.VEvent, name string) string {
	if p := v.GetProperty(ics.ComponentProperty(name)); p != nil {
		return p.Value
	}
	return ""
}

func (zs zoneNames) event(v *ics.VEvent) (event, error) {
	e := event{uid: value(v, "UID"), void: strings.EqualFold(value(v, "STATUS"), "CANCELLED")}
	p := v.GetProperty("DTSTART")
	if p == nil {
		return e, errors.New("DTSTART is missing")
	}
	var err error
	if e.start, err = zs.moment(p, p.Value); err != nil {
		return e, fmt.Errorf("DTSTART: %w", err)
	}
	if e.length, err = zs.length(v, e.start); err != nil {
		return e, err
	}
	for _, p := range v.GetProperties("RRULE") {
		r, err := ruleOf(p.Value, e.start)
		if err != nil {
			return e, fmt.Errorf("RRULE %q: %w", oneLine(p.Value), err)
		}
		e.rules = append(e.rules, r)
	}
	for _, p := range v.GetProperties("EXDATE") {
		for _, s := range strings.Split(p.Value, ",") {
			m, err := zs.moment(p, s)
			if err != nil {
				return e, fmt.Errorf("EXDATE: %w", err)
			}
			e.except = append(e.except, m)
		}
	}
	for _, p := range v.GetProperties("RDATE") {
		if err := zs.rdate(&e, p); err != nil {
			return e, fmt.Errorf("RDATE: %w", err)
		}
	}
	if p := v.GetProperty("RECURRENCE-ID"); p != nil {
		if len(p.ICalParameters["RANGE"]) > 0 {
			return e, errors.New("RECURRENCE-ID with RANGE moves all that follow, which is not understood; they stay at their old times")
		}
		m, err := zs.moment(p, p.Value)
		if err != nil {
			return e, fmt.Errorf("RECURRENCE-ID: %w", err)
		}
		e.replaces = &m
	}
	return e, nil
}

// length is how long an event lasts: to DTEND, or for DURATION, else the day of one that
// has only a date (RFC 5545, 3.6.1).
func (zs zoneNames) length(v *ics.VEvent, start moment) (d time.Duration, err error) {
	switch p := v.GetProperty("DTEND"); {
	case p != nil:
		end, err := zs.moment(p, p.Value)
		if err != nil {
			return 0, fmt.Errorf("DTEND: %w", err)
		}
		if start.day && end.day {
			d = end.wall.Sub(start.wall)
		} else {
			d = end.instant().Sub(start.instant())
		}
	case v.HasProperty("DURATION"):
		if d, err = durationOf(value(v, "DURATION")); err != nil {
			return 0, fmt.Errorf("DURATION: %w", err)
		}
	case start.day:
		d = 24 * time.Hour
	}
	switch {
	case d < 0:
		return 0, errors.New("it ends before it begins")
	case d > longest:
		return 0, fmt.Errorf("it lasts %d days; no recording does", d/(24*time.Hour))
	}
	return d, nil
}

func (zs zoneNames) rdate(e *event, p *ics.IANAProperty) error {
	for _, s := range strings.Split(p.Value, ",") {
		from, to, isPeriod := strings.Cut(s, "/")
		m, err := zs.moment(p, from)
		switch {
		case err != nil:
			return err
		case !isPeriod:
			e.dates = append(e.dates, m)
			continue
		}
		x := span{from: m.instant()}
		if strings.HasPrefix(to, "P") {
			d, err := durationOf(to)
			if err != nil {
				return err
			}
			x.to = x.from.Add(d)
		} else if end, err := zs.moment(p, to); err != nil {
			return err
		} else {
			x.to = end.instant()
		}
		if d := x.to.Sub(x.from); d < 0 || d > longest {
			return fmt.Errorf("a period of %v", d)
		}
		e.periods = append(e.periods, x)
	}
	return nil
}

// ruleOf reads an RRULE. Its UNTIL is in UTC where DTSTART has a zone (RFC 5545,
// 3.3.10), and is brought to the clock on the wall by which the rule is worked out.
func ruleOf(text string, start moment) (rule, error) {
	o, err := rrule.StrToROption(strings.ToUpper(text))
	if err != nil {
		return rule{}, err
	}
	if o.Freq >= rrule.HOURLY {
		return rule{}, errors.New("it recurs by the hour or more often; write its hours as BYHOUR of FREQ=DAILY")
	}
	if !o.Until.IsZero() {
		_, until, _ := strings.Cut(strings.ToUpper(text), "UNTIL=")
		until, _, _ = strings.Cut(until, ";")
		switch {
		case strings.HasSuffix(until, "Z"):
			o.Until = start.zone.wall(o.Until)
		case len(until) == 8 && !start.day: // a date: that day too
			o.Until = o.Until.Add(24*time.Hour - time.Second)
		}
	}
	o.Dtstart = start.wall
	if _, err := rrule.NewRRule(*o); err != nil {
		return rule{}, err
	}
	return rule{*o}, nil
}

// duration is the form of RFC 5545, 3.3.6.
var duration = regexp.MustCompile(`^([+-]?)P(?:(\d{1,4})W|(?:(\d{1,4})D)?(?:T(?:(\d{1,5})H)?(?:(\d{1,6})M)?(?:(\d{1,7})S)?)?)$`)

func durationOf(text string) (time.Duration, error) {
	m := duration.FindStringSubmatch(strings.ToUpper(strings.TrimSpace(text)))
	if m == nil || strings.HasSuffix(text, "P") || strings.HasSuffix(text, "T") {
		return 0, fmt.Errorf("%q is no duration; want one such as PT1H30M", oneLine(text))
	}
	var d time.Duration
	for i, unit := range []time.Duration{7 * 24 * time.Hour, 24 * time.Hour, time.Hour, time.Minute, time.Second} {
		if n, err := strconv.Atoi(m[i+2]); err == nil {
			d += time.Duration(n) * unit
		}
	}
	if m[1] == "-" {
		d = -d
	}
	return d, nil
}
