package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/weather"
	"holdfast/collector/weather/csvfile"
	"holdfast/collector/weather/metar"
	"holdfast/configs"
)

// The kinds of weather source, by the config's word.
var weatherKinds = map[string]func(configs.Weather) (weather.Source, error){
	"csv": func(w configs.Weather) (weather.Source, error) {
		return csvfile.New(w.File, csvfile.Options{Source: w.Name, DistanceKM: w.DistanceKM})
	},
	"metar": func(w configs.Weather) (weather.Source, error) {
		return metar.New(metar.Options{Source: w.Name, File: w.File, URL: w.URL.Reveal(), Station: w.Station, DistanceKM: w.DistanceKM})
	},
}

// weatherJobs are the jobs that read the config's sources of weather, and those that
// were handed in beside them.
func (g *gen) weatherJobs() ([]timedJob, error) {
	var jobs []timedJob
	for _, w := range g.config.Weather {
		open, ok := weatherKinds[w.Kind]
		if !ok {
			return nil, fmt.Errorf("weather %q: no source of kind %q", w.Name, w.Kind)
		}
		s, err := open(w)
		if err != nil {
			return nil, fmt.Errorf("weather %q: %w", w.Name, err)
		}
		jobs = append(jobs, timedJob{"weather " + w.Name, w.Every, g.observer(w.Name, s)})
	}
	for _, s := range g.params.Weather {
		jobs = append(jobs, timedJob{"weather " + s.String(), time.Minute, g.observer(s.String(), s)})
	}
	return jobs, nil
}

// waitingWeather bounds the rows that wait for the store: two weeks of hours.
const waitingWeather = 24 * 14

// observer returns what reads a source once and stores its rows. Rows that the store
// refused wait for the next time.
func (g *gen) observer(name string, s weather.Source) func(context.Context) error {
	var waiting []reception.Weather
	told := map[string]bool{}
	return func(ctx context.Context) error {
		rows, err := s.Observe(ctx)
		waiting = append(waiting, rows...)
		if len(waiting) > 0 {
			rep, serr := g.home.intake.Weather(ctx, waiting)
			if serr != nil {
				if len(waiting) > waitingWeather {
					waiting = waiting[len(waiting)-waitingWeather:]
				}
				err = errors.Join(err, serr)
			} else {
				waiting = waiting[:0]
				for _, i := range append(rep.Discarded, rep.Bad...) {
					if !told[i.What] && len(told) < 100 { // each kind of nonsense once
						told[i.What] = true
						g.log.Warn("weather " + name + ": " + i.What)
					}
				}
				if rep.New > 0 {
					g.home.pulse.beat()
				}
			}
		}
		fact := reception.Health{Kind: reception.HealthWeather, Subject: name, Since: g.params.Now().UnixMilli(), OK: err == nil}
		if err != nil {
			fact.Detail = err.Error()
		}
		if ctx.Err() == nil {
			g.home.health.note(fact)
		}
		return err
	}
}

// aroundMS is how much weather around a span its checks look at: a sensor that is
// stuck for a day, and the rows on either side of a jump.
const aroundMS = 2 * dayMS

// checkedWeather reads the rows that end in a span, and some around it, without the
// values that cannot be true, by source and time.
func checkedWeather(ctx context.Context, l store.Log, s store.Span) ([]reception.Weather, error) {
	bySource := map[string][]reception.Weather{}
	for w, err := range l.Weather(ctx, store.Span{From: max(0, s.From-aroundMS), To: min(store.Always.To, s.To+aroundMS)}) {
		if err != nil {
			return nil, fmt.Errorf("read weather: %w", err)
		}
		bySource[w.Source] = append(bySource[w.Source], w)
	}
	var out []reception.Weather
	for _, name := range slices.Sorted(maps.Keys(bySource)) {
		rows, _ := weather.Check(bySource[name])
		out = append(out, rows...)
	}
	return out, nil
}
