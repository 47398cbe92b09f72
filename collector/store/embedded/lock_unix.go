//go:build unix

package embedded

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"

	"holdfast/collector/store"
)

// A lock is a held DIR/lock. flock(2) belongs to the open file: it ends with the
// process however that ends, and a second open in this process is refused too.
type lock struct{ f *os.File }

func takeLock(dir string) (*lock, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	if err != nil {
		f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w: stop the program that holds %s, or let it answer", store.ErrInUse, dir)
		}
		return nil, fmt.Errorf("lock %s: %w", f.Name(), err)
	}
	return &lock{f}, nil
}

// release lets go of the directory. The file stays: removing it would let two
// processes hold two files of one name.
func (l *lock) release() error { return l.f.Close() }
