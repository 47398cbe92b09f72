package words

import (
	"bytes"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// AnswerText writes an answer for people at a terminal of so many columns, at least
// 60; 0 means 80. Plain text without colour: a pipe or a log gets the same.
//
// It opens with the sentence of the page, what to do and what does not work, then
// shows the lanes that need a look with every figure, the others in one table by mast,
// then dropouts, changes, comparisons and alarms. Each figure has its interval (95 %)
// and its sample; an undecided one says what would decide it.
func AnswerText(w io.Writer, a answer.Answer, f Facts, width int) error {
	if width == 0 {
		width = 80
	}
	if f.NowMS == 0 {
		f.NowMS = int64(a.AsOf)
	}
	p := &printer{width: max(60, width), facts: f}
	lanes := Lanes(a, f)
	p.title(a, f)
	p.paragraph(Plain(Headline(lanes, f)))
	for _, g := range Advice(lanes, f) {
		p.paragraph(strings.TrimSpace(g.Lead + " " + g.Text))
	}
	for _, s := range f.Faults {
		p.paragraph(Sentence(s))
	}
	look := Look(lanes)
	var quiet, unknown []Lane
	for _, l := range lanes {
		switch {
		case l.State.Look():
		case l.State.Kind == Unknown || l.State.Kind == New:
			unknown = append(unknown, l)
		default:
			quiet = append(quiet, l)
		}
	}
	p.look(look)
	p.quiet(quiet)
	if len(unknown) < len(lanes) || slices.ContainsFunc(unknown, func(l Lane) bool { return l.Measured }) {
		p.unknown(unknown)
	}
	p.dropouts(lanes)
	p.changes(a.Changes)
	p.comparisons(a.Comparisons, lanes)
	p.alarms(a.Alarms)
	p.footing(lanes)
	_, err := w.Write(p.b.Bytes())
	return err
}

type printer struct {
	b     bytes.Buffer
	width int
	facts Facts
}

func (p *printer) line(s string) { p.b.WriteString(strings.TrimRight(s, " ") + "\n") }

// wrapped writes text broken at spaces; no-break spaces hold.
func (p *printer) wrapped(s, first, rest string) {
	room := p.width - width(rest)
	for i, l := range broken(s, room) {
		if i == 0 {
			p.line(first + l)
		} else {
			p.line(rest + l)
		}
	}
}

func width(s string) int { return text.StringWidthWithoutEscSequences(s) }

// broken breaks text at plain spaces into lines of at most room columns, longer only
// where one word is.
func broken(s string, room int) []string {
	var lines []string
	line := ""
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == '\n' || r == '\t' }) {
		switch {
		case line == "":
			line = word
		case width(line)+1+width(word) > room:
			lines = append(lines, line)
			line = word
		default:
			line += " " + word
		}
	}
	return append(lines, line)
}

func (p *printer) paragraph(s string) {
	if s == "" {
		return
	}
	p.wrapped(s, "", "")
	p.line("")
}

func (p *printer) heading(s string) {
	p.wrapped(s, "", "")
	p.line(strings.Repeat("─", min(p.width, text.StringWidthWithoutEscSequences(s))))
}

func (p *printer) title(a answer.Answer, f Facts) {
	name := a.Home.Name
	if name == "" {
		name = "This home"
	}
	p.line(name)
	if s := Asof(a, f); s != "" {
		p.wrapped(s, "", "")
	}
	p.line("")
}

func (p *printer) where(l Lane) string {
	parts := []string{}
	if l.RF > 0 {
		parts = append(parts, "RF"+Nbsp+strconv.Itoa(l.RF))
	}
	s := string(reception.BandOf(l.FrequencyHz))
	if l.Transmitter != "" {
		s += " from " + l.Transmitter
	}
	parts = append(parts, s)
	if l.Of.Tuner != "" {
		parts = append(parts, "by "+l.Of.Tuner)
	}
	return strings.Join(parts, ", ")
}

// look writes the lanes that need a look, each with all its figures.
func (p *printer) look(lanes []Lane) {
	if len(lanes) == 0 {
		return
	}
	if len(lanes) == 1 {
		p.heading("Look at this one")
	} else {
		p.heading("Look at these " + Count(len(lanes)))
	}
	for _, l := range lanes {
		p.wrapped(l.Call(p.facts)+" ("+p.where(l)+")", "", "  ")
		p.wrapped(l.State.Words, "  ", "  ")
		p.figures(l)
		p.line("")
	}
}

