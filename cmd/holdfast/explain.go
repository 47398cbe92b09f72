package main

import (
	"fmt"
	"net/url"

	"github.com/spf13/cobra"
)

func explainCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "explain TIME [CHANNEL]",
		Short: "Tell the story of a dropout: what was seen, what it probably was, what to do",
		Long: `Tell the story of the dropouts at a time: what was seen, what it probably was, what
speaks against it, and what to do, indoors first.

TIME is a date at home with a time (2026-06-03T21:42), or RFC 3339. CHANNEL is the
number on screen, the RF number or the name; without it every channel that broke then
is told of.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return usage(fmt.Errorf("want a time, and perhaps a channel: holdfast explain 2026-06-03T21:42 12.1"))
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			q := url.Values{"time": {args[0]}}
			if len(args) > 1 {
				q.Set("channel", args[1])
			}
			return e.print(c.Context(), "/api/explain", "text", q)
		},
	}
}
