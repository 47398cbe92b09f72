package setup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"holdfast/cmd/internal/daemon"
	"holdfast/configs"
	"holdfast/dashboards/words"
)

// services are public services of weather (their addresses from memory): the text of an
// airport's last report, the US weather service's observations of a station, the hours
// of a model.
var services = map[string]string{
	"airport": "https://tgftp.nws.noaa.gov/data/observations/metar/stations/%s.TXT",
	"us":      "https://api.weather.gov/stations/%s/observations?limit=48",
	"model": "https://api.open-meteo.com/v1/forecast?%s&past_days=7&timezone=GMT&hourly=temperature_2m,dew_point_2m,pressure_msl," +
		"wind_speed_10m,wind_gusts_10m,wind_direction_10m,precipitation,rain,snowfall,weather_code",
}

var stationForms = map[string]*regexp.Regexp{
	"airport": regexp.MustCompile(`^[A-Z0-9]{4}$`),
	"us":      regexp.MustCompile(`^[A-Z0-9]{3,10}$`),
}

// weather offers a source. Nothing is fetched, and no source written, without a yes.
func (s *session) weather(ctx context.Context) error {
	why := "Weather tells leaves, wind and rain from faults. What may give it:\n" +
		"  airport  reports of the nearest airport, the best for most homes\n" +
		"  us       observations of the US weather service, in the United States\n" +
		"  model    modelled hours of Open-Meteo for the position, anywhere\n" +
		"  other    a station of yours or a file: you write it into the config, see the reference\n" +
		"  none     nothing can then be said about leaves, wind and rain"
	kind := ""
	err := s.d.ask(ctx, question{key: "weather", text: "Weather: airport, us, model, other or none", why: why, answer: "none", read: func(v string) error {
		switch v = strings.ToLower(v); v {
		case "airport", "us", "model", "other", "none":
		default:
			return errors.New("write airport, us, model, other or none")
		}
		if v == "model" && math.IsNaN(s.draft.Latitude) {
			return errors.New("modelled hours want a position, and you gave none; write airport, us, other or none")
		}
		kind = v
		return nil
	}})
	if err != nil || kind == "none" || kind == "other" {
		return err
	}
	w := Weather{DistanceKM: math.NaN()}
	if kind == "model" {
		at := url.Values{"latitude": {number(s.draft.Latitude)}, "longitude": {number(s.draft.Longitude)}}
		w.Kind, w.URL = "open-meteo", fmt.Sprintf(s.m.WeatherURL[kind], at.Encode())
		w.About = "hours of a model by Open-Meteo, CC BY 4.0: name it where you publish"
		w.DistanceKM = 5 // of the middle of its cell, at most, with the position rounded (ours)
	} else if err := s.station(ctx, kind, &w); err != nil {
		return err
	}
	host := w.URL
	if u, err := url.Parse(w.URL); err == nil {
		host = u.Host
	}
	tells, often := "which station you ask for", "quarter of an hour"
	if kind == "model" {
		tells, often = "the rounded position", "hour"
	}
	yes, err := s.d.Yes(ctx, "fetch", "May holdfast fetch it",
		fmt.Sprintf("holdfast would ask %s now, and every %s while it runs. Whoever runs that service sees your address in the internet and %s.", host, often, tells), false)
	if err != nil {
		return err
	}
	if !yes {
		s.d.say("No weather is written.")
		return nil
	}
	s.draft.Weather = []Weather{w}
	c, err := s.parsed()
	if err != nil {
		s.draft.Weather = nil
		return fmt.Errorf("the weather cannot be used: %w", err)
	}
	f := daemon.CheckWeather(ctx, c, 0)
	s.d.say("%s: %s.", capital(string(f.Level)), f.Text)
	if f.Level == daemon.Fault {
		s.d.say("It is written all the same; holdfast check tries it again.")
	}
	return ctx.Err()
}

func (s *session) station(ctx context.Context, kind string, w *Weather) error {
	text, why := "Location indicator of the airport, four letters", "It is the four-letter code that begins each of its weather reports; any map of airports has it."
	w.Kind, w.About = "metar", "reports of an airport"
	if kind == "us" {
		text, why = "Station, such as KABC", "It stands in the address of its page at the US weather service."
		w.Kind, w.About = "usobs", "observations of the US weather service"
	}
	err := s.d.ask(ctx, question{key: "station", text: text, why: why, needed: true, read: func(v string) error {
		v = strings.ToUpper(v)
		if !stationForms[kind].MatchString(v) {
			return fmt.Errorf("%q cannot be one; write it such as KABC", v)
		}
		w.Station, w.URL = v, fmt.Sprintf(s.m.WeatherURL[kind], v)
		return nil
	}})
	if err != nil {
		return err
	}
	return s.d.ask(ctx, question{key: "distance", text: "How far is it from the home, km (or none)", answer: "none", read: func(v string) error {
		if v == "none" {
			return nil
		}
		km, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(strings.TrimSuffix(v, "km")), " "), 64)
		if err != nil || !(km >= 0 && km <= 500) {
			return errors.New("write a number of kilometres up to 500, such as 11, or none")
		}
		w.DistanceKM = km
		return nil
	}})
}

// Summary says in a line what a config has.
func Summary(c configs.Config) string {
	var tuners []string
	for _, t := range c.Tuners {
		tuners = append(tuners, t.Name+" ("+t.Kind+")")
	}
	if len(tuners) == 0 {
		tuners = []string{"none"}
	}
	return fmt.Sprintf("%s: %s; tuners: %s; %s of weather", c.Home.Name, words.Plural(len(c.Channels), "channel"), strings.Join(tuners, ", "), words.Plural(len(c.Weather), "source"))
}
