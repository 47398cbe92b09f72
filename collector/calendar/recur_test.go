package calendar

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/configs/zones"
)

func inZone(t testing.TB, name string) *time.Location {
	t.Helper()
	l, err := zones.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// ical makes a calendar of lines, with the line ends of RFC 5545.
func ical(lines ...string) []byte {
	all := append([]string{"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Recorder//EN"}, lines...)
	return []byte(strings.Join(append(all, "END:VCALENDAR"), "\r\n") + "\r\n")
}

func vevent(lines ...string) []string {
	return append(append([]string{"BEGIN:VEVENT"}, lines...), "END:VEVENT")
}

// starts lists when the events of a calendar begin within years, as local times.
func starts(t *testing.T, text []byte, from, to int, loc *time.Location) []string {
	t.Helper()
	es, left, err := parse(text, loc)
	if err != nil || len(left) > 0 {
		t.Fatalf("parse: %v, left out %q", err, left)
	}
	var out []string
	for _, s := range sorted(occurrences(es, span{time.Date(from, 1, 1, 0, 0, 0, 0, loc), time.Date(to, 12, 31, 23, 59, 59, 0, loc)})) {
		out = append(out, s.from.In(loc).Format("2006-01-02 15:04 MST"))
	}
	return out
}

func sorted(ss []span) []span {
	slices.SortFunc(ss, func(a, b span) int { return a.from.Compare(b.from) })
	return ss
}

// The examples of RFC 5545, 3.8.5.3, with the instances that it prints: by 9 on New York's
// clocks on the wall, summer and winter.
func TestRecurrencesOfRFC5545(t *testing.T) {
	dates := func(zone string, ds ...string) (out []string) {
		for _, d := range ds {
			out = append(out, d+" 09:00 "+zone)
		}
		return out
	}
	for _, c := range []struct {
		what, start, rule string
		more              []string
		to                int
		want              []string
	}{
		{"daily for 10 occurrences", "19970902T090000", "FREQ=DAILY;COUNT=10", nil, 1998,
			dates("EDT", "1997-09-02", "1997-09-03", "1997-09-04", "1997-09-05", "1997-09-06", "1997-09-07", "1997-09-08", "1997-09-09", "1997-09-10", "1997-09-11")},
		{"every 10 days, 5 occurrences", "19970902T090000", "FREQ=DAILY;INTERVAL=10;COUNT=5", nil, 1998,
			dates("EDT", "1997-09-02", "1997-09-12", "1997-09-22", "1997-10-02", "1997-10-12")},
		{"weekly for 10 occurrences", "19970902T090000", "FREQ=WEEKLY;COUNT=10", nil, 1998,
			append(dates("EDT", "1997-09-02", "1997-09-09", "1997-09-16", "1997-09-23", "1997-09-30", "1997-10-07", "1997-10-14", "1997-10-21"), dates("EST", "1997-10-28", "1997-11-04")...)},
		{"weekly on Tuesday and Thursday for five weeks", "19970902T090000", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", nil, 1998,
			dates("EDT", "1997-09-02", "1997-09-04", "1997-09-09", "1997-09-11", "1997-09-16", "1997-09-18", "1997-09-23", "1997-09-25", "1997-09-30", "1997-10-02")},
		{"every other week on Monday, Wednesday, and Friday until December 24, 1997", "19970901T090000", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR", nil, 1998,
			append(dates("EDT", "1997-09-01", "1997-09-03", "1997-09-05", "1997-09-15", "1997-09-17", "1997-09-19", "1997-09-29", "1997-10-01", "1997-10-03", "1997-10-13", "1997-10-15", "1997-10-17"),
				dates("EST", "1997-10-27", "1997-10-29", "1997-10-31", "1997-11-10", "1997-11-12", "1997-11-14", "1997-11-24", "1997-11-26", "1997-11-28", "1997-12-08", "1997-12-10", "1997-12-12", "1997-12-22")...)},
		{"monthly on the first Friday for 10 occurrences", "19970905T090000", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", nil, 1998, []string{
			"1997-09-05 09:00 EDT", "1997-10-03 09:00 EDT", "1997-11-07 09:00 EST", "1997-12-05 09:00 EST", "1998-01-02 09:00 EST", "1998-02-06 09:00 EST",
			"1998-03-06 09:00 EST", "1998-04-03 09:00 EST", "1998-05-01 09:00 EDT", "1998-06-05 09:00 EDT"}},
		{"every 18 months on the 10th thru 15th of the month for 10 occurrences", "19970910T090000", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", nil, 1999,
			append(dates("EDT", "1997-09-10", "1997-09-11", "1997-09-12", "1997-09-13", "1997-09-14", "1997-09-15"), dates("EST", "1999-03-10", "1999-03-11", "1999-03-12", "1999-03-13")...)},
		{"every Friday the 13th", "19970902T090000", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", []string{"EXDATE;TZID=America/New_York:19970902T090000"}, 2000, []string{
			"1998-02-13 09:00 EST", "1998-03-13 09:00 EST", "1998-11-13 09:00 EST", "1999-08-13 09:00 EDT", "2000-10-13 09:00 EDT"}},
		{"the third instance into the month of one of Tuesday, Wednesday, or Thursday, for the next 3 months", "19970904T090000", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", nil, 1998,
			[]string{"1997-09-04 09:00 EDT", "1997-10-07 09:00 EDT", "1997-11-06 09:00 EST"}},
		{"every 4 years, the first Tuesday after a Monday in November", "19961105T090000", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8", nil, 2004,
			dates("EST", "1996-11-05", "2000-11-07", "2004-11-02")},
		{"weeks from Monday", "19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", nil, 1998, dates("EDT", "1997-08-05", "1997-08-10", "1997-08-19", "1997-08-24")},
		{"weeks from Sunday", "19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", nil, 1998, dates("EDT", "1997-08-05", "1997-08-17", "1997-08-19", "1997-08-31")},
	} {
		lines := vevent(append([]string{"UID:a", "DTSTART;TZID=America/New_York:" + c.start, "DURATION:PT1H", "RRULE:" + c.rule}, c.more...)...)
		if got := starts(t, ical(lines...), 1996, c.to, inZone(t, "America/New_York")); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.what, got, c.want)
		}
	}
}

