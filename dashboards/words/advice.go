package words

import (
	"math"
	"slices"
	"strings"

	"holdfast/analysis/answer"
)

// Safety stands beside every mention of roof, mast or outdoor work.
const Safety = "Leave roof and mast work to a professional. Nobody works within reach of a power line, in wind, wet, ice, dusk or thunder."

// WantsSafety reports whether a text of others names roof, mast or outdoor work
// without the safety sentence.
func WantsSafety(text string) bool {
	if strings.Contains(text, Safety) {
		return false
	}
	low := strings.ToLower(text)
	return slices.ContainsFunc([]string{"roof", "mast", "outdoor", "climb", "ladder"}, func(w string) bool { return strings.Contains(low, w) })
}

// Thunder stands where thunder is about: it holds for indoor leads too.
const thunder = "Thunder: leave antenna leads alone, indoors too, until 30" + Nbsp + "minutes after the last."

// Work outdoors is held back from this gust on, m/s: the upper end of "fresh
// breeze" on the Beaufort scale, WMO No. 306, code table 1100. Ours: well below
// what lifts a person.
const gustMPS = 10.7

// Advice says what to do, in a fixed order: wait, then look indoors, then outdoors,
// which is held back unless the sky known last was calm, dry and light, and never
// stands without the safety sentence.
func Advice(lanes []Lane, f Facts) []Paragraph {
	var lost, short, soon, maybe, unknown []Lane
	for _, l := range lanes {
		switch l.State.Kind {
		case Lost:
			lost = append(lost, l)
		case Short:
			short = append(short, l)
		case Soon:
			soon = append(soon, l)
		case Maybe:
			maybe = append(maybe, l)
		case Unknown, New:
			unknown = append(unknown, l)
		}
	}
	var out []Paragraph
	switch {
	case len(lost) > 0:
		out = append(out,
			Paragraph{Lead: "Wait ten minutes.", Text: "A transmitter that went off comes back by itself."},
			Paragraph{Lead: "Then look indoors.", Text: indoors(len(lost) > 1)})
	case len(short) > 0:
		if c := commonChange(short); c != nil {
			out = append(out, Paragraph{Lead: "Something changed on " + f.DateTime(int64(c.Time)) + ".", Text: changed(c)})
		}
		out = append(out,
			Paragraph{Lead: "Wait first.", Text: "A wet or windy spell passes by itself. " + moreWouldHold(short, f)},
			Paragraph{Lead: "Then look indoors.", Text: indoors(false)})
	case len(soon) > 0:
		out = append(out, Paragraph{Lead: "Nothing to do today.", Text: beforeThen(soon, f)},
			Paragraph{Lead: "Before then, look indoors.", Text: indoors(false)})
	case len(lanes) == 0:
		return []Paragraph{{Lead: "To begin:", Text: "Name tuners and channels in the config, or import readings."}}
	case !slices.ContainsFunc(lanes, func(l Lane) bool { return l.Measured }):
		return []Paragraph{{Lead: "Nothing to do but wait.", Text: "Pictures show within minutes, the settled margin after about 7" + Nbsp + "days, availability after 14."}}
	case len(unknown) == len(lanes):
		p := Paragraph{Lead: "Nothing to do but wait.", Text: "Each figure says what it still needs."}
		if n := commonNeed(unknown); n != "" {
			p.Text = "Still needed: " + n + "."
		}
		return []Paragraph{p}
	case len(maybe) > 0:
		return []Paragraph{{Lead: "Nothing to do but wait.", Text: "More days decide whether " + Plain(names(maybe, f)) + " " + fall(len(maybe)) + " short."}}
	default:
		return []Paragraph{{Lead: "Nothing to do today."}}
	}
	if f.Sky.Thunder {
		out = append(out, Paragraph{Text: thunder, Care: true})
	}
	out = append(out, outdoors(f), Paragraph{Text: Safety, Care: true})
	return out
}

// commonChange returns the change that most of the short lanes share, nil for none.
func commonChange(short []Lane) *answer.Change {
	n, best := map[*answer.Change]int{}, (*answer.Change)(nil)
	for _, l := range short {
		if l.Change == nil {
			continue
		}
		if n[l.Change]++; best == nil || n[l.Change] > n[best] {
			best = l.Change
		}
	}
	return best
}

