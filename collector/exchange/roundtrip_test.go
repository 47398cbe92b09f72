package exchange

import (
	"bytes"
	"iter"
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

func chunked(rows []reception.Reading) iter.Seq2[[]reception.Reading, error] {
	return func(yield func([]reception.Reading, error) bool) {
		for i := 0; i < len(rows); i += 3 {
			if !yield(rows[i:min(i+3, len(rows))], nil) {
				return
			}
		}
	}
}

// float draws a value or "not available"; rough ones have few decimals.
func float(lo, hi float64) *rapid.Generator[float64] {
	return rapid.Custom(func(t *rapid.T) float64 {
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			return math.NaN()
		case 1:
			return rapid.Float64Range(lo, hi).Draw(t, "v")
		case 2:
			return min(max(float64(float32(rapid.Float64Range(lo, hi).Draw(t, "v"))), lo), hi)
		}
		return math.Round(rapid.Float64Range(lo, hi).Draw(t, "v")*100) / 100
	})
}

func counts() *rapid.Generator[int64] { return rapid.Int64Range(-1, math.MaxInt64) }

// name draws a text with all that CSV has to take care of.
func name() *rapid.Generator[string] {
	return rapid.OneOf(rapid.StringMatching(`[a-z0-9 ,"]{0,8}`), rapid.StringN(0, 12, 40), rapid.SampledFrom([]string{"", "\r\n", "\"", " x", "x\t", "\ufeff"}))
}

func instants() *rapid.Generator[int64] {
	return rapid.Int64Range(reception.EarliestMS, reception.LatestMS)
}

func reading() *rapid.Generator[reception.Reading] {
	return rapid.Custom(func(t *rapid.T) reception.Reading {
		r := reception.NewReading()
		r.Time = instants().Draw(t, "time")
		r.Tuner = name().Filter(func(s string) bool { return s != "" }).Draw(t, "tuner")
		tuned := rapid.Int64Range(50e6, 900e6).Draw(t, "tuned")
		if r.FrequencyHz, _ = reception.RegionUS.Key(tuned); r.FrequencyHz != tuned {
			r.TunedHz = tuned
		}
		r.Layer = name().Draw(t, "layer")
		r.Visit = rapid.SampledFrom([]reception.VisitKind{reception.VisitBase, reception.VisitExtra, reception.VisitRiding}).Draw(t, "visit")
		if rapid.Bool().Draw(t, "late") {
			r.Known = instants().Draw(t, "known")
		}
		r.DwellMS = rapid.Int64Range(1, 3600e3).Draw(t, "dwell")
		r.Why = rapid.SampledFrom(append(reception.Reasons(), "", "", "")).Draw(t, "why")
		if !r.Valid() {
			return r
		}
		r.Locked = rapid.Bool().Draw(t, "locked")
		r.LockedMS = rapid.Int64Range(-1, r.DwellMS).Draw(t, "locked_s")
		r.LevelDBm, r.LevelPct = float(-120, 20).Draw(t, "level"), float(0, 100).Draw(t, "level pct")
		r.CNDB, r.CNLowDB, r.CNSpreadDB = float(-10, 60).Draw(t, "cn"), float(-10, 60).Draw(t, "low"), float(0, 60).Draw(t, "spread")
		r.QualityPct, r.ErroredS = float(0, 100).Draw(t, "quality"), float(0, float64(r.DwellMS)/1000).Draw(t, "errored")
		r.PreErrors, r.PreBits, r.TotalBlocks = counts().Draw(t, "errors"), counts().Draw(t, "bits"), counts().Draw(t, "total")
		if r.UncorrectedBlocks = counts().Draw(t, "bad"); r.TotalBlocks >= 0 {
			r.UncorrectedBlocks = min(r.UncorrectedBlocks, r.TotalBlocks)
		}
		r.Identity, r.Mode = name().Draw(t, "identity"), name().Draw(t, "mode")
		r.System = rapid.SampledFrom(reception.Systems()).Draw(t, "system")
		r.Scale = name().Filter(func(s string) bool { return s != "" }).Draw(t, "scale")
		return r
	})
}

func TestReadingsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOfN(reading().Filter(func(r reception.Reading) bool { return r.Validate() == nil }), 0, 8).Draw(t, "readings")
		var b bytes.Buffer
		if err := WriteReadings(&b, CSV, chunked(want)); err != nil {
			t.Fatal(err)
		}
		rd, err := ReadReadings(&b, ReadOptions{Region: reception.RegionUS})
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		for row, err := range rd.Rows() {
			if err != nil {
				t.Fatalf("reading %d: %v", i, err)
			}
			if !row.Reading.Equal(&want[i]) {
				t.Fatalf("reading %d is\n%+v, want\n%+v", i, row.Reading, want[i])
			}
			i++
		}
		if i != len(want) {
			t.Fatalf("%d readings came back of %d", i, len(want))
		}
	})
}

