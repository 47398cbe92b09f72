package chart

import (
	"math"
	"slices"
)

// A Bin is what a lane shows of one span: quantiles of the margin. Unlocked visits
// count as minus infinity.
type Bin struct {
	FromMS, ToMS     int64
	Median, Q10, Q01 float64 // dB above the threshold; -Inf: below all that was read
	Measured         bool    // false: nothing is drawn; why is in Why
	Why              string  // words for "not measured"; "" where nothing is known
	Top              bool    // the median is the tuner's ceiling
	Expected         bool
}

// A Mark is a dropout.
type Mark struct {
	FromMS, ToMS int64 // first bad visit to end of the last
	// LowMS and HighMS are the visits around it; equal to FromMS and ToMS if unknown.
	LowMS, HighMS int64
	Minutes       float64
	Long, Short   string // cause in words, "" if there is none to say
	Hollow        bool   // the transmitter's own: not counted
	Lasting       bool   // not ended yet
}

// A Lane is the drawing of one channel.
type Lane struct {
	Window
	Label        string  // what a screen reader says
	Above, Below float64 // height above and below the threshold, px
	PxPerDB      float64
	Open         bool // tall, with words
	Phone        bool // no gutter: vertical lines and words stay inside
	Bins         []Bin
	RequiredDB   float64 // NaN: none is drawn
	DoubtDB      float64 // half the threshold's interval, dB; NaN unknown
	Marks        []Mark
	NowMS        int64
	Grid         []int64 // light uprights, drawn on a phone only
	Seams        []int64 // installation changes, drawn on a phone only
	Note         string  // in italic where nothing is drawn yet
	Requires     string  // words at the required margin, or in place of it: "requires 4.6 dB"
	Percent      bool    // the tuner's scale is in per cent
}

// run is a stretch of bins that are drawn as one body.
type run struct {
	bins     []Bin
	expected bool
}

func (l *Lane) runs() []run {
	var out []run
	open := false
	for _, b := range l.Bins {
		// Without lock most of the time there is no body: the dropout tells it.
		if !b.Measured || math.IsInf(b.Median, -1) || b.ToMS <= l.FromMS || b.FromMS >= l.ToMS {
			open = false
			continue
		}
		if !open || out[len(out)-1].expected != b.Expected {
			out = append(out, run{expected: b.Expected})
			open = true
		}
		r := &out[len(out)-1]
		r.bins = append(r.bins, b)
	}
	return out
}

func (l *Lane) y(db float64) float64 {
	if math.IsNaN(db) {
		return l.Above
	}
	return min(l.Above, max(0, l.Above-db*l.PxPerDB))
}

// curve turns a quantile of a run into points at the middles of its bins, drawn out
// to the ends of the run.
func (l *Lane) curve(r run, q func(Bin) float64) []point {
	ps := make([]point, 0, len(r.bins)+2)
	first, last := r.bins[0], r.bins[len(r.bins)-1]
	ps = append(ps, point{l.X(first.FromMS), l.roof(first, q)})
	for _, b := range r.bins {
		ps = append(ps, point{l.X(b.FromMS + (b.ToMS-b.FromMS)/2), l.roof(b, q)})
	}
	return append(ps, point{l.X(last.ToMS), l.roof(last, q)})
}

// roof is the height of a quantile; under an open top it leaves room for the fade.
func (l *Lane) roof(b Bin, q func(Bin) float64) float64 {
	y := l.y(q(b))
	if b.Top {
		return max(y, l.fade())
	}
	return y
}

// fade is how far an open top runs out upwards, px.
func (l *Lane) fade() float64 {
	switch {
	case l.Open:
		return 16
	case l.Phone:
		return 5.5
	}
	return 8
}

func median(b Bin) float64 { return b.Median }
func q10(b Bin) float64    { return b.Q10 }
func q01(b Bin) float64    { return b.Q01 }

