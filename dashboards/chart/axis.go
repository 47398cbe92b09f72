package chart

import "math"

// A Tick is a place on the time axis.
type Tick struct {
	MS    int64
	Label string // "" for a stroke alone
}

// An Axis is the dates above the lanes.
type Axis struct {
	Window
	Ticks    []Tick
	NowMS    int64
	NowLabel string
}

// SVG returns the drawing, 17 px high.
func (a Axis) SVG() string {
	var s svg
	s.open(a.W, 17, "")
	now, nowHalf := -1e9, 0.0
	if a.Has(a.NowMS) {
		nowHalf = 3.2 * float64(len([]rune(a.NowLabel)))
		now = min(a.W-nowHalf, max(nowHalf, a.X(a.NowMS)))
	}
	said := -1.0 // where the last label ends
	for _, t := range a.Ticks {
		x := a.X(t.MS)
		if math.Abs(x-now) > nowHalf+4 && x > said {
			s.line("tick", x, 3, x, 16)
		}
		w := 5.8 * float64(len([]rune(t.Label)))
		if t.Label != "" && x > said && (x+3+w < now-nowHalf-6 || x > now+nowHalf+6) && x+3+w <= a.W {
			s.text("", "", x+3, 12, t.Label)
			said = x + 5 + w
		}
	}
	if nowHalf > 0 {
		s.text("k strong", "middle", now, 12, a.NowLabel)
	}
	s.add(`</svg>`)
	return s.String()
}

// Uprights draws the lines that run through all lanes of a wide page, its height
// that of its box: weeks below the lanes, or now and the installation changes above
// them.
func Uprights(w Window, class string, at []int64) string {
	var s svg
	s.add(`<svg width="`, n(w.W), `" height="100%" aria-hidden="true">`)
	for _, ms := range at {
		if w.Has(ms) {
			s.add(`<line class="`, class, `" x1="`, n(w.X(ms)), `" x2="`, n(w.X(ms)), `" y1="0" y2="100%"/>`)
		}
	}
	s.add(`</svg>`)
	return s.String()
}

// A Seam is an installation change with its label.
type Seam struct {
	MS    int64
	Label string
}

// Over draws now and the installation changes through all lanes of a wide page.
func Over(w Window, nowMS int64, nowNote string, seams []Seam) string {
	var s svg
	s.add(`<svg width="`, n(w.W), `" height="100%" aria-hidden="true">`)
	up := func(class string, x float64) {
		s.add(`<line class="`, class, `" x1="`, n(x), `" x2="`, n(x), `" y1="0" y2="100%"/>`)
	}
	left := 0.0
	for _, m := range seams {
		if !w.Has(m.MS) {
			continue
		}
		x := w.X(m.MS)
		up("seam", x-1.5)
		up("seam", x+1.5)
		if need := 6.4 * float64(len([]rune(m.Label))); x-7-need > left {
			s.text("i halo", "end", x-7, 16, m.Label)
			left = x
		}
	}
	if w.Has(nowMS) {
		x := w.X(nowMS)
		up("now", x)
		if nowNote != "" && w.W-x > 6.4*float64(len([]rune(nowNote))) {
			s.text("i", "", x+8, 16, nowNote)
		}
	}
	s.add(`</svg>`)
	return s.String()
}

// Bearing is a piece of horizon before a mast's name, south at both ends, with one
// tick at the bearing, degrees from true north.
func Bearing(azimuthDeg float64) string {
	if math.IsNaN(azimuthDeg) {
		return ""
	}
	x := 0.5 + math.Mod(azimuthDeg+180, 360)/360*39
	var s svg
	s.open(40, 10, "")
	s.add(`<path class="tick" d="M.5 12V9.5H39.5V12"/>`)
	s.line("bearing", x, 1, x, 10)
	s.add(`</svg>`)
	return s.String()
}
