package isdlite

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
)

// Lines are written by hand in the form of the format document (field 1 in columns 1
// to 4, 2 in 6 to 7, 3 in 9 to 10, 4 in 12 to 13, then fields of six columns): no
// station's record.
const sample = `2024 01 09 00   -11   -28 10125   210    82     8    15 -9999
2024 01 09 01    64    36 10118     0     0     0     0 -9999
2024 01 09 02    64 -9999 -9999 -9999    31 -9999    -1 -9999
2024 02 30 02    64    36 10118     0     0     0     0 -9999
2024 01 09 04    64    36 10118     0     0     0     0

2024 01 09 05    64    3x 10118     0     0     0     0 -9999
2024 01 09 06   120    36 10118   360    31     0    25    99
2024 01 09 12   120    36 10118   360    31     0 -9999    99
2024 01 09 13   120    36 10118   360    31     0 -9999    -1
`

func read(text string) (rows []exchange.WeatherRow, bad []exchange.LineError, err error) {
	x := NewReader(strings.NewReader(text), "far field")
	for row, e := range x.Rows() {
		if le, ok := errors.AsType[*exchange.LineError](e); ok {
			bad = append(bad, *le)
		} else if e != nil {
			return rows, bad, e
		} else {
			rows = append(rows, row)
		}
	}
	return rows, bad, nil
}

func same(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }

func TestRows(t *testing.T) {
	rows, bad, err := read(sample)
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	want := []struct {
		line, hour                            int64
		temp, dew, hPa, wind, dir, rain, snow float64
		kind                                  reception.Precipitation
		source                                string
		interval                              int64
	}{
		{1, 0, -1.1, -2.8, 1012.5, 8.2, 210, 0, 1.5, reception.PrecipAmount, "far field", 3600},
		{2, 1, 6.4, 3.6, 1011.8, 0, nan, 0, 0, reception.PrecipNone, "far field", 3600},
		{3, 2, 6.4, nan, nan, 3.1, nan, 0, 0, reception.PrecipTrace, "far field", 3600},
		{8, 6, 12, 3.6, 1011.8, 3.1, 360, 2.5, 0, reception.PrecipAmount, "far field", 3600}, // its own hour is known: the sum of six is not used
		{9, 12, 12, 3.6, 1011.8, 3.1, 360, nan, nan, reception.PrecipUnknown, "far field", 3600},
		{9, 12, nan, nan, nan, nan, nan, 1.65, 0, reception.PrecipAmount, "far field 6 h", 21600},
		{10, 13, 12, 3.6, 1011.8, 3.1, 360, nan, nan, reception.PrecipUnknown, "far field", 3600},
		{10, 13, nan, nan, nan, nan, nan, 0, 0, reception.PrecipTrace, "far field 6 h", 21600},
	}
	if len(rows) != len(want) {
		t.Fatalf("%d rows, want %d", len(rows), len(want))
	}
	for i, c := range want {
		w := rows[i].Weather
		at := time.Date(2024, 1, 9, int(c.hour), 0, 0, 0, time.UTC).UnixMilli()
		if rows[i].Line != c.line || w.Time != at || w.IntervalS != c.interval || w.Source != c.source || w.Precipitation != c.kind || w.Modelled || !math.IsNaN(w.GustMPS) {
			t.Errorf("row %d: line %d %+v", i, rows[i].Line, w)
		}
		for k, p := range [][2]float64{{w.TempC, c.temp}, {w.DewpointC, c.dew}, {w.PressureHPa, c.hPa}, {w.WindMPS, c.wind}, {w.WindDirDeg, c.dir}, {w.RainMMPerHour, c.rain}, {w.SnowMMPerHour, c.snow}} {
			if !same(p[0], p[1]) {
				t.Errorf("row %d value %d = %g, want %g", i, k, p[0], p[1])
			}
		}
	}
	for i, c := range []exchange.LineError{{Line: 4, Reason: "2024 2 30 2 is no hour"}, {Line: 5, Reason: "has 11 numbers; want the 12 of ISD-Lite"}, {Line: 7, Reason: `"3x" is no whole number`}} {
		if i >= len(bad) || bad[i].Line != c.Line || !strings.HasPrefix(bad[i].Reason, c.Reason) {
			t.Errorf("bad %+v, want %+v", bad, c)
		}
	}
	if len(bad) != 3 {
		t.Errorf("%d bad lines, want 3", len(bad))
	}
}

func TestRecognise(t *testing.T) {
	for text, want := range map[string]bool{
		sample: true, "1998 1 9 0 1 2 3 4 5 6 7 8\r\n": true,
		"time,temp_c\n": false, "2024-01-09T00:00:00Z,5\n": false, "": false, "2024 01 09 00 1 2\n": false, "STATION|Year\n": false,
	} {
		if got := Recognise([]byte(text)); got != want {
			t.Errorf("Recognise(%.20q) = %v", text, got)
		}
	}
}

func TestNoISDLite(t *testing.T) {
	if _, _, err := read(sample + strings.Repeat("x", 5000)); err == nil || !strings.Contains(err.Error(), "line 11 is longer than 4096 bytes") {
		t.Errorf("a long line: %v", err)
	}
	if x := NewReader(strings.NewReader(""), ""); x.source != "isd-lite" || len(x.Warnings()) != 0 {
		t.Errorf("nothing read: %+v", x)
	}
	x := NewReader(strings.NewReader(sample), "")
	for range x.Rows() {
		break
	}
	if w := x.Warnings(); len(w) != 1 || !strings.Contains(w[0], "no gusts") {
		t.Errorf("warnings %q", w)
	}
}

func FuzzLine(f *testing.F) {
	for l := range strings.Lines(sample) {
		f.Add(l)
	}
	f.Fuzz(func(t *testing.T, text string) {
		x := NewReader(strings.NewReader(text), "")
		for row, err := range x.Rows() {
			if err == nil && row.Weather.Validate() != nil {
				t.Errorf("%q gave a row without a place in time", text)
			}
		}
	})
}
