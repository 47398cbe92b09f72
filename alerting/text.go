package alerting

import (
	"fmt"
	"strings"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// Messages say what, since when, how sure, and what to do first: indoors. Nobody is
// sent outdoors by an alarm.
const (
	firstIndoors = "First look indoors: are the leads at the tuner, the splitter and the amplifier's supply seated and powered?"
	outdoors     = "Leave roof and mast work to a professional. Nobody works within reach of a power line, in wind, wet, ice, dusk or thunder."
)

func db(v float64) string {
	return strings.Replace(fmt.Sprintf("%.1f", v), "-", "−", 1)
}

func label(c answer.Channel) string {
	parts := []string{}
	if c.Screen != "" || c.Name != "" {
		parts = append(parts, strings.TrimSpace(c.Screen+" "+c.Name))
	}
	if c.RF > 0 {
		parts = append(parts, fmt.Sprintf("RF %d", c.RF))
	} else {
		parts = append(parts, fmt.Sprintf("%.3f MHz", float64(c.FrequencyHz)/1e6))
	}
	return strings.Join(parts, ", ")
}

func spareText(c answer.Channel) string {
	return fmt.Sprintf("%s is short by %s dB, %s to %s (95 %%): its settled margin is %s dB and this place requires %s dB. %s %s",
		label(c), db(-c.Spare.Value), db(-c.Spare.High), db(-c.Spare.Low), db(c.SettledMargin.Value), db(c.RequiredMargin.Value), firstIndoors, outdoors)
}

func lostText(cs []answer.Channel) string {
	var names []string
	for _, c := range cs {
		if l := label(c); len(names) == 0 || names[len(names)-1] != l {
			names = append(names, l)
		}
	}
	if len(names) == 1 {
		return fmt.Sprintf("%s has had no picture for an hour. If the other channels come in, its transmitter or its own path is the likelier cause: wait for the station. If not: %s", names[0], firstIndoors)
	}
	return fmt.Sprintf("%d channels lost their picture together an hour ago: %s. One cause is likely. %s %s", len(names), strings.Join(names, "; "), firstIndoors, outdoors)
}

func silentText(h reception.Health) string {
	t := fmt.Sprintf("Tuner %q has given no reading for half an hour", h.Subject)
	if h.Detail != "" {
		t += ": " + h.Detail
	}
	return t + ". What it would have measured counts as not measured, never as lost. Check that it is plugged in and that no other program holds it."
}

// PeopleWord says a severity as people read it.
func (s Severity) PeopleWord() string {
	switch s {
	case Critical, Major:
		return "today"
	case Minor, Warning:
		return "this month"
	case Cleared:
		return "cleared"
	}
	return "for information"
}