// figures writes the figures of a lane, one a line.
func (p *printer) figures(l Lane) {
	e := l.Of
	sample := sampleOf(l)
	t := p.table()
	row := func(name string, v answer.Est, note string) {
		fig, iv := Figure(v)
		if fig == "" {
			if v.Needs != "" {
				t.AppendRow(table.Row{"  " + name, "not known yet", "needs " + v.Needs})
			}
			return
		}
		t.AppendRow(table.Row{"  " + name, fig, strings.TrimPrefix(join(iv, note), ", ")})
	}
	row("to spare", e.Spare, sample)
	row("settled margin", e.SettledMargin, days(e.SettledMargin))
	row("required margin", e.RequiredMargin, days(e.RequiredMargin))
	th := e.Threshold
	basis := map[string]string{"learnt": "learnt here", "standard": "from the standard", "user": "as configured"}[th.Basis]
	row("threshold, C/N", th.Est, basis)
	row("99 % of fades less than", e.FadeDepth99, days(e.FadeDepth99))
	row("what full leaf takes", e.LeafEffect, "")
	if d := e.DriftDBPerMonth; d.Decided() { // a tenth of a dB a month is much
		t.AppendRow(table.Row{"  drift in a month", Decimal(d.Value, 2) + Nbsp + "dB", span(d.Low, d.High, 2)})
	}
	if fig, iv := Share(e.Availability.Est); fig != "" {
		t.AppendRow(table.Row{"  without a broken second", fig, strings.TrimPrefix(join(iv, sample), ", ")})
	}
	for _, o := range e.Outlook {
		if o.Spare.Decided() {
			fig, iv := Figure(o.Spare)
			note := "expected"
			if o.Basis == "prior" {
				note = "expected from a usual year, not yet seen here"
			}
			t.AppendRow(table.Row{"  to spare in " + p.facts.Month(o.Month), fig, strings.TrimPrefix(join(iv, note), ", ")})
		}
	}
	p.render(t)
}

// sampleOf says what a lane's figures rest on.
func sampleOf(l Lane) string {
	var s int64
	for _, e := range l.All {
		s += e.Availability.MeasuredS
	}
	out := Hours(s) + " of visits"
	if d := days(l.Of.Spare); d != "" {
		out += " on" + Nbsp + d
	}
	return out
}

// days says how many independent days an estimate rests on, "" if that has no
// meaning or is not known.
func days(e answer.Est) string {
	if n := e.EffectiveN; !math.IsNaN(n) && n >= 1 {
		return Decimal(n, 0) + Nbsp + "independent days"
	}
	return ""
}

// quiet writes the lanes that hold, by mast.
func (p *printer) quiet(lanes []Lane) {
	if len(lanes) == 0 {
		return
	}
	byMast := map[string][]Lane{}
	var masts []string
	for _, l := range lanes {
		if byMast[l.Transmitter] == nil {
			masts = append(masts, l.Transmitter)
		}
		byMast[l.Transmitter] = append(byMast[l.Transmitter], l)
	}
	slices.SortStableFunc(masts, func(a, b string) int {
		if (a == "") != (b == "") {
			return len(b) - len(a)
		}
		return len(byMast[b]) - len(byMast[a])
	})
	for _, m := range masts {
		switch {
		case m != "":
			p.heading(strings.TrimSuffix("From "+m+": "+p.mast(m), ": "))
		case len(masts) > 1:
			p.heading("Mast not named")
		default:
			p.heading("Channels")
		}
		t := p.quietTable(byMast[m], true)
		if tableWidth(t.Render()) > p.width {
			t = p.quietTable(byMast[m], false)
		}
		p.render(t)
		p.line("")
	}
}

func (p *printer) mast(name string) string {
	for _, t := range p.facts.Transmitters {
		if t.Name == name {
			return Mast(t)
		}
	}
	return ""
}

// quietTable has a row a lane: what is to spare, and if wide the share of unbroken
// time, evenings and sample.
func (p *printer) quietTable(lanes []Lane, wide bool) table.Writer {
	t := p.table()
	head := table.Row{"", "to spare", "95" + Nbsp + "%", "state"}
	if wide {
		head = append(head, "unbroken", "95"+Nbsp+"%", "evenings spoiled", "visits")
	}
	t.AppendRow(head)
	for _, l := range lanes {
		r := table.Row{p.rowName(l), l.State.Figure, l.State.Range, shortState(l)}
		if l.Of.Spare.Bound == reception.AtLeast {
			r[2] = l.whyAtLeast("tuner’s limit")
		}
		if wide {
			fig, iv := Share(l.Of.Availability.Est)
			ev := ""
			if spoiled, of, _ := Evenings([]Lane{l}, p.facts); of > 0 {
				ev = Of(spoiled, of)
			}
			r = append(r, fig, iv, ev, Hours(l.measuredSeconds()))
		}
		t.AppendRow(r)
	}
	return t
}

func (l Lane) measuredSeconds() int64 {
	var s int64
	for _, e := range l.All {
		s += e.Availability.MeasuredS
	}
	return s
}

