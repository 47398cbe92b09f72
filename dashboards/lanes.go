package dashboards

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/dashboards/chart"
	"holdfast/dashboards/words"
)

// Values of the columns that a browser reads out, in tenths of a dB.
const (
	columnNone    = -32768 // not measured
	columnBelow   = -32767 // below all that was read: no lock
	columnCeiling = 32767
)

// lanesJSON is what the page asks for once it knows its width, and again when
// something changed.
type lanesJSON struct {
	Shape  string     `json:"shape"` // changes when lanes come, go or move
	FromMS int64      `json:"from"`
	ToMS   int64      `json:"to"`
	NowMS  int64      `json:"now"`
	StepMS int64      `json:"step"`
	FirstX int64      `json:"first"` // first reading, 0 if none
	Width  float64    `json:"width"`
	Say    string     `json:"say"`    // HTML
	Alarms string     `json:"alarms"` // HTML
	Axis   string     `json:"axis"`   // SVG, as the next four
	Ribbon string     `json:"ribbon"`
	Leaves string     `json:"leaves"`
	Under  string     `json:"under"`
	Over   string     `json:"over"`
	Note   string     `json:"note"`
	Lanes  []laneJSON `json:"lanes"`
	Sky    skyJSON    `json:"sky"`

	ribbonH float64
}

type laneJSON struct {
	Key    string  `json:"key"`
	Kind   string  `json:"kind"`
	Open   bool    `json:"open"`
	SVG    string  `json:"svg"`
	Fig    string  `json:"fig"` // HTML
	Median []int   `json:"m"`
	Low    []int   `json:"q"` // 99 % of the time above
	Why    [][]any `json:"why"`
	// Top is the margin of the tuner's ceiling, tenths of a dB; columnNone if unknown.
	Top int `json:"top"`

	high float64 // of the drawing
}

// skyJSON holds the weather by bins, for the read-out; null where not known.
type skyJSON struct {
	Rain []answer.Num `json:"rain"`
	Snow []answer.Num `json:"snow"`
	Wind []answer.Num `json:"wind"`
	Low  []answer.Num `json:"low"`
	High []answer.Num `json:"high"`
	Leaf []answer.Num `json:"leaf"`
}

// sizes of a lane, px.
type laneSize struct{ above, below, perDB float64 }

func sizeOf(open, phone bool, lanes int) laneSize {
	switch {
	case open && phone:
		return laneSize{92, 26, 10.5}
	case open:
		return laneSize{120, 30, 13}
	case phone:
		return laneSize{27, 9, 1.4}
	case lanes > crowded:
		return laneSize{24, 9, 1.27}
	}
	return laneSize{34, 11, 1.8}
}

// crowded is the number of lanes beyond which quiet ones shrink.
const crowded = 30

// lanes serves the drawings. Query: w, the width of the plot in px; form, "phone" or
// "wide"; from and to, the span; open, keys of lanes to open beside those that need a
// look; first, "rf" or "screen"; most, how many lanes stand open of themselves.
func (s *Server) lanes(w http.ResponseWriter, r *http.Request) {
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
	width := 864.0
	if q := r.URL.Query().Get("w"); q != "" {
		if width, err = strconv.ParseFloat(q, 64); err != nil || !(width >= 120 && width <= 4000) {
			s.fail(w, r, badRequest{fmt.Errorf("w=%q is no width; want 120 to 4000 px", q)})
			return
		}
	}
	phone := r.URL.Query().Get("form") == "phone"
	out, err := s.draw(r, v, from, to, math.Floor(width), phone)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.sendJSON(w, r, out)
}

