package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"holdfast/dashboards"
)

func importCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "import",
		Short: "Read readings, weather or installations from CSV",
		Long: `Read readings, weather or installations from CSV, beside a running daemon or not.

The first line names the columns, in any order; an empty field is "not available".
Rows that cannot be true are listed with their line and left out, good rows go in.
A second import of the same file adds nothing; a row whose key is taken by other
values is listed and the first one stays. "-" reads standard input.`,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usage(fmt.Errorf("import knows no %q; want readings, weather or installations", args[0]))
			}
			return c.Help()
		},
		Args: cobra.ArbitraryArgs,
	}
	for _, k := range []struct{ kind, short, columns string }{
		{"readings", "Import visits of tuners", `Needed: time (RFC 3339 or Unix seconds or milliseconds, start of the dwell), channel
(RF number; needs home.region in the config) or frequency_hz, and one of cn_db,
quality_pct, locked, locked_s, errored_s, uncorrected_blocks.
Known: tuner visit dwell_s locked level_dbm cn_db quality_pct errored_s pre_errors
pre_bits uncorrected_blocks total_blocks identity mode system layer locked_s cn_low_db
cn_spread_db level_pct scale why known installation. A file scales.csv beside the
file describes the scales. The README says what each column means.`},
		{"weather", "Import weather", `Needed: time (end of the interval) and one value. Known: interval_s temp_c dewpoint_c pressure_hpa
wind_mps gust_mps wind_dir_deg rain_mm_h snow_mm_h source distance_km kind
precipitation thunder known.

A year can be filled in from the archives ISD-Lite (lines of twelve numbers) and
GHCN-Hourly (columns between bars), as they come, packed with gzip or not: they are
recognised by their content.`},
		{"installations", "Import the installation log", `Columns: time (from when it stood; may lie in the past) tuner installation note. An
empty tuner means all of them. What was measured before and after is never pooled.`},
	} {
		c.AddCommand(&cobra.Command{
			Use:   k.kind + " FILE.csv",
			Short: k.short,
			Long:  k.short + " from CSV.\n\n" + k.columns,
			Args:  exact(1),
			RunE:  func(c *cobra.Command, args []string) error { return e.importFile(c, k.kind, args[0]) },
		})
	}
	return c
}

func (e *env) importFile(c *cobra.Command, kind, path string) error {
	csv, name := e.in, "standard input"
	var size int64
	var scales []byte
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return usage(fmt.Errorf("open the file to import: %w", err))
		}
		defer f.Close()
		if st, err := f.Stat(); err == nil {
			if st.IsDir() {
				return usage(fmt.Errorf("%s is a folder; name the CSV file in it", path))
			}
			size = st.Size()
		}
		csv, name = f, path
		if kind == "readings" {
			scales, err = os.ReadFile(filepath.Join(filepath.Dir(path), "scales.csv"))
			if err != nil && !errors.Is(err, os.ErrNotExist) {
				return fmt.Errorf("read the scales beside %s: %w", path, err)
			}
		}
	}
	h, err := e.connect(c.Context())
	if err != nil {
		return err
	}
	defer h.Close()
	bar := newProgress(e.errOut, name, size)
	report, err := h.Import(c.Context(), kind, name, csv, scales, bar.update)
	bar.done()
	if err != nil {
		return err
	}
	return e.reportImport(kind, name, report)
}

func (e *env) reportImport(kind, name string, r dashboards.ImportReport) error {
	for _, w := range r.Warnings {
		fmt.Fprintf(e.errOut, "%s: %s\n", name, w)
	}
	list := func(issues []dashboards.ImportIssue, count int64, what string) {
		for _, i := range issues {
			fmt.Fprintf(e.errOut, "%s:%d: %s\n", name, i.Line, i.What)
		}
		if more := count - int64(len(issues)); more > 0 {
			fmt.Fprintf(e.errOut, "%s: and %d more %s\n", name, more, what)
		}
	}
	list(r.Bad, r.BadCount, "bad rows")
	list(r.Conflicts, r.ConflictCount, "conflicts")
	parts := []string{fmt.Sprintf("%d new", r.New), fmt.Sprintf("%d already there", r.Duplicates)}
	if r.ConflictCount > 0 {
		parts = append(parts, fmt.Sprintf("%d in conflict (the first values stay)", r.ConflictCount))
	}
	if r.BadCount > 0 {
		parts = append(parts, fmt.Sprintf("%d bad rows left out", r.BadCount))
	}
	fmt.Fprintf(e.out, "%s: %d rows of %s: %s\n", name, r.Rows, kind, strings.Join(parts, ", "))
	if r.BadCount > 0 || r.ConflictCount > 0 {
		return statusError{status: exitPartial}
	}
	return nil
}
