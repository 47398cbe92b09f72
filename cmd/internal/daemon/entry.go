package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// newerEntry returns the entry that makes value the latest of a kind and key, held
// from the beginning, and whether it differs from what the ledger has.
func newerEntry(ctx context.Context, l store.Ledger, kind, key string, now int64, value any) (e reception.Entry, changed bool, err error) {
	body, err := json.Marshal(value)
	if err != nil {
		return e, false, fmt.Errorf("write %s %q: %w", kind, key, err)
	}
	e = reception.Entry{Kind: kind, Key: key, Known: now, Body: body}
	for old, err := range l.Entries(ctx, kind) {
		if err != nil {
			return e, false, fmt.Errorf("read %s entries: %w", kind, err)
		}
		if old.Key == key && old.Held == e.Held {
			e.Known = max(now, old.Known+1) // an edit is known later, whatever the clock
			return e, !bytes.Equal(old.Body, body), nil
		}
	}
	return e, true, nil
}