func TestWeatherRoundTrip(t *testing.T) {
	gen := rapid.Custom(func(t *rapid.T) reception.Weather {
		w := reception.NewWeather()
		w.Time, w.IntervalS = instants().Draw(t, "time"), rapid.Int64Range(1, 86400).Draw(t, "interval")
		w.Source = name().Filter(func(s string) bool { return s != "" }).Draw(t, "source")
		w.DistanceKM = float(0, 20000).Draw(t, "distance")
		w.Modelled = rapid.Bool().Draw(t, "modelled")
		if rapid.Bool().Draw(t, "late") {
			w.Known = instants().Draw(t, "known")
		}
		for _, p := range []*float64{&w.TempC, &w.DewpointC, &w.PressureHPa, &w.WindMPS, &w.GustMPS, &w.WindDirDeg, &w.RainMMPerHour, &w.SnowMMPerHour} {
			*p = float(-100, 2000).Draw(t, "value")
		}
		w.Precipitation = rapid.SampledFrom([]reception.Precipitation{"", reception.PrecipNone, reception.PrecipTrace, reception.PrecipAmount}).Draw(t, "precipitation")
		w.Thunder = rapid.SampledFrom([]reception.Tristate{reception.Unknown, reception.Yes, reception.No}).Draw(t, "thunder")
		return w
	})
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOfN(gen, 0, 8).Draw(t, "weather")
		var b bytes.Buffer
		err := WriteWeather(&b, CSV, func(yield func(reception.Weather, error) bool) {
			for _, w := range want {
				if !yield(w, nil) {
					return
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		rd, err := ReadWeather(&b, "")
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		for row, err := range rd.Rows() {
			if err != nil || !row.Weather.Equal(&want[i]) {
				t.Fatalf("row %d is\n%+v (%v), want\n%+v", i, row.Weather, err, want[i])
			}
			i++
		}
		if i != len(want) {
			t.Fatalf("%d rows came back of %d", i, len(want))
		}
	})
}

func TestScalesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gen := rapid.Custom(func(t *rapid.T) reception.Scale {
			return reception.Scale{
				ID:        name().Filter(func(s string) bool { return s != "" }).Draw(t, "id"),
				Unit:      rapid.SampledFrom([]reception.ScaleUnit{reception.UnitDB, reception.UnitPercent}).Draw(t, "unit"),
				Step:      rapid.Float64Range(0.001, 10).Draw(t, "step"),
				Ceiling:   float(0, 100).Draw(t, "ceiling"),
				LevelKind: rapid.SampledFrom([]reception.LevelKind{reception.LevelUnknown, reception.LevelInChannel, reception.LevelWholeBand, reception.LevelFromCN}).Draw(t, "kind"),
				Quantity:  rapid.SampledFrom([]reception.Quantity{reception.QuantityCN, reception.QuantityMER}).Draw(t, "quantity"),
				Driver:    name().Draw(t, "driver"),
			}
		})
		want := rapid.SliceOfNDistinct(gen, 0, 5, func(s reception.Scale) string { return s.ID }).Draw(t, "scales")
		var b bytes.Buffer
		if err := WriteScales(&b, CSV, want); err != nil {
			t.Fatal(err)
		}
		got, err := ReadScales(&b)
		if err != nil || len(got) != len(want) {
			t.Fatalf("got %d scales of %d, %v", len(got), len(want), err)
		}
		for i := range want {
			g, w := got[i], want[i]
			if math.IsNaN(g.Ceiling) && math.IsNaN(w.Ceiling) {
				g.Ceiling, w.Ceiling = 0, 0
			}
			if g != w {
				t.Fatalf("got %+v, want %+v", g, w)
			}
		}
	})
}

func TestInstallationsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gen := rapid.Custom(func(t *rapid.T) Installation {
			return Installation{
				Time: instants().Draw(t, "time"), Tuner: name().Draw(t, "tuner"), Note: name().Draw(t, "note"),
				Name: name().Filter(func(s string) bool { return s != "" }).Draw(t, "name"),
			}
		})
		want := rapid.SliceOfN(gen, 1, 5).Draw(t, "installations")
		var b bytes.Buffer
		if err := WriteInstallations(&b, CSV, want); err != nil {
			t.Fatal(err)
		}
		rd, err := ReadInstallations(&b)
		if err != nil {
			t.Fatal(err)
		}
		var got []Installation
		for row, err := range rd.Rows() {
			if err != nil {
				t.Fatal(err)
			}
			row.Line = 0
			got = append(got, row)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v\nwant %+v", got, want)
		}
	})
}
