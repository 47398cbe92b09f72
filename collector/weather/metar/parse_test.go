package metar

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"
)

// at is a receipt a few minutes after a report of day, hour and minute of March 2026.
func at(day, hour, minute int) time.Time {
	return time.Date(2026, 3, day, hour, minute+4, 0, 0, time.UTC)
}

func mustParse(t *testing.T, text string, received time.Time) Report {
	t.Helper()
	r, err := Parse(text, received)
	if err != nil {
		t.Fatalf("Parse(%s): %v", text, err)
	}
	return r
}

// want says one decoded value with the decimals at which it is printed.
type want struct {
	name string
	got  func(r Report) any
	text string
}

func dirDeg(s string) want  { return want{"direction", func(r Report) any { return r.Wind.DirDeg }, s} }
func mean(s string) want    { return want{"mean wind", func(r Report) any { return r.Wind.MPS }, s} }
func gust(s string) want    { return want{"gust", func(r Report) any { return r.Wind.GustMPS }, s} }
func vis(s string) want     { return want{"visibility", func(r Report) any { return r.Visibility.M }, s} }
func temp(s string) want    { return want{"temperature", func(r Report) any { return r.TempC }, s} }
func dew(s string) want     { return want{"dew point", func(r Report) any { return r.DewpointC }, s} }
func qnh(s string) want     { return want{"QNH", func(r Report) any { return r.QNHHPa }, s} }
func sea(s string) want     { return want{"SLP", func(r Report) any { return r.SLPHPa }, s} }
func oneHour(s string) want { return want{"since routine", func(r Report) any { return r.Hour.MM }, s} }
func sixHours(s string) want {
	return want{"3 or 6 h", func(r Report) any { return r.Hours3or6.MM }, s}
}
func says(name string, f func(r Report) any, s string) want {
	return want{name, f, s}
}

// same compares at the decimals that are printed; "-" is not available.
func (w want) same(r Report) (string, bool) {
	v, ok := w.got(r).(float64)
	if !ok {
		s := fmt.Sprint(w.got(r))
		return s, s == w.text
	}
	_, decimals, _ := strings.Cut(w.text, ".")
	s := fmt.Sprintf("%.*f", len(decimals), v)
	if w.text == "-" {
		return s, math.IsNaN(v)
	}
	return s, s == w.text
}

func peakTime(r Report) any { return r.Peak.Time.Format("15:04Z") }
func peak(r Report) any     { return fmt.Sprintf("%.0f %.2f", r.Peak.DirDeg, r.Peak.MPS) }
func maxMin(r Report) any   { return fmt.Sprintf("%.1f %.1f", r.Max6C, r.Min6C) }
func presentWeather(r Report) any {
	var s []string
	for _, p := range r.Weather {
		s = append(s, p.Raw)
	}
	return strings.Join(s, " ")
}
func period(r Report) any { return r.PeriodH }
func happened(r Report) any {
	var s []string
	for _, e := range r.Events {
		verb := "ends"
		if e.Began {
			verb = "begins"
		}
		s = append(s, e.What+" "+verb+" "+e.Time.Format("15:04"))
	}
	return strings.Join(s, ", ")
}
func silent(r Report) any    { return !r.Hour.Reported && !r.Hours3or6.Reported }
func change3(r Report) any   { return r.Tendency3HPa }
func trace(r Report) any     { return r.Hour.Trace }
func calm(r Report) any      { return r.Wind.Calm }
func varies(r Report) any    { return fmt.Sprintf("%.0f-%.0f", r.Wind.FromDeg, r.Wind.ToDeg) }
func special(r Report) any   { return r.Special }
func suspect(r Report) any   { return r.SLPSuspect }
func asks(r Report) any      { return r.Maintenance }
func noThunder(r Report) any { return r.NoThunder }
func unknown(r Report) any   { return strings.Join(r.Unknown, " ") }