func (p *printer) rowName(l Lane) string {
	n := l.Call(p.facts)
	if l.RF > 0 && !p.facts.RFFirst && l.Screen+l.Name != "" {
		n += " (RF" + Nbsp + strconv.Itoa(l.RF) + ")"
	}
	return n
}

func shortState(l Lane) string {
	switch l.State.Kind {
	case Holds, Soon:
		return "holds"
	case Maybe:
		return "may be short"
	case Short:
		return "short"
	case Lost:
		return "no picture"
	}
	return "not known yet"
}

// unknown writes the lanes that are not decided, gathered by what they need.
func (p *printer) unknown(lanes []Lane) {
	if len(lanes) == 0 {
		return
	}
	p.heading("Not known yet")
	var needs []string
	by := map[string][]Lane{}
	for _, l := range lanes {
		n := l.State.Needs
		if !l.Measured {
			n = "a first visit"
		}
		if by[n] == nil {
			needs = append(needs, n)
		}
		by[n] = append(by[n], l)
	}
	for _, n := range needs {
		if n == "" {
			p.wrapped("Measured, not yet decided:", "", "")
		} else {
			p.wrapped("Needed: "+n+".", "", "")
		}
		t := p.table()
		if n != "a first visit" {
			t.AppendRow(table.Row{"", "at the last visit", "visits"})
		}
		for _, l := range by[n] {
			last := ""
			if m := float64(l.Of.Latest.MarginDB); !math.IsNaN(m) && l.Measured {
				last = DB(m) + " above the threshold"
			} else if l.Measured && l.Of.Latest.Time != 0 && !l.Of.Latest.Locked {
				last = "no lock"
			}
			m := ""
			if s := l.measuredSeconds(); s > 0 {
				m = Hours(s)
			}
			t.AppendRow(table.Row{"  " + p.rowName(l), last, m})
		}
		p.render(t)
	}
	p.line("")
}

// most is how many dropouts, changes and alarms are listed; the JSON has all.
const most = 10

func (p *printer) dropouts(lanes []Lane) {
	type one struct {
		l Lane
		d answer.Dropout
	}
	var all []one
	for _, l := range lanes {
		for _, d := range l.Dropouts {
			all = append(all, one{l, d})
		}
	}
	if len(all) == 0 {
		return
	}
	slices.SortStableFunc(all, func(a, b one) int { return int((b.d.Start - a.d.Start) / 1000) })
	title := "Dropouts"
	if len(all) > most {
		title = "The last " + Count(most) + " of " + strconv.Itoa(len(all)) + " dropouts"
		all = all[:most]
	}
	p.heading(title)
	t := p.table()
	for _, x := range all {
		t.AppendRow(table.Row{p.facts.start(int64(x.d.Start)), x.l.Call(p.facts), lasting(x.d), causeWords(x.d)})
	}
	p.render(t)
	p.line("")
}

