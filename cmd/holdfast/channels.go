package main

import (
	"net/url"

	"github.com/spf13/cobra"
)

func channelsCommand(e *env) *cobra.Command {
	var format string
	c := &cobra.Command{
		Use:   "channels",
		Short: "List the channels with what was last seen of each",
		Long: `List the channels of the config, and those of imports, with their names and what each
tuner saw last: lock, C/N, margin over the threshold, level, and what the signal calls
itself where the tuner reads that.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			return e.print(c.Context(), "/api/channels", format, url.Values{})
		},
	}
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}
