package door

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// How often a log-in is looked at, ours: somebody who mistypes hardly notices, and
// somebody who tries words gets under 50,000 a day from all the world together.
const (
	clientEvery = 20 * time.Second
	clientBurst = 5
	allEvery    = 2 * time.Second
	allBurst    = 20
	mostClients = 4096
)

// limits bounds log-ins, for each client and for all together.
type limits struct {
	mu      sync.Mutex
	all     *rate.Limiter
	clients map[netip.Prefix]*rate.Limiter
	rest    *rate.Limiter // of clients that are too many to be told apart
}

func newLimits() *limits {
	l := &limits{all: rate.NewLimiter(rate.Every(allEvery), allBurst), clients: map[netip.Prefix]*rate.Limiter{}}
	l.rest = newClient()
	return l
}

func newClient() *rate.Limiter { return rate.NewLimiter(rate.Every(clientEvery), clientBurst) }

// take lets a log-in be looked at, or returns how long to wait. A client that has
// used up its own share takes nothing of the others'.
func (l *limits) take(from netip.Addr) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	c := l.client(from, now)
	r := c.ReserveN(now, 1)
	if wait := r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return wait
	}
	a := l.all.ReserveN(now, 1)
	if wait := a.DelayFrom(now); wait > 0 {
		a.CancelAt(now)
		r.CancelAt(now)
		return wait
	}
	return 0
}

// client returns the limiter of an address; an IPv6 link of 64 bits is one client,
// since whoever has one has all its addresses (RFC 4291, section 2.5.1).
func (l *limits) client(from netip.Addr, now time.Time) *rate.Limiter {
	bits := 32
	if from.Is6() {
		bits = 64
	}
	p, _ := from.Prefix(bits) // the zero prefix for no address
	if c := l.clients[p]; c != nil {
		return c
	}
	if len(l.clients) >= mostClients {
		for q, c := range l.clients {
			if c.TokensAt(now) >= clientBurst {
				delete(l.clients, q)
			}
		}
	}
	if len(l.clients) >= mostClients {
		return l.rest
	}
	c := newClient()
	l.clients[p] = c
	return c
}
