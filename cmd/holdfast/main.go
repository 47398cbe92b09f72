// Command holdfast watches how well the television channels of a home hold. See the
// README for what it does; `holdfast help` for how.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(realMain()) }

// realMain runs the command line and returns the exit status. It alone touches
// signals: the first interrupt ends the context, a second one kills at once. SIGHUP
// does the same, a terminal that closes, until a command asks for reloads; one that
// was started deaf to it stays so.
func realMain() int {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		ends = append(ends, syscall.SIGHUP)
	}
	ctx, end := context.WithCancel(context.Background())
	defer end()
	ending := make(chan os.Signal, 1)
	signal.Notify(ending, ends...)
	reload := make(chan os.Signal, 1)
	reloads := func() <-chan os.Signal {
		signal.Notify(reload, syscall.SIGHUP)
		signal.Stop(ending) // hands SIGHUP over without a moment in which it kills
		signal.Notify(ending, os.Interrupt, syscall.SIGTERM)
		return reload
	}
	defer signal.Stop(reload)
	done, waited := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(waited)
		select {
		case <-ending:
			signal.Stop(ending)
			end()
		case <-done:
			signal.Stop(ending)
		}
	}()
	defer func() { close(done); <-waited }()
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr, reloads)
}

// Exit statuses, as the README has them.
const (
	exitOK      = 0
	exitFailed  = 1 // it could not be done; the last line says why and what to do
	exitUsage   = 2 // the command line or the config is wrong
	exitPartial = 3 // an import took the good rows and listed bad or conflicting ones
)

// A statusError carries an exit status; its message may be empty if all was said.
type statusError struct {
	status int
	err    error
}

func (e statusError) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e statusError) Unwrap() error { return e.err }

func run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer, reloads func() <-chan os.Signal) int {
	root := rootCommand(in, out, errOut, reloads)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitOK
	}
	if m := err.Error(); m != "" {
		fmt.Fprintln(errOut, "holdfast: "+m)
	}
	if s, ok := errors.AsType[statusError](err); ok {
		return s.status
	}
	return exitFailed
}
