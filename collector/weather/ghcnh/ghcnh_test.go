package ghcnh

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
)

// Files are written by hand in the form that the summaries of the documentation
// describe, with fewer columns than the 234 to 238 of a true one: no station's record.

// columns are the variables of the test files, each with its five columns beside it.
var columns = []string{"temperature", "dew_point_temperature", "sea_level_pressure", "wind_direction", "wind_speed", "wind_gust", "precipitation", "precipitation_6_hour", "snow_depth"}

func header(first string) string {
	h := first
	for _, c := range columns {
		h += "|" + c
		for _, s := range []string{"Measurement_Code", "Quality_Code", "Report_Type", "Source_Code", "Source_Station_ID"} {
			h += "|" + c + "_" + s
		}
	}
	return h + "\n"
}

const byStation = "Station_ID|Station_name|Year|Month|Day|Hour|Minute|Latitude|Longitude|Elevation"

// line writes a report; each value is "value", "value,measurement" or
// "value,measurement,quality".
func line(when, kind string, values map[string]string) string {
	l := "XQ000012345|FAR FIELD|" + when + "|43.5|-75.0|310"
	for _, c := range columns {
		p := strings.Split(values[c]+",,", ",")
		l += "|" + p[0] + "|" + p[1] + "|" + p[2] + "|" + kind + "|343|XQ"
	}
	return l + "\n"
}

func read(t *testing.T, text string) (rows []exchange.WeatherRow, bad []exchange.LineError, x *Reader) {
	t.Helper()
	x, err := NewReader(strings.NewReader(text), Options{Latitude: 43, Longitude: -75})
	if err != nil {
		t.Fatal(err)
	}
	for row, e := range x.Rows() {
		if le, ok := errors.AsType[*exchange.LineError](e); ok {
			bad = append(bad, *le)
		} else if e != nil {
			t.Fatal(e)
		} else {
			rows = append(rows, row)
		}
	}
	return rows, bad, x
}

func same(a, b float64) bool { return math.Abs(a-b) < 1e-9 || math.IsNaN(a) && math.IsNaN(b) }

type v = map[string]string

// Several rows in an hour: the last routine report's precipitation counts, the highest
// gust of all.
func TestHours(t *testing.T) {
	rows, bad, x := read(t, header(byStation)+
		line("2024|1|9|12|53", "FM15", v{"temperature": "6.4", "dew_point_temperature": "3.6", "sea_level_pressure": "1012.5", "wind_direction": "210", "wind_speed": "8.2", "wind_gust": "12.4", "precipitation": "0.8"})+
		line("2024|1|9|13|22", "FM16", v{"temperature": "6.0", "wind_speed": "9", "wind_gust": "18", "precipitation": "3.0"})+
		line("2024|1|9|13|53", "FM15-METAR", v{"temperature": "5.6", "wind_direction": "000", "wind_speed": "0", "precipitation": "4.1", "precipitation_6_hour": "9"})+
		line("2024|1|9|14|00", "FM12", v{"temperature": "5.5", "precipitation": "99"})+
		line("2024|1|9|14|53", "FM-15", v{"temperature": "-1", "precipitation": "0,T"})+
		line("2024|1|9|15|53", "FM15", v{"temperature": "2", "precipitation": "0.3,2"})+
		line("2024|1|9|16|53", "FM15", v{"temperature": "-2", "precipitation": "1.5"})+
		line("2024|1|9|17|53", "FM15", v{"temperature": "2", "precipitation": "0"})+
		line("2024|1|9|18|53", "FM15", v{"temperature": "2"}))
	if len(bad) != 0 || len(rows) != 7 {
		t.Fatalf("%d rows, bad %+v", len(rows), bad)
	}
	nan := math.NaN()
	for i, c := range []struct {
		line                              int64
		temp, wind, dir, gust, rain, snow float64
		kind                              reception.Precipitation
	}{
		{2, 6.4, 8.2, 210, 12.4, 0.8, 0, reception.PrecipAmount},
		{4, 5.6, 0, nan, 18, 4.1, 0, reception.PrecipAmount},
		{6, -1, nan, nan, nan, 0, 0, reception.PrecipTrace},
		{7, 2, nan, nan, nan, 0, 0, reception.PrecipTrace},
		{8, -2, nan, nan, nan, 0, 1.5, reception.PrecipAmount},
		{9, 2, nan, nan, nan, 0, 0, reception.PrecipNone},
		{10, 2, nan, nan, nan, nan, nan, reception.PrecipUnknown},
	} {
		w := rows[i].Weather
		if rows[i].Line != c.line || w.Time != time.Date(2024, 1, 9, 13+i, 0, 0, 0, time.UTC).UnixMilli() || w.Source != "ghcnh XQ000012345" || w.Precipitation != c.kind || w.Thunder != reception.Unknown {
			t.Errorf("row %d: line %d %+v", i, rows[i].Line, w)
		}
		for k, p := range [][2]float64{{w.TempC, c.temp}, {w.WindMPS, c.wind}, {w.WindDirDeg, c.dir}, {w.GustMPS, c.gust}, {w.RainMMPerHour, c.rain}, {w.SnowMMPerHour, c.snow}} {
			if !same(p[0], p[1]) {
				t.Errorf("row %d value %d = %g, want %g", i, k, p[0], p[1])
			}
		}
	}
	// Half a degree of latitude is 55.6 km on the sphere.
	if d := rows[0].Weather.DistanceKM; d != 56 {
		t.Errorf("distance %g km, want 56", d)
	}
	if len(x.Warnings()) != 0 {
		t.Errorf("warnings %q", x.Warnings())
	}
}

