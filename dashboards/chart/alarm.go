package chart

// AlarmAxis labels the small axis over the bars of an alarm log: its first day, its
// middle, now.
func AlarmAxis(w Window, first, middle string) string {
	var s svg
	s.open(w.W, 17, "")
	for _, t := range []struct {
		x     float64
		label string
	}{{0, first}, {w.W / 2, middle}} {
		s.line("tick", t.x+0.5, 3, t.x+0.5, 16)
		s.text("", "", t.x+4, 12, t.label)
	}
	s.line("tick", w.W-0.5, 3, w.W-0.5, 16)
	s.text("k strong", "end", w.W-4, 12, "now")
	s.add(`</svg>`)
	return s.String()
}

// Raised is the time that an alarm stood.
type Raised struct {
	FromMS, ToMS int64 // ToMS 0: it stands
	Seen         bool  // somebody acknowledged it
}

// AlarmBars hangs a bar for each time that an alarm was raised: deep while nobody has
// seen it, shallow once acknowledged, hollow when cleared.
func AlarmBars(w Window, bars []Raised) string {
	var s svg
	s.open(w.W, 13, "")
	s.line("week", 0, 0.5, w.W, 0.5)
	for _, b := range bars {
		end := b.ToMS
		if end == 0 {
			end = w.ToMS
		}
		if end < w.FromMS {
			continue
		}
		x, z := w.X(b.FromMS), w.X(end)
		if z-x < 2.5 {
			x = max(0, z-2.5)
			z = x + 2.5
		}
		switch {
		case b.ToMS != 0:
			s.rect(`class="off"`, x+0.5, 1, z-x-1, 5)
		case b.Seen:
			s.rect(`class="drop"`, x, 0.5, z-x, 3)
		default:
			s.rect(`class="drop"`, x, 0.5, z-x, 11)
		}
	}
	s.add(`</svg>`)
	return s.String()
}
