package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"holdfast/cmd/internal/daemon"
	"holdfast/dashboards/door"
)

func passwordCommand(e *env) *cobra.Command {
	var token string
	c := &cobra.Command{
		Use:   "password",
		Short: "Make a password, and the config lines that open the home's network",
		Long: `Ask for a password twice, without showing it, and print the lines of the config that
let the home's network in by it. What they hold is its hash, from which nobody gets the
password back; it is stored nowhere else. Where standard input is no terminal, the
password is read from it, twice, a line each.

With --token, make a token for a program instead, such as one that collects
/metrics: it is printed once, with the config lines that let it in. A program sends it
as "Authorization: Bearer TOKEN".

Neither changes anything by itself: put the lines into the config, then reload (SIGHUP)
or start again. A new password logs everybody out.`,
		Args: exact(0),
		RunE: func(c *cobra.Command, _ []string) error {
			if c.Flags().Changed("token") {
				return e.makeToken(token)
			}
			return e.makePassword(c.Context())
		},
	}
	c.Flags().StringVar(&token, "token", "", "make a token for the program of this `NAME` instead")
	return c
}

func (e *env) makePassword(ctx context.Context) error {
	password, err := e.askTwice(ctx)
	if err != nil {
		return err
	}
	hash, err := door.Hash(password)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.errOut, "\nPut these lines into %s, in place of its web: lines:\n\n", e.configName())
	fmt.Fprintf(e.out, `web:
  listen: 0.0.0.0:8790 # every address of this machine
  password_hash: %s
  tls: { kind: self-signed } # encrypts; browsers ask once whether to trust it
`, hash)
	fmt.Fprintf(e.errOut, "\nThen reload (SIGHUP) or start again, and open https://NAME:8790/ with the name or address of this machine.\n")
	return nil
}

func (e *env) makeToken(name string) error {
	if name == "" || strings.ContainsFunc(name, func(r rune) bool { return !strconv.IsPrint(r) }) {
		return usage(errors.New("--token wants a name for the program, such as --token figures"))
	}
	raw := make([]byte, 32)
	_, _ = rand.Read(raw) // never fails
	token := hex.EncodeToString(raw)
	sum := sha256.Sum256([]byte(token))
	fmt.Fprintf(e.errOut, "The token of %s, shown this once:\n\n", name)
	fmt.Fprintln(e.out, token)
	fmt.Fprintf(e.errOut, "\nPut these lines into %s, below web:\n\n", e.configName())
	fmt.Fprintf(e.out, "  tokens:\n    - name: %s\n      token: sha256:%x\n", strconv.Quote(name), sum)
	fmt.Fprint(e.errOut, "\nThen reload or start again. The program sends: Authorization: Bearer and the token.\n")
	return nil
}

// configName is what the config is called in messages.
func (e *env) configName() string {
	if path, ok := daemon.FindConfig(e.config); ok {
		return path
	}
	return "the config"
}

var errDifferent = errors.New("the two are different; nothing was made: run it again")

// askTwice reads the password two times and wants both alike.
func (e *env) askTwice(ctx context.Context) (string, error) {
	if f, ok := e.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		first, err := e.askHidden(ctx, f, "Password, at least "+strconv.Itoa(door.MinPassword)+" characters: ")
		if err != nil {
			return "", err
		}
		if len(first) < door.MinPassword { // said before it is typed again
			_, err := door.Hash(first)
			return "", err
		}
		second, err := e.askHidden(ctx, f, "Once more: ")
		if err != nil {
			return "", err
		}
		if first != second {
			return "", errDifferent
		}
		return first, nil
	}
	in := bufio.NewScanner(io.LimitReader(e.in, 4*door.MaxPassword))
	var lines [2]string
	for i := range lines {
		if !in.Scan() {
			if err := in.Err(); err != nil {
				return "", fmt.Errorf("read the password: %w", err)
			}
			return "", usage(fmt.Errorf("standard input has %d lines; want the password twice, a line each, or a terminal to ask", i))
		}
		lines[i] = in.Text()
	}
	if lines[0] != lines[1] {
		return "", errDifferent
	}
	return lines[0], nil
}

// askHidden asks on a terminal without echo. An interrupt gives the echo back; the
// read goes on until the process ends, which is next.
func (e *env) askHidden(ctx context.Context, f *os.File, prompt string) (string, error) {
	fd := int(f.Fd())
	before, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("ask on the terminal: %w", err)
	}
	type line struct {
		text []byte
		err  error
	}
	got := make(chan line, 1)
	fmt.Fprint(e.errOut, prompt)
	go func() {
		text, err := term.ReadPassword(fd)
		got <- line{text, err}
	}()
	defer fmt.Fprintln(e.errOut)
	select {
	case l := <-got:
		if l.err != nil {
			return "", fmt.Errorf("read the password: %w", l.err)
		}
		return string(l.text), nil
	case <-ctx.Done():
		_ = term.Restore(fd, before)
		return "", errors.New("interrupted; nothing was made")
	}
}
