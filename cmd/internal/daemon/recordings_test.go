package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
)

// A recording keeps one tuner from being taken and leaves the other alone; a calendar
// that spoils changes nothing but the log, and the last good one outlives the process.
func TestRecordings(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	planned := filepath.Join(dir, "planned.ics")
	now := time.Now().UTC()
	form := "20060102T150405Z"
	text := fmt.Sprintf("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Recorder//EN\r\nBEGIN:VEVENT\r\nUID:a\r\nDTSTART:%s\r\nDTEND:%s\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
		now.Add(-time.Hour).Format(form), now.Add(time.Hour).Format(form))
	if err := os.WriteFile(planned, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c := parse(t, strings.Replace(simulatedHome, "tuners:", "recordings: [ { name: recorder, file: "+planned+", tuners: [hall-1] } ]\ntuners:\n  - { name: hall-2, kind: simulated, channels: [3], every: 2s, dwell: 1s }", 1))
	data := filepath.Join(dir, "data")
	for round, spoilt := range []bool{false, true} {
		if spoilt {
			if err := os.WriteFile(planned, []byte(text[:60]), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		r := start(t, c, data, nil)
		eventually(t, "some rounds", func() bool { return r.visits.Load() >= 3 })
		if spoilt {
			eventually(t, "a word about the calendar", func() bool { return strings.Contains(r.log.String(), "ends in the middle") })
			if l := r.log.String(); strings.Count(l, "recordings: recorder from") != 1 || !strings.Contains(l, "holds on") {
				t.Errorf("log %q", l)
			}
		}
		if err := r.stop(); err != nil {
			t.Fatal(err)
		}
		s, err := embedded.Open(t.Context(), data, embedded.Options{})
		if err != nil {
			t.Fatal(err)
		}
		made, left := map[string]int{}, map[string]int{}
		for rs, err := range s.Readings(t.Context(), store.Query{Span: store.Always}) {
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range rs {
				switch x.Why {
				case reception.Measured:
					made[x.Tuner]++
				case reception.WhyKeepOut:
					left[x.Tuner]++
				}
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if made["hall-1"] > 0 || left["hall-1"] <= round || made["hall-2"] <= round || left["hall-2"] > 0 {
			t.Errorf("round %d: made %v, left out for a recording %v; want hall-1 left alone and hall-2 measured", round, made, left)
		}
	}
}
