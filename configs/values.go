package configs

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"
)

// A Share is a part of the whole, 0 to 1, written as 99 % or 0.99.
type Share float64

func (s *Share) parse(text string) string {
	number, percent := strings.CutSuffix(text, "%")
	number = strings.TrimSpace(number)
	v, ok := number64(number)
	if !ok {
		return fmt.Sprintf("%q is not a share; write one such as 99 %% or 0.99", text)
	}
	if percent {
		v /= 100
		if near, ok := number64(number + "e-2"); ok { // 99.9 % is 0.999, to the last bit
			v = near
		}
	} else if v > 1 {
		return fmt.Sprintf("%s is more than the whole; write %s %% or a number up to 1", text, text)
	}
	if v < 0 || v > 1 {
		return fmt.Sprintf("%s is outside 0 %% to 100 %%; write a share such as 99 %%", text)
	}
	*s = Share(v)
	return ""
}

// An Expression is a jq expression, of one line or several.
type Expression string

func (e *Expression) parse(text string) string {
	switch {
	case strings.TrimSpace(text) == "":
		return "is empty; write a jq expression, such as .now"
	case len(text) > maxText:
		return "is longer than 4096 bytes; shorten it"
	}
	*e = Expression(text)
	return ""
}

// Hours are a part of every day, as time since midnight by the clock on the wall,
// written as 18:00-23:00; 23:00-01:00 spans midnight.
type Hours struct{ From, To time.Duration }

func (h *Hours) parse(text string) string {
	from, to, ok := strings.Cut(text, "-")
	a, okA := clock(from)
	b, okB := clock(to)
	if !ok || !okA || !okB || a == 24*time.Hour {
		return fmt.Sprintf("%q are no hours of the day; write them such as 18:00-23:00", text)
	}
	if a == b {
		return fmt.Sprintf("%q begins and ends at the same time; write 00:00-24:00 for the whole day", text)
	}
	*h = Hours{a, b}
	return ""
}

func clock(text string) (time.Duration, bool) {
	hh, mm, ok := strings.Cut(strings.TrimSpace(text), ":")
	h, errH := strconv.ParseUint(hh, 10, 8)
	m, errM := strconv.ParseUint(mm, 10, 8)
	d := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	return d, ok && errH == nil && errM == nil && len(hh) <= 2 && len(mm) == 2 && m < 60 && d <= 24*time.Hour
}

func (h Hours) String() string {
	f := func(d time.Duration) string { return fmt.Sprintf("%02d:%02d", d/time.Hour, d%time.Hour/time.Minute) }
	return f(h.From) + "-" + f(h.To)
}

// RFs are numbers of channels, or all of them.
type RFs struct {
	All     bool
	Numbers []int
}

func (d *decoder) rfs(n *yaml.Node, r *RFs, path string) {
	const want = "write all, or a list of RF numbers such as [7, 19, 36]"
	if n.Kind == yaml.ScalarNode && n.Value == "all" {
		r.All = true
		return
	}
	if n.Kind != yaml.SequenceNode {
		d.fault(n, path, "%s is no list of channels; %s", shown(n), want)
		return
	}
	if len(n.Content) == 0 {
		d.fault(n, path, "the list is empty; %s", want)
	}
	seen := map[int]bool{}
	for i, e := range n.Content {
		p := fmt.Sprintf("%s[%d]", path, i)
		d.note(e, p)
		v, err := strconv.Atoi(e.Value)
		switch {
		case d.plain(e, p):
		case e.Kind != yaml.ScalarNode || err != nil:
			d.fault(e, p, "%s is no RF number; %s", shown(e), want)
		case seen[v]:
			d.fault(e, p, "RF %d is there twice; remove one", v)
		}
		seen[v] = true
		r.Numbers = append(r.Numbers, v)
	}
}

func duration(text string) (time.Duration, string) {
	d, err := time.ParseDuration(text)
	switch _, isNumber := number64(text); {
	case err == nil && (text != "0" || d != 0):
		return d, ""
	case isNumber:
		return 0, fmt.Sprintf("%s has no unit; write %ss or %sm", text, text, text)
	}
	return 0, fmt.Sprintf("%q is no time span; write one such as 5s, 5m or 1h30m", text)
}

func number64(text string) (float64, bool) {
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil && v-v == 0 && !strings.ContainsAny(text, "xXpP_")
}