// SVG returns the drawing.
func (l Lane) SVG() string {
	var s svg
	h := l.Above + l.Below
	s.open(l.W, h, l.Label)
	if l.Phone {
		for _, g := range l.Grid {
			s.line("week", l.X(g), 0, l.X(g), h)
		}
	}
	l.hatches(&s)
	runs := l.runs()
	for _, r := range runs {
		l.body(&s, r)
	}
	step := 5.0
	if l.PxPerDB >= 28 {
		step = 1
	}
	if !l.Percent {
		for v := step; v*l.PxPerDB < l.Above; v += step {
			s.line("fives", 0, l.y(v), l.W, l.y(v))
		}
	}
	for _, r := range runs {
		l.medianLine(&s, r)
	}
	if l.DoubtDB > 0.5 { // false for NaN
		d := min(l.Above, l.DoubtDB*l.PxPerDB)
		s.rect(`fill="url(#hf-doubt)"`, 0, l.Above-d, l.W, d)
	}
	hasReq := !math.IsNaN(l.RequiredDB)
	if hasReq {
		s.line("req", 0, l.y(l.RequiredDB), l.W, l.y(l.RequiredDB))
	}
	s.line("thr", 0, l.Above, l.W, l.Above)
	busy := l.marks(&s)
	if l.Phone {
		for _, m := range l.Seams {
			if l.Has(m) {
				s.line("seam", l.X(m)-1.5, 0, l.X(m)-1.5, h)
				s.line("seam", l.X(m)+1.5, 0, l.X(m)+1.5, h)
			}
		}
		if l.Has(l.NowMS) {
			s.line("now", l.X(l.NowMS), 0, l.X(l.NowMS), h)
		}
	}
	if l.Open {
		l.words(&s, busy, hasReq)
	} else if l.Note != "" {
		l.note(&s)
	}
	s.add(`</svg>`)
	return s.String()
}

// hatches draws what was not measured, one rectangle a stretch.
func (l *Lane) hatches(s *svg) {
	for i := 0; i < len(l.Bins); i++ {
		b := l.Bins[i]
		if b.Measured || b.Why == "" {
			continue
		}
		j := i
		for j+1 < len(l.Bins) && !l.Bins[j+1].Measured && l.Bins[j+1].Why != "" {
			j++
		}
		a, z := l.X(b.FromMS), l.X(l.Bins[j].ToMS)
		if z > a {
			s.rect(`class="hatch" fill="url(#hf-hatch)"`, min(a, l.W-2), 0, max(2, z-a), l.Above)
			if l.Open && z-a >= 26 && !l.Phone {
				mid := min(l.W-35, max(35, (a+z)/2))
				s.text("i", "middle", mid, -5, "not measured")
			}
		}
		i = j
	}
}

// body draws the three tones of a run one over the other, each down to the
// threshold, then what is short, then the open top where the tuner ends.
func (l *Lane) body(s *svg, r run) {
	first, last := l.X(r.bins[0].FromMS), l.X(r.bins[len(r.bins)-1].ToMS)
	area := func(class string, q func(Bin) float64) {
		ps := l.curve(r, q)
		flat := true
		for _, p := range ps {
			flat = flat && p.y >= l.Above-0.05
		}
		if flat {
			return
		}
		s.add(`<path class="`, class, `" d="`, path(ps), `L`, n(last), ` `, n(l.Above), `H`, n(first), `z"/>`)
	}
	if r.expected {
		s.add(`<g class="ahead">`)
	} else {
		s.add(`<g>`)
	}
	area("b3", median)
	area("b2", q10)
	area("b1", q01)
	l.openTop(s, r)
	s.add(`</g>`)
	l.short(s, r)
}

// short fills from the median up to the required margin where the median lies
// below it.
func (l *Lane) short(s *svg, r run) {
	if math.IsNaN(l.RequiredDB) {
		return
	}
	ry := l.y(l.RequiredDB)
	for _, piece := range below(l.curve(r, median), ry) {
		d := path(piece) + `L` + n(piece[len(piece)-1].x) + ` ` + n(ry) + `H` + n(piece[0].x) + `z`
		s.add(`<path class="short" d="`, d, `"/>`)
		if r.expected {
			s.add(`<path fill="url(#hf-comb)" d="`, d, `"/>`)
		}
	}
}

// below cuts a curve into the pieces that lie under a level (y greater than it).
func below(ps []point, level float64) [][]point {
	var out [][]point
	var cur []point
	flush := func() {
		if len(cur) > 1 {
			out = append(out, cur)
		}
		cur = nil
	}
	for i, p := range ps {
		if i > 0 {
			q := ps[i-1]
			if (q.y > level) != (p.y > level) && p.y != q.y {
				c := point{q.x + (p.x-q.x)*(level-q.y)/(p.y-q.y), level}
				cur = append(cur, c)
				if p.y <= level {
					flush()
				}
			}
		}
		if p.y > level {
			cur = append(cur, p)
		}
	}
	flush()
	return out
}

