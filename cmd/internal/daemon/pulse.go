package daemon

import (
	"context"
	"sync"
)

// A pulse tells listeners that something changed. A slow listener finds one tick
// waiting, however many there were. The zero value is ready.
type pulse struct {
	mu        sync.Mutex
	listeners map[chan struct{}]bool
}

func (p *pulse) beat() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.listeners {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// listen returns a channel that ticks after changes and is closed when ctx ends.
func (p *pulse) listen(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	p.mu.Lock()
	if p.listeners == nil {
		p.listeners = map[chan struct{}]bool{}
	}
	p.listeners[c] = true
	p.mu.Unlock()
	context.AfterFunc(ctx, func() {
		p.mu.Lock()
		delete(p.listeners, c)
		close(c)
		p.mu.Unlock()
	})
	return c
}
