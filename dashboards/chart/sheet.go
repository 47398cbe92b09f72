package chart

import (
	"math"
	"strings"
)

// A Sheet is a view's drawings as one picture to keep: what was said, when and of which
// home stands on it, names and figures stand beside the lanes, and it needs nothing
// from outside.
type Sheet struct {
	Window              // of the drawings, all of one width
	Style        string // CSS without variables: of the figures, with fonts in it
	Asof, Home   string
	Caption      string // the view's sentence
	Note         string // in italic, above the lanes; may be ""
	Axis, Ribbon string // drawings
	RibbonH      float64
	Leaves       string
	Under, Over  string // run through all lanes
	Groups       []SheetGroup
	Foot         string
}

// A SheetGroup is lanes under a heading.
type SheetGroup struct {
	Title, Note string
	Bearing     string // drawing; may be ""
	Lanes       []SheetLane
}

// A SheetLane is a drawing with what stands left and right of it.
type SheetLane struct {
	Number, Small, Name string
	Band                string // of an open lane
	Open, Warm          bool
	Figure, Range       string // of a quiet lane
	Words               string // of an open lane, and Lines
	Lines               []SheetLine
	Drawing             string
	H                   float64 // of the drawing
}

// A SheetLine is a figure with what stands beside it.
type SheetLine struct {
	Strong, Rest string
	Warm         bool
}

// Measures of a sheet, px: the page's own at 1440.
const (
	sheetMargin, sheetGutter, sheetGap, sheetFigures = 32, 196, 20, 212
	sheetRibbonEnd                                   = 17 + 13 + 26 // axis, space, leaves
)

// Widths of a letter in em, guessed: they decide where lines break and names end.
// Measured on English sentences: 0.41 in Source Sans 3, 0.45 in Newsreader.
const sansEm, serifEm = 0.45, 0.48

// lines breaks text at spaces into lines of so many px.
func lines(s string, size, em, room float64) []string {
	var out []string
	line, most := "", int(room/(size*em))
	for w := range strings.FieldsSeq(strings.ReplaceAll(s, "\u00a0", "\x00")) {
		switch {
		case line == "":
			line = w
		case len([]rune(line))+1+len([]rune(w)) > most:
			out = append(out, line)
			line = w
		default:
			line += " " + w
		}
	}
	out = append(out, line)
	for i := range out {
		out[i] = strings.ReplaceAll(out[i], "\x00", "\u00a0")
	}
	return out
}

// cut shortens text to so many px.
func cut(s string, size, room float64) string {
	r := []rune(s)
	if most := int(room / (size * sansEm)); len(r) > most {
		return strings.TrimSpace(string(r[:max(1, most-1)])) + "…"
	}
	return s
}

