package chart

import "math"

// Key is a specimen lane with the names of its parts, for "How to read a lane". w
// is its width with the labels at both sides, at least 340 px.
func Key(w float64) string {
	const (
		left, right = 118.0, 96.0
		above, k    = 112.0, 11.0
		h, n40      = 136.0, 40
		require     = 4.2
	)
	pw := w - left - right
	l := Lane{Window: Window{0, n40, pw}, Above: above, Below: 24, PxPerDB: k, RequiredDB: require, NowMS: 28}
	for i := range int64(n40) {
		a := float64(i) / n40
		f := float64(i)
		m := 7.6 + 0.5*math.Sin(f/3) + 0.3*math.Sin(f*2.3) + 0.2*math.Sin(f*5.1)
		if a > 0.62 {
			m = max(2.6, m-(a-0.62)*14)
		}
		e := 1 + 0.5*math.Pow(math.Sin(f/4.1), 2)
		if i > 12 && i < 17 {
			e += 0.9
		}
		b := Bin{FromMS: i, ToMS: i + 1, Median: m, Q10: m - 1.3*e, Q01: m - 2.9*e, Measured: true, Expected: i >= 28}
		if i >= 20 && i < 23 {
			b = Bin{FromMS: i, ToMS: i + 1, Why: "in use by the viewer"}
		}
		l.Bins = append(l.Bins, b)
	}
	l.Marks = []Mark{{FromMS: 14, ToMS: 14, LowMS: 14, HighMS: 14, Minutes: 14}}
	var s svg
	s.add(`<svg width="`, n(w), `" height="`, n(h), `" viewBox="-118 0 `, n(w), ` `, n(h), `" role="img" aria-label="`,
		`A lane stands on its threshold, the C/N at which the picture breaks. Its top line is the median margin; three tones show what was there half, 90 and 99 % of the time.">`)
	l.hatches(&s)
	runs := l.runs()
	for _, r := range runs {
		l.body(&s, r)
	}
	s.line("fives", 0, l.y(5), pw, l.y(5))
	for _, r := range runs {
		l.medianLine(&s, r)
	}
	s.line("req", 0, l.y(require), pw, l.y(require))
	s.line("thr", 0, above, pw, above)
	l.marks(&s)
	cause := "wet leaves"
	if pw < 180 {
		cause = "wet"
	}
	s.text("d", "", l.X(14)+8, above+14, cause)
	s.line("now", l.X(28), 0, l.X(28), above+8)
	s.text("i", "", l.X(28)+5, 9, "expected")
	s.text("i", "end", l.X(23)+2, 9, "not measured")
	first := l.Bins[0]
	tick := func(at, ty float64, words string) {
		s.line("tick", -4, at, -10, ty)
		s.text("k", "end", -13, ty+4, words)
	}
	tick(l.y(first.Median), l.y(first.Median)-8, "half the time above")
	tick(l.y(first.Q10), l.y(first.Q10)-3, "90\u00a0% of it above")
	tick(l.y(first.Q01), l.y(first.Q01)+3, "99\u00a0% of it above")
	tick(above, above, "threshold")
	s.text("", "end", -13, above+17, "picture breaks here")
	s.text("k", "", pw+8, l.y(require)+1, "required margin")
	s.text("shortword", "", pw+8, l.y(2.9)+6, "short by this")
	s.add(`</svg>`)
	return s.String()
}
