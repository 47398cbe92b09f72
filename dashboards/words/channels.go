package words

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// A Seen is a channel of the home with what each of its tuners saw of it last, under
// the newest installation.
type Seen struct {
	reception.Channel
	By []answer.Channel // by tuner, those that made a visit
}

// ChannelsSeen lists a home's channels: the config's in its order, then those that only
// the answer knows.
func ChannelsSeen(a answer.Answer, f Facts) []Seen {
	var out []Seen
	for _, l := range Lanes(a, f) {
		s := Seen{Channel: l.Channel}
		tuners := map[string]bool{}
		for _, e := range a.Channels {
			if e.FrequencyHz == l.FrequencyHz && e.Layer == l.Layer && !tuners[e.Tuner] {
				tuners[e.Tuner] = true
				if e.Latest.Time != 0 {
					s.By = append(s.By, e)
				}
			}
		}
		out = append(out, s)
	}
	return out
}

// ChannelsText writes the channels with what was last seen of each, for people at a
// terminal of so many columns; 0 means 80.
func ChannelsText(w io.Writer, a answer.Answer, f Facts, width int) error {
	if width == 0 {
		width = 80
	}
	if f.NowMS == 0 {
		f.NowMS = int64(a.AsOf)
	}
	p := &printer{width: max(40, width), facts: f}
	seen := ChannelsSeen(a, f)
	if len(seen) == 0 {
		p.wrapped("The config names no channel, and nothing was measured yet.", "", "")
	}
	for _, s := range seen {
		l := Lane{Channel: s.Channel}
		p.wrapped(l.Call(f)+" ("+aboutChannel(s.Channel)+")", "", "  ")
		for _, e := range s.By {
			p.wrapped(p.lastSeen(e), "  ", "    ")
		}
		if len(s.By) == 0 {
			p.line("  not visited yet")
		}
	}
	_, err := w.Write(p.b.Bytes())
	return err
}

func aboutChannel(c reception.Channel) string {
	var parts []string
	if c.RF > 0 {
		parts = append(parts, "RF"+Nbsp+strconv.Itoa(c.RF))
	}
	parts = append(parts, Decimal(float64(c.FrequencyHz)/1e6, 1)+Nbsp+"MHz")
	if c.System != "" {
		parts = append(parts, string(c.System))
	}
	if c.Layer != "" {
		parts = append(parts, "layer"+Nbsp+c.Layer)
	}
	if c.Transmitter != "" {
		parts = append(parts, "from "+c.Transmitter)
	}
	if !c.Wanted {
		parts = append(parts, "not wanted")
	}
	return strings.Join(parts, ", ")
}

func (p *printer) lastSeen(e answer.Channel) string {
	v := e.Latest
	var what []string
	say := func(x answer.Num, form string) {
		if !math.IsNaN(float64(x)) {
			what = append(what, fmt.Sprintf(form, DB(float64(x))))
		}
	}
	switch {
	case v.WrongIdentity:
		what = append(what, "another transmitter")
	case v.Locked:
		what = append(what, "locked")
	default:
		what = append(what, "no lock")
	}
	say(v.CNDB, "C/N %s")
	if m := float64(v.MarginDB); m < 0 {
		what = append(what, DB(-m)+" below the threshold")
	} else {
		say(v.MarginDB, "%s above the threshold")
	}
	if !math.IsNaN(float64(v.LevelDBm)) {
		what = append(what, "level "+DB(float64(v.LevelDBm))+"m")
	}
	switch {
	case v.Identity != "" && v.WrongIdentity:
		what = append(what, "stream "+v.Identity+" where "+v.ExpectedIdentity+" is expected")
	case v.Identity != "":
		what = append(what, "stream "+v.Identity)
	}
	return e.Tuner + ", " + p.facts.DateTime(int64(v.Time)) + ": " + strings.Join(what, ", ")
}
