package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"holdfast/cmd/internal/client"
	"holdfast/dashboards"
)

func exportCommand(e *env) *cobra.Command {
	var from, to string
	c := &cobra.Command{
		Use:   "export DIR",
		Short: "Write everything that was measured as CSV",
		Long: `Write everything that was measured as CSV into a folder, beside a running daemon or
not: readings.csv, with scales.csv that describes its scales, weather.csv and
installations.csv. An import of these files gives the same answers. Files that are
there already are not touched: choose another folder.

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
			q := url.Values{}
			for name, v := range map[string]string{"from": from, "to": to} {
				if v != "" {
					q.Set(name, v)
				}
			}
			for _, kind := range dashboards.ExportKinds {
				path := filepath.Join(dir, kind+".csv")
				rows, err := e.exportFile(c.Context(), h, "/api/export/"+kind+"?"+q.Encode(), path)
				if err != nil {
					return err
				}
				fmt.Fprintf(e.out, "%s: %d rows\n", path, rows)
			}
			return nil
		},
	}
	c.Flags().StringVar(&from, "from", "", "start of the span `TIME`")
	c.Flags().StringVar(&to, "to", "", "end of the span `TIME`")
	return c
}

// exportFile copies what a path answers into a new file, which appears whole or not
// at all, and returns its rows, the header left out.
func (e *env) exportFile(ctx context.Context, h *client.Client, from, path string) (rows int64, err error) {
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
	lines := &lineCounter{f: f, bar: bar}
	err = h.Get(ctx, from, lines)
	bar.done()
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
	return max(0, lines.n-1), nil
}

// lineCounter counts the lines that go into a file.
type lineCounter struct {
	f     *os.File
	bar   *progress
	n     int64
	bytes int64
}

func (l *lineCounter) Write(p []byte) (int, error) {
	n, err := l.f.Write(p)
	for _, b := range p[:n] {
		if b == '\n' {
			l.n++
		}
	}
	l.bytes += int64(n)
	l.bar.update(dashboards.ImportProgress{Rows: l.n, Bytes: l.bytes})
	return n, err
}
