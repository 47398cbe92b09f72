package exchange

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"holdfast/analysis/reception"
)

// Whatever the text: no panic, every fault is one line, every row taken is valid,
// and written again it reads as the same rows.
func FuzzReadReadings(f *testing.F) {
	f.Add([]byte("time,channel,frequency_hz,dwell_s,locked,cn_db,why\n1772380800,30,,5,1,20.5,\n1772380900,,569142857,5,,,viewer\n"))
	f.Add([]byte("\xef\xbb\xbftime,tuner,channel,quality_pct,locked_s,uncorrected_blocks,total_blocks\r\n2026-03-01T18:00:00.123Z,\"a\"\"b\r\nc\",7,50,1,3,10\r\n"))
	f.Add([]byte("time,channel,cn_db,scale,system,layer,known,installation\n1772380800.25,14,15,s,dvbt,A,1772380900,x\n1772380800,14,15,s,dtmb,A,,y"))
	f.Add([]byte("time;channel\n\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rd, err := ReadReadings(bytes.NewReader(text), us)
		if err != nil {
			return
		}
		var rows []reception.Reading
		all := took{rd: rd}
		for row, err := range rd.Rows() {
			if err != nil {
				all.bad = append(all.bad, err.Error())
				if _, ok := errors.AsType[*LineError](err); !ok || bytes.ContainsRune([]byte(err.Error()), '\n') {
					t.Fatalf("%q: error %q is no single line", text, err)
				}
				continue
			}
			if err := row.Reading.Validate(); err != nil {
				t.Fatalf("%q: line %d was taken: %v", text, row.Line, err)
			}
			rows, all.rows = append(rows, row.Reading), append(all.rows, row)
		}
		all.warnings = rd.Warnings()
		checkChunks(t, string(text), us, all)
		var b bytes.Buffer
		if err := WriteReadings(&b, CSV, chunked(rows)); err != nil {
			t.Fatal(err)
		}
		back, err := ReadReadings(bytes.NewReader(b.Bytes()), us)
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		for row, err := range back.Rows() {
			if err != nil || !row.Reading.Equal(&rows[i]) {
				t.Fatalf("%q: wrote %+v, read %+v, %v", text, rows[i], row.Reading, err)
			}
			i++
		}
		if i != len(rows) {
			t.Fatalf("%q: %d rows came back of %d", text, i, len(rows))
		}
	})
}

func FuzzReadWeather(f *testing.F) {
	f.Add([]byte("time,interval_s,temp_c,rain_mm_h,kind,precipitation,thunder,known\n1772380800,3600,4.5,0.2,observed,amount,1,\n1772384400,600,,,modelled,,no,1772384401\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rd, err := ReadWeather(bytes.NewReader(text), "x")
		if err != nil {
			return
		}
		var rows []reception.Weather
		for row, err := range rd.Rows() {
			if err == nil {
				if err := row.Weather.Validate(); err != nil {
					t.Fatalf("%q: line %d was taken: %v", text, row.Line, err)
				}
				rows = append(rows, row.Weather)
			}
		}
		rd.Warnings()
		var b bytes.Buffer
		err = WriteWeather(&b, CSV, func(yield func(reception.Weather, error) bool) {
			for _, w := range rows {
				if !yield(w, nil) {
					return
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		back, err := ReadWeather(&b, "x")
		if err != nil {
			t.Fatal(err)
		}
		var again []reception.Weather
		for row, err := range back.Rows() {
			if err != nil {
				t.Fatal(err)
			}
			again = append(again, row.Weather)
		}
		if !slices.EqualFunc(rows, again, func(a, b reception.Weather) bool { return a.Equal(&b) }) {
			t.Fatalf("%q: wrote %+v, read %+v", text, rows, again)
		}
	})
}
