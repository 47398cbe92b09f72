package words

import "math"

// A cause has words for a line of text and a short one for a mark in a drawing.
type cause struct{ long, short string }

// causes holds every cause of the machine contract.
var causes = map[string]cause{
	"leaves":              {"leaves", "leaves"},
	"wet-leaves":          {"wet leaves", "wet"},
	"wind-trees":          {"wind in the trees", "wind"},
	"mast-sway":           {"mast swaying", "sway"},
	"snow-ice":            {"snow or ice", "ice"},
	"wet-roof":            {"wet roof", "roof"},
	"water-in-line":       {"water in the line", "water"},
	"ageing":              {"ageing", "age"},
	"antenna-turned":      {"antenna turned", "turned"},
	"amplifier":           {"amplifier", "amp"},
	"overload":            {"too much signal", "over"},
	"impulse-noise":       {"switching noise", "noise"},
	"powerline-noise":     {"power-line noise", "line"},
	"ducting":             {"far transmitter", "far"},
	"tropospheric-fading": {"air layers", "air"},
	"sporadic-e":          {"sporadic E", "Es"},
	"aircraft":            {"aircraft", "plane"},
	"multipath":           {"echoes", "echo"},
	"mobile-band":         {"mobile band", "mobile"},
	"moving-reflector":    {"moving reflection", "moving"},
	"obstruction":         {"new obstacle", "block"},
	"transmitter-reduced": {"transmitter reduced", "low"},
	"transmitter-off":     {"transmitter off", "off"},
	"channel-moved":       {"channel moved", "moved on"},
	"leg":                 {"splitter or lead", "leg"},
	"tuner":               {"tuner", "tuner"},
	"host":                {"computer", "host"},
	"temperature":         {"heat or cold", "temp"},
	"tide":                {"tide", "tide"},
	"ordinary-fading":     {"ordinary fading", "fade"},
	"unknown":             {"not certain", "?"},
}

// Causes lists the machine forms that have words, in no particular order.
func Causes() []string {
	out := make([]string, 0, len(causes))
	for k := range causes {
		out = append(out, k)
	}
	return out
}

// Cause returns the words for a cause in machine form, in full and short. One that
// is not known here keeps its machine form; none is "".
func Cause(machine string) (long, short string) {
	if machine == "" {
		return "", ""
	}
	if c, ok := causes[machine]; ok {
		return c.long, c.short
	}
	return machine, machine
}

// OffAir reports whether a cause lies at the transmitter, so that the dropout is
// listed and not counted.
func OffAir(machine string) bool {
	return machine == "transmitter-off" || machine == "transmitter-reduced"
}

// HowSure names a probability, 0 to 1: "almost surely", "most probably", "perhaps",
// else "not certain"; NaN is "not certain".
func HowSure(p float64) string {
	switch {
	case math.IsNaN(p):
		return "not certain"
	case p >= 0.9:
		return "almost surely"
	case p >= 0.6:
		return "most probably"
	case p >= 0.4:
		return "perhaps"
	}
	return "not certain"
}

// Urgency puts a severity of ITU-T X.733 in words: critical and major are "today",
// minor and warning "this month", cleared "cleared", the rest "for information".
func Urgency(severity string) string {
	switch severity {
	case "critical", "major":
		return "today"
	case "minor", "warning":
		return "this month"
	case "cleared":
		return "cleared"
	}
	return "for information"
}

// Why puts a reason for not having measured in words.
func Why(reason string) string {
	switch reason {
	case "viewer":
		return "in use by the viewer"
	case "keep-out":
		return "in hours kept free"
	case "down":
		return "holdfast was not running"
	case "failing":
		return "the tuner did not answer"
	case "clock":
		return "the clock was wrong"
	}
	return "for another reason"
}
