package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/weather"
	"holdfast/collector/weather/csvfile"
	"holdfast/collector/weather/jsonmap"
	"holdfast/collector/weather/metar"
	"holdfast/collector/weather/openmeteo"
	"holdfast/collector/weather/usobs"
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
	"usobs": func(w configs.Weather) (weather.Source, error) {
		return usobs.New(usobs.Options{Source: w.Name, File: w.File, URL: w.URL.Reveal(), Station: w.Station, DistanceKM: w.DistanceKM})
	},
	"open-meteo": func(w configs.Weather) (weather.Source, error) {
		return openmeteo.New(openmeteo.Options{Source: w.Name, File: w.File, URL: w.URL.Reveal(), DistanceKM: w.DistanceKM})
	},
	"json": func(w configs.Weather) (weather.Source, error) {
		return jsonmap.New(jsonmap.Options{Source: w.Name, File: w.File, URL: w.URL.Reveal(), Mapping: string(w.Mapping), DistanceKM: w.DistanceKM, Every: w.Every})
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

const (
	// waitingWeather bounds the rows that wait for the store: two weeks of hours.
	waitingWeather = 24 * 14
	// recentWeather bounds the rows of a source that are looked at for wrong units.
	recentWeather = 1000
	// silentWeather is how long a source may give nothing new before that is a fault:
	// reports come each hour. The alarm of weather that is stale is told as soon.
	silentWeather = 6 * time.Hour
)

// An observer reads one source and stores its rows.
type observer struct {
	g    *gen
	name string
	s    weather.Source

	waiting []reception.Weather // that the store refused: next time
	recent  []reception.Weather // as they were read
	told    map[string]bool
	last    int64 // time of the newest row, Unix ms; 0: not looked yet
	begun   int64 // first look, Unix ms
}

func (g *gen) observer(name string, s weather.Source) func(context.Context) error {
	return (&observer{g: g, name: name, s: s, told: map[string]bool{}}).look
}

// look reads the source once. Its fact of health says what is wrong with it, or that
// it has been silent for six hours, since the last row.
func (o *observer) look(ctx context.Context) error {
	now := o.g.params.Now().UnixMilli()
	if o.begun == 0 {
		o.begun = now
		var err error
		if o.last, err = lastWeather(ctx, o.g.home.store, o.name); err != nil {
			o.begun = 0
			return err
		}
	}
	rows, err := o.s.Observe(ctx)
	units := o.take(rows)
	err = errors.Join(err, o.store(ctx, rows))
	if ctx.Err() != nil {
		return err
	}
	fact := reception.Health{Kind: reception.HealthWeather, Subject: o.name, Since: now, OK: err == nil && units == "", Detail: units}
	newest := o.last
	if newest == 0 { // never any: silent since the first look
		newest = o.begun
	}
	if err != nil {
		fact.Since, fact.Detail = min(now, newest), oneLine(err)
	}
	if now-newest >= silentWeather.Milliseconds() {
		fact.OK, fact.Since = false, newest
		why := "look whether its file or address still gets new weather"
		if err != nil {
			why = oneLine(err)
		}
		fact.Detail = fmt.Sprintf("no new weather since %s: %s", time.UnixMilli(newest).In(o.g.home.setup.zone).Format("Mon 2 January, 15:04"), why)
	}
	o.g.home.health.note(fact)
	return err
}

// take remembers rows and returns a line if they look as if in a wrong unit.
func (o *observer) take(rows []reception.Weather) string {
	for i := range rows {
		o.last = max(o.last, rows[i].Time)
	}
	o.recent = append(o.recent, rows...)
	if n := len(o.recent) - recentWeather; n > 0 {
		o.recent = append([]reception.Weather(nil), o.recent[n:]...)
	}
	lines := weather.Units(o.recent, o.g.beside(o.name, o.recent))
	for _, l := range lines {
		o.tell(l)
	}
	return strings.Join(lines, "; ")
}

// tell logs each kind of nonsense once.
func (o *observer) tell(what string) {
	kind := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, what)
	if !o.told[kind] && len(o.told) < 100 {
		o.told[kind] = true
		o.g.log.Warn("weather " + o.name + ": " + what)
	}
}

func (o *observer) store(ctx context.Context, rows []reception.Weather) error {
	o.waiting = append(o.waiting, rows...)
	if len(o.waiting) == 0 {
		return nil
	}
	rep, err := o.g.home.intake.Weather(ctx, o.waiting)
	if err != nil {
		if n := len(o.waiting) - waitingWeather; n > 0 {
			o.waiting = o.waiting[n:]
		}
		return err
	}
	o.waiting = o.waiting[:0]
	for _, i := range append(rep.Discarded, rep.Bad...) {
		o.tell(i.What)
	}
	if rep.New > 0 {
		o.g.home.pulse.beat()
	}
	return nil
}

// beside keeps the recent rows of a source for the others and returns those of the
// others.
func (g *gen) beside(name string, recent []reception.Weather) (others []reception.Weather) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.skies[name] = recent
	for _, n := range slices.Sorted(maps.Keys(g.skies)) {
		if n != name {
			others = append(others, g.skies[n]...)
		}
	}
	return others
}

func oneLine(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

// lastWeather is the time of the newest row of a source in the log; 0 if there is none.
func lastWeather(ctx context.Context, l store.Log, source string) (last int64, err error) {
	for w, err := range l.Weather(ctx, store.Always) {
		if err != nil {
			return 0, fmt.Errorf("read weather: %w", err)
		}
		if w.Source == source {
			last = max(last, w.Time)
		}
	}
	return last, nil
}

// aroundMS is how much weather around a span speaks for it: a sensor that is stuck for
// a day, the rows on either side of a jump, and rows of up to a day.
const aroundMS = 2 * dayMS

// mergedWeather is the weather of the hours that end in a span, one row each: of all
// sources, the preferred first, without values that cannot be true.
func mergedWeather(ctx context.Context, l store.Log, s store.Span, prefer []string) ([]reception.Weather, error) {
	var rows []reception.Weather
	for w, err := range l.Weather(ctx, store.Span{From: max(0, s.From-aroundMS), To: min(store.Always.To, s.To+aroundMS)}) {
		if err != nil {
			return nil, fmt.Errorf("read weather: %w", err)
		}
		rows = append(rows, w)
	}
	out := weather.Merge(rows, prefer)
	return slices.DeleteFunc(out, func(w reception.Weather) bool { return w.Time < s.From || w.Time >= s.To }), nil
}