// RFC 5545, 3.8.5.3: daily until December 24, 1997, 113 times, of which those from
// October 26 on are in winter time.
func TestUntilIsInUTC(t *testing.T) {
	got := starts(t, ical(vevent("UID:a", "DTSTART;TZID=America/New_York:19970902T090000", "RRULE:FREQ=DAILY;UNTIL=19971224T000000Z")...), 1997, 1998, inZone(t, "America/New_York"))
	if len(got) != 113 || got[53] != "1997-10-25 09:00 EDT" || got[54] != "1997-10-26 09:00 EST" || got[112] != "1997-12-23 09:00 EST" {
		t.Errorf("%d times, %q", len(got), got)
	}
	// a recording at the minute of UNTIL is still in
	got = starts(t, ical(vevent("UID:a", "DTSTART;TZID=America/New_York:20260301T200000", "RRULE:FREQ=DAILY;UNTIL=20260303T010000Z")...), 2026, 2026, inZone(t, "America/New_York"))
	if len(got) != 2 {
		t.Errorf("until 8 in the evening of the second day: %q, want two", got)
	}
}

// A zone that the calendar describes itself is right at each hour of three years: the
// example of RFC 5545, 3.6.5, against the IANA database.
func TestADescribedZone(t *testing.T) {
	tz := []string{"BEGIN:VTIMEZONE", "TZID:Valley Time",
		"BEGIN:DAYLIGHT", "DTSTART:20070311T020000", "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU", "TZOFFSETFROM:-0500", "TZOFFSETTO:-0400", "TZNAME:EDT", "END:DAYLIGHT",
		"BEGIN:STANDARD", "DTSTART:20071104T020000", "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU", "TZOFFSETFROM:-0400", "TZOFFSETTO:-0500", "TZNAME:EST", "END:STANDARD",
		"END:VTIMEZONE"}
	es, left, err := parse(ical(append(tz, vevent("UID:a", "DTSTART;TZID=Valley Time:20260301T200000", "DURATION:PT1H", "RRULE:FREQ=DAILY;UNTIL=20260401T000000Z")...)...), time.UTC)
	if err != nil || len(left) > 0 || len(es) != 1 {
		t.Fatalf("%d events, %q, %v", len(es), left, err)
	}
	z, iana := es[0].start.zone, place{inZone(t, "America/New_York")}
	wrong := 0
	for at := time.Date(2025, 1, 1, 0, 30, 0, 0, time.UTC); at.Year() < 2028; at = at.Add(time.Hour) {
		w := iana.wall(at)
		if !z.wall(at).Equal(w) {
			wrong++
		}
		if !iana.instant(w).Equal(z.instant(w)) {
			wrong++
		}
	}
	// the hour that is there twice in autumn may be either
	if wrong > 12 {
		t.Errorf("%d hours of three years differ from the IANA database", wrong)
	}
	on := occurrences(es, span{time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)})
	for _, s := range on {
		if h := s.from.In(iana.loc).Hour(); h != 20 {
			t.Errorf("%v is at %d o'clock, want 20", s.from, h)
		}
	}
	if len(on) != 31 {
		t.Errorf("%d recordings, want 31", len(on))
	}
}

