package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"

	"golang.org/x/term"

	"holdfast/cmd/internal/client"
	"holdfast/cmd/internal/daemon"
	"holdfast/configs"
	"holdfast/dashboards"
)

// load reads the config: that of --config or of the usual places. Without one, ok is
// false and the config is that of a home without tuners, in UTC.
func (e *env) load() (c configs.Config, path string, ok bool, err error) {
	path, ok = daemon.FindConfig(e.config)
	if !ok {
		c, err = configs.Parse("no config", []byte("version: 1\nhome: { name: Home, time_zone: UTC }\n"))
		return c, "", false, err
	}
	c, err = configs.Load(path)
	if err != nil {
		return c, path, true, usage(fmt.Errorf("the config is wrong:\n%w", err))
	}
	for _, w := range c.Warnings {
		fmt.Fprintln(e.errOut, w)
	}
	return c, path, true, nil
}

// connect reaches the home: through the process that holds the store, or by opening
// it here.
func (e *env) connect(ctx context.Context) (*client.Client, error) {
	c, _, ok, err := e.load()
	if err != nil {
		return nil, err
	}
	dir, err := daemon.DataDir(e.data, c)
	if err != nil {
		return nil, usage(err)
	}
	h, err := daemon.OpenOrReach(ctx, c, dir, daemon.Options{Log: e.logger(slog.LevelWarn)})
	if err != nil {
		return nil, err
	}
	if h == nil {
		return client.Socket(daemon.SocketPath(dir)), nil
	}
	if !ok {
		fmt.Fprintln(e.errOut, "holdfast: no config found (./holdfast.yaml and the usual places); going on without a region, in UTC")
	}
	return client.Here(h.Owner(dashboards.New(h, dashboards.Options{Version: version()}).Owner()), h.Close), nil
}

// logger writes text for people on a terminal and JSON elsewhere; under systemd the
// journal has its own time stamps.
func (e *env) logger(level slog.Level) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	if os.Getenv("JOURNAL_STREAM") != "" {
		o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	if isTerminal(e.errOut) {
		return slog.New(slog.NewTextHandler(e.errOut, o))
	}
	return slog.New(slog.NewJSONHandler(e.errOut, o))
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
