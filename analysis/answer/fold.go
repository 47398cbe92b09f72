package answer

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"time"

	"holdfast/analysis/cause"
	"holdfast/analysis/drivers"
	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// Setup is what a fold knows from the start.
type Setup struct {
	Home         reception.Home
	Zone         *time.Location // the home's; never nil
	ZoneData     string         // edition of the zone data that Zone is from, such as 2025c
	Channels     []reception.Channel
	Transmitters []reception.Transmitter
	Tuners       []reception.Tuner
	Wanted       reception.Wanted
	// Spread does something for 0 to n-1, in any order and perhaps at once, and returns
	// when all is done. nil does one after the other. Answers do not depend on it.
	Spread func(n int, do func(i int))
}

// A Fact is one thing to take in: one field is set, and Expected beside Latest. What it
// points to is copied.
type Fact struct {
	// Tally is one hour's tally, of a closed hour or of the open one. It replaces an
	// earlier one of the same key, and one of its hour made before mode or scale were
	// known. An hour that moves to another installation needs a new fold.
	Tally *tally.Keyed
	// Weather is what is known of the hour in which it ends, of all sources merged. It
	// replaces an earlier one of that hour.
	Weather *reception.Weather
	// Entry of kind installation or scale; other kinds change nothing.
	Entry *reception.Entry
	// Latest is a visit that was made; the newest of each series becomes "latest".
	Latest *reception.Reading
	// Expected is the identity that Latest is held against; "" accepts any.
	Expected string
}

// A Fold takes in facts, in any order, and answers from all it has. The same facts
// give the same bytes, whatever their order. It keeps a few dozen bytes an hour and
// series and works out days once; it is used by one goroutine at a time.
type Fold struct {
	setup    Setup
	days     drivers.Days
	sky      drivers.Sky
	segments []*segment // by frequency, layer, tuner, installation, mode, scale
	scales   map[string]scaleEntry
	installs map[installKey]install
	latest   map[reception.Series]lastVisit

	leaf       *drivers.Leaf
	leafBefore int64
	slow       slowState
	standing   standing
	verdicts   map[[16]byte]cause.Verdict // of the last answer, by cause.Episode.Key
	lasting    map[[16]byte]cause.LastingVerdict

	spare   chan *scratch
	packing []byte // of the hour that is being packed
}

type lastVisit struct {
	reception.Reading
	expected string // identity
}

type scaleEntry struct {
	reception.Scale
	known, held int64
}

type installKey struct {
	tuner string
	held  int64
}

type install struct {
	name  string
	ok    bool // neither withdrawn nor beyond this program
	known int64
}

// New returns an empty fold.
func New(s Setup) *Fold {
	if s.Zone == nil {
		s.Zone = time.UTC
	}
	return &Fold{
		setup: s, days: drivers.NewDays(s.Zone), scales: map[string]scaleEntry{}, installs: map[installKey]install{},
		latest: map[reception.Series]lastVisit{}, spare: make(chan *scratch, maxWorkers),
	}
}

// Step takes in one fact.
func (f *Fold) Step(x Fact) {
	if x.Tally != nil {
		f.tally(x.Tally)
	}
	if x.Weather != nil {
		f.sky.Add(*x.Weather)
	}
	if x.Entry != nil {
		f.entry(*x.Entry)
	}
	if r := x.Latest; r != nil && r.Valid() {
		if old, ok := f.latest[r.Series()]; !ok || r.Time >= old.Time { // the same again may be held against another identity
			f.latest[r.Series()] = lastVisit{*r, x.Expected}
		}
	}
}

// tally puts an hour where it belongs. In an hour some of whose visits have a mode or a
// scale, those without take it over; so a tally without one was made before it was
// known, and gives way.
func (f *Fold) tally(t *tally.Keyed) {
	k := t.Key
	day := f.days.Of(k.Hour)
	offset := byte(k.Hour - f.days.First(day))
	f.touched(k.Hour)
	own := f.segment(k)
	for i := f.at(k); i > 0 && f.segments[i-1].Series == k.Series && f.segments[i-1].Installation == k.Regime.Installation; i-- {
		if s := f.segments[i-1]; s.vaguerThan(own) {
			s.drop(day, offset, k.Hour)
		}
	}
	for i := f.at(k) + 1; i < len(f.segments) && f.segments[i].Series == k.Series && f.segments[i].Installation == k.Regime.Installation; i++ {
		if s := f.segments[i]; own.vaguerThan(s) && s.holds(day, offset) {
			return
		}
	}
	f.packing = packHour(f.packing[:0], offset, &t.Tally)
	own.put(day, offset, k.Hour, f.packing, t.Tally.Runs)
}

// vaguerThan reports whether a regime is another one with less known. Segments are in
// order of mode and scale, so the vaguer one comes first.
func (s *segment) vaguerThan(o *segment) bool {
	return (s.Mode == "" || s.Mode == o.Mode) && (s.Scale == "" || s.Scale == o.Scale) && s.Regime != o.Regime
}

