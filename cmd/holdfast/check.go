package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"holdfast/cmd/internal/client"
	"holdfast/cmd/internal/daemon"
	"holdfast/configs"
	"holdfast/dashboards"
	"holdfast/dashboards/words"
)

func checkCommand(e *env) *cobra.Command {
	format, schema := "text", false
	c := &cobra.Command{
		Use:   "check",
		Short: "Look whether a config would run, and say when each channel is visited",
		Long: `Look whether a config would run: read it, try each tuner on one of its channels, read
each source of weather once, look at data folder, page and clock. One line each, with
what to do where something is not well; then what run would do, and when each channel is
visited. It changes nothing.

While the daemon runs, it is asked for what it has in its hands, and tuners and weather
are left alone.

Exit status: 0 all will work, 1 something will not, 2 the config is wrong.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			switch {
			case schema:
				_, err := io.WriteString(e.out, configs.Schema())
				return err
			case format != "text" && format != "json":
				return usage(fmt.Errorf("--format %q is not known; want text or json", format))
			}
			return e.check(c.Context(), format == "json")
		},
	}
	c.Flags().StringVar(&format, "format", format, "`FORMAT`: text for people, json for programs")
	c.Flags().BoolVar(&schema, "schema", false, "print the JSON Schema of the config instead, for an editor")
	return c
}

func (e *env) check(ctx context.Context, asJSON bool) error {
	c, path, ok, err := e.loadQuietly()
	if err != nil {
		return err
	}
	if !ok {
		return usage(errors.New("no config found: holdfast setup writes one; or name one with --config"))
	}
	dir, err := daemon.DataDir(e.data, c)
	if err != nil {
		return usage(err)
	}
	running, err := askHealth(ctx, dir)
	if err != nil {
		return err
	}
	plan, err := daemon.MakePlan(c, dir)
	if err != nil {
		return err
	}
	if !asJSON {
		fmt.Fprintf(e.out, "%s: %s\n", path, inIt(c))
		if running == nil && len(c.Tuners)+len(c.Weather) > 0 {
			fmt.Fprintln(e.errOut, "Trying tuners and weather; this takes up to half a minute ...")
		}
	}
	findings, err := daemon.Check(ctx, c, dir, daemon.CheckOptions{Running: running})
	if err != nil {
		return fmt.Errorf("check: %w", err)
	}
	if asJSON {
		out := json.NewEncoder(e.out)
		out.SetIndent("", "  ")
		err = out.Encode(struct {
			Config   string           `json:"config"`
			Running  bool             `json:"running"`
			Findings []daemon.Finding `json:"findings"`
			Plan     daemon.Plan      `json:"plan"`
		}{path, running != nil, findings, plan})
	} else {
		err = writeCheck(e.out, findings, plan, columns(e.out))
	}
	if err != nil {
		return err
	}
	faults := 0
	for _, f := range findings {
		if f.Level == daemon.Fault {
			faults++
		}
	}
	if faults > 0 {
		return fmt.Errorf("%s will not work as things are; the lines that begin with FAULT say what to do", words.Plural(faults, "thing"))
	}
	return nil
}

// loadQuietly is load without printing what the config warns of: check says it itself.
func (e *env) loadQuietly() (configs.Config, string, bool, error) {
	quiet := *e
	quiet.errOut = io.Discard
	return quiet.load()
}

// askHealth asks the daemon that has a data folder; nil if there is none.
func askHealth(ctx context.Context, dir string) (*dashboards.HealthReport, error) {
	if _, err := os.Stat(daemon.SocketPath(dir)); err != nil {
		return nil, nil
	}
	limited, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	c := client.Socket(daemon.SocketPath(dir))
	defer c.Close()
	h, err := c.Health(limited)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil: // a dead process's socket, or one of an older version
		return nil, nil
	}
	return &h, nil
}

func inIt(c configs.Config) string {
	return fmt.Sprintf("%s, %s, %s of weather", words.Plural(len(c.Channels), "channel"), words.Plural(len(c.Tuners), "tuner"), words.Plural(len(c.Weather), "source"))
}

// columns is the width of a terminal; 80 elsewhere.
func columns(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if n, _, err := term.GetSize(int(f.Fd())); err == nil && n >= 40 {
			return min(n, 120)
		}
	}
	return 0
}

var levelWords = map[daemon.Level]string{daemon.Good: "well ", daemon.Note: "note ", daemon.Fault: "FAULT"}

// writeCheck writes findings and plan. Lines are wrapped on a terminal alone: a program
// or a mail wants one line each.
func writeCheck(w io.Writer, findings []daemon.Finding, p daemon.Plan, width int) error {
	var b strings.Builder
	say := func(indent, s string) {
		if width == 0 {
			b.WriteString(indent + s + "\n")
			return
		}
		rest := indent
		if strings.TrimSpace(indent) != "" {
			rest = strings.Repeat(" ", text.StringWidthWithoutEscSequences(indent))
		}
		for i, l := range strings.Split(text.WrapSoft(s, width-len(rest)), "\n") {
			if i == 0 {
				b.WriteString(indent + strings.TrimRight(l, " ") + "\n")
			} else {
				b.WriteString(rest + strings.TrimSpace(l) + "\n")
			}
		}
	}
	for _, f := range findings {
		say(levelWords[f.Level]+"  ", f.Subject+": "+f.Text)
		for _, d := range f.Detail {
			say("         ", d)
		}
	}
	b.WriteString("\nWhat holdfast run would do:\n")
	for _, l := range planLines(p) {
		say("  ", l)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// planLines says when each channel is visited, one line for each tuner's channels that
// are visited alike.
func planLines(p daemon.Plan) []string {
	var out []string
	for i := 0; i < len(p.Visits); {
		v := p.Visits[i]
		j := i
		var names []string
		for ; j < len(p.Visits) && p.Visits[j].Tuner == v.Tuner; j++ {
			names = append(names, p.Visits[j].Called())
		}
		l := fmt.Sprintf("tuner %s visits each of %s every %s for %s", v.Tuner, words.Plural(len(names), "channel"), spanWords(v.EveryS), spanWords(v.DwellS))
		if v.EveryS != v.WantedS {
			share := "half"
			if v.Lent {
				share = "a tenth"
			}
			l += fmt.Sprintf(" (not every %s: it is held at most %s of the time)", spanWords(v.WantedS), share)
		}
		if v.Riding == "only" {
			l = fmt.Sprintf("tuner %s is never taken: %s looked on at while another program has it", v.Tuner, words.Plural(len(names), "channel"))
		} else if v.Riding == "allowed" {
			l += ", and is looked on at while another program has it"
		}
		var alone []string
		if len(v.KeepOut) > 0 {
			alone = append(alone, "at "+strings.Join(v.KeepOut, ", "))
		}
		if len(v.Recordings) > 0 {
			alone = append(alone, "during what the calendar "+strings.Join(v.Recordings, ", ")+" has")
		}
		if len(alone) > 0 {
			l += ", and left alone " + strings.Join(alone, " and ")
		}
		out = append(out, l+": "+strings.Join(names, ", "))
		i = j
	}
	for _, w := range p.Weather {
		out = append(out, fmt.Sprintf("weather %s is read every %s", w.Name, spanWords(w.EveryS)))
	}
	if len(p.Visits) == 0 {
		out = append(out, "no tuner: what is imported is shown and answered for")
	}
	return append(out, "alarms are told by "+strings.Join(slices.Clone(p.Alarms), ", "), "pages at "+p.Listen+", data in "+p.Data)
}

func spanWords(s int64) string {
	switch {
	case s%3600 == 0 && s > 0:
		return fmt.Sprintf("%d%sh", s/3600, words.Nbsp)
	case s%60 == 0 && s > 0:
		return fmt.Sprintf("%d%smin", s/60, words.Nbsp)
	case s > 60:
		return fmt.Sprintf("%d%smin %d%ss", s/60, words.Nbsp, s%60, words.Nbsp)
	}
	return fmt.Sprintf("%d%ss", s, words.Nbsp)
}
