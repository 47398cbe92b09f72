package words

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/analysis/answer"
)

// What to do about a cause: first what costs nothing, indoors; whether work outdoors may
// help. Common practice, no published source.
var remedies = map[string]struct {
	indoors string
	outside bool
}{
	"wet-leaves":          {"Nothing: leaves dry in hours. If it happens often, a larger margin or another place for the antenna would help.", true},
	"wind-trees":          {"Nothing: it passes with the wind. If it happens often, more margin or another place for the antenna would help.", true},
	"leaves":              {"Nothing today: leaves come and go with the season.", true},
	"mast-sway":           {"Nothing indoors. If every wind does it, a fixing may be loose.", true},
	"snow-ice":            {"Wait: it thaws. Nobody clears ice from an antenna.", false},
	"wet-roof":            {"Wait: a roof dries in hours. A set-up outside the roof is free of it.", true},
	"water-in-line":       {"Look indoors where the cable comes in: is the plug damp or green? Water in a line takes days to dry and comes back.", true},
	"ageing":              {"Remake the plugs that can be reached indoors.", true},
	"amplifier":           {"Is the lamp of the amplifier's supply lit, its plug seated? Feed one set without the amplifier to compare.", true},
	"overload":            {"Take the amplifier out, or put a 6 dB attenuator before the tuner, and compare.", false},
	"impulse-noise":       {"Something in or near the house was switched on. Switch lamps and chargers off one by one while a low channel plays.", false},
	"powerline-noise":     {"Switch the house's own circuits off one by one. If it stays, tell the power company; never touch or strike a pole.", false},
	"ducting":             {"Nothing: the air carried a far transmitter here. It passes by the morning, and no work on the roof cures it.", false},
	"tropospheric-fading": {"Nothing: air layers bent the far signal away. If it happens often, this channel needs more margin.", false},
	"sporadic-e":          {"Nothing: it comes on some days of early summer, on low channels only.", false},
	"aircraft":            {"Nothing: it passes in a minute.", false},
	"moving-reflector":    {"Nothing, unless it comes daily: then another place for the antenna may help.", false},
	"mobile-band":         {"A filter against mobile phones, before the amplifier, is the usual cure.", false},
	"transmitter-off":     {"Nothing: the station was off. The time is not counted against this home.", false},
	"transmitter-reduced": {"Nothing: the station sent with less power.", false},
	"tuner":               {"Swap the leads of two tuners and see which one the fault follows; restart the tuner.", false},
	"leg":                 {"Swap the leads of two tuners and see which one the fault follows.", false},
	"host":                {"Look at the computer: was it busy, is the USB lead short and seated?", false},
	"ordinary-fading":     {"Nothing for one. If they add up, the channel has too little margin.", false},
}

// ExplainText tells the story of what broke a channel at an instant, Unix ms: what was
// seen, what it probably was, what speaks against it, what to do, indoors first. channel
// chooses by number on screen, RF number or name; "" is every channel. It is text for a
// terminal of so many columns, as for AnswerText. The answer must span the instant.
func ExplainText(w io.Writer, a answer.Answer, f Facts, atMS int64, channel string, width int) error {
	p := &printer{width: max(60, cmp.Or(width, 80)), facts: f}
	type story struct {
		c answer.Channel
		d answer.Dropout
	}
	var found []story
	nearest, best := int64(0), int64(math.MaxInt64)
	asked := false
	for _, c := range a.Channels {
		if !called(c, channel) {
			continue
		}
		asked = true
		for _, d := range c.Dropouts {
			from, to := int64(orElse(d.StartLow, d.Start)), int64(orElse(d.EndHigh, d.End))
			if to == 0 {
				to = math.MaxInt64
			}
			if atMS >= from && atMS <= to {
				found = append(found, story{c, d})
				continue
			}
			for _, edge := range []int64{from, to} {
				if far := max(edge-atMS, atMS-edge); far < best {
					nearest, best = int64(d.Start), far
				}
			}
		}
	}
	switch {
	case !asked && channel == "":
		p.paragraph("Nothing is measured yet.")
	case !asked:
		p.paragraph(fmt.Sprintf("No channel is called %q. Name it by its number on screen, its RF number or its name.", channel))
	case len(found) == 0:
		s := "No dropout was seen at " + f.Moment(atMS) + "."
		if best < math.MaxInt64 {
			s += " The nearest began at " + f.Moment(nearest) + "."
		} else {
			s += " None was seen at all."
		}
		p.paragraph(s + " Between two visits short ones stay unseen.")
	}
	slices.SortStableFunc(found, func(x, y story) int {
		return cmp.Or(cmp.Compare(float64(y.d.Probability), float64(x.d.Probability)), cmp.Compare(x.c.RF, y.c.RF))
	})
	for i, s := range found {
		if i == storiesMost {
			p.paragraph(fmt.Sprintf("And %d more channels at that time; name one to hear of it.", len(found)-i))
			break
		}
		p.story(s.c, s.d)
	}
	_, err := w.Write(p.b.Bytes())
	return err
}

