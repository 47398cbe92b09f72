package firstworld

import (
	"iter"
	"time"

	"holdfast/analysis/reception"
)

// A Schedule says how the tuners visited their channels. Zero values mean every
// channel once in 15 minutes, for 5 seconds.
type Schedule struct {
	Every time.Duration // whole seconds
	Dwell time.Duration // at least 1 s
}

// lane is one tuner's way through its cycles.
type lane struct {
	rc       int
	stations []int
	cycle    int64
	at       int // place in the cycle
	order    [len(stations)]int
	nextMS   int64
}

// Past yields the readings of [from, to) in ascending time: every tuner goes round
// its channels in random order, jittered in whole seconds. Visits while somebody
// watched on the tuner are there with that reason; while holdfast was not running
// (a day some months ago, a few minutes now and then) there is nothing.
func (w *World) Past(from, to time.Time, s Schedule) iter.Seq[reception.Reading] {
	if s.Every == 0 {
		s.Every = 15 * time.Minute
	}
	if s.Dwell == 0 {
		s.Dwell = 5 * time.Second
	}
	if s.Every < 15*time.Second || s.Dwell < time.Second {
		panic("firstworld: schedule too dense")
	}
	first, last, every := from.UnixMilli(), to.UnixMilli(), s.Every.Milliseconds()/secondMS*secondMS
	return func(yield func(reception.Reading) bool) {
		v := newView(w)
		var lanes [len(receivers)]lane
		for rc := range lanes {
			l := &lanes[rc]
			l.rc = rc
			for i := range stations {
				if stations[i].tuner == rc {
					l.stations = append(l.stations, i)
				}
			}
			l.cycle = first/every - 1
			w.shuffle(l)
			for w.plan(l, every); l.nextMS < first; w.step(l, every) {
			}
		}
		for {
			l := &lanes[0]
			for i := range lanes {
				if lanes[i].nextMS < l.nextMS {
					l = &lanes[i]
				}
			}
			ms := l.nextMS
			if ms >= last {
				return
			}
			i := l.order[l.at]
			w.step(l, every)
			if w.down(ms) {
				continue
			}
			r := reception.NewReading()
			if w.watched(l.rc, ms) {
				r.Time, r.Tuner, r.FrequencyHz, r.System = ms, receivers[l.rc].name, stations[i].hz, reception.ATSC1
				r.Why, r.DwellMS = reception.WhyViewer, s.Dwell.Milliseconds()
			} else {
				v.visit(&r, l.rc, i, stations[i].hz, ms, s.Dwell.Milliseconds())
			}
			if !yield(r) {
				return
			}
		}
	}
}

func (w *World) shuffle(l *lane) {
	n := len(l.stations)
	copy(l.order[:], l.stations)
	d := dice(w.hash(sOrder+uint64(l.rc), l.cycle))
	for i := n - 1; i > 0; i-- {
		j := int(d.next() % uint64(i+1))
		l.order[i], l.order[j] = l.order[j], l.order[i]
	}
}

// plan sets when the lane's next visit begins: within a fifth of its slot around
// the slot's middle.
func (w *World) plan(l *lane, every int64) {
	n := int64(len(l.stations))
	slot := every / n
	jitter := (0.3 + 0.4*w.uniform(sJitter+uint64(l.rc), l.cycle*n+int64(l.at))) * float64(slot)
	l.nextMS = (l.cycle*every + int64(l.at)*slot + int64(jitter)) / secondMS * secondMS
}

func (w *World) step(l *lane, every int64) {
	if l.at++; l.at == len(l.stations) {
		l.at = 0
		l.cycle++
		w.shuffle(l)
	}
	w.plan(l, every)
}

// down tells whether holdfast was not running: 26 hours once, and 3 to 8 minutes
// about every 45 days for a restart of its host.
func (w *World) down(ms int64) bool {
	if ms >= w.downMS && ms < w.downMS+26*hourMS {
		return true
	}
	const span = 45 * dayMS
	d := dice(w.hash(sReboot, ms/span))
	from := ms/span*span + int64(d.uniform()*float64(span-hourMS))
	return ms < w.nowMS && ms >= from && ms < from+int64((3+5*d.uniform())*float64(minuteMS))
}

// Viewer tells whether somebody watches on a tuner at an instant, so that it cannot
// be had.
func (w *World) Viewer(tuner string, at time.Time) bool {
	rc := receiverOf(tuner)
	return rc >= 0 && w.watched(rc, at.UnixMilli())
}

func (w *World) watched(rc int, ms int64) bool {
	share := receivers[rc].viewers
	if share == 0 {
		return false
	}
	day := localDay(ms)
	d := dice(w.hash(sViewer+uint64(rc), day))
	if d.uniform() >= share {
		return false
	}
	from := localMS(day, 18.5+2*d.uniform())
	return ms >= from && ms < from+int64((50+100*d.uniform())*float64(minuteMS))
}
