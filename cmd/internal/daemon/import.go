package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync/atomic"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/intake"
	"holdfast/dashboards"
)

// counted counts what is read through it.
type counted struct {
	r io.Reader
	n atomic.Int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n.Add(int64(n))
	return n, err
}

// maxIssues is how many bad rows or conflicts a report lists; all are counted.
const maxIssues = 100

func issue(list *[]dashboards.ImportIssue, count *int64, line int64, what string) {
	*count++
	if len(*list) < maxIssues {
		*list = append(*list, dashboards.ImportIssue{Line: line, What: what})
	}
}

// Import reads a CSV of a kind into the store.
func (h *Home) Import(ctx context.Context, kind, name string, csv, scales io.Reader, progress func(dashboards.ImportProgress)) (dashboards.ImportReport, error) {
	if progress == nil {
		progress = func(dashboards.ImportProgress) {}
	}
	in := &counted{r: csv}
	var r dashboards.ImportReport
	var err error
	switch kind {
	case "readings":
		r, err = h.importReadings(ctx, in, scales, progress)
		if err == nil {
			h.tidyAfter(ctx, name)
		}
	case "weather":
		r, err = h.importWeather(ctx, in, name, progress)
	case "installations":
		r, err = h.importInstallations(ctx, in)
	default:
		err = fmt.Errorf("import knows no %q; want readings, weather or installations", kind)
	}
	defer h.pulse.beat()
	if err != nil {
		return r, fmt.Errorf("import %s: %w", name, err)
	}
	return r, nil
}

// tidyAfter merges what an import has stored in parts. That is no part of the import: if
// it fails it is tried again within the hour.
func (h *Home) tidyAfter(ctx context.Context, name string) {
	if err := h.store.Tidy(ctx, h.now()); err != nil && ctx.Err() == nil {
		h.log.Warn("merge readings after the import of "+name, "error", err)
	}
}

func (h *Home) importReadings(ctx context.Context, csv *counted, scales io.Reader, progress func(dashboards.ImportProgress)) (r dashboards.ImportReport, err error) {
	o := exchange.ReadOptions{Region: h.setup.home.Region}
	if scales != nil {
		if o.Scales, err = exchange.ReadScales(scales); err != nil {
			return r, fmt.Errorf("scales.csv: %w", err)
		}
	}
	rd, err := exchange.ReadReadings(csv, o)
	if err != nil {
		return r, err
	}
	// Tallies need to know a scale's unit: those described go in before the rows.
	if err := h.putScales(ctx, o.Scales); err != nil {
		return r, err
	}
	rows := func(yield func(intake.Rows, error) bool) {
		for c, err := range rd.Chunks() {
			for _, b := range c.Bad {
				r.Rows++
				issue(&r.Bad, &r.BadCount, b.Line, b.Reason)
			}
			if !yield(intake.Rows{Lines: c.Lines, Readings: c.Readings}, err) {
				return
			}
		}
	}
	rep, err := h.intake.Import(ctx, rows, func(n int64) {
		progress(dashboards.ImportProgress{Rows: n, Bytes: csv.n.Load()})
	})
	r.Rows += rep.Rows
	r.New, r.Duplicates = rep.New, rep.Duplicates
	merge(&r.Bad, &r.BadCount, rep.Bad, rep.BadCount)
	merge(&r.Conflicts, &r.ConflictCount, rep.Conflicts, rep.ConflictCount)
	r.Warnings = rd.Warnings()
	if err != nil {
		return r, err
	}
	if err := h.putScales(ctx, rd.Scales()); err != nil {
		return r, err
	}
	// Entries that the rows' own column tells are not rows.
	return r, h.putInstallations(ctx, rd.Installations(), &dashboards.ImportReport{})
}

func merge(list *[]dashboards.ImportIssue, count *int64, more []intake.Issue, n int64) {
	for _, m := range more {
		if len(*list) < maxIssues {
			*list = append(*list, dashboards.ImportIssue{Line: m.Line, What: m.What})
		}
	}
	*count += n
}

func (h *Home) putScales(ctx context.Context, scales []reception.Scale) error {
	var put []reception.Entry
	for _, s := range scales {
		e, changed, err := newerEntry(ctx, h.store, reception.KindScale, s.ID, h.now().UnixMilli(), s)
		if err != nil {
			return err
		}
		if changed {
			put = append(put, e)
		}
	}
	if len(put) == 0 {
		return nil
	}
	if err := h.store.Put(ctx, put...); err != nil {
		return fmt.Errorf("keep the scales: %w", err)
	}
	return nil
}

