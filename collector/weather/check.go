package weather

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"holdfast/analysis/reception"
)

// Largest change within an hour that is believed of a value that comes straight
// back: 35 F, 35 F and 15 hPa, the temporal limits of the MADIS surface quality
// control (from memory). Wind has none: gust fronts are real.
const (
	stepTempC     = 19.4
	stepDewpointC = 19.4
	stepHPa       = 15
	// Neighbours further away say nothing about a step.
	nearMS = 2 * reception.HourMS
	// A value that has not moved for so long is a sensor that does not (ours, no
	// source; a year of hourly reports of three airports has none).
	stuckMS = 24 * reception.HourMS
)

// Check returns the rows of one source, ascending by time, with values that cannot
// be true taken out, and a line for each: outside the range (as
// reception.Weather.Discard has it), a jump that is gone again in the next row, and
// values that stay exactly the same for a day or longer. Calm air may stay so.
//
// rows is not changed.
func Check(rows []reception.Weather) (checked []reception.Weather, notes []string) {
	out := slices.Clone(rows)
	slices.SortStableFunc(out, func(a, b reception.Weather) int { return cmp.Compare(a.Time, b.Time) })
	note := func(i int, what string) {
		notes = append(notes, fmt.Sprintf("%s %s: %s", out[i].Source, time.UnixMilli(out[i].Time).UTC().Format(time.RFC3339), what))
	}
	for i := range out {
		for _, what := range out[i].Discard() {
			note(i, what)
		}
	}
	for _, f := range []struct {
		name string
		step float64
		of   func(w *reception.Weather) *float64
	}{
		{"temp_c", stepTempC, func(w *reception.Weather) *float64 { return &w.TempC }},
		{"dewpoint_c", stepDewpointC, func(w *reception.Weather) *float64 { return &w.DewpointC }},
		{"pressure_hpa", stepHPa, func(w *reception.Weather) *float64 { return &w.PressureHPa }},
	} {
		var at []int // rows that have it
		for i := range out {
			if !math.IsNaN(*f.of(&out[i])) {
				at = append(at, i)
			}
		}
		v := make([]float64, len(at))
		for k, i := range at {
			v[k] = *f.of(&out[i])
		}
		for k := 1; k+1 < len(at); k++ {
			a, b, c := at[k-1], at[k], at[k+1]
			up, down := v[k]-v[k-1], v[k]-v[k+1]
			if out[b].Time-out[a].Time <= nearMS && out[c].Time-out[b].Time <= nearMS &&
				math.Abs(up) > f.step && math.Abs(down) > f.step && (up > 0) == (down > 0) {
				note(b, fmt.Sprintf("%s %.1f stands alone between %.1f and %.1f: not used", f.name, v[k], v[k-1], v[k+1]))
				*f.of(&out[b]) = math.NaN()
			}
		}
		for _, r := range runs(out, at, func(a, b int) bool { return *f.of(&out[a]) == *f.of(&out[b]) }) {
			note(r[0], fmt.Sprintf("%s stays at %.1f in %d rows: not used", f.name, *f.of(&out[r[0]]), len(r)))
			for _, i := range r {
				*f.of(&out[i]) = math.NaN()
			}
		}
	}
	var at []int
	for i := range out {
		if out[i].WindMPS > 0 {
			at = append(at, i)
		}
	}
	for _, r := range runs(out, at, func(a, b int) bool {
		return out[a].WindMPS == out[b].WindMPS && out[a].WindDirDeg == out[b].WindDirDeg && b == a+1
	}) {
		note(r[0], fmt.Sprintf("wind stays at %.1f m/s from %.0f degrees in %d rows: not used", out[r[0]].WindMPS, out[r[0]].WindDirDeg, len(r)))
		for _, i := range r {
			out[i].WindMPS, out[i].WindDirDeg, out[i].GustMPS = math.NaN(), math.NaN(), math.NaN()
		}
	}
	return out, notes
}

// runs returns the runs of rows that are alike, a day or longer, among rows at. A
// gap of more than two hours ends a run, so that daily rows are never one.
func runs(rows []reception.Weather, at []int, alike func(a, b int) bool) [][]int {
	var out [][]int
	for k := 0; k < len(at); {
		j := k + 1
		for j < len(at) && alike(at[j-1], at[j]) && rows[at[j]].Time-rows[at[j-1]].Time <= nearMS {
			j++
		}
		if rows[at[j-1]].Time-rows[at[k]].Time >= stuckMS {
			out = append(out, at[k:j])
		}
		k = j
	}
	return out
}
