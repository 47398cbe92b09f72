package store

import (
	"fmt"
	"math"
	"strings"
	"time"

	"holdfast/analysis/reception"
)

// ReadingConflict describes two readings of equal key by the fields that differ.
func ReadingConflict(index int, kept, given *reception.Reading) Conflict {
	at := fmt.Sprintf("%s tuner %q %s", instant(kept.Time), kept.Tuner, megahertz(kept.FrequencyHz))
	if kept.Layer != "" {
		at += " layer " + kept.Layer
	}
	k, g := differences(readingFields(kept), readingFields(given))
	return Conflict{Index: index, Kept: at + ": " + k, Given: at + ": " + g}
}

// WeatherConflict describes two weather rows of equal key by the fields that differ.
func WeatherConflict(index int, kept, given *reception.Weather) Conflict {
	at := fmt.Sprintf("%s weather from %q over %d s", instant(kept.Time), kept.Source, kept.IntervalS)
	k, g := differences(weatherFields(kept), weatherFields(given))
	return Conflict{Index: index, Weather: true, Kept: at + ": " + k, Given: at + ": " + g}
}

type field struct{ name, value string }

func differences(a, b []field) (string, string) {
	var x, y []string
	for i := range a {
		if a[i] != b[i] {
			x = append(x, a[i].name+" "+a[i].value)
			y = append(y, b[i].name+" "+b[i].value)
		}
	}
	return strings.Join(x, ", "), strings.Join(y, ", ")
}

func instant(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.999Z") }

func megahertz(hz int64) string { return fmt.Sprintf("%.6g MHz", float64(hz)/1e6) }

func float(v float64) string {
	if math.IsNaN(v) {
		return "not available"
	}
	return fmt.Sprint(v)
}

func count(n int64) string {
	if n == reception.NotCounted {
		return "not available"
	}
	return fmt.Sprint(n)
}

func quoted[S ~string](s S) string { return fmt.Sprintf("%q", string(s)) }

func readingFields(r *reception.Reading) []field {
	return []field{
		{"tuned_hz", fmt.Sprint(r.TunedHz)}, {"visit", string(r.Visit)}, {"why", quoted(r.Why)}, {"known", fmt.Sprint(r.Known)},
		{"dwell_ms", fmt.Sprint(r.DwellMS)}, {"locked", fmt.Sprint(r.Locked)}, {"locked_ms", count(r.LockedMS)},
		{"level_dbm", float(r.LevelDBm)}, {"level_pct", float(r.LevelPct)}, {"cn_db", float(r.CNDB)},
		{"cn_low_db", float(r.CNLowDB)}, {"cn_spread_db", float(r.CNSpreadDB)}, {"quality_pct", float(r.QualityPct)},
		{"errored_s", float(r.ErroredS)}, {"pre_errors", count(r.PreErrors)}, {"pre_bits", count(r.PreBits)},
		{"uncorrected_blocks", count(r.UncorrectedBlocks)}, {"total_blocks", count(r.TotalBlocks)},
		{"identity", quoted(r.Identity)}, {"mode", quoted(r.Mode)}, {"system", quoted(r.System)}, {"scale", quoted(r.Scale)},
	}
}

func weatherFields(w *reception.Weather) []field {
	return []field{
		{"distance_km", float(w.DistanceKM)}, {"modelled", fmt.Sprint(w.Modelled)}, {"known", fmt.Sprint(w.Known)},
		{"temp_c", float(w.TempC)}, {"dewpoint_c", float(w.DewpointC)}, {"pressure_hpa", float(w.PressureHPa)},
		{"wind_mps", float(w.WindMPS)}, {"gust_mps", float(w.GustMPS)}, {"wind_dir_deg", float(w.WindDirDeg)},
		{"rain_mm_h", float(w.RainMMPerHour)}, {"snow_mm_h", float(w.SnowMMPerHour)},
		{"precipitation", quoted(w.Precipitation)}, {"thunder", quoted(w.Thunder)},
	}
}

// EntryName names an entry of the ledger in a message for people.
func EntryName(e reception.Entry) string {
	return fmt.Sprintf("ledger entry %s %q held %s known %s", e.Kind, e.Key, instant(e.Held), instant(e.Known))
}
