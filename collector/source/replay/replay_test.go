package replay

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/source/sourcetest"
)

const header = "time,tuner,frequency_hz,dwell_s,locked,cn_db,why,scale\n"

var begin = time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)

// record writes a file of so many rows: a good channel on 569 MHz, a dark one on
// 575 MHz, each five minutes, and the hours from 10 to 12 held by a viewer.
func record(t *testing.T, n int) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("\n" + header)
	for i := range n {
		at := begin.Add(time.Duration(i) * 5 * time.Minute)
		if at.Hour() >= 10 && at.Hour() < 12 {
			fmt.Fprintf(&b, "%s,attic,569000000,4,,,viewer,\n", at.Format(time.RFC3339))
			continue
		}
		fmt.Fprintf(&b, "%s,attic,569000000,4,1,%.1f,,s1\n%s,attic,575000000,4,0,,,s1\n", at.Format(time.RFC3339), 20+float64(i%100)/10, at.Add(30*time.Second).Format(time.RFC3339))
	}
	return write(t, b.String(), "scale,unit,step,ceiling,level_kind,quantity\ns1,dB,0.1,40,in-channel,mer\n")
}

func write(t *testing.T, text, scales string) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "readings.csv")
	for name, text := range map[string]string{path: text, filepath.Join(dir, "scales.csv"): scales} {
		if text == "" {
			continue
		}
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

var (
	good = reception.Channel{FrequencyHz: 569e6, System: reception.ATSC1}
	dark = reception.Channel{FrequencyHz: 575e6, System: reception.ATSC1}
)

func open(t *testing.T, path string, o Options) *Source {
	t.Helper()
	s, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestContract(t *testing.T) {
	path := record(t, 288)
	var ahead atomic.Int64
	clock := func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
	sourcetest.Run(t, sourcetest.Options{
		Open: func(t *testing.T) collector.Source {
			return open(t, path, Options{Region: reception.RegionUS, Now: clock})
		},
		Good: good, Dark: dark, Now: clock, OwnDwell: true, Bubble: true,
		Busy: func(t *testing.T, src collector.Source) func() {
			before := ahead.Load()
			ahead.Add(int64(10*time.Hour + time.Minute))
			return func() { ahead.Store(before + int64(13*time.Hour)) }
		},
	})
}

// clockAt is a source whose clock the test sets.
func clockAt(t *testing.T, path string, speed float64) (*Source, *time.Time) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	s := open(t, path, Options{Region: reception.RegionUS, Speed: speed, Now: func() time.Time { return now }})
	return s, &now
}

func visit(t *testing.T, s *Source, ch reception.Channel) (reception.Reading, error) {
	t.Helper()
	return s.Visit(t.Context(), collector.Visit{Channel: ch, Dwell: 5 * time.Second, Kind: reception.VisitExtra})
}

func TestSpeed(t *testing.T) {
	for _, c := range []struct {
		speed float64
		after time.Duration
		want  float64 // C/N of the reading at or after the record's clock
	}{
		{1, 0, 20.1}, // the first one was had at once
		{1, 4 * time.Minute, 20.1},
		{1, 5 * time.Minute, 20.1},
		{1, 5*time.Minute + time.Second, 20.2},
		{60, time.Minute, 21.2}, // an hour
		{60, 61 * time.Second, 21.3},
		{0.5, 30 * time.Minute, 20.3},
	} {
		s, now := clockAt(t, record(t, 100), c.speed)
		if r, err := visit(t, s, good); err != nil || r.CNDB != 20 || r.Time != now.UnixMilli() {
			t.Fatalf("first visit: %+v, %v", r, err)
		}
		*now = now.Add(c.after)
		r, err := visit(t, s, good)
		if err != nil || r.CNDB != c.want {
			t.Errorf("speed %g, after %v: C/N %g, %v, want %g", c.speed, c.after, r.CNDB, err, c.want)
		}
		if r.Time != now.UnixMilli() || r.DwellMS != 4000 || r.Visit != reception.VisitExtra || r.Tuner != "" || r.Scale != "s1" {
			t.Errorf("reading %+v", r)
		}
		if sc, ok := s.Scale("s1"); !ok || sc.Ceiling != 40 || sc.Quantity != reception.QuantityMER {
			t.Errorf("scale %+v, %v", sc, ok)
		}
	}
}

func TestEndOfRecord(t *testing.T) {
	s, now := clockAt(t, record(t, 2), 1)
	for range 2 {
		if _, err := visit(t, s, good); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		_, err := visit(t, s, good)
		if !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "the record has ended (last reading 2025-06-01T00:05:00Z)") {
			t.Errorf("after the last reading: %v", err)
		}
	}
	*now = now.Add(time.Hour)
	if _, err := visit(t, s, dark); !errors.Is(err, collector.ErrGone) {
		t.Errorf("the clock has passed the record: %v", err)
	}
	if _, err := visit(t, s, reception.Channel{FrequencyHz: 600e6}); err == nil || errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "it has 569000000 575000000 Hz") {
		t.Errorf("a channel that the record does not have: %v", err)
	}
}