// Whole reports, decoded by their publishers; speeds, lengths, pressures and depths
// turned into SI at the precision printed here.
func TestPublishedReports(t *testing.T) {
	for _, c := range []struct {
		source string
		day    time.Time
		text   string
		wants  []want
	}{
		{"METAR key of the US National Weather Service", at(12, 17, 55),
			"METAR KABC 121755Z AUTO 21016G24KT 180V240 1SM R11/P6000FT -RA BR BKN015 OVC025 06/04 A2990 RMK AO2 PK WND 20032/25 WSHFT 1715 VIS 3/4V1 1/2 VIS 3/4 RWY11 RAB07 CIG 013V017 CIG 017 RWY11 PRESFR SLP125 P0003 60009 T00640036 10066 21012 58033 TSNO $",
			[]want{dirDeg("210"), mean("8.23"), gust("12.35"), says("varying", varies, "180-240"), vis("1609"), temp("6.4"), dew("3.6"), qnh("1012.5"), sea("1012.5"),
				says("peak", peak, "200 16.46"), says("peak time", peakTime, "17:25Z"), says("events", happened, "RA begins 17:07"),
				oneHour("0.76"), sixHours("2.29"), says("period", period, "6"), says("extremes", maxMin, "6.6 -1.2"), says("tendency", change3, "-3.3"),
				says("thunder sensor out", noThunder, "true"), says("maintenance", asks, "true"), says("weather", presentWeather, "-RA BR"),
				says("wind shift", func(r Report) any { return r.WindShift.Format("15:04") }, "17:15"), says("automatic", func(r Report) any { return r.Auto }, "true"),
				says("kept", unknown, "VIS 3/4V1 1/2 VIS 3/4 RWY11 CIG 013V017 CIG 017 RWY11 PRESFR")}},
		{"key card of the US National Weather Service", at(9, 19, 55),
			"METAR KPIT 091955Z COR 22015G25KT 3/4SM R28L/2600FT TSRA OVC010CB 18/16 A2992 RMK SLP045 T01820159",
			[]want{dirDeg("220"), mean("7.72"), gust("12.86"), vis("1207"), temp("18.2"), dew("15.9"), qnh("1013.2"), sea("1004.5"), says("no precipitation group", silent, "true"),
				says("weather", presentWeather, "TSRA"), says("corrected", func(r Report) any { return r.Corrected }, "true"), says("kept", unknown, "")}},
		{"test data of an open METAR parser", at(11, 18, 51),
			"METAR KEWR 111851Z VRB03G19KT 2SM R04R/3000VP6000FT TSRA BR FEW015 BKN040CB BKN065 OVC200 22/22 A2987 RMK AO2 PK WND 29028/1817 WSHFT 1812 TSB05RAB22 SLP114 FRQ LTGICCCCG TS OHD AND NW -N-E MOV NE P0013 T02270215",
			[]want{dirDeg("-"), mean("1.54"), gust("9.77"), vis("3219"), temp("22.7"), dew("21.5"), sea("1011.4"), says("peak", peak, "290 14.40"), says("peak time", peakTime, "18:17Z"),
				says("events", happened, "TS begins 18:05, RA begins 18:22"), oneHour("3.30")}},
		{"ICAO Annex 3, example A3-1, with WMO's XML decode", at(22, 16, 30),
			"METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 BECMG TL1700 0800 FG BECMG AT1800 9999 NSW",
			[]want{dirDeg("240"), mean("4.0"), gust("-"), vis("600"), says("weather", presentWeather, "DZ FG"), temp("17.0"), dew("16.0"), qnh("1018"), says("kept", unknown, "")}},
		{"ICAO Annex 3, example A3-2, with WMO's XML decode", at(15, 11, 15),
			"SPECI YUDO 151115Z 05025G37KT 3000 1200NE +TSRA BKN005CB 25/22 Q1008 TEMPO TL1200 0600 BECMG AT1200 8000 NSW NSC",
			[]want{says("special", special, "true"), dirDeg("50"), mean("12.86"), gust("19.03"), vis("3000"), says("lowest", func(r Report) any { return r.Visibility.LowestM }, "1200"),
				says("towards", func(r Report) any { return r.Visibility.LowestAtDeg }, "45"), says("weather", presentWeather, "+TSRA"), temp("25"), dew("22"), qnh("1008")}},
		{"report on the US observation service of 2019-10-21", at(21, 17, 53),
			"KMSY 211753Z 22012G20KT 2SM TSRA BR SCT015CB SCT026 BKN037 OVC130 24/22 A2988 RMK AO2 LTG DSNT ALQDS SLP120 OCNL LTGICCG OHD TS OHD MOV NE P0017 60021 T02440222 10261 20244 51012",
			[]want{dirDeg("220"), mean("6.17"), gust("10.29"), temp("24.4"), dew("22.2"), sea("1012.0"), oneHour("4.32"), sixHours("5.33"), says("tendency", change3, "1.2")}},
		{"a published page on decoding", at(17, 2, 53),
			"KGTF 170253Z 33013KT 3SM -RA OVC005 02/02 A2990 RMK AO2 TWR VIS 3 SFC VIS 8 CIG 003V007 SLP147 P0000 60011 T00220017 51035",
			[]want{dirDeg("330"), mean("6.69"), temp("2.2"), dew("1.7"), says("trace", trace, "true"), oneHour("0"), sixHours("2.79"), says("period", period, "3")}},
		{"the same page", at(17, 3, 22),
			"KGTF 170322Z 33014KT 1 3/4SM -SN BR OVC005 A2991 RMK AO2 RAE17SNB17 P0004",
			[]want{temp("-"), dew("-"), vis("2816"), oneHour("1.02"), says("events", happened, "RA ends 03:17, SN begins 03:17"), says("kept", unknown, "")}},
		{"the same page", at(16, 22, 56),
			"KBIL 162256Z 29017G27KT 10SM FEW070 SCT085 BKN110 M02/M02 A2961 RMK AO2 PK WND 29027/2250 WSHFT 2241 SLP205 70033 T10171022 11006 21017 53016",
			[]want{mean("8.75"), gust("13.89"), temp("-1.7"), dew("-2.2"), says("extremes", maxMin, "-0.6 -1.7"), says("24 h", func(r Report) any { return r.Hours24.MM }, "8.38"),
				sea("1020.5"), qnh("1002.7"), says("suspect pressure", suspect, "true")}},
		{"the same page", at(17, 11, 0),
			"SVVA 171100Z 00000KT 9999 FEW016 BKN250 21/19 Q1013 NOSIG",
			[]want{says("calm", calm, "true"), dirDeg("-"), mean("0"), vis("10000"), says("at least", func(r Report) any { return r.Visibility.AtLeast }, "true"), temp("21"), dew("19"), qnh("1013")}},
		{"US observation service, with its JSON: 10.3, 7.2, 0", at(1, 10, 56),
			"KADW 011056Z AUTO 00000KT 10SM CLR 10/07 A3026 RMK AO2 SLP254 T01030072 $",
			[]want{temp("10.3"), dew("7.2"), says("calm", calm, "true"), sea("1025.4"), says("no precipitation group", silent, "true"), says("suspect pressure", suspect, "false")}},
		{"test of an open METAR parser", at(22, 1, 0),
			"METAR FSIA 220100Z AUTO 14014KT 120V180 9999 ///////// 27/23 Q1010",
			[]want{dirDeg("140"), mean("7.20"), says("clouds", func(r Report) any { return r.Clouds }, "[/////////]"), temp("27"), dew("23"), qnh("1010"), says("kept", unknown, "")}},
	} {
		r := mustParse(t, c.text, c.day)
		if want := c.day.Add(-4 * time.Minute); !r.Time.Equal(want) {
			t.Errorf("%s: time %v, want %v", c.text, r.Time, want)
		}
		for _, w := range c.wants {
			if got, ok := w.same(r); !ok {
				t.Errorf("%s (%s): %s = %s, want %s", c.text, c.source, w.name, got, w.text)
			}
		}
	}
}

