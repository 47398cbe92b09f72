package chart

import "math"

// Progress draws how far something has come, 0 to 1, as wide as its place.
func Progress(part float64, label string) string {
	at := n(100*min(1, max(0, part))) + "%"
	var s svg
	s.add(`<svg class="progress" width="100%" height="22" role="img" aria-label="`, Escape(label), `">`,
		`<line class="tick" x1="0" x2="100%" y1="14" y2="14"/><line class="come" x1="0" x2="`, at, `" y1="14" y2="14"/>`,
		`<line class="now" x1="`, at, `" x2="`, at, `" y1="6" y2="20"/></svg>`)
	return s.String()
}

// Steps of [Knowing], as parts of its width: after an hour, a week, two weeks, a windy
// day, a leaf season. The texts below it stand in five equal columns.
var knowingSteps = []float64{.02, .2, .4, .6, .8}

// Knowing draws how an answer becomes sure: an interval that narrows with time, and
// twice only with weather, under wind and leaves. It is a picture of the kind of thing
// and has no scale. w is 1312 or, on a phone, 358 px; the figure scales with its place.
func Knowing(w float64, label string) string {
	phone := w < 600
	h, big := 196.0, 1.0
	if phone {
		h, big = 150, .74
	}
	const begins = .02
	mid := h * .52
	half := func(u float64) float64 { // smooth between the steps
		q := [][2]float64{{0, 58}, {.2, 43}, {.4, 27}, {.6, 20}, {.8, 17}, {1, 6.5}}
		for i := 1; i < len(q); i++ {
			if u <= q[i][0] {
				k := (u - q[i-1][0]) / (q[i][0] - q[i-1][0])
				return big * (q[i-1][1] + (q[i][1]-q[i-1][1])*k*k*(3-2*k))
			}
		}
		return 0
	}
	// band is the area up to so many half widths either side of the middle.
	band := func(part float64) (upper, lower []point) {
		for i := range 161 {
			u := begins + (1-begins)*float64(i)/160
			upper = append(upper, point{u * w, mid - part*half(u)})
			lower = append(lower, point{u * w, mid + part*half(u)})
		}
		return upper, lower
	}
	var s svg
	s.add(`<svg viewBox="0 -14 `, n(w), ` `, n(h+18), `" role="img" aria-label="`, Escape(label), `">`)
	area := func(class string, upper, lower []point, more string) {
		all := append([]point(nil), upper...)
		for i := len(lower) - 1; i >= 0; i-- {
			all = append(all, lower[i])
		}
		s.add(`<path class="`, class, `" d="`, path(all), `Z"`, more, `/>`)
	}
	u1, l1 := band(1)
	u2, l2 := band(.5)
	area("b3", u1, l1, "")
	area("b2", u2, l2, "")
	area("combed", u1, l1, ` fill="url(#hf-comb)"`)
	for _, edge := range [][]point{u1, l1} {
		s.add(`<path class="med dash" d="`, path(edge), `"/>`)
	}
	var middle []point
	for i := range 161 {
		u := begins + (1-begins)*float64(i)/160
		middle = append(middle, point{u * w, mid - half(u)*.12*math.Sin(u*9)})
	}
	s.add(`<path class="med dash strongly" d="`, path(middle), `"/>`)
	// a thread of wind that thickens on one day; a lens of leaves at the end
	var wu, wd, lu, ld []point
	for i := range 61 {
		u := begins + .72*float64(i)/60
		g := 1 + .7*math.Sin(float64(i)*.8) + 7.5*math.Exp(-math.Pow((u-.635)/.028, 2))
		wu, wd = append(wu, point{u * w, 11 - g/2 - .3}), append(wd, point{u * w, 11 + g/2 + .3})
	}
	area("wind", wu, wd, "")
	rise := func(x float64) float64 { return 1 / (1 + math.Exp(-x)) }
	for i := range 41 {
		x := (.77 + .23*float64(i)/40) * w
		l := 9 * rise((float64(i)-9)/2.2) * rise((33-float64(i))/2)
		lu, ld = append(lu, point{x, 12 - l}), append(ld, point{x, 12 + l})
	}
	area("leaf", lu, ld, "")
	area("combed", lu, ld, ` fill="url(#hf-comb)"`)
	if !phone {
		s.text("i windword", "", begins*w, -3, "wind")
		s.text("i leafword", "", .775*w, -3, "leaves")
	}
	s.line("foot-line", 0, h-6, w, h-6)
	for _, u := range knowingSteps {
		s.line("foot-line", u*w, h-12, u*w, h)
	}
	s.add(`</svg>`)
	return s.String()
}
