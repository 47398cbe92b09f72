package httpjson

import (
	"context"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/source/fields"
)

// Whatever a device sends from look to look, the visit is a reading that can be or an
// error of one line.
func FuzzDwell(f *testing.F) {
	f.Add(`{"locked": true, "cn_db": 23.4, "uncorrected_blocks": 5, "total_blocks": 100}`, `{"locked": true, "cn_db": 23.5, "uncorrected_blocks": 7, "total_blocks": 101}`, `null`, 3)
	f.Add(`{"locked": true, "pre_errors": 9223372036854775807, "pre_bits": 1}`, `{"locked": true, "pre_errors": 0, "pre_bits": 9223372036854775807}`, `{"locked": false, "cn_db": -9}`, 1)
	f.Add(`{"locked": true, "total_blocks": 0, "uncorrected_blocks": 0}`, `{"locked": true, "total_blocks": 9223372036854775807, "uncorrected_blocks": 9223372036854775807}`, `{"locked": true, "total_blocks": 0, "uncorrected_blocks": 0}`, 60)
	f.Add(`{"locked": true, "quality_pct": 1e300, "frequency_hz": 569000001}`, `<html>`, `{"locked": true, "cn_db": null}`, 2)
	f.Fuzz(func(t *testing.T, a, b, c string, n int) {
		s, err := New(Options{Read: "http://tuner.example/", Mapping: "."})
		if err != nil {
			t.Fatal(err)
		}
		var gs []glance
		for i := range 2 + uint(n)%20 {
			g := glance{at: time.Duration(i) * time.Second}
			text := []string{a, b, c}[i%3]
			var v, got any
			if v, g.err = fields.Decode(strings.NewReader(text)); g.err == nil {
				if got, g.err = one(context.Background(), s.mapping, v); g.err == nil {
					g.status, g.err = fields.Look.Read(got)
				}
			}
			if g.err == nil {
				g.doubts = g.status.Doubts(reception.ATSC1, 40)
			}
			gs = append(gs, g)
		}
		r := reception.NewReading()
		r.Time, r.FrequencyHz, r.System = 1.7e12, goodHz, reception.ATSC1
		doubts, err := s.summarise(&r, gs)
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("the error is not one line: %q", err)
			}
			return
		}
		if err := r.Validate(); err != nil {
			t.Errorf("reading %+v: %v", r, err)
		}
		for _, d := range doubts {
			if d.Field == "" || strings.ContainsAny(d.What, "\n\r") {
				t.Errorf("doubt %+v", d)
			}
		}
	})
}
