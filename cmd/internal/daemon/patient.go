package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	"holdfast/collector/store"
	"holdfast/configs"
)

// patience is how long an opener waits for a process that has the store and answers no
// commands: another command at its work, or a daemon that starts or stops. Ours.
const patience, askAgain = 15 * time.Second, 100 * time.Millisecond

// OpenOrReach opens the home like Open, or finds the process that has it and answers
// commands: then it returns no home and no error. It waits for one that answers none,
// for some seconds.
func OpenOrReach(ctx context.Context, c configs.Config, dir string, o Options) (*Home, error) {
	until := time.Now().Add(patience)
	for {
		h, err := Open(ctx, c, dir, o)
		if !errors.Is(err, store.ErrInUse) {
			return h, err
		}
		if answers(ctx, dir) {
			return nil, nil
		}
		if time.Now().After(until) {
			return nil, fmt.Errorf("%w; it has answered no commands for %s: if it is a command at long work, such as an import, wait for its end", err, patience)
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(askAgain):
		}
	}
}

// answers reports whether a process serves the data folder's socket.
func answers(ctx context.Context, dir string) bool {
	var d net.Dialer
	c, err := d.DialContext(ctx, "unix", SocketPath(dir))
	if err != nil {
		return false
	}
	_ = c.Close()
	return true
}