// putInstallations adds entries to the installation log, counts them into r, and has
// the tallies made again that they move to another installation.
func (h *Home) putInstallations(ctx context.Context, all []exchange.Installation, r *dashboards.ImportReport) error {
	old, err := h.installations(ctx)
	if err != nil {
		return err
	}
	var put []reception.Entry
	for _, i := range all {
		body, err := json.Marshal(reception.InstallationEntry{Name: i.Name, Note: i.Note})
		if err != nil {
			return fmt.Errorf("write installation %q: %w", i.Name, err)
		}
		known := false
		for _, o := range old {
			if o.FromMS != i.Time || o.Tuner != i.Tuner {
				continue
			}
			known = true
			if o.Name != i.Name || o.Note != i.Note {
				issue(&r.Conflicts, &r.ConflictCount, i.Line, fmt.Sprintf("kept installation %q at this time; ignored %q", o.Name, i.Name))
			} else {
				r.Duplicates++
			}
		}
		if known {
			continue
		}
		r.New++
		old = append(old, dashboards.Installation{FromMS: i.Time, Tuner: i.Tuner, Name: i.Name, Note: i.Note})
		// Known when it happened: a replay of history may use it.
		put = append(put, reception.Entry{Kind: reception.KindInstallation, Key: i.Tuner, Held: i.Time, Known: i.Time, Body: body})
	}
	if len(put) == 0 {
		return nil
	}
	if err := h.store.Put(ctx, put...); err != nil {
		return fmt.Errorf("keep the installations: %w", err)
	}
	return h.intake.Rebuild(ctx)
}

// weatherAtOnce is how many rows of weather go into one append.
const weatherAtOnce = 5000

func (h *Home) importWeather(ctx context.Context, csv *counted, name string, progress func(dashboards.ImportProgress)) (r dashboards.ImportReport, err error) {
	rd, err := h.weatherForm(csv, name)
	if err != nil {
		return r, err
	}
	var odd oddWeather
	var rows []reception.Weather
	var lines []int64
	flush := func() error {
		rep, err := h.intake.Weather(ctx, rows)
		if err != nil {
			return err
		}
		r.New += int64(rep.New)
		r.Duplicates += int64(rep.Duplicates)
		for _, b := range rep.Bad {
			issue(&r.Bad, &r.BadCount, lines[b.Line], b.What)
		}
		for _, c := range rep.Conflicts {
			issue(&r.Conflicts, &r.ConflictCount, lines[c.Line], c.What)
		}
		if _, said := rd.(*exchange.Weather); !said {
			for _, d := range rep.Discarded {
				odd.discarded(d.What, lines[d.Line])
			}
		}
		rows, lines = rows[:0], lines[:0]
		progress(dashboards.ImportProgress{Rows: r.Rows, Bytes: csv.n.Load()})
		return ctx.Err()
	}
	for row, err := range rd.Rows() {
		r.Rows++
		if e, ok := errors.AsType[*exchange.LineError](err); ok {
			issue(&r.Bad, &r.BadCount, e.Line, e.Reason)
			continue
		}
		if err != nil {
			return r, err
		}
		rows, lines = append(rows, row.Weather), append(lines, row.Line)
		odd.see(&row.Weather)
		if len(rows) == weatherAtOnce {
			if err := flush(); err != nil {
				return r, err
			}
		}
	}
	err = flush()
	r.Warnings = append(rd.Warnings(), odd.lines()...)
	return r, err
}

func (h *Home) importInstallations(ctx context.Context, csv *counted) (r dashboards.ImportReport, err error) {
	rd, err := exchange.ReadInstallations(csv)
	if err != nil {
		return r, err
	}
	var all []exchange.Installation
	for row, err := range rd.Rows() {
		r.Rows++
		if e, ok := errors.AsType[*exchange.LineError](err); ok {
			issue(&r.Bad, &r.BadCount, e.Line, e.Reason)
			continue
		}
		if err != nil {
			return r, err
		}
		all = append(all, row)
	}
	r.Warnings = rd.Warnings()
	return r, h.putInstallations(ctx, all, &r)
}
