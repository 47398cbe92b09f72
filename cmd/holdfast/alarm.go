package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/configs/zones"
)

func alarmCommand(e *env) *cobra.Command {
	var format string
	c := &cobra.Command{
		Use:   "alarm",
		Short: "List alarms, newest first",
		Long: `List alarms, newest first, with their ids: those that the daemon raised, and for
imported history those that it would have raised (replay).`,
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
			as, err := h.Alarms(c.Context())
			if err != nil {
				return err
			}
			if format == "json" {
				j := json.NewEncoder(e.out)
				j.SetIndent("", "  ")
				return j.Encode(as)
			}
			zone, err := zones.Load(as.TimeZone)
			if err != nil {
				zone = time.UTC
			}
			if len(as.Alarms) == 0 {
				fmt.Fprintln(e.out, "No alarm so far.")
			}
			for i, a := range as.Alarms {
				if i > 0 {
					fmt.Fprintln(e.out)
				}
				state := alerting.Severity(a.Severity).PeopleWord()
				switch {
				case a.Cleared != 0:
					state = "cleared " + clock(a.Cleared, zone)
				case a.Acknowledged != 0:
					state += ", acknowledged"
				}
				if a.Origin == "replay" {
					state += ", from imported history"
				}
				since := ""
				if a.Since != 0 {
					since = ", since " + clock(a.Since, zone)
				}
				fmt.Fprintf(e.out, "%s  %s  (%s%s)\n", clock(a.Raised, zone), a.Condition, state, since)
				fmt.Fprintln(e.out, wrapped(a.Text, e.width()))
				if a.Waits {
					fmt.Fprintf(e.out, "holdfast alarm acknowledge '%s'\n", a.ID)
				}
			}
			return nil
		},
	}
	c.Flags().StringVar(&format, "format", "text", "text or json")
	c.AddCommand(&cobra.Command{
		Use:   "acknowledge ID",
		Short: "Mark an open alarm as seen",
		Args:  exact(1),
		RunE: func(c *cobra.Command, args []string) error {
			h, err := e.connect(c.Context())
			if err != nil {
				return err
			}
			defer h.Close()
			if err := h.Acknowledge(c.Context(), args[0]); err != nil {
				return err
			}
			fmt.Fprintln(e.out, "acknowledged")
			return nil
		},
	})
	c.AddCommand(&cobra.Command{
		Use:   "test NAME",
		Short: "Send a sample by a way of telling and say what came back",
		Long: `Send a sample by the way of telling with this name in the config (its kind, if it has
none): through the daemon if one runs, else from here. No alarm is raised. Quiet hours
do not hold a sample up.`,
		Args: exact(1),
		RunE: func(c *cobra.Command, args []string) error {
			h, err := e.connect(c.Context())
			if err != nil {
				return err
			}
			defer h.Close()
			answer, err := h.TryWay(c.Context(), args[0])
			if err != nil {
				return err
			}
			fmt.Fprintln(e.out, answer)
			return nil
		},
	})
	return c
}

// clock says an instant in the home's time.
func clock(t answer.Time, zone *time.Location) string {
	return time.UnixMilli(int64(t)).In(zone).Format("2006-01-02 15:04 MST")
}

// wrapped breaks text at spaces to a width in columns, without the blanks that the
// library fills lines with.
func wrapped(s string, width int) string {
	lines := strings.Split(text.WrapSoft(s, width), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return strings.Join(lines, "\n")
}
