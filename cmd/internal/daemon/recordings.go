package daemon

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"holdfast/collector/calendar"
)

// keptCalendars is the folder below the data's for the last good copy of each calendar.
const keptCalendars = "calendars"

// openCalendars makes the calendars of recordings; their jobs read them.
func (g *gen) openCalendars() error {
	g.calendars = map[string]*calendar.Calendar{}
	if len(g.config.Recordings) == 0 {
		return nil
	}
	dir := filepath.Join(g.home.dir, keptCalendars)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make a folder for calendars: %w", err)
	}
	for _, r := range g.config.Recordings {
		c, err := calendar.New(calendar.Options{
			Name: r.Name, File: r.File, URL: r.URL.Reveal(), Before: r.Before, After: r.After, Zone: g.home.setup.zone,
			Keep: filepath.Join(dir, url.PathEscape(r.Name)+".ics"), Now: g.params.Now,
		})
		if err != nil {
			return fmt.Errorf("recordings %q: %w", r.Name, err)
		}
		g.calendars[r.Name] = c
	}
	return nil
}

// reserved reports, for a tuner, whether one of its calendars needs it; nil if none is
// for it.
func (g *gen) reserved(tuner string) func(from, to time.Time) bool {
	var cs []*calendar.Calendar
	for _, r := range g.config.Recordings {
		if len(r.Tuners) == 0 || slices.Contains(r.Tuners, tuner) {
			cs = append(cs, g.calendars[r.Name])
		}
	}
	if cs == nil {
		return nil
	}
	return func(from, to time.Time) bool {
		return slices.ContainsFunc(cs, func(c *calendar.Calendar) bool { return c.Reserved(from, to) })
	}
}

func (g *gen) calendarJobs() []timedJob {
	var jobs []timedJob
	for _, r := range g.config.Recordings {
		jobs = append(jobs, timedJob{"recordings", r.Every, g.calendars[r.Name].Update})
	}
	return jobs
}
