package words

import (
	"math"
	"time"
)

// aheadMS is how far ahead a channel that will fall short opens its lane: 8 weeks,
// the future that the Holding view shows.
const aheadMS = 8 * 7 * 24 * 3600 * 1000

type anchor struct {
	ms    int64
	spare float64
	leaf  float64 // NaN if unknown
}

// Expected returns what a lane will have to spare, in dB, at an instant after now,
// as a curve through today's figure and the middles of the months of the answer's
// outlook. Between two of them it follows the leaves where these move by more than
// a tenth, else a straight line: a way to draw the months, not an estimate of its
// own. NaN before now, after the last month, and everywhere when today or every
// month is undecided.
func (l Lane) Expected(f Facts) func(ms int64) float64 {
	as := l.anchors(f)
	return func(ms int64) float64 {
		if len(as) < 2 || ms < as[0].ms {
			return math.NaN()
		}
		for i := 1; i < len(as); i++ {
			p, q := as[i-1], as[i]
			if ms > q.ms {
				continue
			}
			part := float64(ms-p.ms) / float64(q.ms-p.ms)
			if d := q.leaf - p.leaf; math.Abs(d) > 0.1 { // false for NaN
				if s := f.leaf(ms); !math.IsNaN(s) {
					part = min(1, max(0, (s-p.leaf)/d))
				}
			}
			return p.spare + (q.spare-p.spare)*part
		}
		last := as[len(as)-1]
		if ms <= last.ms+15*24*3600*1000 { // the rest of the last month
			return last.spare
		}
		return math.NaN()
	}
}

func (l Lane) anchors(f Facts) []anchor {
	if !l.Of.Spare.Decided() || f.NowMS == 0 {
		return nil
	}
	as := []anchor{{f.NowMS, l.Of.Spare.Value, f.leaf(f.NowMS)}}
	for _, o := range l.Of.Outlook {
		t, err := time.ParseInLocation("2006-01", o.Month, f.zone())
		if err != nil || !o.Spare.Decided() {
			continue
		}
		mid := t.AddDate(0, 0, 14).UnixMilli()
		if mid <= as[len(as)-1].ms+24*3600*1000 {
			continue
		}
		as = append(as, anchor{mid, o.Spare.Value, f.leaf(mid)})
	}
	return as
}

func (f Facts) leaf(ms int64) float64 {
	if f.Leaf == nil {
		return math.NaN()
	}
	if s, ok := f.Leaf(ms); ok {
		return s
	}
	return math.NaN()
}

// crossing returns the first hour at which a lane with something to spare today is
// expected to have nothing left, or 0.
func (l Lane) crossing(f Facts) int64 {
	if !(l.Of.Spare.Value >= 0) {
		return 0
	}
	e := l.Expected(f)
	for ms := f.NowMS; ; ms += 3600 * 1000 {
		v := e(ms)
		if math.IsNaN(v) {
			return 0
		}
		if v < 0 {
			return ms
		}
	}
}
