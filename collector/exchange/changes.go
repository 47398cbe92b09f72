package exchange

import (
	"cmp"
	"fmt"
	"slices"

	"holdfast/analysis/reception"
)

func compare(a, b string) int { return cmp.Compare(a, b) }

// stay notes under which installation a row was measured.
func (rd *Readings) stay(r *reception.Reading, installation string, line int64) {
	if installation == "" {
		return
	}
	s := rd.stays[r.Tuner]
	t := r.Time
	if n := len(s); n > 0 && s[n-1].name == installation {
		s[n-1].first, s[n-1].last = min(s[n-1].first, t), max(s[n-1].last, t)
		return
	}
	rd.stays[r.Tuner] = append(s, stay{installation, t, t, line})
}

// Installations returns the changes of installation that the rows so far tell, by
// time, then tuner: an entry where a tuner's name differs from the one before. Rows
// may come in any order of time, as long as two names do not share a span.
func (rd *Readings) Installations() []Installation {
	out, _ := rd.changes()
	return out
}

func (rd *Readings) changes() (out []Installation, warnings []string) {
	for tuner, all := range rd.stays {
		s := slices.Clone(all)
		slices.SortFunc(s, func(a, b stay) int {
			return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(a.last, b.last), compare(a.name, b.name))
		})
		var cur stay
		for i, x := range s {
			if i > 0 && x.name == cur.name {
				cur.last = max(cur.last, x.last)
				continue
			}
			if i > 0 && x.first <= cur.last {
				warnings = append(warnings, fmt.Sprintf("tuner %q: installations %q and %q overlap in time (line %d); the later start counts from there", tuner, cur.name, x.name, x.line))
			}
			out = append(out, Installation{Line: x.line, Time: x.first, Tuner: tuner, Name: x.name})
			cur = x
		}
	}
	slices.SortFunc(out, func(a, b Installation) int { return cmp.Or(cmp.Compare(a.Time, b.Time), compare(a.Tuner, b.Tuner)) })
	slices.Sort(warnings)
	return out, warnings
}
