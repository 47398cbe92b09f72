package decompose

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A regression holds what the daily medians say about season and drift.
type regression struct {
	leaf, drift reception.Estimate
	noise       float64 // robust standard deviation of its residuals, dB
}

// temperatureSD is how far the effect of temperature on a margin may lie from none,
// dB a degree, before the home's own winters and summers have spoken: tuners and
// amplifiers drift by 0.02 to 0.1 dB a degree (from memory).
const temperatureSD = 0.05

// regress fits margin = a0 + drift t - leaf L + b T + steps by least squares with
// Huber weights, b drawn to none by its prior. Leaf and temperature move together
// (correlation 0.86 in New York 2013), so b is learnt mostly from scatter within
// seasons, and its doubt widens the leaf effect. Standard errors come from the
// long-run variance of each day's influence. Days within a fortnight of a turn of the
// leaves stay out: the clock's dates are no better, and days that it puts on the wrong
// side hide a part of the leaf effect. Without two turns the term is left out.
//
// Source: influence sums as for any M-estimator (P. J. Huber, Robust Statistics, ch.
// 7, from memory); Huber's constant 1.345.
func regress(days []Day, x []float64, cuts []int, turns int) regression {
	out := regression{leaf: reception.Undecided(""), drift: reception.Undecided("")}
	var temp float64
	temps := 0
	firm := firmly(days)
	// Each span between steps has its own level; one with too few days says nothing.
	var rows, of []int // days, and the span that each lies in
	spans := 0
	for s, lo := range append([]int{0}, cuts...) {
		hi := len(days)
		if s < len(cuts) {
			hi = cuts[s]
		}
		n := len(rows)
		for i := lo; i < hi; i++ {
			if !math.IsNaN(x[i]) && (turns < 2 || firm[i]) {
				rows, of = append(rows, i), append(of, spans)
			}
		}
		if len(rows)-n < daysForPhase {
			rows, of = rows[:n], of[:n]
			continue
		}
		spans++
	}
	for _, i := range rows {
		d := days[i]
		if !math.IsNaN(d.TempC) {
			temp, temps = temp+d.TempC, temps+1
		}
	}
	y := make([]float64, len(rows))
	for k, i := range rows {
		y[k] = x[i]
	}
	var seen []float64
	for _, v := range x {
		if !math.IsNaN(v) {
			seen = append(seen, v)
		}
	}
	out.noise = scatter(seen)
	withLeaf := turns >= 2
	if len(rows) < 60 || !withLeaf && days[len(days)-1].Day-days[0].Day < daysForDrift {
		return out
	}
	if temps > 0 {
		temp /= float64(temps)
	}
	const leafCol, driftCol, tempCol = 1, 2, 3
	p := 3 + spans // the first span's level is the constant
	if len(rows) < 10*p {
		return out
	}
	X := mat.NewDense(len(rows), p, nil)
	first, span := days[0].Day, float64(days[len(days)-1].Day-days[0].Day)
	for k, i := range rows {
		d := days[i]
		X.Set(k, 0, 1)
		if withLeaf && !math.IsNaN(d.Leaf) {
			X.Set(k, leafCol, math.Round(d.Leaf))
		}
		X.Set(k, driftCol, float64(d.Day-first)/span-0.5)
		if !math.IsNaN(d.TempC) {
			X.Set(k, tempCol, d.TempC-temp)
		}
		if of[k] > 0 {
			X.Set(k, 3+of[k], 1)
		}
	}
	prior := make([]float64, p)
	prior[tempCol] = 1
	if !withLeaf {
		prior[leafCol] = 1 // an empty column: any weight keeps it at none
	}
	w := make([]float64, len(rows))
	for k := range w {
		w[k] = 1
	}
	var inv *mat.Dense
	var res []float64
	scale, slow := math.Max(out.noise, 0.02), 4.0
	for range 5 { // forty moved a 3 dB leaf effect by 0.0001 dB
		prior[tempCol] = scale * scale * slow / (temperatureSD * temperatureSD)
		beta, a, ok := ridge(X, y, w, prior)
		if !ok {
			return out
		}
		inv, res = a, residuals(X, y, beta)
		scale = math.Max(stat.MAD(res), 0.02)
		phi := math.Min(0.9, math.Max(0, stat.Autocorrelation1(res)))
		slow = (1 + phi) / (1 - phi)
		for k, e := range res {
			w[k] = math.Min(1, 1.345*scale/math.Max(math.Abs(e), 1e-9))
		}
		out.leaf.Value, out.drift.Value = -beta[leafCol], beta[driftCol]
	}
	bias := func(col int) float64 { // of the prior's doubt
		return inv.At(col, tempCol) * prior[tempCol] * temperatureSD
	}
	estimate := func(col int, value float64) reception.Estimate {
		z := make([]float64, len(rows))
		for k := range rows {
			var s float64
			for j := range p {
				s += inv.At(col, j) * X.At(k, j)
			}
			z[k] = s * w[k] * res[k] * float64(len(rows))
		}
		in := stat.MeanInterval(z, level95)
		half := math.Hypot(in.Half(), 1.96*bias(col))
		return reception.Estimate{Value: value, Low: value - half, High: value + half, EffectiveN: in.EffectiveN, Method: "regression of daily medians on leaf state, time, temperature and steps; " + in.Method}
	}
	if withLeaf {
		out.leaf = estimate(leafCol, out.leaf.Value)
		if !(out.leaf.High-out.leaf.Low < 20) {
			out.leaf = reception.Undecided("")
		}
	} else {
		out.leaf.Value = math.NaN()
	}
	d := estimate(driftCol, out.drift.Value)
	perMonth := daysPerMonth / span
	d.Value, d.Low, d.High = d.Value*perMonth, d.Low*perMonth, d.High*perMonth
	out.drift = d
	return out
}