// openTop draws a body without a lid where the median is the tuner's ceiling.
func (l *Lane) openTop(s *svg, r run) {
	fade := l.fade()
	tone := func(b Bin) string {
		switch {
		case b.Q01 >= b.Median-0.05:
			return "1"
		case b.Q10 >= b.Median-0.05:
			return "2"
		}
		return "3"
	}
	for i := 0; i < len(r.bins); i++ {
		if !r.bins[i].Top {
			continue
		}
		j := i
		for j+1 < len(r.bins) && r.bins[j+1].Top && tone(r.bins[j+1]) == tone(r.bins[i]) && r.bins[j+1].Median == r.bins[i].Median {
			j++
		}
		a, z := l.X(r.bins[i].FromMS), l.X(r.bins[j].ToMS)
		// A lane cannot reach beyond its own top: the open part begins lower there.
		y := max(fade, l.y(r.bins[i].Median))
		s.rect(`fill="url(#hf-open`+tone(r.bins[i])+`)"`, a, y-fade, z-a, fade)
		s.rect(`class="up" fill="url(#hf-up)"`, a, y-fade, z-a, fade)
		i = j
	}
}

// medianLine joins the medians, broken at gaps and where the tuner ends.
func (l *Lane) medianLine(s *svg, r run) {
	class := "med"
	if r.expected {
		class = "med dash"
	}
	var seg []Bin
	flush := func() {
		if len(seg) > 0 {
			s.add(`<path class="`, class, `" d="`, path(l.curve(run{bins: seg}, median)), `"/>`)
		}
		seg = nil
	}
	for _, b := range r.bins {
		if b.Top || math.IsInf(b.Median, 0) {
			flush()
			continue
		}
		seg = append(seg, b)
	}
	flush()
}

// extent is a stretch of x that something stands in.
type extent struct{ a, z float64 }

// marks hangs the dropouts from the threshold and returns where they and their
// words stand.
func (l *Lane) marks(s *svg) []extent {
	least, per := 2.5, 3.6
	if l.Open {
		least, per = 3, 5.5
	}
	ms := l.merged(least)
	var busy []extent
	// What a word may not cross.
	stops := []float64{}
	if l.Has(l.NowMS) {
		stops = append(stops, l.X(l.NowMS))
	}
	for _, m := range l.Seams {
		if l.Has(m) {
			stops = append(stops, l.X(m))
		}
	}
	end := func(m Mark) float64 { return max(l.X(m.FromMS)+least, l.X(m.ToMS)) }
	used := -1e9
	for i, m := range ms {
		x, z := l.X(m.FromMS), end(m)
		if z > l.W {
			x, z = l.W-(z-x), l.W
		}
		hang := min(l.Below, 3+per*math.Log2(1+max(0, m.Minutes)/2))
		if m.Lasting {
			hang = l.Below
		}
		if a := l.X(m.LowMS); m.LowMS < m.FromMS && x-a > 2 {
			s.rect(`class="drop vague"`, a, l.Above, x-a, hang)
		}
		if b := l.X(m.HighMS); m.HighMS > m.ToMS && b-z > 2 {
			s.rect(`class="drop vague"`, z, l.Above, b-z, hang)
		}
		if m.Hollow {
			s.rect(`class="off"`, x, l.Above+1, z-x, hang-1)
		} else {
			s.rect(`class="drop"`, x, l.Above, z-x, hang)
		}
		busy = append(busy, extent{x, z})
		if m.Long == "" {
			continue
		}
		right, left := l.W, used+4
		if i+1 < len(ms) {
			right = l.X(ms[i+1].FromMS)
		}
		if i > 0 {
			left = max(left, end(ms[i-1])+4)
		}
		left = max(left, 0)
		for _, st := range stops {
			if st > z {
				right = min(right, st)
			} else if st < x {
				left = max(left, st)
			}
		}
		word, atLeft := "", false
		for _, try := range []string{m.Long, m.Short} {
			if try == "" {
				continue
			}
			if try == m.Long && !l.Open && try != m.Short {
				continue // quiet lanes have the short word only
			}
			if !m.Lasting && right-z-5 > textWidth(try) {
				word = try
				break
			}
			if x-5-left > textWidth(try) {
				word, atLeft = try, true
				break
			}
		}
		if word == "" {
			continue
		}
		class := "d"
		if m.Hollow {
			class = "doff"
		}
		if atLeft {
			s.text(class, "end", x-4, l.Above+12, word)
			busy = append(busy, extent{x - 4 - textWidth(word), x})
			used = z
		} else {
			s.text(class, "", z+3, l.Above+12, word)
			used = z + 3 + textWidth(word)
			busy = append(busy, extent{z, used})
		}
	}
	return busy
}

