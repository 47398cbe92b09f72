package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// env is what every command needs of the outside.
type env struct {
	in          io.Reader
	out, errOut io.Writer
	reloads     func() <-chan os.Signal // SIGHUP reloads from then on
	config      string                  // --config, "" for the usual places
	data        string                  // --data
}

func rootCommand(in io.Reader, out, errOut io.Writer, reloads func() <-chan os.Signal) *cobra.Command {
	e := &env{in: in, out: out, errOut: errOut, reloads: reloads}
	root := &cobra.Command{
		Use:   "holdfast",
		Short: "Does every television channel hold, and how much is left",
		Long: `holdfast watches the channels of a rooftop antenna: it visits the tuners on a
schedule, keeps the readings with the weather, and says per RF channel whether it
holds, how much margin is left, and what takes it away.

Exit status: 0 done, 1 could not be done, 2 wrong use or wrong config, 3 an import
that took the good rows and listed the others.`,
		Version:           version(),
		SilenceErrors:     true,
		SilenceUsage:      true,
		PersistentPreRunE: func(*cobra.Command, []string) error { return supported() },
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usage(fmt.Errorf("there is no command %q; holdfast help lists them", args[0]))
			}
			return c.Help()
		},
		Args: cobra.ArbitraryArgs,
	}
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errOut)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usage(fmt.Errorf("%w; %s --help lists the flags", err, c.CommandPath()))
	})
	root.PersistentFlags().StringVar(&e.config, "config", "", "config `FILE` (default: ./holdfast.yaml, then $XDG_CONFIG_HOME/holdfast/, then /etc/holdfast/)")
	root.PersistentFlags().StringVar(&e.data, "data", "", "data `DIR` (default: the config's, then $STATE_DIRECTORY, then $XDG_DATA_HOME/holdfast)")
	root.AddCommand(runCommand(e), demoCommand(e), setupCommand(e), checkCommand(e), importCommand(e), exportCommand(e), backupCommand(e), restoreCommand(e),
		answerCommand(e), explainCommand(e), channelsCommand(e), alarmCommand(e), passwordCommand(e), reportTunerCommand(e))
	return root
}

func usage(err error) error { return statusError{exitUsage, err} }

// exact refuses a wrong number of arguments with the command's own form.
func exact(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return usage(fmt.Errorf("%s wants %d arguments, not %d: %s", c.CommandPath(), n, len(args), c.UseLine()))
		}
		return nil
	}
}

// supported stops with one line where holdfast does not run.
func supported() error {
	if runtime.GOOS == "windows" {
		return errors.New("holdfast does not run on Windows; use Linux, or macOS for imports and the demo")
	}
	return nil
}

func version() string {
	v := "devel"
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				v = s.Value[:12]
			}
		}
		if b.Main.Version != "" && b.Main.Version != "(devel)" {
			v = b.Main.Version
		}
	}
	return v
}