// SVG returns the picture, a whole document.
func (sh Sheet) SVG() string {
	var s svg // below the head, from y = 0
	left := float64(sheetMargin + sheetGutter + sheetGap)
	right := left + sh.W + sheetGap
	full := right + sheetFigures + sheetMargin
	y := 36.0
	s.text("", "", sheetMargin, y, sh.Asof)
	s.text("", "end", full-sheetMargin, y, sh.Home)
	for _, l := range lines(sh.Caption, 26, serifEm, full-2*sheetMargin) {
		y += 34
		s.text("caption", "", sheetMargin, y, l)
	}
	y += 30
	for _, w := range []struct {
		class, text string
		y           float64
	}{{"i rain-word", "rain", 32}, {"i temp-word", "temperature", 77}, {"i wind-word", "wind", 101}, {"i leaf-word", "leaves", sh.RibbonH + 43}} {
		s.text(w.class, "end", left-sheetGap, y+w.y+4, w.text)
	}
	s.text("", "", right, y+12, "to spare, dB")
	s.put(left, y, sh.Axis)
	s.put(left, y+17, sh.Ribbon)
	s.put(left, y+17+sh.RibbonH+13, sh.Leaves)
	y += sheetRibbonEnd + sh.RibbonH + 6
	s.line("tick", sheetMargin, y, full-sheetMargin, y)
	if sh.Note != "" {
		y += 20
		s.text("i", "", left, y, sh.Note)
	}

	top := y
	var lanes svg
	for _, g := range sh.Groups {
		y += 39
		x := float64(sheetMargin)
		if g.Bearing != "" {
			lanes.put(x, y-10, g.Bearing)
			x += 49
		}
		lanes.add(`<text class="group" x="`, n(x), `" y="`, n(y), `">`, Escape(g.Title))
		if g.Note != "" {
			lanes.add(`<tspan class="note" dx="9">`, Escape(g.Note), `</tspan>`)
		}
		lanes.add(`</text>`)
		y += 9
		for _, l := range g.Lanes {
			y += lanes.lane(l, left, right, y)
		}
	}
	through := func(drawing string) {
		s.add(`<svg x="`, n(left), `" y="`, n(top), `" width="`, n(sh.W), `" height="`, n(y-top), `">`, drawing, `</svg>`)
	}
	through(sh.Under)
	s.add(lanes.String())
	through(sh.Over)
	for _, l := range lines(sh.Foot, 12, sansEm, full-2*sheetMargin) {
		y += 17
		s.text("", "", sheetMargin, y+12, l)
	}
	y += 36

	var doc svg
	doc.add(`<svg xmlns="http://www.w3.org/2000/svg" width="`, n(full), `" height="`, n(y), `" viewBox="0 0 `, n(full), ` `, n(y), `" role="img" aria-label="`, Escape(sh.Caption), `">`,
		`<title>`, Escape(sh.Home), `</title><desc>`, Escape(sh.Asof+" "+sh.Caption), `</desc><style>`, sh.Style, `</style>`)
	doc.rect(`class="paper"`, 0, 0, full, y)
	doc.add(Defs(), s.String(), `</svg>`, "\n")
	return doc.String()
}

// put places a drawing.
func (s *svg) put(x, y float64, drawing string) {
	if drawing != "" {
		s.add(`<g transform="translate(`, n(x), ` `, n(y), `)">`, drawing, `</g>`)
	}
}

// lane draws a lane with its name and figures and returns how high the row is.
func (s *svg) lane(l SheetLane, left, right, y float64) float64 {
	name := left - sheetGap
	warm := ""
	if l.Warm {
		warm = " warm"
	}
	if !l.Open {
		y += 3
		s.text("", "", sheetMargin, y+18, l.Small)
		s.text("number", "end", name, y+18, l.Number)
		before := 16*sansEm*float64(len([]rune(l.Number))) + 9
		s.text("called", "end", name-max(42, before), y+18, cut(l.Name, 14, sheetGutter-44-max(42, before)))
		s.put(left, y, l.Drawing)
		s.add(`<text x="`, n(right), `" y="`, n(y+18), `"><tspan class="number`, warm, `">`, Escape(l.Figure), `</tspan><tspan class="note" dx="10">`, Escape(l.Range), `</tspan></text>`)
		return l.H + 6
	}
	y += 8
	s.text("", "", sheetMargin, y+21, l.Small)
	s.text("large", "end", name, y+21, l.Number)
	before := 24*serifEm*float64(len([]rune(l.Number))) + 9
	s.text("called k", "end", name-before, y+21, cut(l.Name, 15, sheetGutter-44-before))
	s.text("", "end", name, y+40, l.Band)
	s.add(`<g class="open">`)
	s.put(left, y, l.Drawing)
	s.add(`</g>`)
	at := y + 15
	for _, w := range lines(l.Words, 16, serifEm, sheetFigures) {
		s.text("word"+warm, "", right, at, w)
		at += 20
	}
	for _, f := range l.Lines {
		// the figure, then its words behind it and below
		rest := lines(strings.Repeat("\u00a0", len([]rune(f.Strong))+2)+f.Rest, 13, sansEm, sheetFigures)
		s.add(`<text x="`, n(right), `" y="`, n(at+2), `"><tspan class="strong `, map[bool]string{true: "warm", false: "k"}[f.Warm], `">`, Escape(f.Strong), `</tspan><tspan class="note" dx="5">`, Escape(strings.TrimLeft(rest[0], "\u00a0")), `</tspan></text>`)
		for _, r := range rest[1:] {
			at += 16
			s.text("note", "", right, at+2, r)
		}
		at += 20
	}
	return math.Max(l.H, at-y-8) + 14
}