// Fragments with their decodes from FMH-1 (FCM-H1-1995), sections 12.6 and 12.7.
func TestFragmentsOfFMH1(t *testing.T) {
	for _, c := range []struct {
		text  string
		wants []want
	}{
		{"27020G35KT", []want{dirDeg("270"), mean("10.29"), gust("18.01")}},
		{"VRB03KT", []want{dirDeg("-"), mean("1.54"), says("variable", func(r Report) any { return r.Wind.Variable }, "true")}},
		{"21010KT 180V240", []want{dirDeg("210"), says("varying", varies, "180-240")}},
		{"00000KT", []want{dirDeg("-"), mean("0"), says("calm", calm, "true")}},
		{"RMK P0009", []want{oneHour("2.286")}}, // 0.09 inch
		{"RMK P0000", []want{oneHour("0"), says("trace", trace, "true")}},
		{"RMK 60217", []want{sixHours("55.118")}}, // 2.17 inch
		{"RMK 6////", []want{sixHours("-"), says("fell", func(r Report) any { return r.Hours3or6.Indeterminate }, "true")}},
		{"RMK 60000", []want{sixHours("0"), says("trace", func(r Report) any { return r.Hours3or6.Trace }, "true")}},
		{"RMK 70125", []want{says("24 h", func(r Report) any { return r.Hours24.MM }, "31.75")}},            // 1.25 inch
		{"RMK 4/021", []want{says("snow", func(r Report) any { return r.SnowDepthM }, "0.5334")}},           // 21 inch
		{"RMK 933036", []want{says("water of snow", func(r Report) any { return r.SnowWaterMM }, "91.44")}}, // 3.6 inch
		{"03/M01 RMK T00261015", []want{temp("2.6"), dew("-1.5")}},
		{"RMK 11021", []want{says("max", func(r Report) any { return r.Max6C }, "-2.1")}},
		{"RMK 10142", []want{says("max", func(r Report) any { return r.Max6C }, "14.2")}},
		{"RMK 21001", []want{says("min", func(r Report) any { return r.Min6C }, "-0.1")}},
		{"RMK 20012", []want{says("min", func(r Report) any { return r.Min6C }, "1.2")}},
		{"RMK 401001015", []want{says("24 h", func(r Report) any { return fmt.Sprint(r.Max24C, " ", r.Min24C) }, "10 -1.5")}},
		{"RMK 401120084", []want{says("24 h", func(r Report) any { return fmt.Sprint(r.Max24C, " ", r.Min24C) }, "11.2 8.4")}},
		{"RMK 52032", []want{says("tendency", change3, "3.2")}},
		{"RMK SLP982", []want{sea("998.2")}},
		{"RMK RAB05E30SNB20E55", []want{says("events", happened, "RA begins 17:05, RA ends 17:30, SN begins 17:20, SN ends 17:55")}},
		{"02/", []want{temp("2"), dew("-")}},
		{"RMK PK WND 28045/15", []want{says("peak", peak, "280 23.15"), says("peak time", peakTime, "17:15Z")}},
	} {
		r := mustParse(t, "METAR KABC 121755Z "+c.text, at(12, 17, 55))
		for _, w := range append(c.wants, says("kept", unknown, "")) {
			if got, ok := w.same(r); !ok {
				t.Errorf("%s: %s = %s, want %s", c.text, w.name, got, w.text)
			}
		}
	}
}