func (f *Fold) entry(e reception.Entry) {
	f.slow, f.standing = slowState{}, standing{}
	switch e.Kind {
	case reception.KindScale:
		var s reception.Scale
		if json.Unmarshal(e.Body, &s) != nil {
			return // a withdrawn entry, or one that only a newer program reads
		}
		if old, ok := f.scales[e.Key]; !ok || cmp.Or(cmp.Compare(e.Known, old.known), cmp.Compare(e.Held, old.held)) >= 0 {
			f.scales[e.Key] = scaleEntry{s, e.Known, e.Held}
		}
	case reception.KindInstallation:
		k := installKey{e.Key, e.Held}
		if old, ok := f.installs[k]; !ok || e.Known >= old.known {
			var b reception.InstallationEntry
			err := json.Unmarshal(e.Body, &b)
			f.installs[k] = install{b.Name, err == nil, e.Known}
		}
	}
}

func (f *Fold) segment(k reception.TallyKey) *segment {
	i := f.at(k)
	if i == len(f.segments) || f.segments[i].Series != k.Series || f.segments[i].Regime != k.Regime {
		f.segments = slices.Insert(f.segments, i, &segment{Series: k.Series, Regime: k.Regime})
		f.slow, f.standing = slowState{}, standing{}
	}
	return f.segments[i]
}

// at returns where a key's segment is, or would be.
func (f *Fold) at(k reception.TallyKey) int {
	i, _ := slices.BinarySearchFunc(f.segments, k, func(s *segment, k reception.TallyKey) int {
		return cmp.Or(compareSeries(s.Series, k.Series), strings.Compare(s.Installation, k.Regime.Installation), strings.Compare(s.Mode, k.Regime.Mode), strings.Compare(s.Scale, k.Regime.Scale))
	})
	return i
}

func compareSeries(a, b reception.Series) int {
	return cmp.Or(cmp.Compare(a.FrequencyHz, b.FrequencyHz), strings.Compare(a.Layer, b.Layer), strings.Compare(a.Tuner, b.Tuner))
}

// refresh takes up new weather and forgets the days whose wetness it may have changed.
func (f *Fold) refresh() {
	from, changed := f.sky.Refresh()
	if !changed {
		return
	}
	f.leaf = nil
	f.touched(from)
	for _, s := range f.segments {
		s.forget(f.days.Of(from))
	}
}

// leafAt returns the leaf clock as known before an hour.
func (f *Fold) leafAt(before int64) *drivers.Leaf {
	f.refresh()
	if f.leaf == nil || f.leafBefore != before {
		f.leaf, f.leafBefore = drivers.NewLeaf(f.setup.Home.Latitude, f.days, &f.sky, before), before
		first, _ := f.extent()
		if first == 0 {
			first = before
		}
		f.leaf.Cover(f.days.Of(first)-1, f.days.Of(before)+daysToTurn)
	}
	return f.leaf
}

// A LeafDay is the leaf state at one local noon.
type LeafDay struct {
	NoonMS   int64
	State    float64 // 0 bare to 1 full
	Expected bool    // by the usual year: not seen, or still to come
}

// Leaf returns the leaf state at the noons, of standard time, in [from, to), Unix ms,
// as known at an instant; nil where there is no leaf season.
func (f *Fold) Leaf(from, to, at int64) []LeafDay {
	l := f.leafAt(ceilHour(at))
	if l.Needs() != "" {
		return nil
	}
	l.Cover(f.days.Of(ceilHour(from)), f.days.Of(ceilHour(to)))
	var out []LeafDay
	for day := f.days.Of(ceilHour(from)-1) + 1; f.days.First(day)*reception.HourMS < to; day++ {
		before, _ := l.State(day - 1)
		after, expected := l.State(day)
		out = append(out, LeafDay{f.days.First(day) * reception.HourMS, (before + after) / 2, expected})
	}
	return out
}

// Weather returns the weather of an hour (since 1970), with its wetness.
func (f *Fold) Weather(hour int64) drivers.Hour {
	f.refresh()
	return f.sky.At(hour)
}

// ceilHour returns the first hour that begins at or after an instant.
func ceilHour(ms int64) int64 {
	return int64(math.Ceil(float64(ms) / reception.HourMS))
}

// installedAt returns when an installation that a tuner had was opened, Unix ms, by
// the ledger; ok is false where it says nothing.
func (f *Fold) installedAt(name, tuner string) (at int64, ok bool) {
	for k, e := range f.installs {
		if k.tuner != "" && k.tuner != tuner || !e.ok || e.name != name {
			continue
		}
		if !ok || k.held > at {
			at, ok = k.held, true
		}
	}
	return at, ok
}
