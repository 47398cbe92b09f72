package collector

import (
	"math/rand/v2"
	"time"
)

// jitterShare is how far a visit may move from its slot, as a share of the slot.
const jitterShare = 0.2

// jitter returns whole seconds between plus and minus a fifth of d.
func jitter(r *rand.Rand, d time.Duration) time.Duration {
	m := int64(jitterShare * d.Seconds())
	return time.Duration(r.Int64N(2*m+1)-m) * time.Second
}

// A budget keeps the share of the time in which a tuner is held: a visit of h pays
// for h/share, and one visit may be made in advance.
type budget struct {
	share float64
	cost  time.Duration // mean holding time of a visit, learnt
	paid  time.Time     // up to here the visits made have used up the time
}

// weight of the newest visit in the mean holding time.
const costWeight = 0.1

func (b *budget) pays(h time.Duration) time.Duration {
	return time.Duration(float64(h) / b.share)
}

// free is when the next visit may start.
func (b *budget) free() time.Time { return b.paid.Add(-b.pays(b.cost)) }

// fits reports whether a visit at start leaves one at due where it is.
func (b *budget) fits(start, due time.Time) bool {
	paid := start
	if b.paid.After(paid) {
		paid = b.paid
	}
	return !start.Before(b.free()) && !paid.After(due) && !start.Add(b.cost+time.Second).After(due)
}

// held accounts for a visit.
func (b *budget) held(start time.Time, h time.Duration) {
	if b.paid.Before(start) {
		b.paid = start
	}
	b.paid = b.paid.Add(b.pays(h))
	b.cost += time.Duration(costWeight * float64(h-b.cost))
}

// interval returns the base interval of n channels: every, or longer where the share
// demands it, in whole seconds. Visits begin on whole seconds, so that each channel
// needs one at least.
func (b *budget) interval(every time.Duration, n int) time.Duration {
	need := max(b.pays(time.Duration(n)*b.cost), time.Duration(n)*time.Second)
	if need <= every {
		return every
	}
	return (need + time.Second - 1).Truncate(time.Second)
}

// order returns 0..n-1 shuffled, without beginning with last where there is a choice.
func order(r *rand.Rand, n, last int) []int {
	p := r.Perm(n)
	if n > 1 && p[0] == last {
		j := 1 + r.IntN(n-1)
		p[0], p[j] = p[j], p[0]
	}
	return p
}
