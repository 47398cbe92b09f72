package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"strconv"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

func answerCommand(e *env) *cobra.Command {
	var format, from, to, at string
	c := &cobra.Command{
		Use:   "answer",
		Short: "Say how every channel holds and how much is left",
		Long: `Say how every channel holds and how much is left: as text for people, or as one
JSON object for programs (--format json), with units in every key and null where the
data cannot decide, beside what would decide it.

Instants are dates at home (2026-06-03), with a time (2026-06-03T21:42), or RFC 3339.
The span runs from the first reading to --at; --at is now, or the end of the last
reading in a home filled by import alone.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			q := url.Values{}
			for name, v := range map[string]string{"from": from, "to": to, "at": at} {
				if v != "" {
					q.Set(name, v)
				}
			}
			return e.print(c.Context(), "/api/answer", format, q)
		},
	}
	c.Flags().StringVar(&format, "format", "text", "text or json")
	c.Flags().StringVar(&from, "from", "", "start of the span `TIME`")
	c.Flags().StringVar(&to, "to", "", "end of the span `TIME`")
	c.Flags().StringVar(&at, "at", "", "answer as of `TIME`: nothing known later is used")
	return c
}

// print asks the home for a path as text, as wide as the terminal, or as JSON, and
// prints what comes.
func (e *env) print(ctx context.Context, path, format string, q url.Values) error {
	if format != "text" && format != "json" {
		return usage(fmt.Errorf("--format %q is not known; want text or json", format))
	}
	h, err := e.connect(ctx)
	if err != nil {
		return err
	}
	defer h.Close()
	q.Set("format", format)
	if format == "text" {
		q.Set("width", strconv.Itoa(e.width()))
	}
	var b bytes.Buffer
	if err := h.Get(ctx, path+"?"+q.Encode(), &b); err != nil {
		return err
	}
	if format == "json" {
		var pretty bytes.Buffer
		if err := json.Indent(&pretty, b.Bytes(), "", "  "); err != nil {
			return fmt.Errorf("read what %s answers: %w", path, err)
		}
		b = pretty
	}
	_, err = b.WriteTo(e.out)
	return err
}

// width returns the columns to write text for: the terminal's, else 80.
func (e *env) width() int {
	if f, ok := e.out.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil {
			return min(max(w, 40), 500)
		}
	}
	return 80
}