// What a report may hold beside the examples: forms of WMO-No. 306 FM 15 and FMH-1.
func TestPitfalls(t *testing.T) {
	for _, c := range []struct {
		name, text string
		wants      []want
	}{
		{"no gust is not a gust of 0", "21010KT", []want{gust("-")}},
		{"100 kt or more", "270P99KT", []want{mean("51.44"), says("at least", func(r Report) any { return r.Wind.AtLeast }, "true")}},
		{"gust of 100 kt or more", "27070GP99KT", []want{mean("36.01"), gust("51.44")}},
		{"three figures of knots", "270105G120KT", []want{mean("54.02"), gust("61.73")}},
		{"kilometres an hour", "27036KMH", []want{mean("10.00")}},
		{"wind missing", "/////KT", []want{dirDeg("-"), mean("-"), gust("-"), says("calm", calm, "false")}},
		{"less than a quarter of a mile", "M1/4SM", []want{vis("402"), says("less than", func(r Report) any { return r.Visibility.LessThan }, "true")}},
		{"more than six miles", "P6SM", []want{vis("9656"), says("at least", func(r Report) any { return r.Visibility.AtLeast }, "true")}},
		{"whole number apart from its fraction", "2 1/2SM", []want{vis("4023")}},
		{"CAVOK", "CAVOK", []want{vis("10000")}},
		{"visibility missing", "//// // ////// ///// Q////", []want{vis("-"), temp("-"), qnh("-")}},
		{"no such direction", "40010KT", []want{dirDeg("-"), mean("5.14")}},
		{"amount of the hour not known", "RMK AO2 P////", []want{oneHour("-"), says("fell", func(r Report) any { return r.Hour.Indeterminate }, "true")}},
		{"sensors out", "RMK AO2 TSNO PNO FZRANO", []want{says("sensors out", func(r Report) any { return r.NoThunder && r.NoGauge && r.NoFreezingRain }, "true")}},
		// Code table 0200 of WMO-No. 306: 5 to 8 are lower than three hours ago.
		{"falling, then steady", "RMK 55012", []want{says("tendency", change3, "-1.2")}},
		{"rising, then falling", "RMK 50012", []want{says("tendency", change3, "1.2")}},
		{"steady pressure", "RMK 54000", []want{says("tendency", change3, "0")}},
		{"pressure in a deep low", "A2834 RMK SLP598", []want{sea("959.8"), says("suspect pressure", suspect, "false")}},
		{"unknown groups are kept", "XYZZY 06/04 RMK AO2 XYZZY2 T00640036", []want{temp("6.4"), says("kept", unknown, "XYZZY XYZZY2")}},
		{"trend is not weather", "06/04 Q1010 TEMPO 3000 +TSRA RMK AO2", []want{says("weather", presentWeather, ""), vis("-"), says("station", func(r Report) any { return r.StationType }, "AO2")}},
		{"in the vicinity", "VCSH VCTS", []want{says("falls", func(r Report) any { return r.Weather[0].Precipitation() }, "false"), says("thunder", func(r Report) any { return r.Weather[1].Thunder }, "true")}},
		{"blowing snow does not fall", "BLSN", []want{says("falls", func(r Report) any { return r.Weather[0].Precipitation() }, "false")}},
		{"no fraction by zero", "1/0SM", []want{vis("-")}},
	} {
		r := mustParse(t, "METAR KABC 121755Z "+c.text, at(12, 17, 55))
		for _, w := range c.wants {
			if got, ok := w.same(r); !ok {
				t.Errorf("%s: %s: %s = %s, want %s", c.name, c.text, w.name, got, w.text)
			}
		}
	}
	if r := mustParse(t, "METAR KABC 121755Z NIL=", at(12, 17, 55)); !r.Nil {
		t.Error("NIL was not seen")
	}
	if r := mustParse(t, "METAR COR KABC 121755Z 21010KT", at(12, 17, 55)); !r.Corrected {
		t.Error("COR before the station was not seen")
	}
}

