package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"holdfast/cmd/internal/daemon"
	"holdfast/dashboards"
)

func backupCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "backup DIR",
		Short: "Copy the home into a new folder, also while the daemon runs",
		Long: `Copy everything that the home holds into a folder, which is made or must be empty.
The daemon may run; it goes on measuring, and it writes the copy: it must be allowed to
write there. The copy holds all that was stored before, and is whole when the command has
ended without an error. The config, log-ins and a certificate are not in it.

On the same disk, files of past months take no space: they are links. A copy on another
disk outlives this one.`,
		Args: exact(1),
		RunE: func(c *cobra.Command, args []string) error {
			dir, err := filepath.Abs(args[0])
			if err != nil {
				return fmt.Errorf("back up to %s: %w", args[0], err)
			}
			h, err := e.connect(c.Context())
			if err != nil {
				return err
			}
			defer h.Close()
			bar := newProgress(e.errOut, "backup", 0)
			got, err := h.Backup(c.Context(), dir, bar.bytes)
			bar.done()
			if err != nil {
				return err
			}
			fmt.Fprintf(e.out, "%s: %s", args[0], files(got.Files, got.Bytes))
			if got.Linked > 0 {
				fmt.Fprintf(e.out, ", %d of them linked", got.Linked)
			}
			fmt.Fprintln(e.out)
			if len(got.Faults) > 0 {
				e.faults(got.Faults)
				return errors.New("the copy holds all the rest; holdfast restore --partial takes it, a backup from before may be whole")
			}
			return nil
		},
	}
}

// faults names files that are missing or damaged.
func (e *env) faults(lines []string) {
	for _, l := range lines {
		fmt.Fprintln(e.errOut, l)
	}
}

func restoreCommand(e *env) *cobra.Command {
	var partial bool
	c := &cobra.Command{
		Use:   "restore DIR",
		Short: "Put a backup back into the data folder",
		Long: `Put what holdfast backup made into the data folder: that of --data, else the config's,
else the usual one. No daemon may run there, and no home may be there: move it away
first. Every byte is checked before it is taken for a home; the backup stays as it is.

--partial restores what there is of a backup whose files of past months are missing or
damaged, and names these.`,
		Args: exact(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, _, _, err := e.load()
			if err != nil {
				return err
			}
			dir, err := daemon.DataDir(e.data, cfg)
			if err != nil {
				return usage(err)
			}
			bar := newProgress(e.errOut, "restore", 0)
			got, err := daemon.Restore(c.Context(), args[0], dir, daemon.RestoreOptions{Partial: partial, Progress: bar.bytes})
			bar.done()
			if err != nil {
				return err
			}
			fmt.Fprintf(e.out, "%s: %s from %s\n", dir, files(got.Files, got.Bytes), args[0])
			e.faults(got.Faults)
			return nil
		},
	}
	c.Flags().BoolVar(&partial, "partial", false, "restore what there is of a damaged backup")
	return c
}

// files says how many files were copied, and how much that is.
func files(n int, bytes int64) string {
	word := "files"
	if n == 1 {
		word = "file"
	}
	return fmt.Sprintf("%d %s, %.1f MiB", n, word, float64(bytes)/(1<<20))
}

// bytes shows how many bytes of how many are done.
func (p *progress) bytes(done, total int64) {
	p.size = total
	p.update(dashboards.ImportProgress{Bytes: done})
}