// A station with synoptic reports alone.
func TestSynopticReports(t *testing.T) {
	rows, _, _ := read(t, header(byStation)+
		line("2024|1|9|12|00", "FM12", v{"temperature": "6.4", "precipitation": "0.8"})+
		line("2024|1|9|13|00", "FM12", v{"temperature": "6.0", "precipitation": "0"}))
	if len(rows) != 2 || rows[0].Weather.RainMMPerHour != 0.8 || rows[1].Weather.Precipitation != reception.PrecipNone {
		t.Errorf("rows %+v", rows)
	}
}

func TestByYearFilesHaveADate(t *testing.T) {
	text := header("STATION|Station_name|DATE|LATITUDE|LONGITUDE|ELEVATION") + line("2024-01-09T12:53:00", "FM15", v{"temperature": "6.4"})
	rows, bad, _ := read(t, text)
	if len(rows) != 1 || len(bad) != 0 || rows[0].Weather.Time != time.Date(2024, 1, 9, 13, 0, 0, 0, time.UTC).UnixMilli() || rows[0].Weather.Source != "ghcnh XQ000012345" || rows[0].Weather.DistanceKM != 56 {
		t.Errorf("rows %+v, bad %+v", rows, bad)
	}
}

func TestQualityCodes(t *testing.T) {
	for code, used := range map[string]bool{"": true, "0": true, "1": true, "4": true, "5": true, "9": true, "2": false, "3": false, "6": false, "7": false, "S": false, "W": false, "15": false} {
		rows, _, x := read(t, header(byStation)+line("2024|1|9|12|53", "FM15", v{"temperature": "6.4,," + code, "wind_speed": "3"}))
		if len(rows) != 1 || math.IsNaN(rows[0].Weather.TempC) == used || rows[0].Weather.WindMPS != 3 {
			t.Errorf("code %q: %+v", code, rows)
		}
		if w := strings.Join(x.Warnings(), ""); (w == "temperature failed the archive's checks in 1 reports: not used") == used {
			t.Errorf("code %q: warnings %q", code, w)
		}
	}
}

func TestFaults(t *testing.T) {
	_, bad, _ := read(t, header(byStation)+
		line("2024|2|30|12|53", "FM15", v{"temperature": "6"})+
		line("2024|2|9|12.5|53", "FM15", v{"temperature": "6"})+
		line("2024|2|9|12|53", "FM15", v{"temperature": "warm"})+
		"\nXQ|short\n"+
		line("1899|2|9|12|53", "FM15", v{"temperature": "6"}))
	for i, want := range []exchange.LineError{{Line: 2, Reason: "2024-2-30 12:53 is no time"}, {Line: 3, Reason: `hour "12.5" is no part of a date`}, {Line: 4, Reason: `temperature "warm" is no number`},
		{Line: 6, Reason: "has 2 columns; line 1 has 64"}, {Line: 7, Reason: "time -"}} {
		if i >= len(bad) || bad[i].Line != want.Line || !strings.HasPrefix(bad[i].Reason, want.Reason) {
			t.Errorf("bad %d of %+v, want %+v", i, bad, want)
		}
	}
	for text, want := range map[string]string{"": "is empty", "STATION|a|b|c|d|temperature\n": "neither DATE nor Year", "STATION|DATE|a|b|c\n": "none of temperature", strings.Repeat("x", mostLine+1): "first line"} {
		if _, err := NewReader(strings.NewReader(text), Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("NewReader(%.30q) = %v, want %q", text, err, want)
		}
	}
	if !Recognise([]byte(header(byStation))) || !Recognise([]byte(header("STATION|Station_name|DATE|LATITUDE|LONGITUDE"))) || Recognise([]byte("time,temp_c\n")) || Recognise([]byte("station|temp\n")) || Recognise(nil) {
		t.Error("recognised what it is not, or did not what it is")
	}
}

func FuzzLine(f *testing.F) {
	f.Add(line("2024|1|9|12|53", "FM15", v{"temperature": "6.4,,1", "precipitation": "0,T"}))
	f.Fuzz(func(t *testing.T, text string) {
		x, err := NewReader(strings.NewReader(header(byStation)+text), Options{Latitude: math.NaN(), Longitude: math.NaN()})
		if err != nil {
			t.Fatal(err)
		}
		for row, err := range x.Rows() {
			if err == nil && row.Weather.Validate() != nil {
				t.Errorf("%q gave a row without a place in time", text)
			}
		}
	})
}
