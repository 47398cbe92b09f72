package words

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// A Lane is one channel as people see it: what the config says of it and the one
// element of the answer that speaks for it.
type Lane struct {
	reception.Channel
	Key      string // stable and fit for an address: "rf33", "f473000000"
	Measured bool   // at least one visit was made
	// Of is the element of the newest installation, of the tuner that measured it
	// longest; every undecided where Measured is false.
	Of answer.Channel
	// All holds the elements of Of's tuner over all installations, newest first.
	All      []answer.Channel
	Dropouts []answer.Dropout // of All, ascending by start
	// Change is the last lasting change that took margin from it and whose cause is
	// known well enough to be named; nil for none.
	Change *answer.Change
	State  State
	zone   *time.Location
}

// Lanes returns the home's lanes: configured channels first, in the config's order,
// then those that only the answer knows, in its order.
func Lanes(a answer.Answer, f Facts) []Lane {
	type id struct {
		hz    int64
		layer string
	}
	byID := map[id][]answer.Channel{}
	var order []id
	for _, c := range a.Channels {
		k := id{c.FrequencyHz, c.Layer}
		if _, ok := byID[k]; !ok {
			order = append(order, k)
		}
		byID[k] = append(byID[k], c)
	}
	var lanes []Lane
	seen := map[id]bool{}
	add := func(c reception.Channel) {
		k := id{c.FrequencyHz, c.Layer}
		if seen[k] {
			return
		}
		seen[k] = true
		lanes = append(lanes, newLane(c, byID[k], a, f))
	}
	for _, c := range f.Channels {
		add(c)
	}
	for _, k := range order {
		c := byID[k][0]
		add(reception.Channel{FrequencyHz: c.FrequencyHz, Layer: c.Layer, RF: c.RF, Name: c.Name, Screen: c.Screen, Transmitter: c.Transmitter, Wanted: true})
	}
	return lanes
}

func newLane(c reception.Channel, elements []answer.Channel, a answer.Answer, f Facts) Lane {
	l := Lane{Channel: c, Key: "f" + strconv.FormatInt(c.FrequencyHz, 10), zone: f.zone()}
	if c.RF > 0 {
		l.Key = "rf" + strconv.Itoa(c.RF)
	}
	if c.Layer != "" {
		l.Key += "-" + keyPart(c.Layer)
	}
	if tuner, ok := speaker(elements); ok {
		for _, e := range elements {
			if e.Tuner == tuner {
				l.All = append(l.All, e)
				l.Dropouts = append(l.Dropouts, e.Dropouts...)
			}
		}
		l.Of = l.All[0]
		l.Measured = true
		slices.SortStableFunc(l.Dropouts, func(p, q answer.Dropout) int { return cmp.Compare(p.Start, q.Start) })
		if l.Name == "" {
			l.Name = l.Of.Name
		}
		if l.Screen == "" {
			l.Screen = l.Of.Screen
		}
	} else {
		l.Of = undecided(c)
	}
	l.Change = changeOf(a.Changes, l.RF)
	l.State = l.state(a, f)
	return l
}

// changeOf returns the newest change that took at least half a dB from a channel.
func changeOf(changes []answer.Change, rf int) *answer.Change {
	for i := len(changes) - 1; i >= 0; i-- {
		c := &changes[i]
		at := slices.Index(c.Channels, rf)
		if at >= 0 && at < len(c.Sizes) && c.Sizes[at] <= -0.5 && c.Probability >= 0.4 && c.Cause != "unknown" {
			return c
		}
	}
	return nil
}

// speaker chooses the tuner that measured longest under the newest installation,
// the first of equals.
func speaker(elements []answer.Channel) (tuner string, ok bool) {
	best := int64(-1)
	seen := map[string]bool{}
	for _, e := range elements {
		if seen[e.Tuner] {
			continue // an earlier installation
		}
		seen[e.Tuner] = true
		if e.Availability.MeasuredS == 0 && e.Latest.Time == 0 {
			continue
		}
		if e.Availability.MeasuredS > best {
			best, tuner = e.Availability.MeasuredS, e.Tuner
		}
	}
	return tuner, best >= 0
}

func undecided(c reception.Channel) answer.Channel {
	none := answer.Est(reception.Undecided(""))
	e := answer.Channel{RF: c.RF, FrequencyHz: c.FrequencyHz, Layer: c.Layer, Name: c.Name, Screen: c.Screen, Transmitter: c.Transmitter}
	e.Threshold.Est, e.SettledMargin, e.MedianMargin, e.RequiredMargin, e.Spare = none, none, none, none, none
	e.Availability.Est, e.EveningsSpoiled.Est = none, none
	e.Latest.CNDB, e.Latest.LevelDBm, e.Latest.MarginDB = answer.Num(math.NaN()), answer.Num(math.NaN()), answer.Num(math.NaN())
	return e
}

func keyPart(s string) string {
	b := []byte(s)
	for i, c := range b {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') {
			b[i] = '-'
		}
	}
	return string(b)
}

// Call names a lane in a sentence: "12.1 Quarterlight", or "RF 33".
func (l Lane) Call(f Facts) string {
	rf := "RF" + Nbsp + strconv.Itoa(l.RF)
	switch {
	case l.RF > 0 && (f.RFFirst || l.Screen == "" && l.Name == ""):
		return rf
	case l.Screen != "" && l.Name != "":
		return l.Screen + Nbsp + l.Name
	case l.Screen != "":
		return l.Screen
	case l.Name != "":
		return l.Name
	}
	return Decimal(float64(l.FrequencyHz)/1e6, 1) + Nbsp + "MHz"
}

// Look returns the lanes that need a look: those without a picture, then those that
// are or may be short, the least to spare first, then those that will fall short,
// soonest first.
func Look(lanes []Lane) []Lane {
	rank := map[Kind]int{Lost: 0, Short: 1, Maybe: 2, Soon: 3}
	var out []Lane
	for _, l := range lanes {
		if l.State.Look() {
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, func(a, b Lane) int {
		if c := cmp.Compare(rank[a.State.Kind], rank[b.State.Kind]); c != 0 {
			return c
		}
		if a.State.Kind == Short || a.State.Kind == Maybe {
			return cmp.Compare(a.Of.Spare.Value, b.Of.Spare.Value)
		}
		return cmp.Compare(a.State.WhenMS, b.State.WhenMS)
	})
	return out
}

// Evenings counts the evenings that a set of wanted lanes saw spoiled and how many
// were measured. recent counts those of the last 28 days before nowMS; it is -1
// where the measured evenings are no more than those.
func Evenings(lanes []Lane, f Facts) (spoiled, measured, recent int64) {
	dates := map[string]bool{}
	for _, l := range lanes {
		if !l.Wanted {
			continue
		}
		var m int64
		for _, e := range l.All {
			m += e.EveningsSpoiled.EveningsMeasured
			for _, d := range e.EveningsSpoiled.Evenings {
				dates[d] = true
			}
		}
		measured = max(measured, m)
	}
	since := f.at(f.NowMS).AddDate(0, 0, -28).Format(time.DateOnly)
	for d := range dates {
		if d >= since {
			recent++
		}
	}
	if measured <= 28 {
		recent = -1
	}
	return int64(len(dates)), measured, recent
}