// merged returns the marks within the window, ascending, with those nearer than
// 3 px made one and their minutes added.
func (l *Lane) merged(least float64) []Mark {
	ms := slices.Clone(l.Marks)
	ms = slices.DeleteFunc(ms, func(m Mark) bool { return m.ToMS < l.FromMS || m.FromMS > l.ToMS })
	slices.SortStableFunc(ms, func(a, b Mark) int {
		switch {
		case a.FromMS < b.FromMS:
			return -1
		case a.FromMS > b.FromMS:
			return 1
		}
		return 0
	})
	var out []Mark
	for _, m := range ms {
		// A chain of short ones must not look like one that lasted: what is merged grows
		// no wider than 6 px.
		if k := len(out) - 1; k >= 0 && out[k].Hollow == m.Hollow && l.X(m.FromMS)-max(l.X(out[k].FromMS)+least, l.X(out[k].ToMS)) < 3 &&
			(l.X(m.ToMS)-l.X(out[k].FromMS) <= 6 || m.FromMS <= out[k].ToMS) {
			o := &out[k]
			o.ToMS, o.HighMS = max(o.ToMS, m.ToMS), max(o.HighMS, m.HighMS)
			o.Lasting = o.Lasting || m.Lasting
			if m.Minutes > o.Minutes { // the longer one names it
				o.Long, o.Short = m.Long, m.Short
			}
			o.Minutes += m.Minutes
			continue
		}
		out = append(out, m)
	}
	return out
}

// words writes what an open lane says of itself: the required margin where the
// median is farthest from the label, and the threshold.
func (l *Lane) words(s *svg, busy []extent, hasReq bool) {
	class := "i halo"
	if hasReq {
		class = "k halo"
	}
	if l.Requires != "" {
		width := 92.0
		at := l.y(5)
		if hasReq {
			at = l.y(l.RequiredDB)
		}
		bestX, bestY, best := 4.0, at-5, -1.0
		for i, x := range []float64{l.W - width, 4, l.W * 0.25, l.W * 0.5, l.W * 0.72} {
			for k, y := range []float64{at - 5, at + 12} {
				if y < 9 || y > l.Above-4 {
					continue
				}
				c := l.clear(x, x+width, y-4)
				if k == 1 {
					c = min(c, 9)
				}
				if i == 0 {
					c += 2
				}
				if c > best {
					bestX, bestY, best = x, y, c
				}
			}
		}
		s.text(class, "", max(0, bestX), max(10, bestY), l.Requires)
	}
	switch {
	case l.DoubtDB > 0.5:
		s.text("i halo", "", 0, l.Above+14, "the threshold lies in the dotted strip")
		busy = append(busy, extent{0, 230})
	case !l.Phone:
		s.text("k", "end", -7, l.Above+4, "threshold,")
		s.text("", "end", -7, l.Above+17, "picture breaks here")
	}
	if l.Phone || l.DoubtDB > 0.5 {
		l.thresholdWords(s, busy)
	}
	if l.Note != "" {
		l.note(s)
	}
}

// clear returns how far the median stays from a height between two x, px, at most 99.
func (l *Lane) clear(a, z, y float64) float64 {
	c := 99.0
	for _, b := range l.Bins {
		if !b.Measured {
			continue
		}
		if x := l.X(b.FromMS + (b.ToMS-b.FromMS)/2); x > a-4 && x < z {
			c = min(c, math.Abs(l.y(b.Median)-y))
		}
	}
	return c
}

// thresholdWords names the threshold in the first free place under the lane, from
// the right.
func (l *Lane) thresholdWords(s *svg, busy []extent) {
	free := func(a, z float64) bool {
		for _, b := range busy {
			if b.a < z+3 && b.z > a-3 {
				return false
			}
		}
		return true
	}
	for _, t := range []struct {
		text string
		w    float64
	}{{"threshold, picture breaks here", 148}, {"threshold", 50}} {
		for r := l.W; r >= t.w; r -= 4 {
			if free(r-t.w, r) {
				s.text("k halo", "end", r, l.Above+13, t.text)
				return
			}
		}
	}
}

// note writes the lane's note before its first bin, or at the left.
func (l *Lane) note(s *svg) {
	x, anchor := 4.0, ""
	for _, b := range l.Bins {
		if b.Measured {
			if p := l.X(b.FromMS); p > 150 {
				x, anchor = p-6, "end"
			} else {
				return
			}
			break
		}
	}
	s.text("i", anchor, x, l.Above-8, l.Note)
}
