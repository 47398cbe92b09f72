package exchange

import (
	"strings"
	"testing"

	"holdfast/analysis/reception"
)

func TestReadWeather(t *testing.T) {
	const text = "time,temp_c,wind_mps,gust_mps,rain_mm_h,snow_mm_h\n" +
		"2026-03-01T18:00:00Z,4.5,3,,0,\n" +
		"2026-03-01T19:00:00Z,4.5,468.7,,0.4,\n" +
		"2026-03-01T20:00:00Z,4.5,3,,,\n" +
		"2026-03-01T21:00:00Z,warm,3,,,\n" +
		"2026-03-01T22:00:00Z,,,,,\n"
	rd, err := ReadWeather(strings.NewReader(text), "shed")
	if err != nil {
		t.Fatal(err)
	}
	var rows []reception.Weather
	var bad []string
	for row, err := range rd.Rows() {
		if err != nil {
			bad = append(bad, err.Error())
			continue
		}
		rows = append(rows, row.Weather)
	}
	if len(rows) != 4 || len(bad) != 1 || !strings.HasPrefix(bad[0], `line 5: temp_c "warm" is not a number`) {
		t.Fatalf("%d rows, bad %q", len(rows), bad)
	}
	want := reception.NewWeather()
	want.Time, want.Source, want.TempC, want.WindMPS, want.RainMMPerHour, want.Precipitation = 1772388000000, "shed", 4.5, 3, 0, reception.PrecipNone
	if !rows[0].Equal(&want) {
		t.Errorf("got  %+v\nwant %+v", rows[0], want)
	}
	if rows[1].WindMPS != 468.7 || rows[1].Precipitation != reception.PrecipAmount || rows[2].Precipitation != reception.PrecipUnknown {
		t.Errorf("rows %+v", rows[1:])
	}
	w := rd.Warnings()
	if len(w) != 2 || w[0] != "wind_mps cannot be true in 1 row: left out (first on line 3)" || !strings.HasPrefix(w[1], "1 row without any value") {
		t.Errorf("warnings %q", w)
	}
	if _, err := ReadWeather(strings.NewReader("time,interval_s\n"), ""); err == nil || !strings.Contains(err.Error(), "temp_c, dewpoint_c") {
		t.Errorf("no value column: %v", err)
	}
	if _, err := ReadWeather(strings.NewReader("time,temp_f\n"), ""); err == nil || !strings.Contains(err.Error(), `did you mean "temp_c"?`) {
		t.Errorf("temp_f: %v", err)
	}
}

func TestReadInstallations(t *testing.T) {
	const text = "time,tuner,installation,note\n2026-03-01T18:00:00Z,,old mast,\"as found,\n\"\"left\"\"\"\n2026-03-02T18:00:00Z,attic,,\n1999-03-02T18:00:00Z,attic,x,\n"
	rd, err := ReadInstallations(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var got []Installation
	var bad []string
	for row, err := range rd.Rows() {
		if err != nil {
			bad = append(bad, err.Error())
			continue
		}
		got = append(got, row)
	}
	if len(got) != 1 || got[0] != (Installation{2, 1772388000000, "", "old mast", "as found,\n\"left\""}) {
		t.Errorf("got %+v", got)
	}
	if len(bad) != 2 || bad[0] != "line 4: installation is empty; want its name" || !strings.HasPrefix(bad[1], "line 5: time is not between") {
		t.Errorf("bad %q", bad)
	}
}

func TestReadScalesNamesEveryFault(t *testing.T) {
	_, err := ReadScales(strings.NewReader("scale,unit,step\ns1,dB,0.1\ns2,db,0.1\ns1,pct,1\n,dB,\ns3,dB,-1\n"))
	want := `scales: line 3: unit "db" is not known; want one of [dB pct]
scales: line 4: scale "s1" is there twice
scales: line 5: scale or unit is empty
scales: line 6: step is not above 0; leave it empty if it is not known`
	if err == nil || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}
