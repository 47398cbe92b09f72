package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/store"
)

// Export writes what is stored of a kind in a format; as CSV it is what Import reads.
func (h *Home) Export(ctx context.Context, kind, as string, from, to int64, w io.Writer) error {
	format := exchange.Format(as)
	span := store.Span{From: from, To: to}
	if to == 0 {
		span.To = store.Always.To
	}
	out := bufio.NewWriterSize(w, 64<<10)
	var err error
	switch kind {
	case "readings":
		err = exchange.WriteReadings(out, format, h.store.Readings(ctx, store.Query{Span: span}))
	case "weather":
		err = exchange.WriteWeather(out, format, h.store.Weather(ctx, span))
	case "scales":
		err = h.exportScales(ctx, format, out)
	case "installations":
		err = h.exportInstallations(ctx, format, out)
	default:
		return fmt.Errorf("nothing of the kind %q is kept", kind)
	}
	if err != nil {
		return err
	}
	return out.Flush()
}

func (h *Home) exportScales(ctx context.Context, format exchange.Format, w io.Writer) error {
	var scales []reception.Scale
	for e, err := range h.store.Entries(ctx, reception.KindScale) {
		if err != nil {
			return fmt.Errorf("read scales: %w", err)
		}
		var s reception.Scale
		if len(e.Body) == 0 {
			continue
		}
		if err := json.Unmarshal(e.Body, &s); err != nil {
			return fmt.Errorf("read scale %q: %w", e.Key, err)
		}
		s.ID = e.Key
		scales = append(scales, s)
	}
	return exchange.WriteScales(w, format, scales)
}

func (h *Home) exportInstallations(ctx context.Context, format exchange.Format, w io.Writer) error {
	all, err := h.installations(ctx)
	if err != nil {
		return err
	}
	var out []exchange.Installation
	for _, i := range all {
		out = append(out, exchange.Installation{Time: i.FromMS, Tuner: i.Tuner, Name: i.Name, Note: i.Note})
	}
	return exchange.WriteInstallations(w, format, out)
}
