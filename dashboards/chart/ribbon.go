package chart

import "math"

// A Sky is the weather of one span. What is not known is NaN.
type Sky struct {
	FromMS, ToMS      int64
	RainMMH, SnowMMH  float64 // highest within the span, mm/h of water
	WindMPS           float64 // mean wind, highest within the span
	GustMPS           float64 // NaN where not reported
	TempLowC, TempHiC float64
}

func (k Sky) wind() float64 {
	if !math.IsNaN(k.GustMPS) {
		return k.GustMPS
	}
	return k.WindMPS
}

func (k Sky) missing() bool {
	return math.IsNaN(k.RainMMH) && math.IsNaN(k.SnowMMH) && math.IsNaN(k.wind()) && math.IsNaN(k.TempLowC)
}

// A Ribbon is the weather above the lanes: rain and snow hanging from a rule,
// leaning with the wind; the daily span of temperature; the wind as one thread whose
// thickness is the gust.
type Ribbon struct {
	Window
	H      float64 // 92, on a phone 66
	Label  string
	Skies  []Sky // for rain and wind, ascending
	Days   []Sky // for temperature, ascending
	EndMS  int64 // end of what is known: rules stop there
	Phone  bool
	NoData string // words where there is no weather at all
}

// SVG returns the drawing.
func (r Ribbon) SVG() string {
	var s svg
	s.open(r.W, r.H, r.Label)
	end := r.X(r.EndMS)
	if len(r.Skies) == 0 {
		s.line("tick", 0, 0.5, end, 0.5)
		if r.NoData != "" {
			s.text("i", "", 2, r.H*0.55, r.NoData)
		}
		s.add(`</svg>`)
		return s.String()
	}
	rh, ty0, ty1, wy := r.H*0.44, r.H*0.48, r.H*0.8, r.H-8
	r.gaps(&s)
	for _, k := range r.Skies {
		v, class := k.RainMMH, "rain"
		if k.SnowMMH > 0 && !(k.RainMMH > k.SnowMMH) {
			v, class = k.SnowMMH, "rain snow"
		}
		if !(v > 0.05) { // false for NaN
			continue
		}
		x := r.X(k.FromMS + (k.ToMS-k.FromMS)/2)
		lean := 0.0
		if w := k.wind(); !math.IsNaN(w) {
			lean = min(4, w*0.4)
		}
		s.line(class, x, 1, max(0, x-lean), min(rh, 3+math.Sqrt(v)*r.H/8.9))
	}
	r.temperature(&s, ty0, ty1)
	r.thread(&s, wy)
	s.line("tick", 0, 0.5, end, 0.5)
	s.add(`</svg>`)
	return s.String()
}

// gaps hatches stretches of two spans and more without any weather.
func (r *Ribbon) gaps(s *svg) {
	for i := 0; i < len(r.Skies); i++ {
		j := i
		for j < len(r.Skies) && r.Skies[j].missing() {
			j++
		}
		if j-i >= 2 {
			a, z := r.X(r.Skies[i].FromMS), r.X(r.Skies[j-1].ToMS)
			s.rect(`class="hatch" fill="url(#hf-hatch)"`, a, 2, z-a, r.H-4)
		}
		if j > i {
			i = j
		}
	}
}