func (s *Server) draw(r *http.Request, v *view, from, to int64, width float64, phone bool) (*lanesJSON, error) {
	sh := v.window(from, to, phone, width)
	ms, err := s.gather(r.Context(), v, sh)
	if err != nil {
		return nil, err
	}
	skies, days, err := s.skies(r.Context(), v, sh)
	if err != nil {
		return nil, err
	}
	win := chart.Window{FromMS: sh.from, ToMS: sh.to, W: width}
	out := &lanesJSON{Shape: v.shape(), FromMS: sh.from, ToMS: sh.to, NowMS: sh.now, StepMS: sh.step, FirstX: v.facts.FirstMS, Width: width}
	open := map[string]bool{}
	for k := range strings.SplitSeq(r.URL.Query().Get("open"), ",") {
		open[k] = true
	}
	grid := tickTimes(v.ticks(win))
	var seamMS []int64
	seams := v.seams()
	for _, m := range seams {
		seamMS = append(seamMS, m.MS)
	}
	pic := picture{win: win, shown: sh, phone: phone, grid: grid, seams: seamMS}
	var drawn []laneBins
	for _, g := range v.groups {
		for i := range g.Lanes {
			l := &g.Lanes[i]
			drawn = append(drawn, laneBins{l, ms[l.Key], v.bins(l, ms[l.Key], sh), g.Look || open[l.Key]})
		}
	}
	pic.open, pic.quiet = scales(drawn, phone)
	for _, d := range drawn {
		lj, err := s.drawLane(v, d, pic)
		if err != nil {
			return nil, err
		}
		out.Lanes = append(out.Lanes, lj)
	}
	out.Axis = chart.Axis{Window: win, Ticks: v.ticks(win), NowMS: sh.now, NowLabel: v.nowLabel(phone, win)}.SVG()
	rib := chart.Ribbon{Window: win, H: 92, Skies: skies, Days: days, EndMS: min(sh.now, sh.to), Label: weatherLabel(days), NoData: "no weather known for this span"}
	if phone {
		rib.H, rib.Phone = 66, true
	}
	out.Ribbon, out.ribbonH = rib.SVG(), rib.H
	out.Leaves = v.leaves(win, 26, phone).SVG()
	if !phone {
		out.Under = chart.Uprights(win, "week", grid)
		note := ""
		if sh.ahead {
			note = "expected from here on"
		}
		out.Over = chart.Over(win, sh.now, note, seams)
	}
	if !v.decided() && len(v.lanes) > 0 && sh.to >= sh.now {
		out.Note = v.aheadNote()
	}
	out.Sky = v.skyColumns(skies, sh)
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "say", v.sayPage()); err != nil {
		return nil, fmt.Errorf("write the sentence: %w", err)
	}
	out.Say = b.String()
	b.Reset()
	if err := s.pages.ExecuteTemplate(&b, "alarms", v.alarmPage()); err != nil {
		return nil, fmt.Errorf("write the alarms: %w", err)
	}
	out.Alarms = b.String()
	return out, nil
}

// A picture is what all lanes of a showing share.
type picture struct {
	win         chart.Window
	shown       shown
	phone       bool
	grid, seams []int64
	open, quiet laneSize
}

// laneBins is a lane with what it shows.
type laneBins struct {
	lane *words.Lane
	m    *measured
	bins []chart.Bin
	open bool
}

// scales returns the sizes of open and of quiet lanes: one scale each for the whole
// view, smaller than usual where a margin would not fit, so that none is clipped.
func scales(lanes []laneBins, phone bool) (open, quiet laneSize) {
	open, quiet = sizeOf(true, phone, len(lanes)), sizeOf(false, phone, len(lanes))
	for _, l := range lanes {
		z := &quiet
		if l.open {
			z = &open
		}
		for _, b := range l.bins {
			if m := b.Median; b.Measured && !l.m.percent && m*z.perDB > z.above-2 { // false for NaN
				z.perDB = (z.above - 2) / m
			}
		}
	}
	return open, quiet
}

func tickTimes(ts []chart.Tick) []int64 {
	var out []int64
	for _, t := range ts {
		out = append(out, t.MS)
	}
	return out
}