func TestReasonsAreRecorded(t *testing.T) {
	s := open(t, write(t, header+"1748736000,attic,569000000,4,,,viewer,\n1748736300,attic,569000000,4,,,failing,\n1748736600,attic,569000000,4,,,keep-out,\n"+
		"1748736900,attic,569000000,4,1,20,,\n", ""), Options{})
	if _, err := visit(t, s, good); !errors.Is(err, collector.ErrBusy) {
		t.Errorf("viewer: %v", err)
	}
	if _, err := visit(t, s, good); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "failed when this was recorded") {
		t.Errorf("failing: %v", err)
	}
	r, err := visit(t, s, good)
	if err != nil || r.CNDB != 20 {
		t.Errorf("after a reason that is not this visit's: %+v, %v", r, err)
	}
	if sc, ok := s.Scale(r.Scale); !ok || sc.Unit != reception.UnitDB {
		t.Errorf("scale %q is %+v, %v", r.Scale, sc, ok)
	}
}

func TestTunersOfAFile(t *testing.T) {
	two := header + "1748736000,a,569000000,4,1,21,,\n1748736000,b,569000000,4,1,22,,\n"
	s := open(t, write(t, two, ""), Options{Tuner: "b"})
	if r, err := visit(t, s, good); err != nil || r.CNDB != 22 {
		t.Errorf("tuner b: %+v, %v", r, err)
	}
	if _, err := Open(write(t, two, ""), Options{Tuner: "c"}); err == nil || !strings.Contains(err.Error(), `no reading of tuner "c"; give the tuner one of the names in the file: ["a" "b"]`) {
		t.Errorf("tuner c: %v", err)
	}
	s = open(t, write(t, header+"1748736000,a,569000000,4,1,21,,\n", ""), Options{Tuner: "c"})
	if r, err := visit(t, s, good); err != nil || r.CNDB != 21 {
		t.Errorf("the only tuner: %+v, %v", r, err)
	}
}

func TestWrongFiles(t *testing.T) {
	for name, c := range map[string]struct {
		text, scales string
		o            Options
		want         string
	}{
		"speed":        {header, "", Options{Speed: -1}, "speed -1 is outside"},
		"empty":        {"\n", "", Options{}, "file is empty"},
		"header alone": {header, "", Options{}, "there is no reading to play"},
		"all bad":      {header + "x,a,569000000,4,1,21,,\n", "", Options{}, `no reading can be used: line 2: time "x"`},
		"no region":    {"time,channel,locked\n", "", Options{}, "home.region"},
		"scales":       {header + "1748736000,a,569000000,4,1,21,,\n", "scale,unit\ns,x\n", Options{}, `scales.csv: scales: line 2: unit "x" is not known`},
	} {
		_, err := Open(write(t, c.text, c.scales), c.o)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", name, err, c.want)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none.csv"), Options{}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

func TestChangedFile(t *testing.T) {
	path := write(t, header+"bad\n1748736000,a,569000000,4,1,21,,\n1748736300,a,569000000,4,1,22,,\n", "")
	s := open(t, path, Options{Region: reception.RegionUS})
	if n := s.Notes(); len(n) != 1 || !strings.Contains(n[0], "bad lines are left out: 1, the first is line 2") {
		t.Errorf("notes %q", n)
	}
	if r, err := visit(t, s, good); err != nil || r.CNDB != 21 {
		t.Errorf("after a bad line: %+v, %v", r, err)
	}
	if err := os.WriteFile(path, []byte(header+"1748736000,a,569000000,4,1,21,,\n1748736900,a,569000000,4,1,22,,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := visit(t, s, good); err == nil || !strings.Contains(err.Error(), "file has changed") {
		t.Errorf("changed: %v", err)
	}
	if err := os.Truncate(path, 10); err != nil {
		t.Fatal(err)
	}
	if _, err := visit(t, s, good); err == nil || !strings.Contains(err.Error(), "file has changed: it is shorter now") {
		t.Errorf("shorter: %v", err)
	}
}
