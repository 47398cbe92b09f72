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

// AlarmBar hangs a bar from raised to cleared (0: it stands): deep while nobody has
// seen it, shallow once acknowledged, hollow when cleared.
func AlarmBar(w Window, raised, cleared int64, acknowledged bool) string {
	var s svg
	s.open(w.W, 13, "")
	s.line("week", 0, 0.5, w.W, 0.5)
	end := cleared
	if end == 0 {
		end = w.ToMS
	}
	x, z := w.X(raised), w.X(end)
	if z-x < 2.5 {
		x = max(0, z-2.5)
		z = x + 2.5
	}
	switch {
	case cleared != 0:
		s.rect(`class="off"`, x+0.5, 1, z-x-1, 5)
	case acknowledged:
		s.rect(`class="drop"`, x, 0.5, z-x, 3)
	default:
		s.rect(`class="drop"`, x, 0.5, z-x, 11)
	}
	s.add(`</svg>`)
	return s.String()
}
