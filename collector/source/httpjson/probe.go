package httpjson

import (
	"context"
	"encoding/json"
	"net/http"

	"holdfast/collector"
)

// A Probed is one look at a device, for somebody who writes a mapping.
type Probed struct {
	Sent string // what the device answered, as JSON on one line; "" if it did not
	Made string // what the mapping made of it; "" if that failed
	Err  error  // why the look is of no use
}

// Probe reads the status page once and shows both ends of the mapping. It tunes
// nothing. v fills in the placeholders.
func (s *Source) Probe(ctx context.Context, v collector.Visit) Probed {
	_, read, _, err := s.addresses(v)
	if err != nil {
		return Probed{Err: err}
	}
	answer, err := s.fetch(ctx, "read_url", http.MethodGet, read, true)
	if err != nil {
		return Probed{Err: err}
	}
	p := Probed{Sent: line(answer)}
	made, err := one(ctx, s.mapping, answer)
	if err == nil {
		p.Made = line(made)
	}
	_, p.Err = s.understand(ctx, answer)
	return p
}

func line(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return ""
	}
	return string(b)
}
