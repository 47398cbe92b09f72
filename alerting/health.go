package alerting

import (
	"slices"

	"holdfast/analysis/reception"
)

// A stage is how serious a health condition is once it has lasted.
type stage struct {
	afterMS  int64
	severity Severity
}

// A rule makes an alarm of a health fact that is not OK for a while. Stages ascend;
// the alarm clears when the fact has been OK for clearMS.
type rule struct {
	kind    reception.HealthKind
	cond    Condition
	cause   string
	stages  []stage
	clearMS int64
	// goneMS: nobody speaks of the subject any more for so long: it has left the config,
	// and its alarm goes with it. What is asked at each step is gone at once, the others
	// may not have spoken yet after a start.
	goneMS int64
	text   func(h reception.Health, lastsMS int64) string
}

// The rules. Their times are ours, like all of the machine's: a glitch raises nothing,
// and what flaps stays one alarm.
var rules = []rule{
	{reception.HealthTuner, TunerSilent, "tuner", []stage{{30 * minuteMS, Major}}, 10 * minuteMS, 0, silentText},
	// Reports come each hour, sensors more often; a week without is a source that is gone.
	{reception.HealthWeather, WeatherStale, "unknown", []stage{{6 * hourMS, Indeterminate}, {7 * dayMS, Minor}}, 0, 10 * minuteMS, staleText},
	{reception.HealthDisk, DiskFailing, "host", []stage{{10 * minuteMS, Major}}, 60 * minuteMS, 0, diskText},
	// What cannot be stored waits in memory and is gone with the next restart. This alone
	// is critical: nothing that is measured now can be measured again.
	{reception.HealthStore, StoreFailing, "host", []stage{{5 * minuteMS, Critical}}, 10 * minuteMS, 10 * minuteMS, storeText},
	{reception.HealthClock, ClockWrong, "host", []stage{{10 * minuteMS, Major}}, 10 * minuteMS, 0, clockText},
	{reception.HealthFollower, FollowerBehind, "host", []stage{{dayMS, Warning}}, 60 * minuteMS, 10 * minuteMS, followerText},
}

// facts applies the rules that apply allows. health is nil in a replay, which knows of
// no fact.
func (m *machine) facts(health []reception.Health, apply func(*rule) bool) {
	if health == nil {
		return
	}
	for i := range rules {
		r := &rules[i]
		if !apply(r) {
			continue
		}
		for _, h := range health {
			if h.Kind == r.kind {
				m.fact(r, h)
			}
		}
		for _, a := range slices.Clone(m.Open) {
			if a.Condition != r.cond {
				continue
			}
			gone := len(health) > 0 && !slices.ContainsFunc(health, func(h reception.Health) bool { return h.Kind == r.kind && h.Subject == a.Scope })
			if lasts := m.held("gone/"+string(r.kind)+"/"+a.Scope, gone, m.now); gone && lasts >= r.goneMS {
				for _, what := range []string{"gone/", "bad/", "well/"} {
					m.held(what+string(r.kind)+"/"+a.Scope, false, m.now)
				}
				m.clear(m.now, r.cond, a.Scope)
			}
		}
	}
}

func (m *machine) fact(r *rule, h reception.Health) {
	key := string(h.Kind) + "/" + h.Subject
	lasts := m.held("bad/"+key, !h.OK, m.now)
	if !h.OK && h.Since > 0 {
		lasts = max(lasts, m.now-h.Since)
	}
	open := m.open(r.cond, h.Subject)
	// how long it has been well again matters for what is open alone
	well := m.held("well/"+key, h.OK && open != nil, m.now)
	if h.OK {
		if open != nil && well >= r.clearMS {
			m.held("well/"+key, false, m.now)
			m.clear(m.now, r.cond, h.Subject)
		}
		return
	}
	i := len(r.stages) - 1
	for i >= 0 && lasts < r.stages[i].afterMS {
		i--
	}
	switch {
	case i < 0:
	case open == nil:
		m.raise(m.now, Alarm{Condition: r.cond, Scope: h.Subject, Since: m.now - lasts, Severity: r.stages[i].severity, Cause: r.cause, Text: r.text(h, lasts)})
	case open.Severity != r.stages[i].severity && lasts >= m.now-open.Since:
		// A later stage; one that flapped has begun again and stays what it was.
		open.Severity, open.Text = r.stages[i].severity, r.text(h, lasts)
		m.tell(Updated, m.now, *open)
	}
}