func (v *view) nowLabel(phone bool, win chart.Window) string {
	if phone {
		return "now"
	}
	return "now, " + v.words.ShortDay(v.words.NowMS) + " " + clock(v.words, v.words.NowMS)
}

func clock(f words.Facts, ms int64) string {
	m := f.Moment(ms)
	return m[len(m)-5:]
}

// shape names the lanes in their order and groups.
func (v *view) shape() string {
	var b strings.Builder
	for _, g := range v.groups {
		for _, l := range g.Lanes {
			b.WriteString(l.Key)
			b.WriteByte(' ')
		}
		b.WriteString("| ")
	}
	return strings.TrimSpace(b.String())
}

// seams are the installation changes of the log.
func (v *view) seams() []chart.Seam {
	var out []chart.Seam
	for i, in := range v.facts.Installations {
		if i == 0 || in.FromMS <= v.facts.FirstMS { // the first one is no change
			continue
		}
		what := in.Note
		if what == "" {
			what = in.Name
		}
		if r := []rune(what); len(r) > 28 {
			what = in.Name
		}
		if what == "" {
			what = "changed"
		}
		out = append(out, chart.Seam{MS: in.FromMS, Label: what + ", " + v.words.Date(in.FromMS)})
	}
	return out
}

func (s *Server) drawLane(v *view, d laneBins, pic picture) (laneJSON, error) {
	l, m, open, sh := d.lane, d.m, d.open, pic.shown
	size := pic.quiet
	if open {
		size = pic.open
	}
	c := chart.Lane{
		Window: pic.win, Label: v.label(l), Above: size.above, Below: size.below, PxPerDB: size.perDB, Open: open, Phone: pic.phone,
		Bins: d.bins, RequiredDB: l.Of.RequiredMargin.Value, DoubtDB: math.NaN(),
		Marks: v.marks(l, sh.now), NowMS: sh.now, Grid: pic.grid, Seams: pic.seams, Percent: m.percent,
	}
	if th := l.Of.Threshold; th.Decided() && th.Basis != "standard" {
		c.DoubtDB = (th.High - th.Low) / 2
	}
	switch {
	case m.percent:
		c.PxPerDB = size.perDB / 5 // per cent, not to scale with dB: the words say so
		c.Requires = "scale in per cent, not dB"
		c.RequiredDB = math.NaN()
	case l.Of.RequiredMargin.Decided():
		c.Requires = "requires " + words.DB(l.Of.RequiredMargin.Value)
	case l.Measured:
		c.Requires = "required margin not known yet"
	}
	switch {
	case !l.Measured && open:
		c.Note = "not measured yet"
	case !l.Measured: // the figure says so
	case !l.Of.Threshold.Decided():
		c.Note = "no threshold known"
	case m.first >= 0 && l.Of.Availability.MeasuredS > 0 && v.facts.FirstMS > sh.from:
		c.Note = "measuring began " + v.words.Date(v.facts.FirstMS)
	case m.first < 0:
		c.Note = "nothing measured in this span"
	}
	out := laneJSON{Key: l.Key, Kind: string(l.State.Kind), Open: open, SVG: c.SVG(), Why: [][]any{}, high: size.above + size.below}
	out.Top = columnNone
	if m.last >= 0 && !math.IsNaN(m.buckets[m.last].ceiling) {
		out.Top = int(math.Round(m.buckets[m.last].ceiling * 10))
	}
	n := int((sh.to - sh.from + sh.step - 1) / sh.step)
	out.Median, out.Low = columns(c.Bins, sh, n)
	for i := 0; i < len(c.Bins); {
		j := i
		for j < len(c.Bins) && c.Bins[j].Why == c.Bins[i].Why {
			j++
		}
		if c.Bins[i].Why != "" {
			out.Why = append(out.Why, []any{i, j, c.Bins[i].Why})
		}
		i = j
	}
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "fig", figPage{l.State, l.Key}); err != nil {
		return out, fmt.Errorf("write the figures: %w", err)
	}
	out.Fig = b.String()
	return out, nil
}

