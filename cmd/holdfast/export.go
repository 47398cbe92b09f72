package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"holdfast/cmd/internal/client"
	"holdfast/collector/exchange"
	"holdfast/dashboards"
)

func exportCommand(e *env) *cobra.Command {
	var from, to, format string
	c := &cobra.Command{
		Use:   "export DIR",
		Short: "Write everything that was measured as CSV, JSON or Parquet",
		Long: `Write everything that was measured into a folder, beside a running daemon or not:
readings.csv, with scales.csv that describes its scales, weather.csv and
installations.csv. An import of these files gives the same answers. For other programs
--format json writes arrays with an object a line, --format parquet Apache Parquet; both
have the columns of the CSV. Files that are there already are not touched: choose
another folder.

--from and --to choose readings and weather by time, as for holdfast answer.`,
		Args: exact(1),
		RunE: func(c *cobra.Command, args []string) error {
			h, err := e.connect(c.Context())
			if err != nil {
				return err
			}
			defer h.Close()
			dir := args[0]
			if err := os.MkdirAll(dir, 0o755); err != nil {
				return fmt.Errorf("make the folder to export to: %w", err)
			}
			q := url.Values{"format": {format}}
			for name, v := range map[string]string{"from": from, "to": to} {
				if v != "" {
					q.Set(name, v)
				}
			}
			for _, kind := range dashboards.ExportKinds {
				path := filepath.Join(dir, kind+"."+format)
				rows, err := e.exportFile(c.Context(), h, format, "/api/export/"+kind+"?"+q.Encode(), path)
				if err != nil {
					return err
				}
				fmt.Fprintf(e.out, "%s: %d rows\n", path, rows)
			}
			return nil
		},
	}
	c.Flags().StringVar(&format, "format", dashboards.ExportFormats[0], "`NAME`: "+strings.Join(dashboards.ExportFormats, ", "))
	c.Flags().StringVar(&from, "from", "", "start of the span `TIME`")
	c.Flags().StringVar(&to, "to", "", "end of the span `TIME`")
	return c
}

// exportFile copies what a path answers into a new file, which appears whole or not
// at all, and returns its rows.
func (e *env) exportFile(ctx context.Context, h *client.Client, format, from, path string) (rows int64, err error) {
	if _, err := os.Lstat(path); err == nil {
		return 0, fmt.Errorf("%s is there already and is not overwritten; choose another folder", path)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return 0, fmt.Errorf("look at the file to export to: %w", err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".export-*")
	if err != nil {
		return 0, fmt.Errorf("make the file to export to: %w", err)
	}
	defer os.Remove(f.Name()) // renamed by then, unless something failed
	bar := newProgress(e.errOut, path, 0)
	lines := &lineCounter{f: f, bar: bar, besides: linesBesides[format]}
	err = h.Get(ctx, from, lines)
	bar.done()
	rows = lines.rows()
	if err == nil && format == string(exchange.Parquet) {
		rows, err = exchange.ParquetRows(f, lines.bytes)
	}
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return 0, fmt.Errorf("export to %s: %w", path, err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return 0, fmt.Errorf("export to %s: %w", path, err)
	}
	return rows, nil
}

// linesBesides are the lines of a file that are no rows: the header, or the array's
// brackets.
var linesBesides = map[string]int64{"csv": 1, "json": 2}

// lineCounter counts the lines that go into a file.
type lineCounter struct {
	f       *os.File
	bar     *progress
	besides int64
	n       int64
	bytes   int64
}

func (l *lineCounter) rows() int64 { return max(0, l.n-l.besides) }

func (l *lineCounter) Write(p []byte) (int, error) {
	n, err := l.f.Write(p)
	for _, b := range p[:n] {
		if b == '\n' {
			l.n++
		}
	}
	l.bytes += int64(n)
	state := dashboards.ImportProgress{Bytes: l.bytes}
	if l.besides > 0 {
		state.Rows = l.rows()
	}
	l.bar.update(state)
	return n, err
}
