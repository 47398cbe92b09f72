package metar

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/weather"
	"holdfast/collector/weather/fetch"
)

// Options say where reports come from. One of File and URL is needed.
type Options struct {
	Source     string  // names the rows; "metar" if empty
	File       string  // text of reports, may grow
	URL        string  // http or https
	Station    string  // take only this station's; "" takes that of the last report
	DistanceKM float64 // of the station from the home; NaN if not known
}

// A Source makes hourly rows of the reports in a file or behind an address.
//
// The text has a report a line, such as METAR KABC 121755Z ..., continued on lines
// that begin with a blank. A line with a date alone, 2026/03/12 17:55, as public
// servers put above each report, or twelve figures before a report,
// 202603121755, say when it was; without them a report's day of the month is the
// last such day before the file was written. Lines with none of these (headings of
// bulletins) are passed over unless nothing in the text is a report.
//
// In a file without dates each report's neighbour below says which month it is, so
// a file may grow for years if it has no gap of a month.
type Source struct {
	o     Options
	text  *fetch.Text
	hours Hours
	held  string          // station
	said  map[string]bool // lines complained of
}

var _ weather.Source = (*Source)(nil)

// New returns a source; nothing is read yet.
func New(o Options) (*Source, error) {
	if o.Source == "" {
		o.Source = "metar"
	}
	o.Station = strings.ToUpper(o.Station)
	if o.Station != "" && !station.MatchString(o.Station) {
		return nil, fmt.Errorf("metar: station %q is not a location indicator of four letters", o.Station)
	}
	if o.DistanceKM < 0 {
		return nil, fmt.Errorf("metar: distance_km %g is negative", o.DistanceKM)
	}
	text, err := fetch.New(fetch.Options{Source: o.Source, File: o.File, URL: o.URL, Lines: true})
	if err != nil {
		return nil, fmt.Errorf("metar: %w", err)
	}
	return &Source{o: o, text: text, held: o.Station, said: map[string]bool{}}, nil
}

func (s *Source) String() string { return s.text.String() }

// Observe reads the text and returns the hours that it closes. What was read before
// a failure stays.
func (s *Source) Observe(ctx context.Context) ([]reception.Weather, error) {
	text, written, err := s.text.Read(ctx)
	if err != nil || len(text) == 0 {
		return nil, err
	}
	err = s.take(text, written)
	rows := s.hours.Rows()
	for i := range rows {
		rows[i].Source, rows[i].DistanceKM = s.o.Source, s.o.DistanceKM
	}
	return rows, err
}

// A piece of the text that may be a report.
type piece struct {
	text string
	line int       // first is 1
	when time.Time // zero if the text does not say
}

// take decodes the text's reports. One line that was meant as a report and is none
// is an error, named once; the others are taken.
func (s *Source) take(text []byte, written time.Time) error {
	ps, err := pieces(text)
	if err != nil {
		return fmt.Errorf("weather %s: %w", s, err)
	}
	var own []Report
	var faults []string
	others, reports := map[string]bool{}, 0
	near := map[string]time.Time{} // by station: the report below
	for _, p := range slices.Backward(ps) {
		r, err := Parse(p.text, orElse(p.when, written))
		if below, ok := near[r.Station]; err == nil && ok && p.when.IsZero() {
			r, err = Parse(p.text, below)
		}
		if err != nil {
			if meant(p.text) && !s.said[p.text] && len(s.said) < 1000 {
				s.said[p.text] = true
				faults = append(faults, fmt.Sprintf("line %d: %v", p.line, err))
			}
			continue
		}
		reports++
		if s.held == "" {
			s.held = r.Station
		}
		if r.Station != s.held {
			others[r.Station] = true
			continue
		}
		if !r.Nil {
			near[r.Station] = r.Time
		}
		own = append(own, r)
	}
	for _, r := range slices.Backward(own) {
		s.hours.Keep(r)
	}
	switch {
	case len(faults) > 1:
		return fmt.Errorf("weather %s: %s (and %d lines before it)", s, faults[0], len(faults)-1)
	case len(faults) == 1:
		return fmt.Errorf("weather %s: %s", s, faults[0])
	case reports == 0:
		return fmt.Errorf("weather %s: the text holds no report; want lines such as METAR KABC 121755Z ...", s)
	case len(own) == 0:
		return fmt.Errorf("weather %s: no report of station %s; there are %s", s, s.held, some(others))
	case len(others) > 0 && s.o.Station == "" && !s.said[""]:
		s.said[""] = true
		return fmt.Errorf("weather %s: reports of several stations; only %s is taken, not %s; keep one station in the text", s, s.held, some(others))
	}
	return nil
}

func some(stations map[string]bool) string {
	names := slices.Sorted(maps.Keys(stations))
	return strings.Join(names[:min(len(names), 5)], " ")
}

func orElse(a, b time.Time) time.Time {
	if a.IsZero() {
		return b
	}
	return a
}

// meant reports whether a line that is no report was to be one.
func meant(text string) bool {
	first, _, _ := strings.Cut(text, " ")
	return first == "METAR" || first == "SPECI" || station.MatchString(first)
}

// pieces cuts a text into reports: one a line, continued on lines that begin with a
// blank, ended by = too.
func pieces(text []byte) (out []piece, err error) {
	sc := bufio.NewScanner(bytes.NewReader(text))
	sc.Buffer(make([]byte, 4096), longestText+100)
	var date time.Time
	for line := 1; sc.Scan(); line++ {
		l := sc.Text()
		t := strings.TrimSpace(l)
		if t == "" {
			continue
		}
		if d, err := time.ParseInLocation("2006/01/02 15:04", t, time.UTC); err == nil {
			date = d
			continue
		}
		if n := len(out); n > 0 && (l[0] == ' ' || l[0] == '\t') && !strings.HasSuffix(out[n-1].text, "=") && len(out[n-1].text) < longestText {
			out[n-1].text += " " + t
			continue
		}
		p := piece{text: t, line: line, when: date}
		date = time.Time{}
		if len(t) > 12 && digits(t[:12]) {
			if d, err := time.ParseInLocation("200601021504", t[:12], time.UTC); err == nil {
				p.text, p.when = strings.TrimSpace(t[12:]), d
			}
		}
		out = append(out, p)
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("line after %d reports: %w; want a report a line", len(out), err)
	}
	return out, nil
}
