package daemon

import (
	"testing"
	"time"
)

// A command that has the store for a moment does not keep the daemon, or another
// command, from starting.
func TestOpenWaitsForACommandToEnd(t *testing.T) {
	t.Parallel()
	dir, c := t.TempDir(), parse(t, simulatedHome)
	first, err := Open(t.Context(), c, dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	closed := make(chan error, 1)
	time.AfterFunc(300*time.Millisecond, func() { closed <- first.Close() })
	h, err := OpenOrReach(t.Context(), c, dir, Options{})
	if err != nil || h == nil {
		t.Fatalf("OpenOrReach = %v, %v; want the home once the first has closed it", h, err)
	}
	if err := <-closed; err != nil {
		t.Error(err)
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
}
