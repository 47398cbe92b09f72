package firstworld

import (
	"math"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

func TestStationRows(t *testing.T) {
	for seed := range uint64(3) {
		w := New(seed, nows[3])
		from := nows[3].AddDate(-2, 0, 0)
		rows := w.Weather(from, nows[3])
		hours := nows[3].Sub(from).Hours()
		if gone := 1 - float64(len(rows))/hours; gone < 0.003 || gone > 0.04 {
			t.Errorf("seed %d: %.1f %% of the rows are missing", seed, 100*gone)
		}
		var water, jan, jul, nJan, nJul float64
		var last int64
		gusts, wet := 0, 0
		for _, r := range rows {
			if err := r.Validate(); err != nil {
				t.Fatal(err)
			}
			if d := r.Discard(); d != nil {
				t.Fatalf("impossible weather: %v", d)
			}
			if r.Time <= last || r.Time%hourMS != 0 || r.DistanceKM != stationKM {
				t.Fatalf("row out of order or off the hour: %+v", r)
			}
			last = r.Time
			if !math.IsNaN(r.GustMPS) {
				if gusts++; r.GustMPS < r.WindMPS+5 {
					t.Fatalf("gust %.1f beside a mean of %.1f m/s: less than 10 knots above", r.GustMPS, r.WindMPS)
				}
			}
			if fall := r.RainMMPerHour + r.SnowMMPerHour; fall > 0 {
				wet++
				water += fall
			}
			switch time.UnixMilli(r.Time).UTC().Month() {
			case time.January:
				jan, nJan = jan+r.TempC, nJan+1
			case time.July:
				jul, nJul = jul+r.TempC, nJul+1
			}
		}
		if mm := water / 2; mm < 600 || mm > 1400 {
			t.Errorf("seed %d: %.0f mm a year, want 600 to 1,400", seed, mm)
		}
		if share := float64(wet) / float64(len(rows)); share < 0.05 || share > 0.16 {
			t.Errorf("seed %d: it falls in %.1f %% of the hours", seed, 100*share)
		}
		if share := float64(gusts) / float64(len(rows)); share < 0.01 || share > 0.3 {
			t.Errorf("seed %d: gusts in %.1f %% of the rows", seed, 100*share)
		}
		if m := jan / nJan; m < -12 || m > 2 {
			t.Errorf("seed %d: January %.1f C", seed, m)
		}
		if m := jul / nJul; m < 16 || m > 26 {
			t.Errorf("seed %d: July %.1f C", seed, m)
		}
	}
}

func TestWeatherSpans(t *testing.T) {
	w := New(1, nows[0])
	from := nows[0].Add(-200 * time.Hour)
	mid := from.Add(77*time.Hour + 20*time.Minute)
	whole := w.Weather(from, nows[0])
	parts := append(w.Weather(from, mid), w.Weather(mid, nows[0])...)
	if len(whole) == 0 || len(whole) != len(parts) {
		t.Fatalf("%d rows at once, %d in two parts", len(whole), len(parts))
	}
	for i := range whole {
		if !whole[i].Equal(&parts[i]) {
			t.Fatalf("row %d differs: %+v, %+v", i, whole[i], parts[i])
		}
	}
	if got := w.Weather(nows[0], nows[0]); len(got) != 0 {
		t.Errorf("an empty span has %d rows", len(got))
	}
}

// Leaves fill with rain and are dry again within hours to a day.
func TestLeavesDry(t *testing.T) {
	v := newView(New(4, nows[2]))
	spells, long := 0, 0
	run := 0
	dryFor := 0
	for h := int64(24 * 120); h > 0; h-- {
		s := v.at(nows[2].UnixMilli() - h*hourMS)
		if s.wet < 0 || s.wet > 1 {
			t.Fatalf("wetness %g", s.wet)
		}
		if s.rain > 0 {
			run, dryFor = 0, 0
			continue
		}
		if s.wet > 0.1 {
			run++
			if run > 30 {
				long++
			}
			dryFor = 0
			continue
		}
		if run > 1 {
			spells++
		}
		run = 0
		dryFor++
	}
	if spells < 8 || long > 24 {
		t.Errorf("%d dry-downs in a summer, %d hours wet for more than 30 h after rain", spells, long)
	}
}

func TestStationSeesTheHomesWeather(t *testing.T) {
	w := New(1, nows[0])
	rows := w.Weather(nows[0].AddDate(0, -2, 0), nows[0])
	var n, dt float64
	for _, r := range rows {
		if math.IsNaN(r.TempC) || r.Source == "" {
			t.Fatal("a row without temperature or source")
		}
		dt += math.Abs(r.TempC - w.weather(r.Time).temp)
		n++
	}
	if dt/n > 1.5 {
		t.Errorf("the station differs by %.1f K on average", dt/n)
	}
	if rows[0].Precipitation == reception.PrecipAmount && rows[0].RainMMPerHour+rows[0].SnowMMPerHour == 0 {
		t.Error("an amount of nothing")
	}
}
