package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"strconv"

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
			if format != "text" && format != "json" {
				return usage(fmt.Errorf("--format %q is not known; want text or json", format))
			}
			h, err := e.connect(c.Context())
			if err != nil {
				return err
			}
			defer h.Close()
			q := url.Values{"format": {format}}
			if format == "text" {
				q.Set("width", strconv.Itoa(e.width()))
			}
			var b bytes.Buffer
			if err := h.Get(c.Context(), "/api/channels?"+q.Encode(), &b); err != nil {
				return err
			}
			if format == "json" {
				var pretty bytes.Buffer
				if err := json.Indent(&pretty, b.Bytes(), "", "  "); err != nil {
					return fmt.Errorf("read the channels: %w", err)
				}
				b = pretty
			}
			_, err = b.WriteTo(e.out)
			return err
		},
	}
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}
