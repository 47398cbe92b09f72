package calendar

import (
	"errors"
	"fmt"
	"sort"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/teambition/rrule-go"

	"holdfast/configs/zones"
)

// A moment is a time by some clock on the wall. wall is that clock's time, labelled UTC,
// so that recurrences can be worked out on it.
type moment struct {
	wall time.Time
	zone zone
	day  bool // a date: its midnight
}

func (m moment) instant() time.Time { return m.zone.instant(m.wall) }

// A zone turns times of a clock on the wall into instants and back.
type zone interface {
	instant(wall time.Time) time.Time
	wall(at time.Time) time.Time
}

// A place is a zone of the IANA database.
type place struct{ loc *time.Location }

func (p place) instant(w time.Time) time.Time {
	return time.Date(w.Year(), w.Month(), w.Day(), w.Hour(), w.Minute(), w.Second(), 0, p.loc)
}

func (p place) wall(at time.Time) time.Time {
	l := at.In(p.loc)
	return time.Date(l.Year(), l.Month(), l.Day(), l.Hour(), l.Minute(), l.Second(), 0, time.UTC)
}

// zoneNames are the zones that a calendar names.
type zoneNames struct {
	local zone            // of times that name none
	own   map[string]zone // that the calendar describes itself, by TZID
	iana  map[string]zone // that were found, by TZID
}

// moment reads a DATE or DATE-TIME (RFC 5545, 3.3.4 and 3.3.5).
func (zs zoneNames) moment(p *ics.IANAProperty, text string) (moment, error) {
	text = strings.ToUpper(strings.TrimSpace(text))
	m := moment{zone: zs.local}
	if id := p.ICalParameters["TZID"]; len(id) > 0 && !strings.HasSuffix(text, "Z") {
		var err error
		if m.zone, err = zs.named(id[0]); err != nil {
			return m, err
		}
	}
	form := "20060102T150405"
	switch {
	case len(text) == 8:
		form, m.day = "20060102", true
	case strings.HasSuffix(text, "Z"):
		form, m.zone = form+"Z", place{time.UTC}
	}
	var err error
	if m.wall, err = time.Parse(form, text); err != nil {
		return m, fmt.Errorf("%q is no time; want one such as 20260301T200000Z", oneLine(text))
	}
	if y := m.wall.Year(); y < 1900 || y > 2200 {
		return m, fmt.Errorf("%q is in the year %d; want 1900 to 2200", oneLine(text), y)
	}
	return m, nil
}

// named finds a zone. Some programs write more than the name, such as
// /example.org/2025/Europe/Berlin.
func (zs zoneNames) named(id string) (zone, error) {
	if z, ok := zs.iana[id]; ok {
		return z, nil
	}
	words := strings.Split(strings.Trim(id, `"/`), "/")
	for i := range words {
		name := strings.Join(words[i:], "/")
		if loc, err := zones.Load(name); err == nil && name != "" && name != "Local" {
			zs.iana[id] = place{loc}
			return zs.iana[id], nil
		}
	}
	if z, ok := zs.own[id]; ok {
		return z, nil
	}
	return nil, fmt.Errorf("time zone %q is neither in the IANA database nor described in the calendar", oneLine(id))
}

// A described zone is a VTIMEZONE (RFC 5545, 3.6.5), for names that the IANA database
// does not have.
type described struct{ parts []observance }

// An observance is standard or summer time: from each of its onsets on the clock on the
// wall is ahead of UTC by to.
type observance struct {
	onsets   []time.Time // wall, ascending, at least one
	from, to time.Duration
}

// lastOnset bounds what is worked out of a rule without an end.
var lastOnset = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)

// learn takes up a VTIMEZONE; one that cannot be read is as if it were not there.
func (zs zoneNames) learn(tz *ics.VTimezone) {
	p := tz.GetProperty("TZID")
	if p == nil {
		return
	}
	if x := tz.GetProperty("X-LIC-LOCATION"); x != nil {
		if z, err := zs.named(x.Value); err == nil {
			zs.own[p.Value] = z
			return
		}
	}
	var d described
	for _, c := range tz.Components {
		var b ics.ComponentBase
		switch c := c.(type) {
		case *ics.Standard:
			b = c.ComponentBase
		case *ics.Daylight:
			b = c.ComponentBase
		default:
			continue
		}
		o, err := observanceOf(b)
		if err != nil {
			return
		}
		d.parts = append(d.parts, o)
	}
	if len(d.parts) > 0 {
		zs.own[p.Value] = d
	}
}

func observanceOf(b ics.ComponentBase) (o observance, err error) {
	get := func(name ics.ComponentProperty) string {
		if p := b.GetProperty(name); p != nil {
			return p.Value
		}
		return ""
	}
	first, err := time.Parse("20060102T150405", get("DTSTART"))
	if err != nil {
		return o, err
	}
	if first.Year() < 1600 { // what programs write for "ever since" is 1601
		return o, errors.New("an onset before the year 1600")
	}
	o.onsets = []time.Time{first}
	if o.from, err = offset(get("TZOFFSETFROM")); err != nil {
		return o, err
	}
	if o.to, err = offset(get("TZOFFSETTO")); err != nil {
		return o, err
	}
	if text := get("RRULE"); text != "" {
		r, err := ruleOf(text, moment{wall: first, zone: place{time.FixedZone("", int(o.from/time.Second))}})
		if err != nil {
			return o, err
		}
		if r.option.Freq != rrule.YEARLY {
			return o, errors.New("onsets that do not recur by the year")
		}
		rr, err := rrule.NewRRule(r.option)
		if err != nil {
			return o, err
		}
		o.onsets = append(o.onsets, rr.Between(first, lastOnset, false)...)
	}
	return o, nil
}

// offset reads a UTC-OFFSET (RFC 5545, 3.3.14).
func offset(text string) (time.Duration, error) {
	var h, m int
	var sign rune
	if n, err := fmt.Sscanf(text, "%c%2d%2d", &sign, &h, &m); n != 3 || sign != '+' && sign != '-' {
		return 0, fmt.Errorf("%q is no offset from UTC: %v", oneLine(text), err)
	}
	d := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	if sign == '-' {
		d = -d
	}
	return d, nil
}

// ahead is how far the clock on the wall is ahead of UTC when it shows w.
func (d described) ahead(w time.Time) time.Duration {
	out, latest := d.parts[0].from, time.Time{}
	for _, o := range d.parts {
		n := sort.Search(len(o.onsets), func(i int) bool { return o.onsets[i].After(w) })
		if n > 0 && (latest.IsZero() || o.onsets[n-1].After(latest)) {
			out, latest = o.to, o.onsets[n-1]
		}
	}
	return out
}

func (d described) instant(w time.Time) time.Time { return w.Add(-d.ahead(w)) }

func (d described) wall(at time.Time) time.Time {
	w := at.UTC()
	return w.Add(d.ahead(w.Add(d.ahead(w))))
}
