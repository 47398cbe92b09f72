// Package event joins the runs of bad visits that hour tallies carry into dropouts,
// hour by hour.
package event

import (
	"cmp"
	"slices"
	"strings"

	"holdfast/analysis/reception"
)

// A Fold follows the tallies of a home. The zero value is ready; Clone copies it.
type Fold struct {
	hour   int64 // of the last tally
	tracks []track
}

// A track is one series under one installation.
type track struct {
	series       reception.Series
	installation string
	pending      []reception.BadRun // of the fold's hour
	open         bool
	dropout      reception.Dropout // if open; EndMS and EndHighMS as known so far
	afterMS      int64             // start of the visit after its last bad one, 0 if not known
	gapMS        int64             // a run that begins sooner after EndMS belongs to it
}

// Clone returns a copy that shares nothing with f.
func (f *Fold) Clone() *Fold {
	out := &Fold{hour: f.hour, tracks: slices.Clone(f.tracks)}
	for i := range out.tracks {
		out.tracks[i].pending = slices.Clone(out.tracks[i].pending)
	}
	return out
}

// Step takes the next tally, in ascending order of hours, and returns the dropouts
// that this shows to be over, by start. Tallies without bad visits matter too: they
// show that time has passed. Runs apart by less than the longer of three base
// intervals and 10 minutes (BadRun.GapMS) are one dropout, whatever the mode or
// scale; a new installation opens a new one.
func (f *Fold) Step(key reception.TallyKey, t *reception.Tally) []reception.Dropout {
	var over []reception.Dropout
	if key.Hour > f.hour {
		for i := range f.tracks {
			over = f.tracks[i].settle(over, key.Hour*reception.HourMS)
		}
		f.hour = key.Hour
	}
	if len(t.Runs) > 0 {
		tr := f.track(key)
		tr.pending = append(tr.pending, t.Runs...)
	}
	sortByStart(over)
	return over
}

// Open returns the dropouts that Step has not returned yet, by start. One that lasts
// has EndMS 0: nothing was seen after its last bad visit, and that is, at nowMS, not
// longer ago than the distance at which runs are one.
func (f *Fold) Open(nowMS int64) []reception.Dropout {
	var out []reception.Dropout
	c := f.Clone()
	for i := range c.tracks {
		t := &c.tracks[i]
		out = t.join(out)
		if !t.open {
			continue
		}
		d := t.finished()
		seenAfter := t.afterMS != 0 && t.afterMS < (c.hour+1)*reception.HourMS
		if !seenAfter && nowMS-d.EndMS < t.gapMS {
			d.EndMS, d.EndHighMS = 0, 0
		}
		out = append(out, d)
	}
	sortByStart(out)
	return out
}

func (f *Fold) track(key reception.TallyKey) *track {
	i, ok := slices.BinarySearchFunc(f.tracks, key, func(t track, k reception.TallyKey) int {
		return cmp.Or(compareSeries(t.series, k.Series), strings.Compare(t.installation, k.Regime.Installation))
	})
	if !ok {
		f.tracks = slices.Insert(f.tracks, i, track{series: key.Series, installation: key.Regime.Installation})
	}
	return &f.tracks[i]
}

// settle joins what is pending and closes the dropout if no run from nowMS on can
// belong to it.
func (t *track) settle(over []reception.Dropout, nowMS int64) []reception.Dropout {
	over = t.join(over)
	if t.open && nowMS-t.dropout.EndMS >= t.gapMS {
		over = append(over, t.finished())
		t.open = false
	}
	return over
}

// join adds the pending runs in order of time; dropouts that they show to be over
// are appended to over.
func (t *track) join(over []reception.Dropout) []reception.Dropout {
	slices.SortFunc(t.pending, func(a, b reception.BadRun) int {
		return cmp.Or(cmp.Compare(a.FirstMS, b.FirstMS), cmp.Compare(a.LastMS, b.LastMS))
	})
	for _, r := range t.pending {
		if t.open && r.FirstMS-t.dropout.EndMS >= t.gapMS {
			over = append(over, t.finished())
			t.open = false
		}
		t.add(r)
	}
	t.pending = t.pending[:0]
	return over
}

func (t *track) add(r reception.BadRun) {
	d := &t.dropout
	if !t.open {
		t.open = true
		*d = reception.Dropout{Series: t.series, Installation: t.installation, StartMS: r.FirstMS, StartLowMS: r.FirstMS}
		if r.BeforeMS != 0 {
			d.StartLowMS = min(r.BeforeMS, r.FirstMS)
		}
	}
	if r.LastMS >= d.EndMS {
		d.EndMS, t.afterMS, t.gapMS = r.LastMS, r.AfterMS, r.GapMS
	}
	d.Visits += r.Visits
	d.BaseVisits += r.BaseVisits
	d.BaseDwellMS += r.BaseDwellMS
	d.BaseErroredUS += r.BaseErroredUS
	d.Unlocked += r.Unlocked
	d.WrongIdentity += r.WrongIdentity
}

// finished returns the open dropout with its end: the next visit bounds it, where
// one came in time.
func (t *track) finished() reception.Dropout {
	d := t.dropout
	d.EndHighMS = max(d.EndMS, t.afterMS)
	return d
}

func sortByStart(d []reception.Dropout) {
	slices.SortStableFunc(d, func(a, b reception.Dropout) int {
		return cmp.Or(cmp.Compare(a.StartMS, b.StartMS), compareSeries(a.Series, b.Series), strings.Compare(a.Installation, b.Installation))
	})
}

func compareSeries(a, b reception.Series) int {
	return cmp.Or(cmp.Compare(a.FrequencyHz, b.FrequencyHz), strings.Compare(a.Layer, b.Layer), strings.Compare(a.Tuner, b.Tuner))
}

// spellMS: dropouts apart by no more are one spell.
const spellMS = 24 * reception.HourMS

// Spells counts the spells among the dropouts of one series that a base visit saw:
// while causes are not known, those that begin within 24 h of the end of another are
// taken to have one cause. Order does not matter.
func Spells(dropouts []reception.Dropout) int {
	d := slices.Clone(dropouts)
	sortByStart(d)
	spells, lasts := 0, false
	var end int64
	for _, x := range d {
		if !x.Counted() {
			continue
		}
		if spells == 0 || !lasts && x.StartMS-end > spellMS {
			spells++
		}
		lasts = lasts || x.EndMS == 0
		end = max(end, x.EndMS)
	}
	return spells
}