// columns turns bins into the tenths of a dB that the read-out shows.
func columns(bins []chart.Bin, sh shown, n int) (median, low []int) {
	median, low = make([]int, n), make([]int, n)
	for i := range n {
		median[i], low[i] = columnNone, columnNone
	}
	tenths := func(v float64) int {
		if math.IsInf(v, -1) {
			return columnBelow
		}
		return int(math.Round(max(-3000, min(3000, v*10))))
	}
	for _, b := range bins {
		if !b.Measured {
			continue
		}
		first := int((b.FromMS - sh.from) / sh.step)
		if b.Expected {
			first = int((b.FromMS - sh.from + sh.step - 1) / sh.step)
		}
		last := int((b.ToMS - sh.from - 1) / sh.step)
		for i := max(0, first); i <= last && i < n; i++ {
			median[i], low[i] = tenths(b.Median), tenths(b.Q01)
			if b.Top {
				median[i] = columnCeiling
			}
		}
	}
	return median, low
}

func (v *view) skyColumns(skies []chart.Sky, sh shown) skyJSON {
	out := skyJSON{Rain: []answer.Num{}, Snow: []answer.Num{}, Wind: []answer.Num{}, Low: []answer.Num{}, High: []answer.Num{}, Leaf: []answer.Num{}}
	round := func(x float64) answer.Num { return answer.Num(math.Round(x*10) / 10) }
	for _, k := range skies {
		wind := k.GustMPS
		if math.IsNaN(wind) {
			wind = k.WindMPS
		}
		out.Rain, out.Snow, out.Wind = append(out.Rain, round(k.RainMMH)), append(out.Snow, round(k.SnowMMH)), append(out.Wind, round(wind))
		out.Low, out.High = append(out.Low, round(k.TempLowC)), append(out.High, round(k.TempHiC))
	}
	if at := leafAt(v.leaf); at != nil {
		for ms := sh.from; ms < sh.to; ms += sh.step {
			x, ok := at(ms + sh.step/2)
			if !ok {
				x = math.NaN()
			}
			out.Leaf = append(out.Leaf, answer.Num(math.Round(x*100)/100))
		}
	}
	return out
}

// aheadNote says why nothing is drawn for the time to come.
func (v *view) aheadNote() string {
	for _, l := range v.lanes {
		for _, o := range l.Of.Outlook {
			if !o.Spare.Decided() && o.Spare.Needs != "" {
				return "Nothing is drawn for the time to come. Needed: " + o.Spare.Needs + "."
			}
		}
	}
	return "Nothing is drawn for the time to come. Too little is known yet."
}

// label is a lane's sentence for a screen reader.
func (v *view) label(l *words.Lane) string {
	var p []string
	name := l.Call(words.Facts{})
	if l.RF > 0 && !strings.HasPrefix(name, "RF") {
		name += ", RF " + strconv.Itoa(l.RF)
	}
	name += ", " + string(reception.BandOf(l.FrequencyHz))
	if l.Transmitter != "" {
		name += " from " + l.Transmitter
	}
	if l.Of.MedianMargin.Decided() {
		m := "median margin " + words.Estimate(l.Of.MedianMargin)
		if l.Of.RequiredMargin.Decided() {
			m += "; requires " + words.Estimate(l.Of.RequiredMargin)
		}
		p = append(p, m)
	}
	p = append(p, strings.TrimSuffix(l.State.Words, "."))
	for _, x := range l.State.Lines {
		p = append(p, x.Text())
	}
	switch n := len(l.Dropouts); {
	case l.Measured && n == 0:
		p = append(p, "no dropout seen")
	case n > 0:
		p = append(p, words.Plural(n, "dropout"))
	}
	return name + ": " + strings.Join(p, "; ") + "."
}
