package answer

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/analysis/threshold"
)

// A limit is a threshold of one series in one mode on one scale.
type limit = threshold.Threshold

type limitKey struct {
	reception.Series
	mode, scale string
}

func keyOf(s *segment) limitKey { return limitKey{s.Series, s.Mode, s.Scale} }

// A doseGroup is what teaches one threshold: one tuner on one scale, receiving one
// system with one standard figure.
type doseGroup struct {
	tuner, scale string
	system       reception.System
	standardDB   float64
	userDB       float64
	user         limitKey // set if the user named the threshold of this series
}

// limits learns every threshold from what was seen before an hour.
func (f *Fold) limits(before int64) map[limitKey]limit {
	groups := map[doseGroup][]*segment{}
	var order []doseGroup
	for _, s := range f.segments {
		c := f.channelOf(s.Series)
		g := doseGroup{tuner: s.Tuner, scale: s.Scale, system: c.System, standardDB: c.System.StandardThresholdDB(s.Mode)}
		if c.ThresholdDB > 0 && f.scales[s.Scale].Unit != reception.UnitPercent {
			g.userDB, g.user = c.ThresholdDB, keyOf(s)
		}
		if math.IsNaN(g.standardDB) {
			g.standardDB = -1 // a key must equal itself
		}
		if _, ok := groups[g]; !ok {
			order = append(order, g)
		}
		groups[g] = append(groups[g], s)
	}
	learnt := make([]map[limitKey]limit, len(order))
	f.each(len(order), func(i int, m *scratch) { learnt[i] = f.learn(order[i], groups[order[i]], before, m) })
	out := map[limitKey]limit{}
	for _, l := range learnt {
		maps.Copy(out, l)
	}
	return out
}

func (f *Fold) learn(g doseGroup, segments []*segment, before int64, m *scratch) map[limitKey]limit {
	scale := f.scales[g.scale]
	in := threshold.Input{Unit: scale.Unit, Step: math.NaN(), Ceiling: math.NaN(), StandardDB: g.standardDB, User: g.userDB, Spread: f.setup.Spread}
	if in.Unit == "" {
		in.Unit = reception.UnitDB
	}
	if scale.ID != "" {
		in.Step, in.Ceiling = scale.Step, scale.Ceiling
	}
	if g.standardDB < 0 {
		in.StandardDB = math.NaN()
	}
	var keys []limitKey
	for _, s := range segments { // a series under several installations is one channel
		if k := keyOf(s); !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b limitKey) int {
		return cmp.Or(compareSeries(a.Series, b.Series), strings.Compare(a.mode, b.mode))
	})
	for _, k := range keys {
		in.Channels = append(in.Channels, f.dose(k, segments, before, m))
	}
	r := threshold.Learn(in)
	out := map[limitKey]limit{}
	for i, k := range keys {
		out[k] = r.Channels[i]
	}
	return out
}

// dose gathers what one series saw at each C/N in its steady visits, by day.
func (f *Fold) dose(k limitKey, segments []*segment, before int64, m *scratch) threshold.Channel {
	var c threshold.Channel
	for _, s := range segments {
		if keyOf(s) != k {
			continue
		}
		i, j := s.window(math.MinInt64/2, f.days.Of(before-1))
		c.Days = slices.Grow(c.Days, j-i)
		for d := i; d < j; d++ {
			c.Days = append(c.Days, f.sumOf(&s.days[d], math.MinInt64/2, before, m).steady)
		}
	}
	return c
}
