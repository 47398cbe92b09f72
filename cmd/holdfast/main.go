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

	_ "time/tzdata" // zones come from the embedded copy alone
)

func main() { os.Exit(realMain()) }

// realMain runs the command line and returns the exit status. It alone touches
// signals: the first interrupt ends the context, a second one kills at once.
func realMain() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	reload := make(chan os.Signal, 1)
	signal.Notify(reload, syscall.SIGHUP)
	defer signal.Stop(reload)
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr, reload)
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

func run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer, reload <-chan os.Signal) int {
	root := rootCommand(in, out, errOut, reload)
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