// turnDays is how far the leaf clock's dates may be off (root mean square of thermal
// time over a continent; Arboriculture & Urban Forestry 45(5)).
const turnDays = 14

// firmly tells which days lie in full leaf or bare with all others within turnDays.
func firmly(days []Day) []bool {
	out := make([]bool, len(days))
	last, phase := int64(math.MinInt64/2), 0 // last day that was neither, or of the other kind
	side := func(d Day) int {
		switch {
		case d.Leaf <= bare:
			return -1
		case d.Leaf >= full:
			return 1
		}
		return 0
	}
	for i, d := range days {
		if p := side(d); p == 0 || phase != 0 && p != phase {
			last, phase = d.Day, p
		} else {
			phase = p
		}
		out[i] = phase != 0 && d.Day-last > turnDays
	}
	next, phase := int64(math.MaxInt64/2), 0
	for i := len(days) - 1; i >= 0; i-- {
		d := days[i]
		if p := side(d); p == 0 || phase != 0 && p != phase {
			next, phase = d.Day, p
		} else {
			phase = p
		}
		out[i] = out[i] && next-d.Day > turnDays
	}
	return out
}

// apartFromTurns returns the steps that lie apart from turns of the leaves.
func apartFromTurns(days []Day, cuts []int) []int {
	firm := firmly(days)
	var out []int
	for _, c := range cuts {
		if math.IsNaN(days[c].Leaf) || firm[c] {
			out = append(out, c)
		}
	}
	return out
}

// ridge solves (X'WX + diag(prior)) beta = X'Wy and returns the inverse too.
func ridge(X *mat.Dense, y, w, prior []float64) (beta []float64, inv *mat.Dense, ok bool) {
	n, p := X.Dims()
	a, b := mat.NewDense(p, p, nil), make([]float64, p)
	for k := range n {
		row := X.RawRowView(k)
		for i := range p {
			b[i] += row[i] * w[k] * y[k]
			for j := range p {
				a.Set(i, j, a.At(i, j)+row[i]*w[k]*row[j])
			}
		}
	}
	for i, v := range prior {
		a.Set(i, i, a.At(i, i)+v)
	}
	inv = new(mat.Dense)
	if err := inv.Inverse(a); err != nil { // singular or nearly so: terms that cannot be parted
		return nil, nil, false
	}
	beta = make([]float64, p)
	for i := range p {
		for j := range p {
			beta[i] += inv.At(i, j) * b[j]
		}
	}
	return beta, inv, true
}

func residuals(X *mat.Dense, y, beta []float64) []float64 {
	r := make([]float64, len(y))
	for k := range y {
		r[k] = y[k]
		for j, v := range X.RawRowView(k) {
			r[k] -= v * beta[j]
		}
	}
	return r
}
