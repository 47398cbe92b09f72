package daemon

import (
	"fmt"
	"sync"
	"time"

	"holdfast/analysis/reception"
)

// lowDisk is the free space under which the disk is said to be nearly full: a year
// of forty channels takes about 1.5 GB as rows.
const lowDisk = 256 << 20

// diskHealth looks at the free space of the data folder.
func diskHealth(dir string, now time.Time) reception.Health {
	h := reception.Health{Kind: reception.HealthDisk, Subject: dir, Since: now.UnixMilli(), OK: true}
	free, err := freeSpace(dir)
	if err != nil {
		h.OK, h.Detail = false, fmt.Sprintf("the free space of %s cannot be read: %v", dir, err)
		return h
	}
	if free < lowDisk {
		h.OK, h.Detail = false, fmt.Sprintf("only %d MB are free in %s; free some, or new readings will not be kept", free>>20, dir)
	}
	return h
}

// healthBook keeps the last word on each subject and since when it holds.
type healthBook struct {
	mu    sync.Mutex
	facts []reception.Health
}

// note replaces what is known of a subject; the earlier Since stays while OK does, but
// of tuner and clock, which know themselves since when.
func (b *healthBook) note(h reception.Health) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, o := range b.facts {
		if o.Kind == h.Kind && o.Subject == h.Subject {
			if o.OK == h.OK && h.Kind != reception.HealthTuner && h.Kind != reception.HealthClock {
				h.Since = min(h.Since, o.Since)
			}
			b.facts[i] = h
			return
		}
	}
	b.facts = append(b.facts, h)
}

// forget drops every fact: those of tuners and weather that a new config no longer has
// would stand for ever.
func (b *healthBook) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.facts = nil
}

func (b *healthBook) list() []reception.Health {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]reception.Health(nil), b.facts...)
}
