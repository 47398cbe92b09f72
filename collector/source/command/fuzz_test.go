package command

import (
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// Whatever a program prints, it is a reading that can be or an error of one line.
func FuzzAnswer(f *testing.F) {
	f.Add(`{"locked": true, "cn_db": 23.4, "uncorrected_blocks": 5, "total_blocks": 100, "errored_s": 0.5, "locked_s": 4}`)
	f.Add(`{"locked": false, "dwell_s": 3600, "cn_low_db": 3, "cn_spread_db": 1}`)
	f.Add(`{"locked": true, "dwell_s": 0.0001, "locked_s": 1, "frequency_hz": 569000001}`)
	f.Add(`{"busy": true}`)
	f.Add(`hello`)
	f.Fuzz(func(t *testing.T, line string) {
		s, err := New(Options{Argv: []string{"x"}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := s.reading([]byte(line), collector.Visit{Channel: good, Dwell: 5 * time.Second, Kind: reception.VisitBase})
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("the error is not one line: %q", err)
			}
			return
		}
		if err := r.Validate(); err != nil {
			t.Errorf("%q gives %+v: %v", line, r, err)
		}
		if _, ok := s.Scale(r.Scale); !ok {
			t.Errorf("scale %q is not known", r.Scale)
		}
	})
}
