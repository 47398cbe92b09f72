package intake

import (
	"maps"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A maker makes tallies of one series by the rules and facts of when it was made. Makers
// may work at the same time while the intake is locked.
type maker struct {
	in     *Intake
	series reception.Series
	rules  tally.Rules // but for the interval of a week
	regime func(*reception.Reading) reception.Regime
	used   map[string]bool // scales asked for that the ledger does not describe
}

func (in *Intake) maker(s reception.Series) *maker {
	m := &maker{in: in, series: s, rules: in.o.Rules(s), regime: in.facts.regime(s.Tuner)}
	units, first := in.facts.units, in.identities[s].by
	m.rules.Units = func(scale string) reception.ScaleUnit {
		u, ok := units[scale]
		if !ok && scale != "" {
			if m.used == nil {
				m.used = map[string]bool{}
			}
			m.used[scale] = true
		}
		return u
	}
	m.rules.Expected = func(installation string) string { return expected(first[installation]) }
	return m
}

// use notes what makers have used.
func (f *facts) use(scales map[string]bool) { maps.Copy(f.used, scales) }

// at returns the rules of an instant's week.
func (m *maker) at(ms int64) tally.Rules {
	r := m.rules
	r.BaseIntervalMS = m.in.interval(m.series, weekOf(ms), r.BaseIntervalMS)
	return r
}

// keyed returns the tallies of the hour that rows[i:j] lie in, valid until f is used
// again; rows are of the maker's series, ascending, and reach as far as the carry on
// either side.
func (m *maker) keyed(f *tally.Folder, rows []reception.Reading, i, j int) []tally.Keyed {
	if i == j {
		return nil
	}
	return f.Hour(rows[i:j], rows[:i], rows[j:], m.regime, m.at(rows[i].Time))
}

// pack appends tallies packed.
func pack(dst []reception.PackedTally, of []tally.Keyed) []reception.PackedTally {
	for _, k := range of {
		dst = append(dst, tally.Pack(k))
	}
	return dst
}