// changed says what a lasting change most probably was, and how it looks.
func changed(c *answer.Change) string {
	long, _ := Cause(c.Cause)
	s := Sentence(HowSure(float64(c.Probability)) + ": " + long)
	if c.Cause == "antenna-turned" && c.TurnAbsDeg.Decided() {
		t := c.TurnAbsDeg
		s = strings.TrimSuffix(s, ".") + " by about " + join(Decimal(t.Value, 0)+"°", Decimal(t.Low, 0)+" to "+Decimal(t.High, 0)+"°")
		if c.TurnDirection == "undecided" {
			s += ", direction unknown"
		} else {
			s += ", " + c.TurnDirection + " from above"
		}
		s += "."
	}
	if n := len(c.Channels); n > 1 {
		s += " " + Sentence(Plural(n, "channel")+" changed together")
	}
	if c.Part != "" {
		s += " " + Sentence(inWords("to be sure, "+c.Part))
	}
	return s
}

func fall(n int) string {
	if n == 1 {
		return "falls"
	}
	return "fall"
}

func indoors(several bool) string {
	if several {
		return "Several channels went: is the amplifier’s lamp lit, is every plug seated?"
	}
	return "Is every plug seated, the lead unhurt, the splitter dry, the amplifier’s lamp lit?"
}

// moreWouldHold says how many dB are missing on the worst of the short lanes.
func moreWouldHold(short []Lane, f Facts) string {
	w := short[0]
	for _, l := range short {
		if l.Of.Spare.Value < w.Of.Spare.Value {
			w = l
		}
	}
	s := w.Of.Spare
	return w.Call(f) + " lacks " + join(DB(-s.Value), Range(-s.High, -s.Low)) + "."
}

func beforeThen(soon []Lane, f Facts) string {
	w := soon[0]
	for _, l := range soon {
		if l.State.WhenMS < w.State.WhenMS {
			w = l
		}
	}
	for _, o := range w.Of.Outlook {
		if o.Spare.Decided() && o.Spare.Value < 0 {
			worst := o
			for _, p := range w.Of.Outlook {
				if p.Spare.Decided() && p.Spare.Value < worst.Spare.Value {
					worst = p
				}
			}
			s := worst.Spare
			return w.Call(f) + " will lack about " + join(DB(-s.Value), Range(max(0, -s.High), -s.Low)) + " in " + f.Month(worst.Month) + "."
		}
	}
	return ""
}

// outdoors holds outdoor advice back, with the reason where one is known.
func outdoors(f Facts) Paragraph {
	p := Paragraph{Lead: "Outdoors: not now.", Text: "Only in calm, dry daylight, and only when indoors nothing was found."}
	s := f.Sky
	fresh := s.AtMS != 0 && f.NowMS-s.AtMS < 3*3600*1000
	wind := s.GustMPS
	if math.IsNaN(wind) {
		wind = s.WindMPS
	}
	switch {
	case fresh && s.Thunder:
		p.Text = "Thunder is about. " + p.Text
	case fresh && wind >= gustMPS:
		p.Text = "Wind of " + Decimal(wind, 0) + Nbsp + "m/s at " + f.at(s.AtMS).Format("15:04") + ". " + p.Text
	case fresh && s.TempC <= 1: // false for NaN
		p.Text = "It freezes. " + p.Text
	case fresh && s.WetMMH > 0:
		p.Text = "It is wet. " + p.Text
	case f.dark():
		p.Text = "It is dark or will soon be. " + p.Text
	}
	return p
}

// dark is a cautious guess from the local hour alone.
func (f Facts) dark() bool {
	h := f.at(f.NowMS).Hour()
	return h < 9 || h >= 16
}

// commonNeed returns what most of the lanes still need, "" if none says.
func commonNeed(lanes []Lane) string {
	n := map[string]int{}
	var needs []string
	for _, l := range lanes {
		if l.State.Needs == "" {
			continue
		}
		if n[l.State.Needs] == 0 {
			needs = append(needs, l.State.Needs)
		}
		n[l.State.Needs]++
	}
	if len(needs) == 0 {
		return ""
	}
	return slices.MaxFunc(needs, func(a, b string) int { return n[a] - n[b] })
}
