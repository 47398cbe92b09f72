package stat

import (
	"fmt"
	"math"
	"slices"
)

// Quantile returns the sample quantile of kind 7: linear between order statistics, the
// smallest at p = 0 and the largest at p = 1.
//
// x need not be ordered and holds no NaN; empty gives NaN. 0 <= p <= 1, else it panics.
//
// Source: R. J. Hyndman, Y. Fan, Am. Stat. 50 (1996) 361-365, definition 7.
func Quantile(x []float64, p float64) float64 {
	if !(p >= 0 && p <= 1) {
		panic(fmt.Sprintf("stat: Quantile at %g: want 0 to 1", p))
	}
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return sortedQuantile(s, p)
}

func sortedQuantile(s []float64, p float64) float64 {
	h := p * float64(len(s)-1)
	i := int(h)
	if i >= len(s)-1 {
		return s[len(s)-1]
	}
	return s[i] + (h-float64(i))*(s[i+1]-s[i])
}

// A Bin is the weight of the values in [At x width, (At+1) x width).
type Bin struct {
	At int32
	W  float64
}

// A Histogram is a sparse histogram of one width, with values known only to lie below
// or above everything.
type Histogram struct {
	Bins         []Bin // ascending by At, weights >= 0
	Below, Above float64
}

// Total returns the weight of everything.
func (h *Histogram) Total() float64 {
	t := h.Below + h.Above
	for _, b := range h.Bins {
		t += b.W
	}
	return t
}

// Quantile returns the value below which the share p of the weight lies, linear within
// a bin of the given width: -Inf where it falls among the values below all bins, +Inf
// among those above, NaN without any weight.
//
// 0 <= p <= 1 and width > 0, else it panics.
//
// Accuracy: half a bin against Quantile of the values themselves.
func (h *Histogram) Quantile(p, width float64) float64 {
	if !(p >= 0 && p <= 1) || !(width > 0) {
		panic(fmt.Sprintf("stat: Histogram.Quantile(%g, %g): want p in 0 to 1, width > 0", p, width))
	}
	total := h.Total()
	if !(total > 0) {
		return math.NaN()
	}
	want := p * total
	cum := h.Below
	if want < cum || want == cum && len(h.Bins) == 0 && cum > 0 {
		return math.Inf(-1)
	}
	last := math.Inf(-1)
	for _, b := range h.Bins {
		if b.W > 0 && want <= cum+b.W {
			return (float64(b.At) + (want-cum)/b.W) * width
		}
		if b.W > 0 {
			last = float64(b.At+1) * width
		}
		cum += b.W
	}
	if h.Above > 0 {
		return math.Inf(1)
	}
	return last // rounding in the sum
}

// Merge returns the sum of histograms of one width.
func Merge(days []Histogram) Histogram {
	var out Histogram
	lo, hi := int32(math.MaxInt32), int32(math.MinInt32)
	for i := range days {
		for _, b := range days[i].Bins {
			lo, hi = min(lo, b.At), max(hi, b.At)
		}
	}
	if hi < lo {
		for i := range days {
			out.Below += days[i].Below
			out.Above += days[i].Above
		}
		return out
	}
	if int64(hi)-int64(lo) > 1<<20 {
		panic(fmt.Sprintf("stat: Merge: bins from %d to %d", lo, hi))
	}
	w := make([]float64, int(hi)-int(lo)+1)
	for i := range days {
		out.Below += days[i].Below
		out.Above += days[i].Above
		for _, b := range days[i].Bins {
			w[b.At-lo] += b.W
		}
	}
	for i, v := range w {
		if v > 0 {
			out.Bins = append(out.Bins, Bin{lo + int32(i), v})
		}
	}
	return out
}

// Woodruff returns the quantile at p of the pooled values of many days with an interval
// that respects their serial correlation: the interval of the share below the quantile,
// by MeanInterval over each day's influence, turned back through the pooled
// distribution.
//
// days holds one histogram a day in order of time (a day without data is empty), all of
// one width > 0; 0 < p < 1; level in (0, 1). Value, Low and High are -Inf or +Inf where
// they fall among values known only to lie below or above the bins. SE is that of the
// share, not of the value. Fewer than six days with data give infinite bounds.
//
// Source: R. S. Woodruff, J. Am. Stat. Assoc. 47 (1952) 635-646.
func Woodruff(days []Histogram, p, width, level float64) Interval {
	checkLevel("Woodruff", level)
	if !(p > 0 && p < 1) {
		panic(fmt.Sprintf("stat: Woodruff at %g: want between 0 and 1", p))
	}
	all := Merge(days)
	total := all.Total()
	q := all.Quantile(p, width)
	if !(total > 0) {
		return unknown(math.NaN(), "no data")
	}
	z := make([]float64, len(days))
	scale := float64(len(days)) / total
	measured := 0
	for i := range days {
		w := days[i].Total()
		if w > 0 {
			measured++
		}
		z[i] = (days[i].below(q, width) - p*w) * scale
	}
	if measured < minDays {
		return unknown(q, "too few days")
	}
	in := MeanInterval(z, level)
	half := in.Half()
	in.Low, in.High = math.Inf(-1), math.Inf(1)
	if p-half > 0 {
		in.Low = all.Quantile(p-half, width)
	}
	if p+half < 1 {
		in.High = all.Quantile(p+half, width)
	}
	in.Value, in.Method = q, "Woodruff, "+in.Method
	return in
}

// below returns the weight below q, linear within a bin.
func (h *Histogram) below(q, width float64) float64 {
	if math.IsInf(q, -1) {
		return h.Below // the quantile lies among these
	}
	s := h.Below
	for _, b := range h.Bins {
		lo := float64(b.At) * width
		switch {
		case lo+width <= q:
			s += b.W
		case lo < q:
			s += b.W * (q - lo) / width
		default:
			return s
		}
	}
	return s
}
