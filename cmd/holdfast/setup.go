package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"holdfast/cmd/internal/setup"
	"holdfast/configs"
)

func setupCommand(e *env) *cobra.Command {
	var file string
	var given []string
	defaults, unit := false, false
	c := &cobra.Command{
		Use:   "setup",
		Short: "Ask a few questions, look for tuners and channels, and write a config",
		Long: `Ask a few questions, look for tuners and channels, offer a source of weather, and write
a commented config: ./holdfast.yaml, or the file of --config. Nothing is fetched without
a yes, and no file is written over without one.

Where nobody is there to ask, answers come from --answer and --answers, and with
--defaults every other question takes the answer that stands in brackets. The questions:

` + setup.Keys() + `
With --unit it prints a unit file of systemd instead, which starts holdfast at boot.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			if unit {
				return e.printUnit()
			}
			answers, err := e.answersOf(file, given)
			if err != nil {
				return err
			}
			return e.setup(c.Context(), answers, defaults, len(given) > 0 || file != "")
		},
	}
	c.Flags().StringVar(&file, "answers", "", "`FILE` of answers, lines such as region: us")
	c.Flags().StringArrayVar(&given, "answer", nil, "`KEY=ANSWER`; may be given several times")
	c.Flags().BoolVar(&defaults, "defaults", false, "ask nothing: take the usual answer where none is given")
	c.Flags().BoolVar(&unit, "unit", false, "print a unit file of systemd instead")
	return c
}

func (e *env) answersOf(file string, given []string) (setup.Answers, error) {
	out := setup.Answers{}
	if file != "" {
		f, err := os.Open(file)
		if err != nil {
			return nil, usage(fmt.Errorf("read the answers: %w", err))
		}
		defer f.Close()
		if out, err = setup.ReadAnswers(f); err != nil {
			return nil, usage(fmt.Errorf("%s: %w", file, err))
		}
	}
	for _, g := range given {
		k, v, ok := strings.Cut(g, "=")
		if !ok {
			return nil, usage(fmt.Errorf("--answer %q has no =; write one such as region=us", g))
		}
		out[strings.ReplaceAll(k, "-", "_")] = v
	}
	if err := out.Check(); err != nil {
		return nil, usage(err)
	}
	return out, nil
}

func (e *env) setup(ctx context.Context, given setup.Answers, defaults, answered bool) error {
	in, ok := e.in.(*os.File)
	tty := ok && term.IsTerminal(int(in.Fd()))
	if !tty && !answered && !defaults {
		return usage(errors.New("standard input is no terminal, so nobody can be asked; give answers by --answer and --answers, or take the usual ones with --defaults: setup --help lists the questions"))
	}
	path := e.config
	if path == "" {
		path = "holdfast.yaml"
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return fmt.Errorf("find the folder of the config: %w", err)
	}
	d := &setup.Dialogue{In: e.in, Out: e.errOut, Width: columns(e.errOut), Ask: tty && !defaults, Given: given}
	text, err := e.dialogue(ctx, d, path)
	if errors.Is(err, setup.ErrUnanswered) {
		return usage(err)
	}
	if err != nil || text == "" {
		return err
	}
	fmt.Fprintf(e.out, "%s is written.\n\n%s", path, e.next(path))
	return nil
}

// dialogue asks and writes. An empty text: somebody decided against it.
func (e *env) dialogue(ctx context.Context, d *setup.Dialogue, path string) (string, error) {
	if d.Ask {
		fmt.Fprintln(e.errOut, "A few questions; an empty line takes what stands in brackets, ? says what is wanted,\nCtrl-C ends it and writes nothing.")
	}
	there := false
	if _, err := os.Stat(path); err == nil {
		there = true
		yes, err := d.Yes(ctx, "overwrite", path+" is there already. Write it anew", "It is kept as "+path+".before.", false)
		if err != nil {
			return "", err
		}
		if !yes && !d.Ask {
			return "", fmt.Errorf("%s is there already and was left alone; --answer overwrite=yes writes it anew and keeps it as %s.before", path, filepath.Base(path))
		}
		if !yes {
			fmt.Fprintln(e.out, "Nothing was changed. holdfast check says whether it would run.")
			return "", nil
		}
	}
	text, err := setup.Run(ctx, d, setup.Machine{Zone: setup.LocalZone()}, path, isTerminal(e.errOut))
	if err != nil {
		return "", err
	}
	if c, err := configs.Parse(path, []byte(text)); err == nil {
		fmt.Fprintln(e.errOut, "\n"+setup.Summary(c))
	}
	yes, err := d.Yes(ctx, "write", "Write "+path, "", true)
	if err != nil {
		return "", err
	}
	if !yes {
		_, err := io.WriteString(e.out, text)
		return "", err
	}
	mode := fs.FileMode(0o600) // it may come to hold secrets, and holds the position
	if filepath.Dir(path) == systemFolder {
		mode = 0o644 // the service's account reads it
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return "", fmt.Errorf("make the folder of the config: %w; name a place of your own with --config", err)
	}
	if there {
		old, err := os.ReadFile(path)
		if err == nil {
			err = maybe.WriteFile(path+".before", old, mode)
		}
		if err != nil {
			return "", fmt.Errorf("keep the old config: %w; nothing was changed", err)
		}
	}
	if err := maybe.WriteFile(path, []byte(text), mode); err != nil {
		return "", fmt.Errorf("write the config: %w; name a place of your own with --config", err)
	}
	if filepath.Dir(path) == systemFolder { // whatever the umask is
		if err := errors.Join(os.Chmod(path, mode), os.Chmod(systemFolder, 0o755)); err != nil {
			return "", fmt.Errorf("let the service read the config: %w", err)
		}
	}
	return text, nil
}

// systemFolder is where a service's config lies.
const systemFolder = "/etc/holdfast"

// next says what to do now.
func (e *env) next(path string) string {
	if filepath.Dir(path) == systemFolder {
		return `Next, as root (README: At boot):
  holdfast --config ` + path + ` --data /var/lib/holdfast check
  holdfast setup --unit >/etc/systemd/system/holdfast.service
  systemctl daemon-reload && systemctl enable --now holdfast
Then open http://127.0.0.1:8790/ on this machine.
`
	}
	flag := ""
	if wd, err := os.Getwd(); err != nil || filepath.Dir(path) != wd || filepath.Base(path) != "holdfast.yaml" {
		flag = " --config " + path
	}
	return fmt.Sprintf(`Next:
  holdfast%[1]s check   looks whether all of it works
  holdfast%[1]s run     measures; then open http://127.0.0.1:8790/
  holdfast setup --unit   prints what starts it at boot (README: At boot)
No tuner yet? holdfast demo shows an invented home with eighteen months behind it.
`, flag)
}

func (e *env) printUnit() error {
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find this program's own path: %w", err)
	}
	config := filepath.Join(systemFolder, "holdfast.yaml")
	if e.config != "" {
		if config, err = filepath.Abs(e.config); err != nil {
			return fmt.Errorf("find the config: %w", err)
		}
	}
	for _, p := range []string{program, config} {
		if strings.ContainsAny(p, " \t\n%$\"'\\") {
			return fmt.Errorf("%q cannot stand in a unit file; move it to a path without blanks and signs", p)
		}
	}
	if _, err := io.WriteString(e.out, configs.Unit(program, config)); err != nil {
		return fmt.Errorf("print the unit: %w", err)
	}
	return nil
}
