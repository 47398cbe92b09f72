package alerting

import (
	"fmt"
	"slices"
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

// labels names channels once each, in order.
func labels(cs []answer.Channel) []string {
	var names []string
	for _, c := range cs {
		if l := label(c); !slices.Contains(names, l) {
			names = append(names, l)
		}
	}
	return names
}

func lostText(cs []answer.Channel) string {
	names := labels(cs)
	if len(names) == 1 {
		return fmt.Sprintf("%s has had no picture for an hour. If the other channels come in, its transmitter or its own path is the likelier cause: wait for the station. If not: %s", names[0], firstIndoors)
	}
	return fmt.Sprintf("%d channels lost their picture together an hour ago: %s. One cause is likely. %s %s", len(names), strings.Join(names, "; "), firstIndoors, outdoors)
}

func allLostText(channels int) string {
	return fmt.Sprintf("All channels have had no picture for an hour: %d lost it together. Power, the amplifier or the cable that feeds them all is the likely cause. %s %s", channels, firstIndoors, outdoors)
}

func wrongIdentityText(cs []answer.Channel, moved bool) string {
	names := labels(cs)
	what := fmt.Sprintf("%s is lost: another transmitter has been on the same channel for an hour", names[0])
	if len(names) > 1 {
		what = fmt.Sprintf("%d channels are lost: other transmitters have been on them for an hour: %s", len(names), strings.Join(names, "; "))
	}
	if moved {
		return what + ". It has lasted for a day on every tuner that visits it: the channel has probably moved. Let your sets search for channels again, and correct the identity in the config."
	}
	return what + ". The tuner locks, to a signal with another identity. In unusual weather a far transmitter comes in for hours: wait. If it lasts for days the channel has moved: let your sets search for channels again."
}

func detail(h reception.Health, text string) string {
	if h.Detail != "" {
		return text + ": " + strings.TrimSuffix(h.Detail, ".")
	}
	return text
}

func silentText(h reception.Health, _ int64) string {
	return detail(h, fmt.Sprintf("Tuner %q has given no reading for half an hour", h.Subject)) +
		". What it would have measured counts as not measured, never as lost. Check that it is plugged in and that no other program holds it."
}

func staleText(h reception.Health, lasts int64) string {
	what := fmt.Sprintf("Weather source %q has brought nothing that can be used for %d hours", h.Subject, lasts/hourMS)
	if lasts >= 2*dayMS {
		what = fmt.Sprintf("Weather source %q has brought nothing that can be used for %d days", h.Subject, lasts/dayMS)
	}
	return detail(h, what) + ". Channels are watched all the same; what wind, rain and leaves do to them cannot be told for this time. Check its address or file, and this machine's way to the network."
}

func diskText(h reception.Health, _ int64) string {
	return detail(h, "The disk that holds the readings is failing or nearly full") + ". Free some space, or move the data folder; nothing that is stored is deleted to make room."
}

func storeText(h reception.Health, _ int64) string {
	return detail(h, "Readings cannot be stored") + ". The newest wait in memory and are lost if holdfast stops. Check the disk before you restart anything."
}

func clockText(h reception.Health, _ int64) string {
	return detail(h, "This machine's clock is wrong") + ". Nothing is measured until it is right: check that time comes from the network."
}

func followerText(h reception.Health, _ int64) string {
	return detail(h, fmt.Sprintf("The copy at %q has been behind for a day", h.Subject)) + ". The readings here are whole; the copy catches up by itself when it answers again."
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
