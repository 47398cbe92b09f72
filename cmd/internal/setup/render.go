package setup

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"holdfast/analysis/reception"
)

// A Draft is what the dialogue has found out. Strings are as the config has them.
type Draft struct {
	Name, Region, TimeZone string
	Latitude, Longitude    float64 // NaN: not said
	Availability           string  // such as 99 %
	Channels               []reception.Channel
	Tuners                 []Tuner
	Weather                []Weather
	Data                   string // "": left to the command line and the service
}

// A Tuner of a draft.
type Tuner struct {
	Name, Kind        string
	Adapter, Frontend int
	Path              string // of several tuners: adapter numbers may change places
	About             string // for people: what the device calls itself
	Lent              bool
	ReadURL, TuneURL  string
	Mapping           string
	Command           []string
	Channels          []int // RF numbers; nil for all
	Every             string
}

// Weather of a draft.
type Weather struct {
	Kind, Station, URL string
	DistanceKM         float64
	About              string
}

// Render writes the config: commented, so that it can be changed without the manual.
func (d Draft) Render() string {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("# Written by holdfast setup. Change what you like: holdfast check says whether it will")
	p("# run, and configs/reference.yaml of the source explains every key there is.")
	p("version: 1")
	p("")
	p("home:")
	p("  name: %s # what you call the place", quoted(d.Name))
	if d.Region != "" {
		p("  region: %s # whose channel numbers are meant", d.Region)
	}
	p("  time_zone: %s", d.TimeZone)
	if !math.IsNaN(d.Latitude) {
		p("  # Leaves and daylight come from the position. It is rounded: no more is needed.")
		p("  latitude: %s # degrees north", number(d.Latitude))
		p("  longitude: %s # degrees east", number(d.Longitude))
	} else {
		p("  # Leaves and daylight come from the position; a tenth of a degree is enough.")
		p("  # latitude: 43.0 # degrees north")
		p("  # longitude: -75.0 # degrees east")
	}
	d.renderChannels(p)
	d.renderTuners(p)
	d.renderWeather(p)
	p("")
	p("# What the household asks. What is to spare is reckoned against it.")
	p("wanted:")
	p("  availability: %s # of all hours", d.Availability)
	if d.Data != "" {
		p("")
		p("# All data, in a folder beside this file.")
		p("store:")
		p("  data: %s", quoted(d.Data))
	}
	p("")
	p("# The page is for this machine alone. holdfast password prints the lines that let the")
	p("# home's network in.")
	p("web:")
	p("  listen: 127.0.0.1:8790")
	return b.String()
}

func (d Draft) renderChannels(p func(string, ...any)) {
	p("")
	if len(d.Channels) == 0 {
		p("# The RF channels, by number in the region's raster and not by that on screen.")
		p("# channels:")
		p("#   - { rf: 26, name: What people call it, screen: \"9.1\" }")
		return
	}
	p("# The RF channels, by number in the region's raster and not by that on screen. Those")
	p("# that nobody watches: wanted: false.")
	p("channels:")
	for _, c := range d.Channels {
		var kv []string
		if c.RF > 0 && d.Region != "" {
			kv = append(kv, fmt.Sprintf("rf: %d", c.RF))
		} else {
			kv = append(kv, "frequency_mhz: "+number(float64(c.FrequencyHz)/1e6))
			if c.BandwidthHz > 0 {
				kv = append(kv, "bandwidth_mhz: "+number(float64(c.BandwidthHz)/1e6))
			}
		}
		if c.System != "" && c.System != reception.Region(d.Region).DefaultSystem() {
			kv = append(kv, "system: "+string(c.System))
		}
		if c.Layer != "" {
			kv = append(kv, "layer: "+quoted(c.Layer))
		}
		if c.Name != "" {
			kv = append(kv, "name: "+quoted(c.Name))
		}
		if c.Screen != "" {
			kv = append(kv, "screen: "+quoted(c.Screen))
		}
		p("  - { %s }", strings.Join(kv, ", "))
	}
}

func (d Draft) renderTuners(p func(string, ...any)) {
	p("")
	if len(d.Tuners) == 0 {
		p("# No tuner: holdfast import fills this home. holdfast setup finds tuners.")
		return
	}
	p("# A name stands in every table: keep it when the tuner moves.")
	p("tuners:")
	for _, t := range d.Tuners {
		p("  - name: %s", quoted(t.Name))
		if t.About != "" {
			p("    kind: %s # %s", t.Kind, comment(t.About))
		} else {
			p("    kind: %s", t.Kind)
		}
		switch t.Kind {
		case "dvb":
			if t.Path != "" {
				p("    path: %s # where it is plugged in; now /dev/dvb/adapter%d", quoted(t.Path), t.Adapter)
			} else {
				p("    adapter: %d # /dev/dvb/adapter%d/frontend%d", t.Adapter, t.Adapter, t.Frontend)
			}
			if t.Frontend != 0 {
				p("    frontend: %d", t.Frontend)
			}
		case "httpjson":
			if t.TuneURL != "" {
				p("    tune_url: %s # asked once a visit", quoted(t.TuneURL))
			}
			p("    read_url: %s # read once a second while a visit lasts", quoted(t.ReadURL))
			p("    mapping: %s # jq: from the device's names to ours", quoted(t.Mapping))
		case "command":
			var args []string
			for _, a := range t.Command {
				args = append(args, quoted(a))
			}
			p("    command: [%s]", strings.Join(args, ", "))
		}
		if len(t.Channels) > 0 {
			p("    channels: %s", strings.ReplaceAll(fmt.Sprint(t.Channels), " ", ", "))
		}
		if t.Every != "" {
			p("    every: %s", t.Every)
		}
		if t.Lent {
			p("    lent: true # the household watches with it: held at most a tenth of the time")
			p("    # keep_out: [\"19:30-22:00\"] # hours in which it is left alone")
		}
	}
}

func (d Draft) renderWeather(p func(string, ...any)) {
	p("")
	if len(d.Weather) == 0 {
		p("# No weather: nothing can be said about leaves, wind and rain. See the reference for")
		p("# airports, models, stations in the yard and files.")
		return
	}
	p("# Nothing else is fetched.")
	p("weather:")
	for _, w := range d.Weather {
		p("  - kind: %s%s", w.Kind, aside(w.About))
		p("    url: %s", quoted(w.URL))
		if w.Station != "" {
			p("    station: %s", quoted(w.Station))
		}
		if !math.IsNaN(w.DistanceKM) {
			p("    distance_km: %s # from the home", number(w.DistanceKM))
		}
	}
}

func aside(s string) string {
	if s == "" {
		return ""
	}
	return " # " + comment(s)
}

// comment keeps text within its line.
func comment(s string) string { return strings.Join(strings.Fields(s), " ") }

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// quoted writes text as a YAML value that can stand within braces too.
func quoted(s string) string {
	b, err := yaml.Marshal(&yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s, Style: style(s)})
	if err != nil {
		return strconv.Quote(s)
	}
	return strings.TrimSuffix(string(b), "\n")
}

func style(s string) yaml.Style {
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') {
			return yaml.DoubleQuotedStyle // also a number, which is text here
		}
	}
	switch strings.ToLower(s) {
	case "", "y", "n", "yes", "no", "on", "off", "true", "false", "null":
		return yaml.DoubleQuotedStyle
	}
	return 0
}