// The same zone by its name in the IANA database, or with words around it.
func TestNamesOfZones(t *testing.T) {
	for _, c := range []struct{ id, lines, want string }{
		{"Europe/Berlin", "", "19:00"},
		{"/recorder.example/2025/Europe/Berlin", "", "19:00"},
		{`"Europe/Berlin"`, "", "19:00"},
		{"Somewhere", "BEGIN:VTIMEZONE\r\nTZID:Somewhere\r\nX-LIC-LOCATION:Europe/Berlin\r\nEND:VTIMEZONE", "19:00"},
	} {
		var lines []string
		if c.lines != "" {
			lines = append(lines, c.lines)
		}
		es, left, err := parse(ical(append(lines, vevent("UID:a", "DTSTART;TZID="+c.id+":20260301T200000")...)...), time.UTC)
		if err != nil || len(left) > 0 {
			t.Errorf("%s: %v, %q", c.id, err, left)
			continue
		}
		if got := es[0].start.instant().UTC().Format("15:04"); got != c.want {
			t.Errorf("%s: 20:00 is %s UTC, want %s", c.id, got, c.want)
		}
	}
}

func TestSeriesAndTheirExceptions(t *testing.T) {
	master := vevent("UID:a", "DTSTART:20260301T200000Z", "DTEND:20260301T210000Z", "RRULE:FREQ=DAILY;COUNT=4")
	for _, c := range []struct {
		what  string
		lines []string
		want  []string
	}{
		{"one is moved", append(master, vevent("UID:a", "RECURRENCE-ID:20260302T200000Z", "DTSTART:20260302T223000Z", "DTEND:20260302T230000Z")...),
			[]string{"01 20:00-21:00", "02 22:30-23:00", "03 20:00-21:00", "04 20:00-21:00"}},
		{"one is cancelled", append(master, vevent("UID:a", "RECURRENCE-ID:20260303T200000Z", "STATUS:CANCELLED", "DTSTART:20260303T200000Z")...),
			[]string{"01 20:00-21:00", "02 20:00-21:00", "04 20:00-21:00"}},
		{"all are cancelled", vevent("UID:a", "STATUS:CANCELLED", "DTSTART:20260301T200000Z", "RRULE:FREQ=DAILY;COUNT=4"), nil},
		{"another's exception", append(master, vevent("UID:b", "RECURRENCE-ID:20260302T200000Z", "DTSTART:20260302T120000Z", "DTEND:20260302T121500Z")...),
			[]string{"01 20:00-21:00", "02 12:00-12:15", "02 20:00-21:00", "03 20:00-21:00", "04 20:00-21:00"}},
		{"dates and periods", vevent("UID:a", "DTSTART:20260301T200000Z", "DURATION:PT30M", "RDATE:20260305T100000Z,20260306T100000Z", "RDATE;VALUE=PERIOD:20260307T100000Z/PT2H,20260308T100000Z/20260308T101000Z", "EXDATE:20260306T100000Z"),
			[]string{"01 20:00-20:30", "05 10:00-10:30", "07 10:00-12:00", "08 10:00-10:10"}},
		{"a day, on which the clocks change", vevent("UID:a", "DTSTART;VALUE=DATE:20260308"), []string{"08 05:00-04:00"}}, // 23 hours in New York
		{"no end", vevent("UID:a", "DTSTART:20260301T200000Z"), []string{"01 20:00-20:00"}},
		{"the home's clock", vevent("UID:a", "DTSTART:20260301T200000", "DURATION:P0DT1H0M"), []string{"02 01:00-02:00"}},
		{"folded lines, lower case, unknown things, free time", vevent("UID:a", "DTSTART:202603\r\n 01T200000Z", "DURATION:pt1h", "X-CHANNEL:26", "TRANSP:TRANSPARENT", "BEGIN:VALARM", "TRIGGER:-PT5M", "END:VALARM"),
			[]string{"01 20:00-21:00"}},
	} {
		es, left, err := parse(ical(c.lines...), inZone(t, "America/New_York"))
		if err != nil || len(left) > 0 {
			t.Errorf("%s: %v, left out %q", c.what, err, left)
			continue
		}
		var got []string
		for _, s := range sorted(occurrences(es, span{time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)})) {
			got = append(got, fmt.Sprintf("%s-%s", s.from.UTC().Format("02 15:04"), s.to.UTC().Format("15:04")))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.what, got, c.want)
		}
	}
}

