package drivers

import (
	"math"
	"testing"
	"time"
)

// Meeus, Astronomical Algorithms, examples 25.a and 28.a: 1992 October 13, 0h TD.
func TestSunAtMeeus(t *testing.T) {
	at := time.Date(1992, 10, 13, 0, 0, 0, 0, time.UTC).UnixMilli()
	dec, eot := sunAt(float64(at))
	if want := -7.78507; math.Abs(dec-want) > 0.001 {
		t.Errorf("declination = %.5f, want %.5f", dec, want)
	}
	if want := 13 + 42.7/60; math.Abs(eot-want) > 0.05 {
		t.Errorf("equation of time = %.3f min, want %.3f", eot, want)
	}
}

// Rise and set to the minute as printed in the yearly tables of the US Naval
// Observatory (New York) and HM Nautical Almanac Office (London), from memory.
func TestSunRiseAndSet(t *testing.T) {
	for _, c := range []struct {
		name      string
		lat, lon  float64
		noon      time.Time
		rise, set string // UTC
	}{
		{"New York, June solstice", 40.71, -74.01, time.Date(2024, 6, 20, 17, 0, 0, 0, time.UTC), "09:25", "00:31"},
		{"New York, December solstice", 40.71, -74.01, time.Date(2024, 12, 21, 17, 0, 0, 0, time.UTC), "12:17", "21:32"},
		{"London, June solstice", 51.51, -0.13, time.Date(2024, 6, 20, 12, 0, 0, 0, time.UTC), "03:43", "20:21"},
		{"London, December solstice", 51.51, -0.13, time.Date(2024, 12, 21, 12, 0, 0, 0, time.UTC), "08:04", "15:53"},
	} {
		s := Sun(c.lat, c.lon, c.noon.UnixMilli())
		for _, e := range []struct {
			what string
			ms   int64
			want string
		}{{"rise", s.RiseMS, c.rise}, {"set", s.SetMS, c.set}} {
			want, _ := time.Parse("15:04", e.want)
			got := time.UnixMilli(e.ms).UTC()
			diff := math.Mod(float64(got.Hour()*60+got.Minute())+float64(got.Second())/60-float64(want.Hour()*60+want.Minute())+1440+720, 1440) - 720
			if math.Abs(diff) > 2 {
				t.Errorf("%s: %s at %s, want %s", c.name, e.what, got.Format("2006-01-02 15:04:05"), e.want)
			}
			if d := got.Sub(c.noon).Abs(); d > 13*time.Hour {
				t.Errorf("%s: %s lies %s from noon", c.name, e.what, d)
			}
		}
	}
}

func TestSunPolar(t *testing.T) {
	for _, c := range []struct {
		name string
		lat  float64
		at   time.Time
		want float64
	}{
		{"polar night at 78 north", 78, time.Date(2025, 12, 21, 12, 0, 0, 0, time.UTC), 0},
		{"polar day at 78 north", 78, time.Date(2025, 6, 21, 12, 0, 0, 0, time.UTC), 24},
		{"polar day at 78 south", -78, time.Date(2025, 12, 21, 12, 0, 0, 0, time.UTC), 24},
		{"the pole", 90, time.Date(2025, 6, 21, 12, 0, 0, 0, time.UTC), 24},
	} {
		if s := Sun(c.lat, 15, c.at.UnixMilli()); s.LengthH != c.want || s.RiseMS != 0 || s.SetMS != 0 {
			t.Errorf("%s: %+v, want length %g and no times", c.name, s, c.want)
		}
		if l := DayLength(c.at.YearDay(), c.lat); l != c.want {
			t.Errorf("%s: DayLength = %g, want %g", c.name, l, c.want)
		}
	}
}

// Worked values of the Forsythe form at 40.7 degrees north with -0.833 degrees,
// computed independently in R.
func TestDayLength(t *testing.T) {
	for doy, want := range map[int]float64{80: 12.14, 172: 15.09, 266: 12.18, 300: 10.69} {
		if got := DayLength(doy, 40.7); math.Abs(got-want) > 0.011 {
			t.Errorf("DayLength(%d, 40.7) = %.3f, want %.2f", doy, got, want)
		}
	}
}

// Two forms of one thing must agree: Meeus's sun and Forsythe's day length.
func TestDayLengthAgreesWithSun(t *testing.T) {
	for lat := -60.0; lat <= 60; lat += 12 {
		for doy := 1; doy <= 365; doy += 13 {
			at := time.Date(2025, 1, doy, 12, 0, 0, 0, time.UTC)
			if a, b := Sun(lat, 0, at.UnixMilli()).LengthH, DayLength(doy, lat); math.Abs(a-b) > 0.15 {
				t.Errorf("at %g on day %d: Sun %.3f h, DayLength %.3f h", lat, doy, a, b)
			}
		}
	}
}
