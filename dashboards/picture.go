package dashboards

import (
	"encoding/base64"
	"fmt"
	"math"
	"net/http"
	"regexp"
	"strings"

	"holdfast/dashboards/chart"
	"holdfast/dashboards/words"
)

// pictureWidth is that of the drawings in a picture to keep, px: the page's at 1440.
const pictureWidth = 864

// picture serves what the Holding view shows as one SVG to keep. Query: from, to, open,
// first and most as for the drawings; theme, "light" or "dark". It holds the home's
// name and neither its place nor why something was not measured.
func (s *Server) picture(w http.ResponseWriter, r *http.Request) {
	v, err := s.load(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	from, to, _, err := span(r, v.words.Zone)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	d, err := s.draw(r, v, from, to, pictureWidth, false)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	style := s.figures[theme(r) == "dark"]
	sh := chart.Sheet{
		Window: chart.Window{FromMS: d.FromMS, ToMS: d.ToMS, W: pictureWidth}, Style: style,
		Home: v.facts.Home.Name, Asof: words.Asof(v.answer, v.words), Caption: words.Plain(words.Headline(v.lanes, v.words)), Note: d.Note,
		Axis: d.Axis, Ribbon: d.Ribbon, RibbonH: d.ribbonH, Leaves: d.Leaves, Under: d.Under, Over: d.Over,
		Foot: "Shown: " + v.words.Moment(d.FromMS) + ", to " + v.words.Moment(d.ToMS) + ", times of the home. Each lane stands on its threshold: the C/N at which its picture breaks. " +
			"Pale lines across a lane are 5" + words.Nbsp + "dB apart; hatched time was not measured, and is no loss. Intervals are 95" + words.Nbsp + "%. Made by holdfast.",
	}
	at := 0
	for _, g := range v.groups {
		sg := chart.SheetGroup{Title: g.Title, Note: g.Note}
		if !math.IsNaN(g.Azimuth) {
			sg.Bearing = chart.Bearing(g.Azimuth)
		}
		for i := range g.Lanes {
			sg.Lanes = append(sg.Lanes, v.sheetLane(&g.Lanes[i], &d.Lanes[at]))
			at++
		}
		sh.Groups = append(sh.Groups, sg)
	}
	name := "holdfast " + v.words.Day(d.FromMS) + " to " + v.words.Day(min(d.ToMS-1, d.NowMS)) + ".svg"
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	send(w, r, http.StatusOK, "image/svg+xml", []byte(sh.SVG()))
}

func (v *view) sheetLane(l *words.Lane, d *laneJSON) chart.SheetLane {
	p := v.lanePage(l, d.Open)
	out := chart.SheetLane{
		Number: p.Number, Small: p.Small, Name: p.Name, Band: p.Band, Open: d.Open, Figure: l.State.Figure, Range: l.State.Range,
		Words: l.State.Words, Drawing: d.SVG, H: d.high,
	}
	switch l.State.Kind {
	case words.Short, words.Lost:
		out.Warm = true
	case words.Soon:
		out.Warm = d.Open
	}
	for _, x := range l.State.Lines {
		out.Lines = append(out.Lines, chart.SheetLine{Strong: x.Strong, Rest: x.Rest, Warm: x.Warm})
	}
	return out
}

var (
	token    = regexp.MustCompile(`(--[a-z0-9-]+):([^;}]+)`)
	variable = regexp.MustCompile(`var\((--[a-z0-9-]+)\)`)
)

// figureStyles cuts the rules of figures out of the page's sheet for pictures, by theme
// (true is dark): colours as values, since few programs beside browsers know variables,
// and fonts inside. A sheet that is not as expected is a broken build and panics.
func figureStyles(assets map[string]asset) map[bool]string {
	css := string(assets["holdfast.css"].body)
	between := func(from, to string) string {
		_, rest, found := strings.Cut(css, from)
		inner, _, closed := strings.Cut(rest, to)
		if !found || !closed {
			panic("the style sheet lacks " + from)
		}
		return inner
	}
	var fonts strings.Builder
	for _, f := range []struct{ family, rest, file string }{
		{"Newsreader", "font-weight:400", "newsreader-latin-400-normal.woff2"},
		{"Newsreader", "font-weight:400;font-style:italic", "newsreader-latin-400-italic.woff2"},
		{"Source Sans 3", "font-weight:200 900", "source-sans-3-latin-wght-normal.woff2"},
	} {
		fmt.Fprintf(&fonts, `@font-face{font-family:"%s";%s;src:url(data:font/woff2;base64,%s) format("woff2")}`+"\n",
			f.family, f.rest, base64.StdEncoding.EncodeToString(assets["fonts/"+f.file].body))
	}
	out := map[bool]string{}
	for _, dark := range []bool{false, true} {
		values := map[string]string{}
		blocks := []string{between(":root{", "}")}
		if dark {
			blocks = append(blocks, between(":root[data-theme=dark]{", "}"))
		}
		for _, block := range blocks {
			for _, m := range token.FindAllStringSubmatch(block, -1) {
				values[m[1]] = strings.TrimSpace(m[2])
			}
		}
		out[dark] = fonts.String() + variable.ReplaceAllStringFunc("svg{overflow:visible;font-variant-numeric:tabular-nums lining-nums}\n"+
			"svg text{font-family:var(--sans);fill:var(--ink-2);font-size:12px}\n"+between("@layer figure{", "\n}\n")+"\n"+pictureRules, func(s string) string {
			x, ok := values[variable.FindStringSubmatch(s)[1]]
			if !ok {
				panic("the style sheet has no value for " + s)
			}
			return x
		})
	}
	return out
}

// pictureRules are of what stands around the drawings; on the page it is HTML.
const pictureRules = `svg text.caption{font-family:var(--serif);font-size:26px;fill:var(--ink)}
svg text.group{font-family:var(--serif);font-size:17px;fill:var(--ink)}
svg text.called{font-size:14px}
svg text.large{font-family:var(--serif);font-size:24px;fill:var(--ink)}
svg text.word{font-family:var(--serif);font-size:16px;fill:var(--ink)}
svg text.number,.number{font-size:16px;font-weight:600;fill:var(--ink)}
.note,svg text.note{font-family:var(--sans);font-size:13px;fill:var(--ink-2)}
svg text.warm,tspan.warm{fill:var(--short-ink)}
tspan.strong{font-size:15px;font-weight:600}
tspan.k{fill:var(--ink)}
svg text.rain-word{fill:var(--rain-ink)}
svg text.temp-word{fill:var(--temp)}
svg text.wind-word{fill:var(--wind)}
svg text.leaf-word{fill:var(--leaf-ink)}
`