// The body rounds half towards plus infinity, the remarks say what it was:
// 1.5 is 02, -1.5 is M01 (FMH-1 12.6.10).
func TestTenthsWin(t *testing.T) {
	r := mustParse(t, "METAR KABC 121755Z 02/M01 RMK T00151015", at(12, 17, 55))
	if r.TempC != 1.5 || r.DewpointC != -1.5 {
		t.Errorf("temperature %g, dew point %g, want 1.5 and -1.5", r.TempC, r.DewpointC)
	}
	r = mustParse(t, "METAR KABC 121755Z 02/M01", at(12, 17, 55))
	if r.TempC != 2 || r.DewpointC != -1 {
		t.Errorf("temperature %g, dew point %g, want 2 and -1", r.TempC, r.DewpointC)
	}
}

func TestDayOfMonth(t *testing.T) {
	date := func(s string) time.Time {
		v, err := time.Parse("2006-01-02 15:04", s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct{ received, group, want string }{
		{"2026-03-12 18:00", "121755Z", "2026-03-12 17:55"},
		{"2026-01-01 00:03", "312353Z", "2025-12-31 23:53"}, // across a year
		{"2026-03-01 00:03", "282353Z", "2026-02-28 23:53"}, // across February
		{"2024-03-01 00:03", "292353Z", "2024-02-29 23:53"}, // in a leap year
		{"2026-03-01 00:03", "312353Z", "2026-01-31 23:53"}, // no 31 February
		{"2025-12-31 23:58", "010000Z", "2026-01-01 00:00"}, // receiver's clock is behind
		{"2026-03-12 18:00", "140000Z", "2026-02-14 00:00"}, // not from the day after tomorrow
	} {
		r := mustParse(t, "METAR KABC "+c.group, date(c.received))
		if want := date(c.want); !r.Time.Equal(want) {
			t.Errorf("%s received %s is %v, want %v", c.group, c.received, r.Time, want)
		}
	}
	// received in another zone is the same instant
	r := mustParse(t, "METAR KABC 010000Z", date("2026-01-01 00:03").In(time.FixedZone("", -5*3600)))
	if want := date("2026-01-01 00:00"); !r.Time.Equal(want) || r.Time.Location() != time.UTC {
		t.Errorf("got %v, want %v", r.Time, want)
	}
}

func TestNoReport(t *testing.T) {
	for _, text := range []string{"", "=", "METAR", "METAR 121755Z", "KABC", "KABC 12175Z", "KABC 321755Z 21010KT", "KABC 122455Z", "KABC 121760Z", "<html><body>404", "kabc 121755Z",
		"KABC " + strings.Repeat("x", 5000)} {
		_, err := Parse(text, at(12, 17, 55))
		if err == nil || strings.Contains(err.Error(), "\n") || len(err.Error()) > 300 {
			t.Errorf("Parse(%.40q): %v, want an error of one line", text, err)
		}
	}
}

// Whatever the text: no panic, and no number that cannot be coded.
func FuzzParse(f *testing.F) {
	f.Add("METAR KABC 121755Z AUTO 21016G24KT 180V240 1SM R11/P6000FT -RA BR BKN015 OVC025 06/04 A2990 RMK AO2 PK WND 20032/25 WSHFT 1715 VIS 3/4V1 1/2 RAB07 SLP125 P0003 60009 T00640036 10066 21012 58033 TSNO $")
	f.Add("SPECI YUDO 151115Z 05025G37MPS 3000 1200NE +TSRA BKN005CB M25/M22 Q1008 TEMPO TL1200 0600 RMK P////")
	f.Add("KGTF 170322Z VRBP99KT 1 3/4SM 270V300 CAVOK // ///// NIL RMK RAE17SNB1720E25 PK WND 28045/1559 401001015 933036 4/021 70125")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := Parse(text, at(31, 17, 55))
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("%q: error of two lines: %v", text, err)
			}
			return
		}
		v := reflect.ValueOf(r)
		for i := range v.NumField() {
			if x, ok := v.Field(i).Interface().(float64); ok && (math.IsInf(x, 0) || math.Abs(x) > 20000) {
				t.Fatalf("%q: %s = %g", text, v.Type().Field(i).Name, x)
			}
		}
		if r.Wind.MPS < 0 || r.Wind.MPS > 1000 || r.Visibility.M < 0 || math.IsInf(r.Visibility.M, 0) || r.Hour.MM < 0 {
			t.Fatalf("%q: %+v", text, r)
		}
	})
}