// temperature draws the band of daily lows and highs on a scale that holds all of
// them and 0 C.
func (r *Ribbon) temperature(s *svg, ty0, ty1 float64) {
	lo, hi := 0.0, 10.0
	for _, d := range r.Days {
		if !math.IsNaN(d.TempLowC) {
			lo, hi = min(lo, d.TempLowC), max(hi, d.TempHiC)
		}
	}
	y := func(c float64) float64 { return ty1 - (c-lo)/(hi-lo)*(ty1-ty0) }
	var up, dn []point
	flush := func() {
		if len(up) > 1 {
			for i := len(dn) - 1; i >= 0; i-- {
				up = append(up, dn[i])
			}
			s.add(`<path class="temp" d="`, path(up), `z"/>`)
		}
		up, dn = nil, nil
	}
	for i, d := range r.Days {
		if math.IsNaN(d.TempLowC) {
			flush()
			continue
		}
		at := []int64{d.FromMS + (d.ToMS-d.FromMS)/2}
		if len(up) == 0 { // the band reaches to both ends of what is known
			at = append([]int64{d.FromMS}, at...)
		}
		if i == len(r.Days)-1 || math.IsNaN(r.Days[i+1].TempLowC) {
			at = append(at, min(d.ToMS, r.EndMS))
		}
		for _, ms := range at {
			x := r.X(min(ms, r.EndMS))
			up = append(up, point{x, y(d.TempHiC)})
			dn = append(dn, point{x, y(d.TempLowC)})
		}
	}
	flush()
	s.line("zero", 0, y(0), r.W, y(0))
}

// thread draws the wind: 0.8 px for each m/s of gust above 1.5, at most 16 px.
func (r *Ribbon) thread(s *svg, wy float64) {
	var up, dn []point
	flush := func() {
		if len(up) > 1 {
			for i := len(dn) - 1; i >= 0; i-- {
				up = append(up, dn[i])
			}
			s.add(`<path class="wind" d="`, path(up), `z"/>`)
		}
		up, dn = nil, nil
	}
	for _, k := range r.Skies {
		v := k.wind()
		if math.IsNaN(v) {
			flush()
			continue
		}
		half := min(8, max(0.4, (v-1.5)*0.8)/2)
		x := r.X(k.FromMS + (k.ToMS-k.FromMS)/2)
		up = append(up, point{x, wy - half})
		dn = append(dn, point{x, wy + half})
	}
	flush()
}

// A LeafPoint is the leaf state, 0 to 1, at an instant.
type LeafPoint struct {
	MS    int64
	State float64
}

// A Word stands beside the leaf lens.
type Word struct {
	MS     int64
	Text   string
	Anchor string // "", middle or end
	Above  float64
}

// Leaves is the leaf lens: a body around a midrib, as thick as the leaf state.
type Leaves struct {
	Window
	H      float64
	Label  string
	Points []LeafPoint // ascending; empty: no leaf season
	NowMS  int64       // from here on expected: combed
	Words  []Word
	None   string // words where there is no leaf season
}

// SVG returns the drawing.
func (l Leaves) SVG() string {
	var s svg
	s.open(l.W, l.H, l.Label)
	mid := l.H / 2
	if len(l.Points) == 0 {
		s.text("i leafword", "", 2, mid+4, l.None)
		s.add(`</svg>`)
		return s.String()
	}
	var up, dn []point
	for _, p := range l.Points {
		if math.IsNaN(p.State) {
			continue
		}
		half := min(1, max(0, p.State)) * (mid - 2)
		up = append(up, point{l.X(p.MS), mid - half})
		dn = append(dn, point{l.X(p.MS), mid + half})
	}
	for i := len(dn) - 1; i >= 0; i-- {
		up = append(up, dn[i])
	}
	s.add(`<path class="leaf" d="`, path(up), `z"/>`)
	if l.Has(l.NowMS) && l.X(l.NowMS) < l.W-4 {
		s.rect(`fill="url(#hf-comb)"`, l.X(l.NowMS), 0, l.W-l.X(l.NowMS), l.H)
	}
	s.line("midrib", 0, mid, l.W, mid)
	for _, w := range l.Words {
		x := l.X(w.MS)
		width := 6.3 * float64(len([]rune(w.Text)))
		switch w.Anchor {
		case "middle":
			x = min(l.W-width/2, max(width/2, x))
		case "end":
			x = max(width, x)
		default:
			x = max(0, min(l.W-width, x))
		}
		s.text("i leafword halo", w.Anchor, x, mid-w.Above, w.Text)
	}
	s.add(`</svg>`)
	return s.String()
}