// storiesMost is how many channels are told of at once.
const storiesMost = 3

func orElse(a, b answer.Time) answer.Time { return cmp.Or(a, b) }

// called reports whether a channel goes by a name.
func called(c answer.Channel, name string) bool {
	return name == "" || name == c.Screen || name == strconv.Itoa(c.RF) || strings.EqualFold(name, c.Name) || strings.EqualFold(name, "RF "+strconv.Itoa(c.RF))
}

func (p *printer) story(c answer.Channel, d answer.Dropout) {
	f := p.facts
	p.heading(strings.TrimSpace(strings.Join([]string{c.Screen, c.Name}, " ")+", RF "+strconv.Itoa(c.RF)) + ": " + f.Moment(int64(d.Start)))
	seen := "It broke "
	if d.End == 0 {
		seen = "It has been broken since " + f.DateTime(int64(d.Start)) + "."
	} else {
		least, most := int64(d.End-d.Start), int64(orElse(d.EndHigh, d.End)-orElse(d.StartLow, d.Start))
		seen += "for " + between(least, most) + ", seen in " + count(d.Visits, "visit") + "."
	}
	p.wrapped(seen, "Seen      ", "          ")
	long, _ := Cause(d.Cause)
	what := Sentence(HowSure(float64(d.Probability)) + " " + long)
	if d.Cause == "unknown" || d.Cause == "" {
		what = "Not certain: nothing known fits well."
	} else if pc := float64(d.Probability); !math.IsNaN(pc) {
		what = strings.TrimSuffix(what, ".") + " (" + Decimal(100*pc, 0) + Nbsp + "%)."
	}
	var also []string
	for _, x := range d.Also[:min(2, len(d.Also))] {
		if x.Probability >= 0.05 {
			words, _ := Cause(x.Cause)
			also = append(also, words+" "+Decimal(100*float64(x.Probability), 0)+Nbsp+"%")
		}
	}
	if len(also) > 0 {
		what += " Else " + strings.Join(also, ", ") + "."
	}
	p.wrapped(what, "Cause     ", "          ")
	if len(d.For) > 0 {
		p.wrapped(Sentence(inWords(strings.Join(d.For, "; "))), "Because   ", "          ")
	}
	if len(d.Against) > 0 {
		p.wrapped(Sentence(inWords(strings.Join(d.Against, "; "))), "Against   ", "          ")
	}
	r, known := remedies[d.Cause]
	if !known {
		r.indoors = "Nothing for one. If it comes back, note what else happened then: rain, wind, something switched on."
	}
	p.wrapped(r.indoors, "Do        ", "          ")
	if d.Part != "" && len(d.Alike) > 0 {
		p.wrapped(Sentence(inWords("it looks just like "+strings.Join(d.Alike, ", ")+"; to part them, "+d.Part)), "To tell   ", "          ")
	}
	if r.outside {
		o := outdoors(f)
		p.wrapped(o.Lead+" "+o.Text+" "+Safety, "          ", "          ")
	}
	p.line("")
}

// inWords puts causes in machine form that stand in a text into words.
func inWords(s string) string {
	fields := strings.Split(s, " ")
	for i, w := range fields {
		bare := strings.Trim(w, ",;.")
		if strings.Contains(bare, "-") || bare == "leg" || bare == "host" {
			if long, _ := Cause(bare); long != bare {
				fields[i] = strings.Replace(w, bare, long, 1)
			}
		}
	}
	return strings.Join(fields, " ")
}

// between names a length that lies between two, ms.
func between(least, most int64) string {
	a, b := minutes(least), minutes(most)
	switch {
	case most <= 0 || a == b:
		return a
	case least < 60e3:
		return "at most " + b
	}
	if n, unit, ok := strings.Cut(a, Nbsp); ok && strings.TrimSuffix(unit, "s") == strings.TrimSuffix(b[strings.LastIndex(b, Nbsp)+len(Nbsp):], "s") {
		a = n
	}
	return a + " to " + b
}

// minutes prints a length in minutes, or in hours from two hours on.
func minutes(ms int64) string {
	m := math.Max(1, math.Round(float64(ms)/60e3))
	if m >= 120 {
		return Decimal(m/60, 1) + Nbsp + "hours"
	}
	return count(int64(m), "minute")
}

func count(n int64, what string) string {
	if n == 1 {
		return "1" + Nbsp + what
	}
	return strconv.FormatInt(n, 10) + Nbsp + what + "s"
}