// What is wrong with single events leaves the others in.
func TestEventsThatAreNotUnderstood(t *testing.T) {
	good := vevent("UID:good", "DTSTART:20260301T200000Z")
	for _, c := range []struct{ lines, says string }{
		{"DTSTART:tomorrow", `DTSTART: "TOMORROW" is no time; want one such as 20260301T200000Z`},
		{"SUMMARY:no start", "DTSTART is missing"},
		{"DTSTART;TZID=Nowhere:20260301T200000", `time zone "Nowhere" is neither in the IANA database nor described in the calendar`},
		{"DTSTART:20260301T200000Z\r\nDTEND:20260301T190000Z", "it ends before it begins"},
		{"DTSTART:20260301T200000Z\r\nDTEND:20280301T190000Z", "it lasts 730 days; no recording does"},
		{"DTSTART:20260301T200000Z\r\nDURATION:1 hour", `DURATION: "1 hour" is no duration; want one such as PT1H30M`},
		{"DTSTART:20260301T200000Z\r\nDURATION:PT", `is no duration`},
		{"DTSTART:20260301T200000Z\r\nRRULE:FREQ=SECONDLY", "recurs by the hour or more often"},
		{"DTSTART:20260301T200000Z\r\nRRULE:FREQ=FORTNIGHTLY", "RRULE"},
		{"DTSTART:20260301T200000Z\r\nRRULE:FREQ=DAILY;INTERVAL=-1", "interval"},
		{"DTSTART:20260301T200000Z\r\nEXDATE:now", "EXDATE"},
		{"DTSTART:20260301T200000Z\r\nRDATE;VALUE=PERIOD:20260307T100000Z/-PT2H", "RDATE"},
		{"DTSTART:20260301T200000Z\r\nRECURRENCE-ID;RANGE=THISANDFUTURE:20260301T200000Z", "they stay at their old times"},
	} {
		es, left, err := parse(ical(append(good, vevent("UID:bad", c.lines)...)...), time.UTC)
		if err != nil || len(es) != 1 || len(left) != 1 || !strings.Contains(left[0], c.says) || !strings.Contains(left[0], `"bad"`) || strings.Contains(left[0], "\n") {
			t.Errorf("%q: %d events, left out %q, %v; want %q", c.lines, len(es), left, err, c.says)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(ical(vevent("UID:a", "DTSTART;TZID=America/New_York:19970902T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;BYDAY=TU,TH;COUNT=9", "EXDATE;TZID=America/New_York:19970904T090000")...))
	f.Add(ical("BEGIN:VTIMEZONE", "TZID:X", "BEGIN:STANDARD", "DTSTART:16010101T000000", "TZOFFSETFROM:+0200", "TZOFFSETTO:+0100", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU", "END:STANDARD", "END:VTIMEZONE"))
	f.Add([]byte("BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VCALENDAR"))
	w := span{time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 1, 9, 0, 0, 0, 0, time.UTC)}
	f.Fuzz(func(t *testing.T, text []byte) {
		es, _, err := parse(text, time.UTC)
		if err != nil {
			if strings.ContainsAny(err.Error(), "\r\n") {
				t.Errorf("the error has more than one line: %q", err)
			}
			return
		}
		for _, s := range occurrences(es, w) {
			if s.to.Before(s.from) && s.from.Sub(s.to) > 26*time.Hour {
				t.Errorf("an event from %v to %v", s.from, s.to)
			}
		}
	})
}
