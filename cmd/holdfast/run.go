package main

import (
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	"holdfast/cmd/internal/daemon"
	"holdfast/configs"
)

func runCommand(e *env) *cobra.Command {
	verbose := false
	c := &cobra.Command{
		Use:   "run",
		Short: "Run the daemon: tuners, weather, alarms, pages",
		Long: `Run the daemon until it is stopped: visit the tuners, keep the readings with the
weather, raise alarms, serve the pages on the address of the config.

SIGHUP reads the config again: a wrong one changes nothing and is reported. SIGTERM or
an interrupt stops in order; a second one stops at once, and loses nothing stored.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, path, ok, err := e.load()
			if err != nil {
				return err
			}
			if !ok {
				return usage(fmt.Errorf("no config found: holdfast setup writes one, or name one with --config"))
			}
			dir, err := daemon.DataDir(e.data, cfg)
			if err != nil {
				return usage(err)
			}
			level := slog.LevelInfo
			if verbose {
				level = slog.LevelDebug
			}
			log := e.logger(level)
			return daemon.Run(c.Context(), daemon.Params{
				Config: cfg, DataDir: dir, Reload: e.reloads(), Log: log, Version: version(),
				Load: func() (configs.Config, error) { return configs.Load(path) },
				Bound: func(url string) {
					log.Info("pages are at "+url, "data", dir, "tuners", len(cfg.Tuners))
				},
			})
		},
	}
	c.Flags().BoolVar(&verbose, "verbose", false, "log each visit and each task")
	return c
}
