package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/configs"
)

// A Plan is what run would do under a config.
type Plan struct {
	Visits  []PlannedVisits  `json:"visits"`
	Weather []PlannedWeather `json:"weather"`
	Alarms  []string         `json:"alarms"` // ways of telling
	Listen  string           `json:"listen"`
	Data    string           `json:"data"`
}

// PlannedVisits are those of one tuner to one channel.
type PlannedVisits struct {
	Tuner       string   `json:"tuner"`
	RF          int      `json:"rf"`
	FrequencyHz int64    `json:"frequency_hz"`
	Layer       string   `json:"layer"`
	Name        string   `json:"name"`
	EveryS      int64    `json:"every_s"`  // base interval, as it will be kept
	WantedS     int64    `json:"wanted_s"` // as the config has it
	DwellS      int64    `json:"dwell_s"`
	KeepOut     []string `json:"keep_out"`   // hours in which it is left alone, local
	Recordings  []string `json:"recordings"` // calendars during whose events too
	Lent        bool     `json:"lent"`
	Riding      string   `json:"riding"` // never, allowed, only; "" where it cannot be
}

// Called is the channel as people call it.
func (v PlannedVisits) Called() string {
	return Called(reception.Channel{RF: v.RF, FrequencyHz: v.FrequencyHz, Layer: v.Layer, Name: v.Name})
}

// PlannedWeather is one source.
type PlannedWeather struct {
	Name   string `json:"name"`
	Kind   string `json:"kind"`
	EveryS int64  `json:"every_s"`
}

// MakePlan says what run would do. dir is the data folder.
func MakePlan(c configs.Config, dir string) (Plan, error) {
	p := Plan{Visits: []PlannedVisits{}, Weather: []PlannedWeather{}, Alarms: []string{}, Listen: c.Web.Listen, Data: dir}
	s, err := setupFrom(c)
	if err != nil {
		return p, err
	}
	for _, t := range c.Tuners {
		chs := s.channelsOf(t)
		loop, err := collector.NewTuner(t.Name, nowhere{}, chs, collector.Options{Every: t.Every, Dwell: t.Dwell, Lent: t.Lent}, nil, slog.New(slog.DiscardHandler))
		if err != nil {
			return p, err
		}
		keep := []string{}
		for _, h := range t.KeepOut {
			keep = append(keep, h.String())
		}
		recordings := []string{}
		for _, r := range c.Recordings {
			if len(r.Tuners) == 0 || slices.Contains(r.Tuners, t.Name) {
				recordings = append(recordings, r.Name)
			}
		}
		for _, ch := range chs {
			p.Visits = append(p.Visits, PlannedVisits{
				Tuner: t.Name, RF: ch.RF, FrequencyHz: ch.FrequencyHz, Layer: ch.Layer, Name: ch.Name,
				EveryS: int64(loop.Interval() / time.Second), WantedS: int64(t.Every / time.Second), DwellS: int64(t.Dwell / time.Second), KeepOut: keep, Recordings: recordings, Lent: t.Lent, Riding: t.Riding,
			})
		}
	}
	for _, w := range c.Weather {
		p.Weather = append(p.Weather, PlannedWeather{w.Name, w.Kind, int64(w.Every / time.Second)})
	}
	for _, t := range c.Tell {
		p.Alarms = append(p.Alarms, t.Name)
	}
	return p, nil
}

// nowhere is a source that a plan never visits.
type nowhere struct{}

func (nowhere) Visit(context.Context, collector.Visit) (reception.Reading, error) {
	return reception.NewReading(), fmt.Errorf("a plan visits nothing: %w", collector.ErrGone)
}
func (nowhere) Scale(string) (reception.Scale, bool) { return reception.Scale{}, false }
func (nowhere) Tuner() reception.Tuner               { return reception.Tuner{} }
func (nowhere) Close() error                         { return nil }
