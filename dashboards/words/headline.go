package words

import (
	"math"
	"strconv"
	"strings"

	"holdfast/analysis/answer"
)

// A Part is a piece of running text.
type Part struct {
	Text   string
	Strong bool
	Lane   string // Key of the lane it names, "" for none
}

// A Paragraph opens with a lead in stronger type.
type Paragraph struct {
	Lead string
	Text string
	Care bool // a caution: always shown with what it stands beside
}

// Plain joins parts to text.
func Plain(parts []Part) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(p.Text)
	}
	return b.String()
}

// Asof is the line above the headline: when, and how much of which span was measured.
func Asof(a answer.Answer, f Facts) string {
	at := f.NowMS
	if at == 0 {
		at = int64(a.AsOf)
	}
	if at == 0 {
		return ""
	}
	s := f.Moment(at) + "."
	if share := float64(a.Measured.Share); !math.IsNaN(share) && a.Measured.From != 0 && len(a.Channels) > 0 {
		s += " Measured " + Percent(share) + " of the time "
		if to := int64(a.Measured.To); to != 0 && to < int64(a.AsOf) {
			s += "from " + f.Moment(int64(a.Measured.From)) + ", to " + f.Moment(to) + "."
		} else {
			s += "since " + f.Date(int64(a.Measured.From)) + "."
		}
	}
	return s
}

// Headline is the sentence that opens the page and the answer: what is true now.
func Headline(lanes []Lane, f Facts) []Part {
	by := map[Kind][]Lane{}
	measured := 0
	for _, l := range lanes {
		by[l.State.Kind] = append(by[l.State.Kind], l)
		if l.Measured {
			measured++
		}
	}
	switch {
	case measured == 0:
		return firstStart(len(lanes), f)
	case len(by[Lost]) == measured && measured > 1:
		last := int64(0)
		for _, l := range by[Lost] {
			last = max(last, l.State.WhenMS)
		}
		return []Part{{Text: "No channel has a picture", Strong: true}, {Text: " since " + f.DateTime(last) + "."}}
	case len(by[Unknown]) == measured:
		noun := " channels are measured."
		if measured == 1 {
			noun = " channel is measured."
		}
		return []Part{{Text: strconv.Itoa(measured), Strong: true}, {Text: noun + " What is to spare is not known yet."}}
	}
	var p []Part
	hold := len(by[Holds]) + len(by[Soon])
	p = append(p, Part{Text: Of(int64(hold), int64(measured)), Strong: true})
	switch {
	case measured == 1 && hold == 1:
		p = []Part{{Text: "The one channel holds", Strong: true}, {Text: " today"}}
	case hold == 1:
		p = append(p, Part{Text: " channels holds today"})
	default:
		p = append(p, Part{Text: " channels hold today"})
	}
	odd := []struct {
		lanes     []Lane
		one, many string
	}{
		{by[Lost], "has no picture", "have no picture"},
		{by[Short], "is short", "are short"},
		{by[Maybe], "may be short", "may be short"},
	}
	sep := "; "
	for _, o := range odd {
		if len(o.lanes) == 0 {
			continue
		}
		p = append(p, Part{Text: sep})
		p = append(p, names(o.lanes, f)...)
		verb := o.one
		if len(o.lanes) > 1 {
			verb = o.many
		}
		p = append(p, Part{Text: " " + verb})
		sep = ". "
	}
	p = append(p, Part{Text: "."})
	if spoiled, of, recent := Evenings(lanes, f); of > 0 {
		p = append(p, Part{Text: " "}, Part{Text: Of(spoiled, of), Strong: true}, Part{Text: " evenings were spoiled"})
		switch {
		case recent < 0:
		case recent == 0 && spoiled > 0:
			p = append(p, Part{Text: ", none in the last four weeks"})
		case recent > 0 && recent < spoiled:
			p = append(p, Part{Text: ", " + Count(int(recent)) + " in the last four weeks"})
		case recent > 0:
			p = append(p, Part{Text: ", all in the last four weeks"})
		}
		p = append(p, Part{Text: "."})
	}
	if s := by[Soon]; len(s) > 0 {
		p = append(p, Part{Text: " "})
		p = append(p, names(s, f)...)
		p = append(p, Part{Text: soonWords(s, f)})
	}
	if n := len(by[Unknown]); n > 0 {
		p = append(p, Part{Text: " " + Sentence(Plural(n, "channel")+" "+be(n)+" not known yet")})
	}
	return p
}

func be(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// soonWords ends the sentence on lanes that will fall short, in the strength of the
// weakest of them.
func soonWords(s []Lane, f Facts) string {
	first := s[0]
	sure := true
	for _, l := range s {
		if l.State.WhenMS < first.State.WhenMS {
			first = l
		}
		sure = sure && strings.Contains(l.State.Words, "Will probably")
	}
	if sure {
		return " will probably fall short about " + f.Date(first.State.WhenMS) + "."
	}
	if i := strings.Index(first.State.Words, "May fall short"); i >= 0 {
		return " m" + first.State.Words[i+1:]
	}
	return " may fall short in the weeks to come."
}

// names lists lanes, at most two by name.
func names(lanes []Lane, f Facts) []Part {
	var p []Part
	show := lanes
	if len(lanes) > 3 {
		show = lanes[:2]
	}
	for i, l := range show {
		switch {
		case i == 0:
		case i == len(lanes)-1:
			p = append(p, Part{Text: " and "})
		default:
			p = append(p, Part{Text: ", "})
		}
		p = append(p, Part{Text: l.Call(f), Lane: l.Key})
	}
	if n := len(lanes) - len(show); n > 0 {
		p = append(p, Part{Text: " and " + Count(n) + " more"})
	}
	return p
}

func firstStart(channels int, f Facts) []Part {
	p := []Part{{Text: "No channel measured yet.", Strong: true}}
	switch {
	case len(f.Tuners) > 0 && channels > 0:
		return append(p, Part{Text: " holdfast visits " + Plural(channels, "channel") + " with " + Plural(len(f.Tuners), "tuner") +
			"; the first lanes appear within 10" + Nbsp + "minutes."})
	case len(f.Tuners) > 0:
		return append(p, Part{Text: " The config names no channels to visit."})
	}
	return append(p, Part{Text: " No tuner is configured; readings that you import appear here."})
}
