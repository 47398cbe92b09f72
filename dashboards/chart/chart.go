// Package chart draws holdfast's figures: pure functions from numbers to SVG text.
//
// Colours and line widths that a theme may change come by class from the style
// sheet, sizes go into attributes; there is no style attribute, so that the strings
// live under a content security policy without inline styles. All lengths are CSS
// pixels, all instants Unix ms, all margins dB above the channel's threshold.
package chart

import (
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A Window is a span of time across a width.
type Window struct {
	FromMS, ToMS int64 // FromMS < ToMS
	W            float64
}

// X returns where an instant lies, held within the window.
func (w Window) X(ms int64) float64 {
	p := float64(ms-w.FromMS) / float64(w.ToMS-w.FromMS) * w.W
	return min(w.W, max(0, p))
}

// Has reports whether an instant lies within the window.
func (w Window) Has(ms int64) bool { return ms >= w.FromMS && ms <= w.ToMS }

// svg collects markup.
type svg struct{ strings.Builder }

func (s *svg) add(parts ...string) {
	for _, p := range parts {
		s.WriteString(p)
	}
}

// n prints a length with at most one decimal; what cannot be drawn is 0.
func n(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	s := strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
	if s == "-0" {
		return "0"
	}
	return s
}

func (s *svg) open(w, h float64, label string) {
	s.add(`<svg width="`, n(w), `" height="`, n(h), `" viewBox="0 0 `, n(w), ` `, n(h), `"`)
	if label == "" {
		s.add(` aria-hidden="true">`)
		return
	}
	s.add(` role="img" aria-label="`, Escape(label), `">`)
}

func (s *svg) line(class string, x1, y1, x2, y2 float64) {
	s.add(`<line class="`, class, `" x1="`, n(x1), `" y1="`, n(y1), `" x2="`, n(x2), `" y2="`, n(y2), `"/>`)
}

func (s *svg) rect(attrs string, x, y, w, h float64) {
	s.add(`<rect `, attrs, ` x="`, n(x), `" y="`, n(y), `" width="`, n(max(0, w)), `" height="`, n(max(0, h)), `"/>`)
}

func (s *svg) text(class, anchor string, x, y float64, text string) {
	s.add(`<text class="`, class, `"`)
	if anchor != "" {
		s.add(` text-anchor="`, anchor, `"`)
	}
	s.add(` x="`, n(x), `" y="`, n(y), `">`, Escape(text), `</text>`)
}

type point struct{ x, y float64 }

// path prints a polyline with relative steps in tenths: half the bytes of absolute
// coordinates once compressed.
func path(ps []point) string {
	var b strings.Builder
	var px, py int64
	for i, p := range ps {
		x, y := int64(math.Round(p.x*10)), int64(math.Round(p.y*10))
		switch {
		case i == 0:
			b.WriteString("M" + tenth(x) + " " + tenth(y) + "l")
		default:
			dy := tenth(y - py)
			b.WriteString(tenth(x - px))
			if dy[0] != '-' {
				b.WriteByte(' ')
			}
			b.WriteString(dy)
			if i < len(ps)-1 {
				b.WriteByte(' ')
			}
		}
		px, py = x, y
	}
	return strings.TrimSuffix(b.String(), "l")
}

// tenth prints v/10 in the shortest form that SVG reads.
func tenth(v int64) string {
	neg := ""
	if v < 0 {
		neg, v = "-", -v
	}
	s := ""
	if v >= 10 || v == 0 {
		s = strconv.FormatInt(v/10, 10)
	}
	if r := v % 10; r != 0 {
		s += "." + strconv.FormatInt(r, 10)
	}
	return neg + s
}

var escaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;")

// Escape makes text safe inside SVG and HTML, in an element or an attribute.
// Characters that XML 1.0 (section 2.2) does not allow become U+FFFD.
func Escape(s string) string {
	return escaper.Replace(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0xFFFE || r == 0xFFFF {
			return utf8.RuneError
		}
		return r
	}, s))
}

// textWidth guesses the width of a label of 11.5 px sans: 5.6 px a letter (measured
// on our cause words, Source Sans 3).
func textWidth(s string) float64 { return 5.6 * float64(len([]rune(s))) }

// Defs returns the patterns and gradients that figures refer to. A document holds
// it once, before the first figure.
func Defs() string {
	var s svg
	s.add(`<svg class="defs" width="0" height="0" aria-hidden="true"><defs>`,
		`<pattern id="hf-hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="hatch-line" x1="0" y1="0" x2="0" y2="5"/></pattern>`,
		`<pattern id="hf-comb" width="4" height="8" patternUnits="userSpaceOnUse"><rect class="paper" width="2" height="8"/></pattern>`,
		`<pattern id="hf-doubt" width="5" height="4" patternUnits="userSpaceOnUse"><circle class="paper" cx="1.2" cy="1.2" r="1"/></pattern>`,
		`<pattern id="hf-up" width="9" height="400" patternUnits="userSpaceOnUse"><line class="up-line" x1="4.5" x2="4.5" y1="0" y2="400"/></pattern>`)
	for _, i := range []string{"1", "2", "3"} {
		s.add(`<linearGradient id="hf-open`, i, `" x1="0" y1="1" x2="0" y2="0"><stop class="stop`, i, `" offset="0"/><stop class="stop`, i, ` gone" offset="1"/></linearGradient>`)
	}
	s.add(`</defs></svg>`)
	return s.String()
}