// start prints when a dropout began: "Tue 3 Jun 21:42", with the year when it is not
// this one.
func (f Facts) start(ms int64) string {
	t := f.at(ms)
	if t.Year() != f.at(f.NowMS).Year() {
		return t.Format("Mon 2 Jan 2006 15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// lasting gives a dropout's length, as a range where visits lie apart.
func lasting(d answer.Dropout) string {
	if d.End == 0 {
		return "lasts"
	}
	least := time.Duration(d.End-d.Start) * time.Millisecond
	lo, hi := d.StartLow, d.EndHigh
	if lo == 0 {
		lo = d.Start
	}
	if hi == 0 {
		hi = d.End
	}
	longest := time.Duration(hi-lo) * time.Millisecond
	a, z := Duration(least), Duration(longest)
	if a == z {
		return a
	}
	if u := Nbsp + "min"; strings.HasSuffix(a, u) && strings.HasSuffix(z, u) {
		a = strings.TrimSuffix(a, u)
	}
	return a + " to " + z
}

func causeWords(d answer.Dropout) string {
	long, _ := Cause(d.Cause)
	switch {
	case d.Cause == "":
		return "cause not looked for yet"
	case d.Cause == "unknown":
		return "cause not certain"
	}
	s := long + ", " + HowSure(float64(d.Probability))
	if OffAir(d.Cause) {
		s += "; not counted"
	}
	return s
}

func (p *printer) changes(cs []answer.Change) {
	if len(cs) == 0 {
		return
	}
	p.heading("Lasting changes")
	show := cs[max(0, len(cs)-most):]
	for _, c := range show {
		s := "Something changed on " + p.facts.DateTime(int64(c.Time))
		if c.Size.Decided() {
			s += ": " + join(SignedDB(c.Size.Value), Range(c.Size.Low, c.Size.High))
		}
		if len(c.Channels) > 0 {
			s += "; RF" + Nbsp + ints(c.Channels)
		}
		s += "."
		if long, _ := Cause(c.Cause); long != "" {
			s += " " + changed(&c)
		}
		p.wrapped(s, "", "  ")
	}
	p.line("")
}

func ints(n []int) string {
	s := make([]string, len(n))
	for i, v := range n {
		s[i] = strconv.Itoa(v)
	}
	return strings.Join(s, ", ")
}

func (p *printer) comparisons(cs []answer.Comparison, lanes []Lane) {
	if len(cs) == 0 {
		return
	}
	p.heading("Comparisons")
	verdicts := map[string]string{"better": "B is better", "worse": "B is worse", "no_difference": "no difference that matters", "undecided": "undecided"}
	for _, c := range cs {
		name := "RF" + Nbsp + strconv.Itoa(c.RF)
		for _, l := range lanes {
			if l.RF == c.RF {
				name = l.Call(p.facts)
			}
		}
		s := name + ", A " + c.A + ", B " + c.B + ": " + verdicts[c.Verdict]
		if c.Median.Decided() {
			s += "; B less A " + join(SignedDB(c.Median.Value), Range(c.Median.Low, c.Median.High)) + " in the median"
		}
		if d := float64(c.DaysNeeded); !math.IsNaN(d) && c.Verdict == "undecided" {
			s += "; about " + Decimal(math.Ceil(d), 0) + " more days would decide"
		}
		p.wrapped(s+".", "", "  ")
	}
	p.line("")
}

func (p *printer) alarms(as []answer.Alarm) {
	if len(as) == 0 {
		return
	}
	p.heading("Alarms")
	// What stands comes first, with its advice; what was cleared follows, one line for
	// all of one condition on the same channels.
	var past []string
	again := map[string][]answer.Alarm{}
	for _, a := range as {
		if a.Cleared == 0 {
			p.wrapped(Sentence(Urgency(a.Severity)+", since "+p.facts.DateTime(int64(a.Raised)))+" "+a.Text, "", "  ")
			if WantsSafety(a.Text) {
				p.wrapped(Safety, "  ", "  ")
			}
			continue
		}
		k := a.Condition + ints(a.Channels)
		if len(a.Channels) == 0 {
			k += a.Text
		}
		if again[k] == nil {
			past = append(past, k)
		}
		again[k] = append(again[k], a)
	}
	for i, k := range past {
		if i == most {
			p.wrapped("And "+strconv.Itoa(len(past)-most)+" more: see --format json.", "", "")
			break
		}
		last := again[k][0]
		for _, a := range again[k] {
			if a.Raised > last.Raised {
				last = a
			}
		}
		head, _ := FirstSentence(last.Text)
		when := "Cleared: "
		if n := len(again[k]); n > 1 {
			when = "Cleared " + Count(n) + " times, the last: "
		}
		p.wrapped(when+p.facts.DateTime(int64(last.Raised))+" to "+p.facts.DateTime(int64(last.Cleared))+". "+head, "", "  ")
	}
	p.line("")
}

func (p *printer) footing(lanes []Lane) {
	measured := false
	for _, l := range lanes {
		measured = measured || l.Measured
	}
	if measured {
		p.wrapped("Intervals are 95"+Nbsp+"%. To spare is the settled margin less the margin that this place requires.", "", "")
	}
}

// table starts a table without rules.
func (p *printer) table() table.Writer {
	t := table.NewWriter()
	s := table.StyleDefault
	s.Options = table.OptionsNoBordersAndSeparators
	s.Box.PaddingLeft, s.Box.PaddingRight = "", "  "
	t.SetStyle(s)
	return t
}

// render writes a table, its last column broken where the terminal ends.
func (p *printer) render(t table.Writer) {
	if t.Length() == 0 {
		return
	}
	out := t.Render()
	if over := tableWidth(out) - p.width; over > 0 {
		last, full := lastColumn(t)
		room := max(12, full-over)
		t.SetColumnConfigs([]table.ColumnConfig{{Number: last, WidthMax: room, WidthMaxEnforcer: func(s string, room int) string { return strings.Join(broken(s, room), "\n") }}})
		out = t.Render()
	}
	for l := range strings.SplitSeq(out, "\n") {
		p.line(l)
	}
}

func tableWidth(s string) int {
	w := 0
	for l := range strings.SplitSeq(s, "\n") {
		w = max(w, width(strings.TrimRight(l, " ")))
	}
	return w
}

// lastColumn returns the number of a table's last column, from 1, and the width of
// its widest cell.
func lastColumn(t table.Writer) (number, widest int) {
	for l := range strings.SplitSeq(t.RenderTSV(), "\n") {
		cells := strings.Split(l, "\t")
		if len(cells) > number {
			number, widest = len(cells), 0
		}
		if len(cells) == number {
			widest = max(widest, width(cells[number-1]))
		}
	}
	return number, widest
}
